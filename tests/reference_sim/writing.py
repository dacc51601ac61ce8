"""Plain dictionaries to TOML text."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.reference_sim.generator import Case


def inline(value: Any) -> str:
    """A value on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key(k)} = {inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(inline(item) for item in value) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def key(name: str) -> str:
    """A key, in quotes where it has a dot."""
    return f'"{name}"' if "." in name else name


def lines(values: dict[str, Any]) -> list[str]:
    """Keys of one table; a list of tables gets a line for each."""
    found = []
    for name, value in values.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            found.append(f"{key(name)} = [")
            found += [f"  {inline(item)}," for item in value]
            found.append("]")
        else:
            found.append(f"{key(name)} = {inline(value)}")
    return found


NAMED = ("lights", "loads", "buttons", "toggles", "proximity", "measures", "dials",
         "sequences", "behaviour", "pins")


def gadget_toml(gadget: dict[str, Any]) -> str:
    """A gadget file."""
    found: list[str] = []
    for section, values in gadget.items():
        if section == "rules":
            continue
        if section in NAMED:
            for name, spec in values.items():
                found += [f"[{section}.{name}]", *lines(spec), ""]
        else:
            found += [f"[{section}]", *lines(values), ""]
    for rule in gadget.get("rules", []):
        found += ["[[rules]]", *lines(rule), ""]
    return "\n".join(found)


def scenario_toml(scenario: dict[str, Any]) -> str:
    """A scenario file."""
    return "\n".join(lines(scenario)) + "\n"


def curve_csv(curve: list[tuple[str, str]]) -> str:
    """A curve file."""
    return "charge,voltage_v\n" + "".join(f"{s},{v}\n" for s, v in curve)


def write_case(case: Case, folder: Path) -> Path:
    """The files of a case in a folder; its scenario file."""
    (folder / "gadget.toml").write_text(gadget_toml(case.gadget), encoding="utf-8")
    (folder / "scenario.toml").write_text(scenario_toml(case.scenario), encoding="utf-8")
    (folder / "curve.csv").write_text(curve_csv(case.curve), encoding="utf-8")
    return folder / "scenario.toml"
