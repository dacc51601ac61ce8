"""Lives of a pattern against the simulator: the same people, the same days."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from simfw.engine.simulator import simulate
from simfw.life import registers as k
from simfw.life.held import held
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS
from simfw.stimuli.scenario import Scenario, Usb
from tests.life.beside_run import run_beside, spent_ns
from tests.life.test_loop import ready

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HOUR_NS = 3600 * 10**9
CASES = (
    ("larder-lamp/household.toml", 1.0, 13),
    ("larder-lamp/household.toml", 0.6, 60),
    ("larder-lamp/household.toml", 0.3, 13),
    ("cellar-steps/potatoes.toml", 0.8, 60),
    ("cellar-steps/potatoes.toml", 0.2, 30),
    ("key-hook/comings-and-goings.toml", 0.5, 60),
)


def drawn() -> Iterator[tuple[str, float, int, float, float, int]]:
    """(pattern, charge at first, hours, share of the charge drawn in `simulate`, what `simfw life`
    is off by, nanoseconds that states of the behaviour are off by).
    """
    for name, charge, hours in CASES:
        user = ready(replace(load_pattern(SCENARIOS / name), charge=charge))
        stimuli, _ = user.stimuli(0, 56 * DAY_NS)
        until = hours * HOUR_NS
        run = run_beside(user, stimuli, until)
        share = charge - run.end_charge
        off = 0
        for use in run.states:
            if use.region in user.layout.gadget.behaviour and use.region != "night":
                off = max(off, abs(spent_ns(user, use.region, use.state) - use.time_ns))
        yield name, charge, hours, share, (charge - user.world.f[k.CHARGE]) / share - 1.0, off


def charge_times() -> Iterator[tuple[str, float, float]]:
    """(gadget, charge time in `simulate`, in `simfw life`) from the same empty cell (s)."""
    for name in ("larder-lamp/household.toml", "cellar-steps/potatoes.toml"):
        gadget = load_pattern(SCENARIOS / name).gadget
        assert gadget is not None
        left = Scenario(charge=0.02, lasts_ns=400 * DAY_NS, steps=(), gadget=gadget)
        opened = simulate(gadget, left, trace=False).empty_at_ns
        assert opened is not None
        empty = simulate(gadget, replace(left, lasts_ns=opened), trace=False).end_charge
        plugged = Scenario(charge=empty, lasts_ns=12 * HOUR_NS, gadget=gadget,
                           steps=(Usb(at_ns=0, present=True),))
        run = simulate(gadget, plugged, trace=False)
        ends = [event.time_ns for event in run.events if event.name == "charge.completed"]
        yield name.partition("/")[0], ends[0] * 1e-9, held(gadget).charge_time_s or 0.0
