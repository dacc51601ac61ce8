"""Gadgets of one combination share what their rows alone decide, and read as they do alone."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from simfw.behaviour.build import build_system
from simfw.benchlog import taken
from simfw.benchlog.margin import Margin
from simfw.benchlog.world import World
from simfw.engine import listing, prepared
from simfw.engine.corners import rows_ignore
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.engine.reachable import reach
from simfw.gadget.quantities import quantities, with_values
from simfw.loading import load_gadget
from simfw.quantity import Timing
from tests.benchlog.lantern import write_lantern

GALLERY = Path(__file__).parents[1] / "gallery"
FIGURES = [
    {"loads.lamp.current": 0.05},
    {"loads.lamp.current": 0.07, "cell.resistance": 0.3},
    {"buttons.key.debounce": 30_000_000},
    {"clock": 1.05, "controller.asleep": 2e-5},
    {"gauge.every": 250_000_000, "cell.resistance": 0.3},
]


@pytest.fixture
def world(tmp_path: Path) -> World:
    """A lantern that wakes for its gauge."""
    return World(load_gadget(write_lantern(tmp_path, awake="1 mA", asleep="8 uA",
                                           resistance="200 mΩ")))


def test_stands_are_looked_for_once(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the figures: no state is reached otherwise because a dwell takes longer."""
    found: list[object] = []

    def counted(*args: object) -> object:
        found.append(args)
        return reach(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(listing, "reach", counted)
    mean_current(world.rehearsed(), [("lamp", "lit")], charge=0.8)
    once = len(found)
    for figures in FIGURES:
        for state in ("lit", "dark"):
            mean_current(world.prepared(figures), [("lamp", state)], charge=0.8)
    assert len(found) == once > 0


def test_what_is_shared_changes_no_reading(world: World) -> None:
    """In any order each gadget reads as one that shares nothing; nodes may be guessed otherwise."""
    mean_current(world.rehearsed(), [("lamp", "lit")], charge=0.8)
    for figures in [*FIGURES, *reversed(FIGURES)]:
        alone = Prepared(with_values(world.gadget, world.figures(figures))).without_rules()
        for state in ("lit", "dark"):
            shared = mean_current(world.prepared(figures), [("lamp", state)], charge=0.7)
            own = mean_current(alone, [("lamp", state)], charge=0.7)
            assert shared.current_a == pytest.approx(own.current_a, rel=1e-6)
            assert list(shared.parts_a) == list(own.parts_a)


def test_a_dwell_of_no_time_is_another_stand(tmp_path: Path) -> None:
    """A state that is left in the instant in which it is entered is none to rest in."""
    path = write_lantern(tmp_path)
    path.write_text(path.read_text(encoding="utf-8") + '\n[behaviour.tail]\nstarts = "a"\n'
                    'states.a = {}\nstates.b = { lamp = "on" }\nstates.c = {}\nrows = [\n'
                    '  { on = "key.press", from = "a", to = "b" },\n'
                    '  { after = "1 s", from = "b", to = "c" },\n]\n', encoding="utf-8")
    world = World(load_gadget(path))
    there = [stand for part in world.rehearsed().standing().parts for stand in part]
    assert any("b" in stand.allowed.get("tail", ()) for stand in there)
    short = world.prepared({"behaviour.tail.rows[1].after": 0})
    there = [stand for part in short.standing().parts for stand in part]
    assert not any("b" in stand.allowed.get("tail", ()) for stand in there)


def test_rules_are_read_once_for_gadgets_that_differ_in_the_circuit(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An observation asks for none of them, and other parts make no other rules."""
    read: list[object] = []
    monkeypatch.setattr(prepared, "build_rules", lambda *args: read.append(args) or ())
    for figures in FIGURES[:2]:
        assert world.prepared(figures).rules == ()
    assert not read
    whole = Prepared(world.gadget)
    assert Prepared(with_values(world.gadget, FIGURES[0]), rows=whole).rules is whole.rules
    assert len(read) == 1


def test_gadgets_asked_for_again_are_not_made_again(world: World) -> None:
    """Observations that the same figures decide come in turn, with a few others in between."""
    first = world.prepared(FIGURES[0])
    for figures in FIGURES[1:4]:
        world.prepared(figures)
    assert world.prepared(FIGURES[0]) is first
    for number in range(8):
        world.prepared({"loads.lamp.current": 0.051 + 0.001 * number})
    assert world.prepared(FIGURES[0]) is not first
    assert world.prepared({}) is world.rehearsed()


def test_a_guess_is_moved_for_all_observations_in_turn(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is tabulated of a gadget serves all of them; what each guess moves is told as before."""
    keys = ("cell.capacity", "cell.leakage", "loads.lamp.current")
    figures = quantities(world.gadget)
    monkeypatch.setattr(taken, "guesses", lambda gadget: [
        SimpleNamespace(key=key, figure=figures[key]) for key in keys])
    asked: list[tuple[tuple[str, ...], int]] = []

    def margin(z: float) -> tuple[Margin, ...]:
        return (Margin(z=z, low=-1.0, high=1.0),)

    def moved(number: int, values: dict[str, float], x: object) -> tuple[Margin, ...]:
        asked.append((tuple(values), number))
        by = {"cell.capacity": 0.4, "cell.leakage": 0.2, "loads.lamp.current": 0.9}
        # The second observation does not look at the cell.
        return margin(sum(by[key] for key in values if number == 0 or "cell" not in key))

    rival = SimpleNamespace(
        all=(0, 1), world=world, moved=moved, look=lambda number, x: margin(0.0),
        log=SimpleNamespace(unknowns=(), observations=[
            SimpleNamespace(name="first"), SimpleNamespace(name="second")]))
    found = taken.rests_on(rival, SimpleNamespace(x=None))  # type: ignore[arg-type]
    assert [(one.key, one.moves, one.observation) for one in found] == [
        ("loads.lamp.current", 0.9, "first"), ("cell.capacity", 0.4, "first"),
        ("cell.leakage", 0.2, "first")]
    cell = ("cell.capacity", "cell.leakage")
    assert asked == [
        (cell, 0), (cell, 1), (cell[:1], 0), (cell[1:], 0),
        (("loads.lamp.current",), 0), (("loads.lamp.current",), 1)]


@pytest.mark.parametrize("name", ["fridge-door", "late-shift", "stair-glimmer"])
def test_what_rows_are_said_to_ignore_changes_none(name: str) -> None:
    """Gadgets that differ in such a figure only may share their rows, with when a supply goes."""
    gadget = load_gadget(GALLERY / name / "gadget.toml")
    rows = build_system(gadget)
    asked = 0
    for key, figure in quantities(gadget).items():
        if rows_ignore(key):
            more = figure.ns + 1000 if isinstance(figure, Timing) else 1.01 * figure.value
            assert build_system(with_values(gadget, {key: more})) == rows, key
            asked += 1
    assert asked > 3
