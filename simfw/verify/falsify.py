"""Random runs of the full model, for what the search leaves free: bounce, sag, distances, chatter.

Hypothesis draws scenarios and makes the ones that break something shorter. The same gadget, rules,
seed and number of runs give the same answer; a time budget can only end it sooner.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simfw.engine.run import RuleVerdict, Run
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.decide import telling_charges
from simfw.verify.player import Player

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

__all__ = ["TRACE_CHECKS", "Broken", "TraceCheck", "falsify"]

MS = 1_000_000
S = 1_000 * MS
LONGEST_BOUNCE_NS = 6 * MS
MOST_STEPS = 10

TraceCheck = Callable[[Scenario, Run], RuleVerdict | None]


@dataclass(frozen=True, slots=True)
class Broken:
    """A scenario in which something broke, and how."""

    scenario: Scenario
    verdict: RuleVerdict


class _FoundError(Exception):
    """Tells Hypothesis that the wanted thing broke."""


def several_per_press(scenario: Scenario, run: Run) -> RuleVerdict | None:
    """More settled presses of a button than a finger made."""
    for button in {step.button for step in scenario.steps if isinstance(step, Press)}:
        begun = sorted(step.at_ns for step in scenario.steps
                       if isinstance(step, Press) and step.button == button)
        settled = [event.time_ns for event in run.events if event.name == f"{button}.press"]
        for count, time in enumerate(settled, 1):
            fingers = sum(at <= time for at in begun)
            if count > fingers:
                return RuleVerdict(
                    name="several-per-press", held=False, time_ns=time,
                    why=f"press {count} of {button} after {fingers} of the finger",
                )
    return None


def bars_rise_unplugged(scenario: Scenario, run: Run) -> RuleVerdict | None:
    """A bar that comes back while no USB is in."""
    changes = sorted((step.at_ns, step.present) for step in scenario.steps
                     if isinstance(step, Usb))
    for event in run.events:
        if event.name != "gauge.up":
            continue
        plugged = [present for at, present in changes if at <= event.time_ns]
        if not any(plugged):
            return RuleVerdict(name="bars-rise-unplugged", held=False, time_ns=event.time_ns,
                               why="a bar came back without USB")
    return None


TRACE_CHECKS: dict[str, TraceCheck] = {
    "several-per-press": several_per_press,
    "bars-rise-unplugged": bars_rise_unplugged,
}


def falsify(
    player: Player,
    rules: Sequence[str],
    checks: Sequence[str],
    budget: Budget,
    *,
    seed: int = 0,
    runs: int = 200,
) -> list[Broken]:
    """Try to break `rules` and the trace checks `checks`; each found one once, as short as it gets.

    At most `runs` scenarios are drawn (making them shorter comes on top).
    """
    import hypothesis
    from hypothesis import HealthCheck, Phase

    wanted = {*rules, *checks}
    found: list[Broken] = []
    left = runs
    while wanted and left > 0 and not budget.over():
        best: list[Broken] = []
        used = 0

        def attempt(
            scenario: Scenario, best: list[Broken] = best, wanted: set[str] = wanted
        ) -> None:
            nonlocal used
            if budget.over():
                return
            used += 1
            target = best[0].verdict.name if best else None
            for verdict in _verdicts(player, scenario, checks):
                if verdict.name in wanted and target in (None, verdict.name):
                    candidate = Broken(scenario, verdict)
                    if not best:
                        best.append(candidate)
                    elif _size(candidate) < _size(best[0]):
                        best[0] = candidate
                    raise _FoundError

        test: Any = hypothesis.given(_scenarios(player))(attempt_for(attempt))
        test = hypothesis.settings(
            max_examples=left, database=None, deadline=None, derandomize=False,
            phases=(Phase.generate, Phase.shrink), suppress_health_check=list(HealthCheck),
            report_multiple_bugs=False, print_blob=False,
        )(hypothesis.seed(seed)(test))
        # The shortest one is kept here; what Hypothesis says of it does not matter, nor that a
        # budget that ran out looks like a test that cannot make up its mind.
        with suppress(_FoundError, hypothesis.errors.HypothesisException):
            test()
        left -= max(1, used)
        if not best:
            break
        wanted.discard(best[0].verdict.name)
        found.append(best[0])
    return found


def attempt_for(attempt: Callable[..., None]) -> Callable[[Scenario], None]:
    """A plain one-argument function, as Hypothesis wants it."""

    def run_one(scenario: Scenario) -> None:
        attempt(scenario)

    return run_one


def _verdicts(player: Player, scenario: Scenario, checks: Sequence[str]) -> list[RuleVerdict]:
    run = player.play(scenario)
    if run is None:
        return []
    broken = [verdict for verdict in run.rules if not verdict.held]
    for name in checks:
        verdict = TRACE_CHECKS[name](scenario, run)
        if verdict is not None:
            broken.append(verdict)
    return broken


def _size(broken: Broken) -> tuple[int, int, int]:
    scenario = broken.scenario
    bounces = sum(isinstance(step, Press) and step.bounce_ns > 0 for step in scenario.steps)
    return (len(scenario.steps), bounces, scenario.lasts_ns)


def _telling_times(gadget: Gadget) -> list[int]:
    """Times around which the gadget's behaviour changes."""
    found = [MS, 20 * MS, 60 * MS, 150 * MS, 400 * MS, S, 3 * S]
    for button in gadget.buttons.values():
        for timing in (button.debounce, button.hold, button.double):
            if timing is not None:
                found += [timing.ns - MS, timing.ns + MS]
    for sensor in gadget.proximity.values():
        every = sensor.every.ns
        found += [every, every * sensor.agree, every + sensor.clear.ns]
    for behaviour in gadget.behaviour.values():
        for row in behaviour.rows:
            if row.after is not None:
                found += [row.after.ns - MS, row.after.ns + MS]
    for rule in gadget.rules:
        for timing in (rule.within, rule.for_):
            if timing is not None:
                found += [timing.ns // 2, timing.ns + MS]
    return sorted({time for time in found if time > 0})


def _scenarios(player: Player) -> SearchStrategy[Scenario]:
    from hypothesis import strategies as st

    gadget = player.written
    times = st.sampled_from(_telling_times(gadget)) | st.integers(1, 3_000).map(lambda n: n * MS)
    short = st.sampled_from([t for t in _telling_times(gadget) if t <= 5 * S])
    bounce = st.sampled_from([0, 0, MS, 3 * MS, LONGEST_BOUNCE_NS])
    kinds: list[SearchStrategy[tuple[Any, ...]]] = []
    for name in gadget.buttons:
        kinds.append(st.tuples(st.just("press"), st.just(name), short, bounce))
    for name in gadget.proximity:
        distance = st.integers(2, 60).map(lambda n: n / 100)
        kinds.append(st.tuples(st.just("wave"), st.just(name), short, distance))
    if gadget.charger is not None:
        long = st.sampled_from([50 * MS, S, 5 * S, 60 * S, 60 * S, 3 * 3_600 * S])
        kinds.append(st.tuples(st.just("usb"), st.just(""), long, st.just(0)))
    if not kinds:
        kinds.append(st.tuples(st.just("wait"), st.just(""), times, st.just(0)))
    limits: list[float] = []
    if gadget.gauge is not None:
        gauge = gadget.gauge
        limits = [figure.value for figure in (*gauge.thresholds, gauge.low, gauge.flat)
                  if figure is not None]
    if gadget.cell.cut_off is not None:
        limits.append(gadget.cell.cut_off.value)
    charges = telling_charges(player.prepared.circuit, limits)
    tail = 2 * S + max(
        [timing.ns for rule in player.gadget.rules for timing in (rule.within, rule.for_)
         if timing is not None],
        default=0,
    )
    actions = st.lists(st.tuples(times, st.one_of(kinds)), min_size=0, max_size=MOST_STEPS)

    def build(charge: float, drawn: list[tuple[int, tuple[Any, ...]]]) -> Scenario:
        now, end = 0, 0
        steps: list[Step] = []
        free: dict[str, int] = {}
        for gap, (kind, name, length, more) in drawn:
            now += gap
            if kind == "press":
                now = max(now, free.get(name, 0))
                steps.append(
                    Press(at_ns=now, button=name, for_ns=length, bounce_ns=min(more, length))
                )
                free[name] = now + length + more + 50 * MS
            elif kind == "wave":
                now = max(now, free.get(name, 0))
                steps.append(Wave(at_ns=now, sensor=name, distance_m=more, for_ns=length))
                free[name] = now + length + MS
            elif kind == "usb":
                now = max(now, free.get("usb", 0))
                steps.append(Usb(at_ns=now, present=True))
                steps.append(Usb(at_ns=now + length, present=False))
                free["usb"] = now + length + MS
            end = max(end, now + length)
        return player.scenario(steps, charge, end + tail)

    return st.builds(build, st.sampled_from(charges), actions)
