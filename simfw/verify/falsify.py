"""Random runs of the full model, for what the search leaves free: bounce, sag, distances, chatter.

Scenarios are drawn one by one, and those that break something made shorter. The same gadget, rules,
seed and number of runs give the same answer on any machine.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from simfw.engine.run import RuleVerdict, Run
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import settable
from simfw.stimuli.scenario import ChargerFault, Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.decide import telling_charges
from simfw.verify.player import Player
from simfw.verify.supply import cut_at

__all__ = ["TRACE_CHECKS", "Broken", "TraceCheck", "falsify"]

MS = 1_000_000
S = 1_000 * MS
LONGEST_BOUNCE_NS = 6 * MS
MOST_STEPS = 10
BOUNCES = (0, 0, MS, 3 * MS, LONGEST_BOUNCE_NS)
PLUGGED = (50 * MS, S, 5 * S, 60 * S, 60 * S, 3 * 3_600 * S)
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


def several_per_press(scenario: Scenario, run: Run) -> RuleVerdict | None:
    """More settled presses of a button than a finger made."""
    for button in sorted({
        step.button for step in scenario.steps if isinstance(step, Press)
    }):
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
    wanted = {*rules, *checks, *when_dead}
    cuts = bool(rules or when_dead) and player.written.cell.cut_off is not None
    found: list[Broken] = []
    off_clock: dict[str, Broken] = {}
    draw = _Draws(player, cuts)
    with player.charged(budget):
        for number in range(runs):
            if not wanted or budget.over():
                break
            drawn = draw.one(random.Random(f"{seed} {number}"))
            for broken in _tried(player, drawn, checks):
                name = broken.verdict.name
                if name not in wanted:
                    continue
                if broken.clock != 1.0:  # a way with the nominal clock says more
                    off_clock.setdefault(name, broken)
                    continue
                wanted.discard(name)
                found.append(_shorter(player, broken, drawn.cut, checks, budget))
        for name, broken in off_clock.items():
            if name in wanted:
                found.append(_shorter(player, broken, None, checks, budget))
    return found


def _tried(player: Player, drawn: _Drawn, checks: Sequence[str]) -> list[Broken]:
    """What breaks in the drawn scenario."""
    scenario: Scenario | None = _scaled(drawn.scenario, drawn.clock)
    assert scenario is not None
    if drawn.cut is not None and drawn.clock == 1.0:
        end = max((_end(step) for step in scenario.steps), default=S)
        scenario = cut_at(player, scenario, max(MS, round(drawn.cut * end)))
    if scenario is None:
        return []
    return [Broken(scenario, verdict, drawn.clock, dead)
            for verdict, dead in _verdicts(player, scenario, checks)]


def _shorter(
    player: Player, broken: Broken, cut: float | None, checks: Sequence[str], budget: Budget
) -> Broken:
    """The same with the steps that are not needed left out, and without bounce where it can be.

    One that rests on a failing supply stays as it is: its charge fits its own steps only.
    """
    if cut is not None:
        return broken
    changed = True
    while changed:
        changed = False
        for fewer in _simpler(broken.scenario):
            if budget.over():
                return broken
            again = next((
                (verdict, dead) for verdict, dead in _verdicts(player, fewer, checks)
                if verdict.name == broken.verdict.name), None)
            if again is not None:
                broken = Broken(fewer, again[0], broken.clock, again[1])
                changed = True
                break
    return broken


def _simpler(scenario: Scenario) -> Iterator[Scenario]:
    """The scenario without one of its steps, or one of its bounces."""
    steps = scenario.steps
    for place in range(len(steps) - 1, -1, -1):
        yield replace(scenario, steps=(*steps[:place], *steps[place + 1 :]))
    for place, step in enumerate(steps):
        if isinstance(step, Press) and step.bounce_ns:
            plain = replace(step, bounce_ns=0)
            yield replace(scenario, steps=(*steps[:place], plain, *steps[place + 1 :]))


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


def _telling_times(gadget: Gadget) -> list[int]:
    """Times around which the gadget's behaviour changes."""
    found = [MS, 20 * MS, 60 * MS, 150 * MS, 400 * MS, S, 3 * S]
    for button in gadget.buttons.values():
        for timing in (button.debounce, *(one for _, one in button.hold_lengths), button.double,
                       button.second_hold):
            if timing is not None:
                found += [timing.ns - MS, timing.ns + MS]
    for kind, name in settable(gadget):
        found += [kind.settled_ns(gadget, name) - MS, kind.settled_ns(gadget, name) + MS]
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


class _Draws:
    """Draws scenarios: presses with and without bounce, hands, the USB plug, telling charges."""

    def __init__(self, player: Player, cuts: bool) -> None:
        gadget = player.written
        self._player = player
        self._cuts = cuts
        self._times = _telling_times(gadget)
        self._short = [time for time in self._times if time <= 5 * S]
        self._kinds = [("press", name) for name in gadget.buttons]
        self._kinds += [("wave", name) for name in gadget.proximity]
        self._set = {name: kind for kind, name in settable(gadget)}
        self._kinds += [("set", name) for name in self._set]
        if gadget.charger is not None:
            self._kinds.append(("usb", ""))
            if "released" in player.prepared.system.status_levels and (
                "complete" in (gadget.charger.status or "")
            ):
                self._kinds.append(("fault", ""))
        if not self._kinds:
            self._kinds.append(("wait", ""))
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
        self._charges = telling_charges(player.prepared.circuit, limits, counted)
        self._tail = 2 * S + max(
            [timing.ns for rule in player.gadget.rules for timing in (rule.within, rule.for_)
             if timing is not None],
            default=0,
        )

    def one(self, chance: random.Random) -> _Drawn:
        """One scenario with what goes with it."""
        now, end = 0, 0
        steps: list[Step] = []
        gadget = self._player.written
        levels = {name: kind.rest(gadget, name) for name, kind in self._set.items()}
        free: dict[str, int] = {}
        for _ in range(chance.randrange(MOST_STEPS + 1)):
            now += chance.choice(self._times) if chance.random() < 0.5 else (
                chance.randint(1, 3_000) * MS)
            kind, name = chance.choice(self._kinds)
            length = chance.choice(PLUGGED if kind in ("usb", "fault") else self._short)
            now = max(now, free.get(name or kind, 0))
            free[name or kind] = now + length + MS
            if kind == "press":
                bounce = min(chance.choice(BOUNCES), length)
                steps.append(Press(at_ns=now, button=name, for_ns=length, bounce_ns=bounce))
                free[name] += bounce + 50 * MS
            elif kind == "wave":
                steps.append(Wave(at_ns=now, sensor=name, distance_m=chance.randint(2, 60) / 100,
                                  for_ns=length))
            elif kind == "set":
                ways = self._set[name].levels(gadget, name)
                levels[name] = chance.choice([one for one in ways if one != levels[name]])
                steps.append(self._set[name].set_to(gadget, name, now, levels[name]))
            elif kind in ("usb", "fault"):
                made = Usb if kind == "usb" else ChargerFault
                steps.append(made(at_ns=now, present=True))
                steps.append(made(at_ns=now + length, present=False))
            end = max(end, now + length)
        scenario = self._player.scenario(steps, chance.choice(self._charges), end + self._tail)
        cut = chance.choice(CUTS)
        return _Drawn(scenario, chance.choice(CLOCKS), cut if self._cuts else None)
