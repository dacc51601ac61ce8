"""A period that is known, and too near a threshold to be folded, is told without a search."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from simfw import Run, load_gadget, simulate
from simfw.behaviour.moves import Stand
from simfw.engine.cycle import Cycle
from simfw.engine.folds import Folds
from simfw.engine.phase import Phase
from simfw.engine.prepared import Prepared
from simfw.engine.simulation import Simulation
from simfw.stimuli.scenario import Press, Scenario, Usb
from tests.engine.bench import HOUR, LARDER_LAMP, MS, S, gadget_of, scenario


def evening() -> Scenario:
    """The lamp is lit until a bar has gone out, and then charged."""
    steps = (Press(at_ns=10 * S, button="power", for_ns=150 * MS),
             Usb(at_ns=3 * HOUR, present=True))
    return replace(scenario(*steps, lasts="4 h", charge=0.5), seed=0)


def test_what_must_wait_is_told_as_the_search_would_tell_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """To the last digit, and with fewer searches."""
    gadget = load_gadget(LARDER_LAMP)
    looked = 0
    look = Folds.look

    def counted(
        folds: Folds, phase: Phase, public: tuple[int, ...], woke: bool,
        found: tuple[Cycle, int] | None = None,
    ) -> None:
        nonlocal looked
        looked += 1
        look(folds, phase, public, woke, found)

    def made() -> tuple[Run, int]:
        nonlocal looked
        looked = 0
        return simulate(gadget, evening(), prepared=Prepared(gadget), trace=False), looked

    monkeypatch.setattr(Folds, "look", counted)
    told, few = made()
    monkeypatch.setattr(Folds, "must_wait", lambda *_: False)
    searched, many = made()
    assert few < many - 10
    assert {"gauge.down", "charge.started"} <= {event.name for event in told.events}
    assert told.consumers == searched.consumers
    assert told.states == searched.states
    assert told.events == searched.events
    assert told.end_charge == searched.end_charge


# Half of the time nothing draws: the charge with which an interval begins is then known to the bit.
WINK = """
[gadget]
name = "Wink"
[cell]
curve = "lco"
capacity = "10 mAh"
[loads.lamp]
current = "10 mA"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { after = "700 ms", from = "dark", to = "lit" },
  { after = "300 ms", from = "lit", to = "dark" },
]
[[rules]]
name = "half"
always = "cell.charge >= 0.5"
"""


def winking() -> tuple[Simulation, Cycle]:
    """A minute of winks, and their period; the lamp is dark at its end."""
    made = Simulation(Prepared(gadget_of(WINK)), scenario(lasts="60.5 s", charge=0.6), 0, True,
                      False, (), None)
    made.go()
    (cycle,) = made.folder.cycles
    assert cycle.low == 0.5
    return made, cycle


def stand_at(simulation: Simulation, charge: float) -> None:
    """Put a cell exactly there."""
    plant = simulation.plant
    plant.moved = charge - plant.base
    while plant.charge < charge:
        plant.moved = math.nextafter(plant.moved, math.inf)
    while plant.charge > charge:
        plant.moved = math.nextafter(plant.moved, -math.inf)


@pytest.mark.parametrize("beside", [-1, 0, 1])
def test_at_the_very_edge_what_must_wait_is_what_the_search_leaves_alone(
    beside: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exactly a margin above a threshold a period is still gone along; one number below it waits.

    From there on nothing that must wait is gone along by the search, and all is as without it.
    """
    waits: list[bool] = []
    must_wait = Folds.must_wait

    def watched(folds: Folds, found: tuple[Cycle, int], phase: Phase, stand: Stand) -> bool:
        said = must_wait(folds, found, phase, stand)
        waits.append(said)
        now = folds.simulation.now
        if said:
            folds.look(phase, (), woke=False, found=found)
            assert folds.simulation.now == now, "it would have been gone along"
        return said

    def gone_on() -> tuple[float, list[tuple[str, int, float]], bool]:
        made, cycle = winking()
        edge = cycle.low + cycle.margin(cycle.low + 1e-4)
        stand_at(made, edge if not beside else math.nextafter(edge, beside * math.inf))
        made.end += 20 * S
        run = made.run_once()
        uses = [(use.state, use.time_ns, use.charge_c) for use in run.states]
        return run.end_charge, uses, run.rules[0].held

    plain = gone_on()
    with monkeypatch.context() as patch:
        patch.setattr(Folds, "must_wait", watched)
        assert gone_on() == plain
    assert waits[0] == (beside < 0)
    assert True in waits
    monkeypatch.setattr(Folds, "must_wait", lambda *_: False)
    assert gone_on() == plain


def test_no_period_is_left_at_the_very_edge() -> None:
    """Falling, at the margin and below it; further up some are."""
    _, cycle = winking()
    turn = next(iter(cycle.turns.values()))
    margin = cycle.margin(cycle.low + 1e-4)
    edge = cycle.low + margin
    assert turn.periods_left(math.nextafter(edge, 0.0), margin) == 0.0
    assert turn.periods_left(edge, margin) == 0.0
    assert turn.periods_left(edge + margin, margin) > 1.9
    assert not cycle.nears(edge, turn.clock, margin)
    assert cycle.nears(math.nextafter(edge, 0.0), turn.clock, margin)
