"""Reading a gadget file: all its mistakes together, or a frozen `Gadget`."""

from __future__ import annotations

import copy
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.curve_file import BUILT_IN_CURVES, OTHER_NAMES, is_path, read_curve
from simfw.gadget.electrical import electrical_problems
from simfw.gadget.firmware import (
    DRAWING,
    GIVING,
    SCALE,
    SPEAKING,
    firmware_problems,
    misnamed,
    starts_beyond,
)
from simfw.gadget.model import Gadget
from simfw.gadget.wiring import wiring_problems
from simfw.setting import Settings, with_settings
from simfw.tomlfile import TomlFile, key_text, read_toml, require_kind
from simfw.validation import Checked, check_data

__all__ = ["GadgetCheck", "named_gadget", "read_gadget"]

GadgetCheck = Callable[[Gadget], Sequence[Problem]]

# What a required key may hold: stand-in for a broken one, example in the message about a missing
# one. No number from here ever reaches a gadget that is used.
SAMPLES: dict[str, Any] = {
    "gadget": {"name": "Lamp"},
    "cell": {"curve": "lco", "capacity": "650 mAh"},
    "name": "Lamp",
    "curve": "lco",
    "capacity": "650 mAh",
    "float": "4.20 V",
    "below": "2.9 V",
    "rate": "10 %",
    "driver.kind": "sink",
    "driver.current": "20 mA",
    "output": "5 V",
    "?regulator": {"output": "1 kV"},
    "kind": "nmos",
    "forward": ["2.75 V @ 5 mA", "3.0 V @ 20 mA"],
    "resistor": "22R",
    "buttons": ["up", "down"],
    "reflectance": "55 %",
    "area": "80 cm2",
    "carrier": "38 kHz",
    "duty": "50 %",
    "burst": 24,
    "on": "power.click",
    "from": "dark",
    "to": "dark",
    "starts": "dark",
    "states": {},
    "voltage": "5 V",
    "heat.resistance": "60 K/W",
    "heat.limit": "100 degC",
    "cold": "0 degC",
    "hot": "45 degC",
    "source": "usb",
    "unit": "lx",
    "shortest": 10,
    "short": 70,
    "gap": 10,
    "long_gap": 4,
    # Optional ones that other keys count on: with a slip in them these must not be blamed.
    "?driver": {"kind": "sink", "current": "20 mA"},
    "?leds": 1000,
    "?count": 64,
    "?from": "1 %",
    "?spacing": "even",
    "?segments": True,
    "?hold": "2 s",
    "?double": "1 h",
    "?cut_off": "0 V",
    "?status": "low while charging",
    "?controller.pull_up": "35k",
    "?gauge.light": "bars",
    "?low": "1 kV",
    "?flat": "0 V",
    "?points": ["0 % @ 0 s", "100 % @ 1 s"],
    "?times": 2,
    "?gauge.thresholds": [f"{bar} V" for bar in range(1, 33)],
}


def read_gadget(
    path: str | Path, check: GadgetCheck | None = None, settings: Settings | None = None
) -> Gadget:
    """Read and check a gadget file, with `settings` in place of what it holds.

    `check` is called with the gadget for the problems that only its behaviour can tell (unknown
    states, events, names in expressions); their keys are given a line here. Raises
    `DescriptionError` with all problems, in the order of the file.
    """
    file = read_toml(path)
    require_kind(file, "gadget")
    file = with_settings(file, settings or {})
    data = copy.deepcopy(file.data)
    problems = _nested_states(data)
    checked = check_data(Gadget, data, SAMPLES)
    problems += checked.problems
    # What else belongs to a switch depends on its kind.
    checked.tainted |= {
        key.removesuffix(".kind") for key in checked.tainted if key.endswith(".switch.kind")
    }
    gadget = checked.value
    if gadget is not None:
        gadget = _with_curve(gadget, file, checked, problems)
        problems += misnamed(gadget)
        found = [electrical_problems(gadget), wiring_problems(gadget), firmware_problems(gadget)]
        problems += checked.keep([problem for part in found for problem in part])
        problems += checked.keep(_too_few(data, gadget))
        if check is not None and not _names_lost(checked.tainted):
            known = {problem.key for problem in problems}
            problems += [p for p in checked.keep(check(gadget)) if p.key not in known]
    if problems or gadget is None:
        raise DescriptionError(file.locate(problems))
    return gadget.model_copy(update={"file": str(path), "digest": file.digest})


def named_gadget(
    folder: Path, written: str, check: GadgetCheck | None, *, read: bool,
    settings: Settings | None = None,
) -> tuple[Path, Gadget | None, list[Problem]]:
    """The gadget file that a file in `folder` names: its path, the gadget, or its problems.

    That it is not there is a problem of the key `gadget` of the file that names it. Without `read`
    (the name itself is a slip) only the path is told. `check` and `settings` are handed to
    `read_gadget`.
    """
    path = Path(os.path.normpath(folder / written))
    if not read:
        return path, None, []
    try:
        return path, read_gadget(path, check, settings), []
    except DescriptionError as error:
        return path, None, [_of_key(problem, "gadget", path) for problem in error.problems]


def _of_key(problem: Problem, key: str, path: Path) -> Problem:
    """Turn a problem of the whole file (it is not there) into one of the key that names it."""
    if problem.key or problem.line is not None:
        return problem
    return Problem(key=key, text=f"{path}: {problem.text}", allowed=problem.allowed,
                   suggestion=problem.suggestion)


def _too_few(data: Mapping[str, Any], gadget: Gadget) -> Iterator[Problem]:
    """Measures that start beyond thresholds that cannot be read: it is known how many there are."""
    for name, measure in gadget.measures.items():
        table = data["measures"].get(name)
        written = table.get("thresholds") if isinstance(table, dict) else None
        if isinstance(written, list) and written and not measure.thresholds:
            yield from starts_beyond(key_text(("measures", name)), measure, len(written))


def _nested_states(data: dict[str, Any]) -> list[Problem]:
    """Note states whose dotted name has no quotation marks, and name them as was meant.

    TOML reads `states.lit.full = {}` as a table "lit" with a table "full" in it.
    """
    problems = []
    regions = data.get("behaviour")
    for region, table in regions.items() if isinstance(regions, dict) else ():
        states = table.get("states") if isinstance(table, dict) else None
        if not isinstance(states, dict):
            continue
        table["states"] = meant = {}
        for family, inner in states.items():
            outputs = inner.items() if isinstance(inner, dict) else ()
            members = [name for name, value in outputs
                       if isinstance(value, dict) and name != SCALE]
            if not members or len(members) < len(inner):
                meant[family] = inner
            for member in members:
                problems.append(
                    Problem(
                        key=key_text(("behaviour", region, "states", family, member)),
                        text="a state name with a dot needs quotation marks",
                        suggestion=f'states."{family}.{member}"',
                    )
                )
                meant[f"{family}.{member}"] = inner.pop(member)
    return problems


def _with_curve(
    gadget: Gadget, file: TomlFile, checked: Checked[Gadget], problems: list[Problem]
) -> Gadget:
    """Return the gadget with the points of its own curve file, if it names one."""
    curve = gadget.cell.curve
    if not is_path(curve):
        if curve not in BUILT_IN_CURVES and curve not in OTHER_NAMES:
            problems += checked.keep([_unknown_curve(curve)])
        return gadget
    path = file.path.parent / curve
    try:
        points = read_curve(path)
    except DescriptionError as error:
        problems += [_of_key(problem, "cell.curve", path) for problem in error.problems]
        return gadget
    return gadget.model_copy(update={"curve_points": points})


def _names_lost(tainted: set[str]) -> bool:
    """Whether names that other parts may use were lost, so that checking them would mislead."""
    lost = (*SPEAKING, *DRAWING, *GIVING)
    return any(
        key in lost or (key.startswith("behaviour.") and key.endswith(".states")) for key in tainted
    )


def _unknown_curve(curve: str) -> Problem:
    return Problem(
        key="cell.curve",
        text="there is no such curve",
        allowed=", ".join(BUILT_IN_CURVES) + ", or the path of a .csv file",
        suggestion=nearest(curve, BUILT_IN_CURVES),
    )
