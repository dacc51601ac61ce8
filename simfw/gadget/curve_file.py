"""The cell's own open-circuit curve: a CSV file with the header `charge,voltage_v`.

Charge runs from 0 to 1 and rises from row to row; the voltage never falls on the way. Lines that
start with `#` and empty lines are left out.
"""

from __future__ import annotations

import math
from pathlib import Path

from simfw.errors import DescriptionError, Problem
from simfw.tomlfile import read_text

__all__ = [
    "BUILT_IN_CURVES", "NICKEL_CURVES", "OTHER_NAMES", "PRIMARY_CURVES", "is_path", "parse_curve",
    "read_curve", "table_of",
]

PRIMARY_CURVES = ("alkaline", "lithium-primary")
"""Built-in curves of cells that must not be charged."""

NICKEL_CURVES = ("nimh",)
"""Built-in curves of cells whose charge does not end at a float voltage."""

BUILT_IN_CURVES = (
    "lco", "lco-2ah-pouch", "lfp", "nmc-150mah-pouch", "nmc-5ah-cylindrical", "nmc-5ah-pouch",
    *NICKEL_CURVES, *PRIMARY_CURVES,
)
"""The names that `cell.curve` may have besides the path of a file."""

OTHER_NAMES = {
    "nmc": "nmc-5ah-cylindrical",  # short
    "lco-ai": "lco-2ah-pouch", "nmc-ecker": "nmc-150mah-pouch", "nmc-mohtat": "nmc-5ah-pouch",
    "coin-primary": "lithium-primary",
}
"""Names of built-in curves that files may use as well: a short one, and those of earlier files."""

Points = tuple[tuple[float, float], ...]

_ROW = 'two numbers with a comma between them, such as "0.25,3.71"'

MOST_V = 100.0  # also for many cells in one pack


def table_of(curve: str) -> str:
    """The name of a built-in curve for one that files may use."""
    return OTHER_NAMES.get(curve, curve)


def is_path(curve: str) -> bool:
    """Return whether `cell.curve` names a file: it ends in `.csv` or has a slash in it."""
    return curve.lower().endswith(".csv") or "/" in curve or "\\" in curve


def read_curve(path: Path) -> Points:
    """Return the points (charge 0..1, volts) of a curve file; raises `DescriptionError`."""
    text, _ = read_text(path)
    return parse_curve(text, str(path))


def parse_curve(text: str, file: str) -> Points:
    """Return the points (charge 0..1, volts) of a curve; `file` is for messages.

    Raises `DescriptionError` with all problems.
    """
    problems: list[Problem] = []

    def note(line: int | None, text: str, allowed: str, found: str | None = None) -> None:
        problems.append(
            Problem(key=found or "", file=file, line=line, text=text, allowed=allowed)
        )

    rows = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        note(None, "the curve has no rows", 'the header "charge,voltage_v", then two rows or more')
        raise DescriptionError(problems)
    number, header = rows[0]
    if [word.strip() for word in header.split(",")] != ["charge", "voltage_v"]:
        note(number, "this is not the header", '"charge,voltage_v"', header[:60])
    points: list[tuple[float, float]] = []
    for number, line in rows[1:]:
        point = _point(line)
        if point is None:
            note(number, "this is not a point of a curve", _ROW, line[:60])
            continue
        charge, volts = point
        if not 0 <= charge <= 1:
            note(number, f"the charge {charge:g} is outside 0 to 1", "a share from 0 to 1", line)
        elif points and charge <= points[-1][0]:
            note(number, "the charge does not rise", f"more than {points[-1][0]:g}", line)
        elif volts <= 0:
            note(number, "the voltage is not above zero", "volts above zero", line)
        elif volts > MOST_V:
            note(number, f"the voltage {volts:g} V is that of no cell", f"{MOST_V:g} V or less",
                 line)
        elif points and volts < points[-1][1]:
            note(
                number,
                "the voltage falls while the charge rises",
                f"{points[-1][1]:g} or more",
                line,
            )
        points.append(point)
    if not problems:
        if len(points) < 2:
            note(None, "the curve has fewer than two points", "two points or more")
        elif points[0][0] != 0 or points[-1][0] != 1:
            note(
                None,
                f"the charge runs from {points[0][0]:g} to {points[-1][0]:g}",
                "a first row at charge 0 and a last row at charge 1",
            )
        elif points[0][1] == points[-1][1]:
            note(None, "the voltage is the same everywhere", "a voltage that rises with charge")
    if problems:
        raise DescriptionError(problems)
    return tuple(points)


def _point(line: str) -> tuple[float, float] | None:
    try:
        charge, volts = (float(word) for word in line.split(","))
    except ValueError:
        return None
    return (charge, volts) if math.isfinite(charge) and math.isfinite(volts) else None
