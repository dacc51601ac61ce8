"""Random runs of the full model, for what the search leaves free: bounce, sag, distances, chatter.

Hypothesis draws scenarios and makes the ones that break something shorter. The same gadget, rules,
seed and number of runs give the same answer; a time budget can only end it sooner.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from simfw.engine.run import RuleVerdict, Run
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.decide import telling_charges
from simfw.verify.player import Player
from simfw.verify.supply import cut_at

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

__all__ = ["TRACE_CHECKS", "Broken", "TraceCheck", "falsify"]

MS = 1_000_000
S = 1_000 * MS
LONGEST_BOUNCE_NS = 6 * MS
MOST_STEPS = 10
CLOCKS = (1.0, 1.0, 1.0, 1.1, 0.9)
CUTS = (None, None, None, None, None, 0.5, 0.9)

TraceCheck = Callable[[Scenario, Run], RuleVerdict | None]


@dataclass(frozen=True, slots=True)
class Broken:
    """A scenario in which something broke, and how.

    `clock`: with everything that is done taking this much longer than drawn, which is what a
    gadget sees whose clock is that much faster. `dead`: the protection had opened before.
    """

    scenario: Scenario
    verdict: RuleVerdict
    clock: float = 1.0
    dead: bool = False


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A scenario, the clock to see it with, and where in it the protection is to open."""

    scenario: Scenario
    clock: float
    cut: float | None


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
    when_dead: Sequence[str] = (),
) -> list[Broken]:
    """Try to break `rules` and the trace checks `checks`; each found one once, as short as it gets.

    At most `runs` scenarios are drawn (making them shorter comes on top). The rules `when_dead`
    hold while the supply does; they are tried with a supply that fails.
    """
    import hypothesis
    from hypothesis import HealthCheck, Phase

    wanted = {*rules, *checks, *when_dead}
    cuts = bool(rules or when_dead) and player.written.cell.cut_off is not None
    found: list[Broken] = []
    left = runs
    while wanted and left > 0 and not budget.over():
        best: list[Broken] = []
        used = 0

        def attempt(drawn: _Drawn, best: list[Broken] = best, wanted: set[str] = wanted) -> None:
            nonlocal used
            if budget.over():
                return
            used += 1
            target = best[0].verdict.name if best else None
            scenario: Scenario | None = _scaled(drawn.scenario, drawn.clock)
            assert scenario is not None
            if drawn.cut is not None:
                end = max((_end(step) for step in scenario.steps), default=S)
                scenario = cut_at(player, scenario, max(MS, round(drawn.cut * end)))
            if scenario is None:
                return
            for verdict, dead in _verdicts(player, scenario, checks):
                if verdict.name in wanted and target in (None, verdict.name):
                    candidate = Broken(scenario, verdict, drawn.clock, dead)
                    if not best:
                        best.append(candidate)
                    elif _size(candidate) < _size(best[0]):
                        best[0] = candidate
                    raise _FoundError

        test: Any = hypothesis.given(_scenarios(player, cuts))(attempt_for(attempt))
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


def attempt_for(attempt: Callable[..., None]) -> Callable[[_Drawn], None]:
    """A plain one-argument function, as Hypothesis wants it."""

    def run_one(drawn: _Drawn) -> None:
        attempt(drawn)

    return run_one


def _scaled(scenario: Scenario, clock: float) -> Scenario:
    """The scenario with all that is done `clock` times as long."""
    if clock == 1.0:
        return scenario

    def long(time_ns: int) -> int:
        return round(time_ns * clock)

    steps: list[Step] = []
    for step in scenario.steps:
        step = replace(step, at_ns=long(step.at_ns))
        if isinstance(step, Press):
            step = replace(step, for_ns=long(step.for_ns), bounce_ns=long(step.bounce_ns))
        elif isinstance(step, Wave):
            step = replace(step, for_ns=long(step.for_ns))
        steps.append(step)
    return replace(scenario, steps=tuple(steps), lasts_ns=long(scenario.lasts_ns))


def _end(step: Step) -> int:
    return step.at_ns + (step.for_ns if isinstance(step, Press | Wave) else 0)


def _verdicts(
    player: Player, scenario: Scenario, checks: Sequence[str]
) -> list[tuple[RuleVerdict, bool]]:
    """What broke, and whether the protection had opened by then."""
    run = player.play(scenario)
    if run is None:
        return []
    broken = [verdict for verdict in run.rules if not verdict.held]
    for name in checks:
        verdict = TRACE_CHECKS[name](scenario, run)
        if verdict is not None:
            broken.append(verdict)
    opened = run.empty_at_ns
    return [
        (verdict, opened is not None and (verdict.time_ns or 0) >= opened) for verdict in broken
    ]


def _size(broken: Broken) -> tuple[bool, int, int, int]:
    scenario = broken.scenario
    bounces = sum(isinstance(step, Press) and step.bounce_ns > 0 for step in scenario.steps)
    return (broken.clock != 1.0, len(scenario.steps), bounces, scenario.lasts_ns)


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


def _scenarios(player: Player, cuts: bool) -> SearchStrategy[_Drawn]:
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
    counted: list[float] = []
    if gadget.gauge is not None:
        gauge, counter = gadget.gauge, player.prepared.circuit.counter
        levels = [figure.value for figure in (*gauge.thresholds, gauge.low, gauge.flat)
                  if figure is not None]
        if counter is None:
            limits = levels
        else:
            counted = [counter.charge_at(level) for level in levels]
    if gadget.cell.cut_off is not None:
        limits.append(gadget.cell.cut_off.value)
    charges = telling_charges(player.prepared.circuit, limits, counted)
    tail = 2 * S + max(
        [timing.ns for rule in player.gadget.rules for timing in (rule.within, rule.for_)
         if timing is not None],
        default=0,
    )
    actions = st.lists(st.tuples(times, st.one_of(kinds)), min_size=0, max_size=MOST_STEPS)

    def build(
        charge: float, drawn: list[tuple[int, tuple[Any, ...]]], clock: float, cut: float | None
    ) -> _Drawn:
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
        return _Drawn(player.scenario(steps, charge, end + tail), clock, cut)

    return st.builds(build, st.sampled_from(charges), actions, st.sampled_from(CLOCKS),
                     st.sampled_from(CUTS) if cuts else st.none())
