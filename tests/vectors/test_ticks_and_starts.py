"""Times between two ticks, and what every power-up leaves alike: held against hands and play."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.grids import between_ticks
from simfw.vectors.hands import Hands
from simfw.vectors.orders import changes_nothing
from simfw.vectors.possible import all_faults
from simfw.vectors.powering import starts_alike
from tests.sharing import uncounted
from tests.vectors.test_equal import fault_of, made, region, row, told

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CLEAR = "proximity.wave.clear#2"
CLEARS = 'clear = { value = "600 ms"'


@pytest.fixture
def lamp(tmp_path: Path) -> Callable[..., Gadget]:
    """The larder lamp, with some text of its file in place of another."""
    text = (SCENARIOS / "larder-lamp" / "gadget.toml").read_text(encoding="utf-8")

    def changed(*parts: tuple[str, str]) -> Gadget:
        written = text
        for old, new in parts:
            assert old in written
            written = written.replace(old, new)
        path = tmp_path / "gadget.toml"
        path.write_text(written, encoding="utf-8")
        return load_gadget(path)

    return changed


def of_clear(prepared: Prepared) -> list[Fault]:
    """The faults about when the field is clear that bear on its time."""
    return [fault for fault in all_faults(holding(prepared.system))
            if fault.about == CLEAR and fault.kind in ("time", "step", "expiry")]


def by_hands(prepared: Prepared, faults: list[Fault]) -> set[str]:
    """Those that hands about the looks tell from the model."""
    system = holding(prepared.system)
    judge, model = Judge(system, prepared.gadget.segments), Rehearsal(prepared)
    for path in Hands(prepared.gadget, system, prepared.circuit).courses():
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    return {fault.text for fault in faults if judge.exposed(fault) is not None}


@pytest.mark.parametrize(("clear", "proved"), [
    ("600 ms", {"10 % shorter", "a step longer", "a step shorter"}),
    ("625 ms", set()),  # a look comes in that very instant
    ("563 ms", {"a step longer", "a step shorter", "10 % shorter", "10 % longer"}),
    ("680 ms", {"a step longer", "a step shorter", "10 % longer"}),
])  # fmt: skip
def test_a_time_that_ends_between_two_looks_may_end_a_little_later(
    lamp: Callable[..., Gadget], clear: str, proved: set[str]
) -> None:
    """With looks 125 ms apart: what is proved no hand tells, and what no look parts is proved."""
    prepared = Prepared(lamp((CLEARS, f'clear = {{ value = "{clear}"')))
    system = holding(prepared.system)
    faults = of_clear(prepared)
    same = {fault.text for fault in faults if between_ticks(system, fault)}
    assert {text.removeprefix(f"{CLEAR}: its time is ") for text in same
            if "its time is" in text} == proved
    with uncounted():
        assert by_hands(prepared, faults).isdisjoint(same)


def test_where_a_look_comes_between_hands_tell_when_the_field_was_clear(
    lamp: Callable[..., Gadget],
) -> None:
    """10 % longer than 600 ms is beyond the fifth look."""
    prepared = Prepared(lamp())
    assert f"{CLEAR}: its time is 10 % longer" in by_hands(prepared, of_clear(prepared))


@pytest.mark.parametrize("change", [
    # A guard that tells a blocked field from a clear one.
    ('to = "lit.full", when = "not cell.flat" }', 'to = "lit.full", when = "wave.clear" }'),
    # What is wanted hangs on a region whose time may end as a look begins.
    ('enabled = "sensor.armed and not lamp.locked"', 'enabled = "not power.pressed"'),
])  # fmt: skip
def test_a_field_that_is_asked_whether_it_is_clear_proves_nothing(
    lamp: Callable[..., Gadget], change: tuple[str, str]
) -> None:
    """What says that nobody sees the end of the time has to hold."""
    prepared = Prepared(lamp(change))
    assert not [fault.text for fault in of_clear(prepared)
                if between_ticks(holding(prepared.system), fault)]


def test_what_every_power_up_leaves_alike_changes_nothing(lamp: Callable[..., Gadget]) -> None:
    """A sensor that begins with its look, a status pin that is looked at anyway, a sample of the
    gauge beside a look that keeps awake; not USB, which nobody looks at again, and no sample that
    is alone.
    """
    prepared = Prepared(lamp())
    system = holding(prepared.system)
    same = [fault for fault in all_faults(system) if starts_alike(system, fault)]
    assert {fault.text for fault in same} == {
        "wave.look: begins in settling", "status: not looked at",
        "gauge.reading: does not keep awake"}
    with uncounted():
        assert told(prepared, same, 12, "wake") == []
    hook = holding(Prepared(load_gadget(SCENARIOS / "key-hook" / "gadget.toml")).system)
    assert not [fault.text for fault in all_faults(hook) if starts_alike(hook, fault)]


def test_what_moves_the_clock_between_a_tick_and_who_hears_it_proves_nothing() -> None:
    """`e` comes in the instant of the tick and before it: the next tick is 100 ms away, not 200."""
    prepared = Prepared(made({
        "push": region("home", "home w", row("w", "home", on="key.press"),
                       row("home", "w", after="200 ms", emit="e")),
        "beat": region("off", "off a b", row("a", "off", on="key.press"),
                       row("b", "a", after="100 ms"), row("a", "b", after="100 ms", emit="tick"),
                       row("b", "a", on="e")),
        "hear": region("idle", "idle s done", row("s", "idle", on="tick"),
                       row("done", "s", after="110 ms"), row("done", "s", on="e"),
                       row("idle", "s", on="tick", emit="yes"),
                       row("idle", "done", on="tick", emit="no")),
        "lamp": region("dark", "dark lit", row("lit", "dark", on="yes"),
                       row("dark", "lit", on="no"), lit="lit"),
    }))  # fmt: skip
    system = holding(prepared.system)
    mine = [fault for fault in all_faults(system)
            if fault.touched == frozenset(["hear"]) and fault.kind in ("time", "step")]
    assert not any(between_ticks(system, fault) for fault in mine)
    assert told(prepared, mine, 6) != []


def test_a_time_that_wakes_the_controller_is_not_proved_to_change_nothing() -> None:
    """The ends of `first` and of `one` fall together: the controller wakes in that instant where
    the time ends first, and does not where it ends after all else.
    """
    lamp = {
        "starts": "idle",
        "states": {"idle": {}, "first": {}, "second": {"controller": "awake"},
                   "off": {"glow": "on"}},
        "rows": [row("first", "idle", on="key.press"), row("second", "first", after="100 ms"),
                 row("off", ["first", "second"], on="one"), row("idle", "off", after="300 ms")],
    }  # fmt: skip
    walk = region("home", "home on", row("on", "home", on="key.press"),
                  row("home", "on", after="100 ms", emit="one"))
    prepared, fault = fault_of(
        made({"lamp": lamp, "walk": walk}, controller={"awake": "1 mA", "asleep": "1 uA"}),
        "behaviour.lamp.rows[1]", "its time ends after all else in that instant")
    assert not changes_nothing(holding(prepared.system), fault)
