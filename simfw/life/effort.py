"""How much there is to do: whether compiling the hot loop pays."""

from __future__ import annotations

from simfw.compiling import can_compile
from simfw.life import registers as k
from simfw.life.changes import extra_lives
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.user import LONGEST_WITH_HABITS, Life
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern

__all__ = ["WORTH", "instants", "worth_compiling"]

TRIAL_DAYS = 3
TRIAL_ENDS = (0.01, 0.1, 0.3, 1.0, 3.0)  # days after which the trial may be left
TRIAL_INSTANTS = 20_000  # as many are enough
MOMENT = 0.04  # of an instant: a moment at which it is looked who is awake, to count wakings
WORTH = 300_000  # instants from which on compiling pays: it takes as long as they do uncompiled


def instants(pattern: Pattern, users: int, study: bool) -> float:
    """About how many instants a study has, by what happens to one user in up to three days; with
    what it takes to count wakings, in instants.

    A user is watched over the horizon and until the span that begins then has ended, or the first.
    """
    gadget = pattern.gadget
    assert gadget is not None
    store = Store(Layout(pattern, gadget, warmths(pattern)[0]), fast=False)
    trial = Life(pattern, store, PartTables(store, gadget), 0, 0)
    stimuli, _ = trial.stimuli(0, TRIAL_DAYS * DAY_NS)
    for ends_days in TRIAL_ENDS:
        trial.go(stimuli, round(ends_days * DAY_NS))
        if trial.world.i[k.INSTANTS] > TRIAL_INSTANTS:
            break
    world = trial.world
    days = max(world.i[k.NOW] / DAY_NS, 1e-3)
    used = world.f[k.USED] / trial.parts.circuit.capacity_c / days
    longest = LONGEST_WITH_HABITS * YEAR_DAYS
    span = min(1.0 / used, longest) if used > 0.0 else longest
    each = (world.i[k.INSTANTS] + MOMENT * world.i[k.MOMENTS]) / days
    whole = span if not pattern.plugs else max(pattern.horizon_ns / DAY_NS, span) + 0.5 * span
    return each * (users * whole + (extra_lives(pattern, users) * span if study else 0.0))


def worth_compiling(pattern: Pattern, users: int, study: bool) -> bool:
    """Whether there is so much to do that compiling pays."""
    return can_compile() and instants(pattern, users, study) > WORTH
