"""Rules while the supply fails: the protection opens at a bad moment, and closes again.

A scenario has no step that takes the cell out; what it has is a cell that runs down to its cut-off.
A run that starts with just so much charge that the protection opens at a given time is such a power
cut, and it replays like any other run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from simfw.behaviour.region import System
from simfw.engine.run import RuleVerdict
from simfw.stimuli.scenario import Scenario
from simfw.verify.abstraction import Electrics, reduce_system
from simfw.verify.acting import act_out
from simfw.verify.budget import Budget
from simfw.verify.detail import DETAILS
from simfw.verify.explore import explore
from simfw.verify.finding import Finding, Verdict, Witness
from simfw.verify.letting_go import follows_letting_go
from simfw.verify.machine import Monitor
from simfw.verify.player import Player, when

__all__ = ["cut_at", "cut_finding", "supply_check"]

MS = 1_000_000
S = 1_000 * MS
TRIES = 3
HALVINGS = 60


def cut_at(player: Player, scenario: Scenario, time_ns: int, within_ns: int = MS) -> (
    Scenario | None
):
    """The scenario with the charge at which the protection opens at `time_ns`, give or take.

    Found by halving: the less charge, the sooner. None where no charge does it to `within_ns`.
    """
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        tried = replace(scenario, charge=middle, lasts_ns=time_ns + S)
        run = player.play(tried)
        if run is None:
            return None
        opened = run.empty_at_ns
        if opened is None or opened > time_ns + within_ns:
            high = middle
        elif opened < time_ns:
            low = middle
        else:
            return replace(scenario, charge=middle)
    return None


def _told_of_cut(player: Player, witness: Witness) -> Witness:
    """The witness with the time at which the protection opens among its lines."""
    run = player.play(witness.scenario)
    if run is None or run.empty_at_ns is None:
        return witness
    at = when(run.empty_at_ns)
    line = f"{at[0].upper()}{at[1:]}, the protection opens: the gadget is dead."
    return replace(witness, list=(*witness.list[:-1], line, witness.list[-1]))


def supply_check(
    rule: str, text: str, monitor: Monitor, system: System, player: Player, verdict: Verdict,
    *, segments: Mapping[str, int], budget: Budget, limit: int | None = None,
) -> tuple[bool | None, Finding | None]:
    """Whether a rule that was proved also holds when the supply fails at any instant.

    At the detail that proved it. The answer is None where the search was not finished, or does not
    follow a firmware that lets go of the supply beside that; False where the rule breaks: a run
    that shows it comes with it as a finding.
    """
    if player.written.cell.cut_off is None:
        return None, None
    detail = next(one for one in DETAILS if one.says == verdict.detail)
    if detail.bands and monitor.kind == "never":
        return True, None  # there the protection opens and closes in any case
    electrics = Electrics(player.written, player.prepared.circuit)
    reduced = reduce_system(system, [monitor], detail, segments=segments, electrics=electrics,
                            supply=True)
    search = explore(reduced.machine, reduced.starts, apart=True, budget=budget.part(0.8),
                     limit=limit)
    if not search.broken:
        follows = search.finished and not follows_letting_go(system, monitor)
        return (True if follows else None), None
    tries = 0
    for way in search.broken.values():
        for acts in act_out(player.written, reduced, way):
            if acts.cut_ns is None or tries >= TRIES or budget.over():
                break
            tries += 1
            end = acts.end_ns + monitor.time_ns + 2 * S
            scenario = player.scenario(acts.steps, 1.0, end)
            with player.charged(budget):
                cut = cut_at(player, scenario, acts.cut_ns)
                broken = None if cut is None else player.breaks(cut, rule)
            if cut is not None and broken is not None:
                return False, cut_finding(rule, text, player, cut, broken)
    return False, None


def cut_finding(
    rule: str, text: str, player: Player, scenario: Scenario, broken: RuleVerdict
) -> Finding:
    """The note on a rule that only a failing supply breaks."""
    end = (broken.time_ns or 0) + S
    ended = replace(scenario, lasts_ns=end + -end % S,
                    steps=tuple(step for step in scenario.steps if step.at_ns < end))
    again = player.breaks(ended, rule)
    witness = player.witness(*((scenario, broken) if again is None else (ended, again)),
                             title=f"Breaks when the supply fails: {rule}")
    witness = _told_of_cut(player, witness)
    return Finding(
        check="power-cut", level="note",
        text=f"{text} holds while the supply does; it breaks when the protection opens at a bad "
             f"moment: {witness.why} {when(witness.time_ns)}.", witness=witness,
    )

