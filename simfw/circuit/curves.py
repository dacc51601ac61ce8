"""Open-circuit voltage against charge: the built-in curves.

Sources and licences of the built-in tables stand in `data/README.md` beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from simfw.gadget.curve_file import Points, parse_curve, table_of

__all__ = ["BUILT_IN", "Curve", "built_in_curve", "curve_of"]

Array = NDArray[np.float64]

# Name of the table in data/ and what it is; the README there gives source and licence.
BUILT_IN = {
    "alkaline": "alkaline AA cell at rest, from a published discharge at 0.33 W",
    "lithium-primary": "Li/MnO2 primary cell (CR types), from a maker's discharge curve",
    "lco": "LCO/graphite pouch cell of 2.28 Ah, measured at 0.1C",
    "lco-2ah-pouch": "LCO/graphite pouch cell, half-cell curves of Ai et al. 2020",
    "lfp": "LFP/graphite cylinder of 2 Ah, measured at C/20",
    "nimh": "NiMH cell (AA), from a maker's discharge curve",
    "nmc-5ah-cylindrical": "NMC/graphite-silicon cylinder, half-cell curves of Chen et al. 2020",
    "nmc-150mah-pouch": "NMC/graphite pouch cell, half-cell curves of Ecker et al. 2015",
    "nmc-5ah-pouch": "NMC/graphite pouch cell, half-cell curves of Mohtat et al. 2020",
}


@dataclass(frozen=True, slots=True)
class Curve:
    """Charge (0..1, rising) against open-circuit voltage (V); linear between the points."""

    charge: Array
    voltage_v: Array


def curve_of(points: Points) -> Curve:
    """A curve from points (charge, V)."""
    table = np.array(points)
    return Curve(table[:, 0], table[:, 1])


@cache
def built_in_curve(name: str) -> Curve:
    """A built-in curve by its name, or by another that files may use (`OTHER_NAMES`)."""
    file = f"{table_of(name)}.csv"
    text = files("simfw.circuit").joinpath("data", file).read_text(encoding="utf-8")
    return curve_of(parse_curve(text, file))
