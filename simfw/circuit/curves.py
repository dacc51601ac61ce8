"""Open-circuit voltage against charge: the built-in curves and a file of one's own.

Sources and licences of the built-in tables stand in `data/README.md` beside them.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simfw.errors import DescriptionError, Problem, nearest

__all__ = ["BUILT_IN", "Curve", "load_curve"]

Array = NDArray[np.float64]

# Name of the table in data/ and what it is; the README there gives source and licence.
BUILT_IN = {
    "coin-primary": "Li/MnO2 primary cell (CR types), from a maker's discharge curve",
    "lco": "LCO/graphite pouch cell of 2.28 Ah, measured at 0.1C",
    "lco-ai": "LCO/graphite pouch cell, half-cell curves of Ai et al. 2020",
    "nmc": "NMC/graphite-silicon cylinder, half-cell curves of Chen et al. 2020",
    "nmc-ecker": "NMC/graphite pouch cell, half-cell curves of Ecker et al. 2015",
    "nmc-mohtat": "NMC/graphite pouch cell, half-cell curves of Mohtat et al. 2020",
}


@dataclass(frozen=True, slots=True)
class Curve:
    """Charge (0..1, rising) against open-circuit voltage (V, rising); linear between the points."""

    charge: Array
    voltage_v: Array
    about: str


def load_curve(name: str, folder: Path = Path(), file: str = "") -> Curve:
    """A built-in curve by name, or a CSV file `charge,voltage_v` found from `folder`.

    Raises `DescriptionError` with every mistake of the file.
    """
    if name in BUILT_IN:
        return _built_in(name)
    path = folder / name
    if not name.lower().endswith(".csv"):
        raise DescriptionError(
            [
                Problem(
                    key="cell.curve",
                    text="no such curve",
                    file=file,
                    found=f'"{name}"',
                    allowed=", ".join(BUILT_IN) + ", or the path of a CSV file",
                    suggestion=nearest(name, BUILT_IN),
                )
            ]
        )
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise DescriptionError(
            [
                Problem(
                    key="cell.curve",
                    text=f"the file cannot be read ({reason})",
                    file=file,
                    found=f'"{name}"',
                )
            ]
        ) from error
    return parse_curve(text, str(path))


@cache
def _built_in(name: str) -> Curve:
    file = f"{name}.csv"
    text = files("simfw.circuit").joinpath("data", file).read_text(encoding="utf-8")
    return Curve(*_columns(text, file), BUILT_IN[name])


def parse_curve(text: str, file: str) -> Curve:
    """A curve from the text of a CSV file. Raises `DescriptionError`."""
    return Curve(*_columns(text, file), file)


def _columns(text: str, file: str) -> tuple[Array, Array]:
    problems: list[Problem] = []

    def wrong(line: int | None, what: str, found: str | None = None) -> None:
        problems.append(
            Problem(key="curve", text=what, file=file, line=line, found=found,
                    allowed="the header charge,voltage_v and rows with both rising, charge 0 to 1")
        )

    rows = [
        (number, row)
        for number, row in enumerate(csv.reader(text.splitlines()), start=1)
        if row and not row[0].startswith("#")
    ]
    if not rows or [word.strip() for word in rows[0][1]] != ["charge", "voltage_v"]:
        wrong(rows[0][0] if rows else None, "the header is not charge,voltage_v",
              ",".join(rows[0][1]) if rows else None)
        raise DescriptionError(problems)
    charge: list[float] = []
    volts: list[float] = []
    for number, row in rows[1:]:
        try:
            pair = [float(word) for word in row]
        except ValueError:
            pair = []
        if len(pair) != 2 or not all(math.isfinite(value) for value in pair):
            wrong(number, "a row needs two numbers", ",".join(row))
            continue
        if charge and (pair[0] <= charge[-1] or pair[1] <= volts[-1]):
            wrong(number, "charge and voltage have to rise from row to row", ",".join(row))
        charge.append(pair[0])
        volts.append(pair[1])
    if not problems:
        if len(charge) < 2:
            wrong(None, "two rows at least are needed")
        elif charge[0] != 0.0 or charge[-1] != 1.0:
            wrong(None, "the charge has to run from 0 to 1", f"{charge[0]:g} .. {charge[-1]:g}")
        elif volts[0] <= 0.0:
            wrong(None, "the voltage has to be above zero", f"{volts[0]:g}")
    if problems:
        raise DescriptionError(problems)
    return np.array(charge), np.array(volts)
