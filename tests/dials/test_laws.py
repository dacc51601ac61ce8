"""A dial is the region that it stands for, written by hand: in events, ledger and cell."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press
from tests.dials.made import PARTS, by_hand

MS = 1_000_000
EVENTS = [f"{name}.{what}" for name in ("up", "down", "key") for what in ("press", "click")]


@st.composite
def gadgets(draw: st.DrawFn) -> dict[str, Any]:
    """A lamp of two or three states, driven and scaled by a dial; a region that counts its ends."""
    data = copy.deepcopy(tomllib.loads(PARTS))
    count = draw(st.integers(2, 4))
    rows = []
    for event in draw(st.lists(st.sampled_from(EVENTS), min_size=1, max_size=4, unique=True)):
        row: dict[str, Any] = {"on": [event]}
        if draw(st.booleans()):
            row["to"] = draw(st.integers(0, count - 1))
        else:
            row["step"] = draw(st.sampled_from([1, -1, 1 - count, count + 1]))
            if draw(st.booleans()) and row["step"] % count:
                row["wrap"] = True
        rows.append(row)
    data["dials"] = {"dim": {
        "values": [f"{draw(st.integers(0, 100))} %" for _ in range(count)],
        "starts": draw(st.integers(0, count - 1)), "rows": rows}}
    names = ["off", "low", "high"][: draw(st.integers(2, 3))]
    levels = st.sampled_from(["on", "off", "40 %", "dim", "dim"])
    states = {}
    for name in names:
        states[name] = {part: draw(levels) for part in ("warm", "cool")}
        if draw(st.booleans()):
            states[name]["scale"] = {"cool": draw(st.sampled_from(["dim", "50 %"]))}
    heard = draw(st.lists(st.tuples(st.sampled_from(EVENTS), st.sampled_from(names),
                                    st.sampled_from(names)), max_size=5,
                          unique_by=lambda row: row[:2]))  # fmt: skip
    data["behaviour"] = {
        "lamp": {"starts": names[0], "states": states, "rows": [
            {"on": event, "from": source, "to": to, **({"emit": ["told"]} if to == "off" else {})}
            for event, source, to in heard if source != to]},
        "count": {"starts": "even", "states": {"even": {}, "odd": {"warm": "7 %"}}, "rows": [
            {"on": on, "from": "even", "to": "odd"} for on in ("dim.end", "dim.changed")] + [
            {"on": "dim.end", "from": "odd", "to": "even"}]},
    }  # fmt: skip
    return data


@st.composite
def presses(draw: st.DrawFn) -> tuple[Press, ...]:
    """Presses one after another, some of them of two buttons in one instant."""
    now, found = 0, []
    for _ in range(draw(st.integers(1, 8))):
        now += draw(st.integers(10, 200)) * 10 * MS
        for name in draw(st.sets(st.sampled_from(["up", "down", "key"]), min_size=1, max_size=2)):
            found.append(Press(at_ns=now, button=name, for_ns=50 * MS))
        now += 100 * MS
    return tuple(sorted(found, key=lambda one: (one.at_ns, one.button)))


@settings(max_examples=40, deadline=None)
@given(gadgets(), presses())
def test_a_dial_is_the_region_it_stands_for(data: dict[str, Any], steps: tuple[Press, ...]) -> None:
    """The same events at the same times, the same levels, the same charge to 1e-9."""
    scenario = Scenario(charge=0.7, lasts_ns=20_000 * MS, steps=steps)
    one = simulate(Gadget.model_validate(data), scenario)
    other = simulate(Gadget.model_validate(by_hand(data)), scenario)
    assert [(event.time_ns, event.name) for event in one.events] == [
        (event.time_ns, event.name) for event in other.events]
    assert one.intervals[-1].end_charge == pytest.approx(other.intervals[-1].end_charge, abs=1e-12)
    for use, same in zip(one.consumers, other.consumers, strict=True):
        assert use.charge_c == pytest.approx(same.charge_c, rel=1e-9, abs=1e-15), use.name
    assert _levels(one) == _levels(other)


def _levels(run: Any) -> list[tuple[int, tuple[float, ...]]]:
    """When the levels changed, and to what."""
    found: list[tuple[int, tuple[float, ...]]] = []
    for interval in run.intervals:
        if not found or found[-1][1] != interval.levels:
            found.append((interval.start_ns, interval.levels))
    return found
