"""What the proofs by rows alone rest on, broken one by one in systems that no gadget file can say.

Conditions are watched for stock regions only; here regions of a test hear them. Each system is
played at random: where a premise fails the fault shows, and nothing may be said of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from simfw.behaviour.expression import Inside
from simfw.behaviour.hold import holding
from simfw.behaviour.region import Condition, Region, Row
from simfw.engine.simulator import Prepared
from simfw.vectors.grids import between_ticks
from simfw.vectors.possible import all_faults
from simfw.vectors.said import says_the_same
from simfw.vectors.sketch import Act
from tests.vectors.test_equal import made, region, row, told, told_by

MS = 10**6
OVER = Inside("walk", frozenset({"over"}))
GATE = Condition(key="gate", when=OVER, rises="gate.on", falls="gate.off")
WALK = region("home", "home on over", row("on", "home", on="key.press"),
              row("over", "on", after="100 ms", emit="one"), row("home", "over", after="150 ms"))
ECHO = region("on", "on off", row("same", "on", on="one", emit="two"))
LAMP = region("dark", "dark still first next lit", row("lit", "dark", on="one"),
              row("dark", "lit", on="two"), lit="lit")
SMALL = {"walk": WALK, "echo": ECHO, "lamp": LAMP}


def watched(behaviour: dict[str, Any], **changed: Region) -> Prepared:
    """A small gadget with a condition that its own regions hear, and other regions in it."""
    prepared = Prepared(made(behaviour))
    system = prepared.system
    regions = tuple(changed.get(one.name, one) for one in system.regions)
    prepared.system = replace(system, regions=regions, conditions=(GATE,), internal_events=(
        *system.internal_events, GATE.rises, GATE.falls))
    return prepared


def rows(*written: tuple[str, str, str | int, dict[str, Any]]) -> tuple[Row, ...]:
    """Rows from a state to another: at an event, or after a time in ms."""
    return tuple(Row(key=f"row {number}", sources=(source,), to=to,
                     **({"on": on} if isinstance(on, str) else {"after_ns": on * MS}), **more)
                 for number, (source, to, on, more) in enumerate(written))  # fmt: skip


def lamp(*more: tuple[str, str, str | int, dict[str, Any]]) -> Prepared:
    """A lamp that is `still` while nobody is over, whose time is asked for that alone."""
    prepared = Prepared(made(SMALL))
    plain = prepared.system.region("lamp")
    return watched(SMALL, lamp=replace(plain, rows=rows(
        ("dark", "first", "gate.on", {}), ("first", "still", "gate.off", {}),
        ("still", "first", "gate.on", {}), ("still", "first", 300, {"when": OVER}),
        ("lit", "dark", "key.release", {}), *more)))  # fmt: skip


def telling() -> Prepared:
    """The same where somebody else says that it is over, and nobody is gone."""
    prepared = lamp(("first", "lit", 300, {}))
    walk = prepared.system.region("walk")
    says = Row(key="says", sources=("over",), to="same", on="key.press", emit=("gate.off",))
    stays = replace(walk, rows=(*(one for one in walk.rows if one.to != "home"), says))
    prepared.system = replace(prepared.system, regions=tuple(
        stays if one.name == "walk" else one for one in prepared.system.regions))
    return prepared


@pytest.mark.parametrize(("prepared", "about", "said"), [
    pytest.param(lamp(("first", "lit", 500, {})), "row 1", True, id="as it is meant"),
    pytest.param(lamp(("still", "lit", "one", {})), "row 1", False, id="something else is heard"),
    pytest.param(lamp(("first", "next", 0, {}), ("next", "lit", "two", {}),
                      ("next", "still", "gate.off", {})), "row 7", False, id="goes on at once"),
    pytest.param(telling(), "row 1", False, id="somebody else tells"),
])  # fmt: skip
def test_a_time_that_a_condition_decides_on_may_begin_earlier_only_as_said(
    prepared: Prepared, about: str, said: bool,
) -> None:
    """What else may come between the end of the time and the condition that is looked at."""
    system = holding(prepared.system)
    (fault,) = [one for one in all_faults(system) if one.about == about and one.twist.keeps
                and not one.twist.alone]
    assert says_the_same(system, fault) is said
    assert (told(prepared, [fault], 90) == []) is said


@pytest.mark.parametrize("kept", [None, "state"])
def test_a_region_that_begins_as_it_was_left_does_not_tick_on_a_grid(kept: Any) -> None:
    """It ticks after a loss of the supply though nothing wants that; what then begins its looks
    comes at any time after it.
    """
    behaviour = {
        "beat": region("off", "off a"),
        "hear": region("idle", "idle s done", row("s", "idle", on="tick"),
                       row("idle", "s", on="tick", emit="yes"),
                       row("idle", "done", on="tick", emit="no"), row("done", "s", after="150 ms")),
        "lamp": region("dark", "dark lit", row("lit", "dark", on="yes"),
                       row("dark", "lit", on="no"),
                       row("same", "dark", on="key.release", emit="tick"), lit="lit"),
        "walk": WALK,
    }  # fmt: skip
    prepared = Prepared(made(behaviour))
    system = prepared.system
    beat = replace(system.region("beat"), kept=kept, rows=rows(
        ("off", "a", "gate.on", {}), ("off", "a", 100, {"when": OVER}),
        ("a", "off", 100, {"emit": ("tick",)}), ("a", "off", "gate.off", {})))
    hear = system.region("hear")
    hear = replace(hear, rows=(*hear.rows, Row(
        key="out", sources=("s",), to="done", on="gate.off")))
    dark = system.region("lamp")
    dark = replace(dark, rows=dark.rows[:2])
    prepared = watched(behaviour, beat=beat, hear=hear, lamp=dark)
    system = holding(prepared.system)
    mine = [fault for fault in all_faults(system)
            if fault.touched == frozenset(["hear"]) and fault.kind in ("time", "step")]
    assert len(mine) == 4
    assert any(between_ticks(system, fault) for fault in mine) is (kept is None)
    # A supply that comes and goes while it is about to tick; then it is wanted soon after.
    presses = [(Act(100 * MS, "contact", "key", 1.0), Act(240 * MS, "contact", "key", 0.0),
                Act(250 * MS, "supply", "supply", 0.0), Act(400 * MS, "supply", "supply", 1.0),
                Act(at * MS, "contact", "key", 1.0)) for at in range(401, 500, 4)]
    assert (told_by(prepared, mine, presses) == []) is (kept is None)


@pytest.mark.parametrize(("kept", "heard"), [
    (None, ("slide.edge",)), ("state", ("slide.edge",)), (None, ("key.edge", "slide.edge"))])
def test_an_edge_made_up_at_power_up_is_heard_by_what_was_kept_or_has_moved(
    kept: Any, heard: tuple[str, ...],
) -> None:
    """A lamp that hears the edge of a slide where it is lit: it begins there, or another edge that
    moved with the supply has led there.
    """
    gadget = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="slide.closed"),
                                  row("dark", "lit", on="key.press"), lit="lit")},
                  toggles={"slide": {"debounce": "20 ms"}})  # fmt: skip
    prepared = Prepared(gadget)
    system = prepared.system
    lamp = replace(system.region("lamp"), kept=kept, rows=(
        Row(key="on", sources=("dark",), to="lit", on=heard[0] if heard[1:] else "slide.closed"),
        Row(key="out", sources=("lit",), to="dark", on="slide.edge")))
    prepared.system = replace(system, regions=tuple(
        lamp if one.name == "lamp" else one for one in system.regions))
    system = holding(prepared.system)
    (fault,) = [one for one in all_faults(system) if one.twist.edge == "slide"]
    plain = kept is None and heard == ("slide.edge",)
    assert says_the_same(system, fault) is plain
    acts = [(Act(100 * MS, "contact", "slide", 1.0), Act(300 * MS, "supply", "supply", 0.0),
             *([Act(400 * MS, "contact", "key", 1.0)] if moves else []),
             Act(400 * MS, "supply", "supply", 1.0)) for moves in (False, True)]
    assert (told_by(prepared, [fault], acts) == []) is plain
