"""A fold ends at a corner that it is too short for, and goes on behind it."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.simulation import Simulation
from simfw.engine.simulator import Prepared, simulate
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Scenario, Usb
from tests.engine.bench import LARDER_LAMP, S

LAMP = load_gadget(LARDER_LAMP)


def charging(lasts_ns: int) -> Scenario:
    """The lamp charges from just below three quarters: its curve has a corner ahead."""
    return Scenario(gadget_path=Path(), charge=0.735, lasts_ns=lasts_ns,
                    steps=(Usb(at_ns=0, present=True),))


def test_a_fold_too_short_for_a_corner_ends_before_it_and_goes_on_behind() -> None:
    """Of each period that was found: fewer periods than its worst corner asks for, across it."""
    simulation = Simulation(Prepared(LAMP), charging(1800 * S), 0, True, True, (), None)
    simulation.go()
    tried = 0
    for cycle in simulation.folder.cycles:
        for turn in cycle.turns.values():
            mean, clock = turn.mean, turn.mean.clock
            once, _ = mean.strain()
            worst = int(once.argmax())
            least = int(once[worst] / 4e-7)  # periods that it is worth
            corner = float(clock.nodes[worst])
            start = corner - 0.5 * least * cycle.period_ns * 1e-9 * clock.rate(corner)
            if least < 50 or clock.rate(start) <= 0.0 or not 0.0 < start < corner:
                continue
            kept, again = mean.worth(least - 1, start)
            change = clock.advance(start, kept * cycle.period_ns * 1e-9)
            assert change is not None
            if again is None:
                continue  # it does not get there
            tried += 1
            assert 0 < kept < least - 1
            assert start + change < again
            assert mean.worth(10 * least, start) == (10 * least, None)
            # From mark to mark it gets behind all corners.
            ahead: float | None = again
            for _ in range(100):
                assert ahead is not None
                behind = ahead + 1e-9
                kept, ahead = mean.worth(least // 2, behind)
                if kept:
                    break
                assert ahead is not None
                assert ahead > behind - 1e-9
            assert kept > 0
    assert tried > 0


@pytest.mark.parametrize("lasts_s", [601, 1800])
def test_folded_charging_agrees_with_every_instant(lasts_s: int) -> None:
    """The charge within a hundred-millionth, the events the same."""
    prepared = Prepared(LAMP)
    folded, plain = (
        simulate(LAMP, charging(lasts_s * S), prepared=prepared, fold=fold, trace=False)
        for fold in (True, False)
    )
    assert [one.name for one in folded.events] == [one.name for one in plain.events]
    assert folded.end_charge == pytest.approx(plain.end_charge, rel=1e-8)
    assert folded.charge_used_c == pytest.approx(plain.charge_used_c, rel=1e-6)
