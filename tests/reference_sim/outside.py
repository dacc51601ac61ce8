"""Regions of toggles and measures, from the pages on the gadget file and on behaviour alone."""

from __future__ import annotations

from typing import Any

from tests.reference_sim.reading import exact, ns
from tests.reference_sim.regions import Region

NEVER = 1e9  # further than any value of a random scenario


def levels(spec: dict[str, Any]) -> tuple[list[float], list[float]]:
    """Where each threshold is lost, and where it is passed again."""
    lost = [exact(text) for text in spec["thresholds"]]
    more = exact(spec["hysteresis"]) if "hysteresis" in spec else exact("0 lx")
    return [float(x) for x in lost], [float(x + more) for x in lost]


def at_rest(spec: dict[str, Any]) -> float:
    """A value that fits `starts`: it is what a measurement finds until a step changes it."""
    lost, again = levels(spec)
    starts = spec.get("starts", 0)
    return -NEVER if starts == 0 else NEVER if starts == len(lost) else again[starts - 1]


def toggle(name: str, spec: dict[str, Any]) -> Region:
    """A contact that the firmware reads: `debounce` after every edge, and after power-up."""
    other = {"off": ("on", f"{name}.closed", f"{name}.closed"),
             "on": ("off", f"not {name}.closed", f"{name}.opened")}
    wait = ns(spec.get("debounce", "20 ms"))
    moving = {position: f"{position}.bouncing" for position in other}
    region = Region(name, (*moving.values(), *moving), moving[spec.get("starts", "off")])
    region.awake = frozenset(moving.values())
    for position, (to, moved, event) in other.items():
        region.add(f"{position} {moving[position]}", moving[position], on=f"{name}.edge")
        region.add(moving[position], to, after=wait, when=moved, emit=event)
        region.add(moving[position], position, after=wait)
    return region


def measure(name: str, spec: dict[str, Any]) -> list[Region]:
    """When it is measured, and how many thresholds are passed."""
    settle, every = ns(spec.get("settle", "0 s")), ns(spec.get("every", "1 s"))
    look = Region(f"{name}.look", ("asleep", "settling"), "asleep")
    look.awake = frozenset({"settling"})
    look.add("asleep", "settling", on=f"{name}.enable")
    look.add("settling", "asleep", on=f"{name}.disable")
    look.add("settling", "asleep", after=settle, emit=f"{name}.sampled")
    look.add("asleep", "settling", after=every - settle, when=spec.get("enabled"))
    return [look, _count(name, spec)]


def _count(name: str, spec: dict[str, Any]) -> Region:
    lost, again = levels(spec)
    top, agree = len(lost), spec.get("agree", 1)

    def seen(count: int, way: str, times: int) -> str:
        return f"passed.{count}" + (f".{way}.{times}" if times else "")

    names: list[str] = []
    for count in range(top + 1):
        names.append(seen(count, "", 0))
        names += [seen(count, "down", n) for n in range(1, agree) if count]
        names += [seen(count, "up", n) for n in range(1, agree) if count < top]
    region = Region(name, tuple(names), f"passed.{spec.get('starts', 0)}")
    for state in names:
        _, number, *rest = state.split(".")
        count, way, times = int(number), rest[0] if rest else "", int(rest[1]) if rest else 0
        less = (times if way == "down" else 0) + 1
        more = (times if way == "up" else 0) + 1
        value = f"{name}.value"
        for lower in range(count):
            to = f"passed.{lower}" if less == agree else seen(count, "down", less)
            region.add(state, to, on=f"{name}.sampled", when=f"{value} < {lost[lower]!r}",
                       emit=f"{name}.down" if less == agree else "")
        for higher in range(top, count, -1):
            to = f"passed.{higher}" if more == agree else seen(count, "up", more)
            region.add(state, to, on=f"{name}.sampled", when=f"{value} >= {again[higher - 1]!r}",
                       emit=f"{name}.up" if more == agree else "")
        if times:
            region.add(state, f"passed.{count}", on=f"{name}.sampled")
            if "enabled" in spec:
                region.add(state, f"passed.{count}", on=f"{name}.disable")
    return region
