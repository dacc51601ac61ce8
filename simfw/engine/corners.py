"""Worst and best parts: every range of the gadget file at one end.

Which end is the worse one is found for each figure alone by what is asked, never by its name: a
larger cell resistance empties the usable part of a cell sooner, and it dims lights with resistors,
so that they last longer. `run` and `life` both look here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simfw.gadget.model import Gadget
from simfw.gadget.quantities import Places, ranged, with_values
from simfw.quantity import Timing

__all__ = ["HOLD_UP", "REFERENCE", "changed", "ends_of", "rows_ignore", "worst_and_best"]

REFERENCE = "controller.reference"
HOLD_UP = "controller.hold_up"  # of a capacitor: when the supply goes, which is read with the rows
_CIRCUIT = ("cell.", "charger.", "lights.", "loads.", "controller.")


def rows_ignore(key: str) -> bool:
    """Whether a figure is one of the circuit that no row reads."""
    return key.startswith(_CIRCUIT) and key != HOLD_UP


def drawn_by(values: Mapping[str, float]) -> frozenset[tuple[str, float]]:
    """Those that have a say in what a circuit draws: the reference changes readings alone."""
    return frozenset((key, value) for key, value in values.items() if key != REFERENCE)


def changed(
    gadget: Gadget, values: Mapping[str, float], *, known: Places | None = None
) -> tuple[Gadget, float | None]:
    """The gadget with other values, and the true reference voltage where it is among them.

    What the firmware takes its reference for stays the nominal value. `known`: see `with_values`.
    """
    others = {key: value for key, value in values.items() if key != REFERENCE}
    return (with_values(gadget, others, known=known) if others else gadget), values.get(REFERENCE)


def ends_of(gadget: Gadget) -> dict[str, tuple[float, float]]:
    """The ranges of the file by key: both ends (SI units; ns for a time). Readings have no say."""
    return {
        key: (one.low_ns, one.high_ns) if isinstance(one, Timing) else (one.low, one.high)
        for key, one in ranged(gadget).items() if not key.startswith("readings")
    }


def worst_and_best(
    ends: Mapping[str, tuple[float, float]], measure: Callable[[dict[str, float]], float]
) -> tuple[dict[str, float], dict[str, float]]:
    """Each figure at the end at which `measure` of it alone is less, and at the other end.

    One that does not tell at either end stays as it is written.
    """
    worst: dict[str, float] = {}
    best: dict[str, float] = {}
    for key, (low, high) in ends.items():
        at_low, at_high = measure({key: low}), measure({key: high})
        if at_low != at_high:
            worst[key], best[key] = (low, high) if at_low < at_high else (high, low)
    return worst, best
