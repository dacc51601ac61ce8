"""A period that is known, and too near a threshold to be folded, is told without a search."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfw import Run, load_gadget, simulate
from simfw.engine.cycle import Cycle
from simfw.engine.folds import Folds
from simfw.engine.phase import Phase
from simfw.engine.prepared import Prepared
from simfw.stimuli.scenario import Press, Scenario, Usb
from tests.engine.bench import HOUR, LARDER_LAMP, MS, S, scenario


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
