"""The circuit: from the parts of a gadget to currents and voltages."""

from simfw.circuit.charger import ChargerModel, ChargerStep
from simfw.circuit.circuit import ChargerMode, Circuit, LoadSet, Solution

__all__ = ["ChargerMode", "ChargerModel", "ChargerStep", "Circuit", "LoadSet", "Solution"]
