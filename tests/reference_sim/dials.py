"""Regions of dials, from the pages on the gadget file and on behaviour alone."""

from __future__ import annotations

from typing import Any

from tests.reference_sim.expressions import parse
from tests.reference_sim.reading import si
from tests.reference_sim.regions import Region, Row


def values(spec: dict[str, Any]) -> list[Any]:
    """What each position gives, as a state would have it written."""
    if "values" in spec:
        return list(spec["values"])
    first, last, steps = si(spec["from"]), si(spec["to"]), spec["count"] - 1
    if spec.get("spacing", "even") == "ratio":
        shares = [first * (last / first) ** (k / steps) for k in range(steps + 1)]
    else:
        shares = [first + (last - first) * k / steps for k in range(steps + 1)]
    return [f"{100 * share:.4f} %" for share in shares]


def dial(name: str, spec: dict[str, Any]) -> Region:
    """One state for each position, called by its number."""
    top = len(values(spec)) - 1
    region = Region(name, tuple(str(k) for k in range(top + 1)), str(spec.get("starts", 0)))
    region.kept = "state" if spec.get("kept") else ""
    for row in spec.get("rows", []):
        for event in [row["on"]] if isinstance(row["on"], str) else row["on"]:
            for here in range(top + 1):
                there, ends = row.get("to", here), False
                if "step" in row:
                    there = here + row["step"]
                    if row.get("wrap"):
                        there %= top + 1
                    elif not 0 <= there <= top:
                        there, ends = (0 if there < 0 else top), True
                emit = [f"{name}.changed"] if there != here else []
                emit += [f"{name}.end"] if ends else []
                region.rows.append(Row(
                    sources=(str(here),), to=str(there) if there != here else "same", on=event,
                    when=parse(row["when"]) if "when" in row else None, emit=tuple(emit)))
    return region
