"""Running a candidate on the full model, making it shorter, and putting it into words."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from simfw.engine.observer import Observer
from simfw.engine.plant import Plant
from simfw.engine.run import RuleVerdict, Run
from simfw.engine.simulator import Prepared, Simulation, simulate
from simfw.engine.snapshot import Snapshot
from simfw.errors import RunError
from simfw.gadget.model import Gadget, Rule
from simfw.quantity import format_duration
from simfw.stimuli.inputs import input_of
from simfw.stimuli.scenario import Expect, Press, Scenario, Step, Wave, problems_of
from simfw.verify.budget import MODEL, RUN, Budget
from simfw.verify.finding import Witness

__all__ = ["Player", "in_words", "lasting", "when"]

MS = 1_000_000
S = 1_000 * MS
NEAR_NS = 10_000
"""Nearer to a whole millisecond than this is on one side of it; a hand cannot tell."""
EVEN_NS = (100 * MS, 10 * MS, MS)


class _Instants(Observer):
    """Counts the instants of runs."""

    def __init__(self) -> None:
        self.count = 0

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """One more."""
        del time_ns, states, happened
        self.count += 1


class Player:
    """Runs scenarios of one gadget, with rules of its own added, and keeps what they share."""

    def __init__(self, gadget: Gadget, rules: Sequence[Rule] = ()) -> None:
        self.written = gadget
        self.gadget = gadget.model_copy(update={"rules": (*gadget.rules, *rules)})
        self.prepared = Prepared(self.gadget)
        self.runs = 0
        self._budget: Budget | None = None
        self._instants = _Instants()
        self._plant: Plant | None = None
        self._rules = {rule.name: rule for rule in self.gadget.rules}

    def make_room(self) -> None:
        """Forget what is large and soon worked out again."""
        self.prepared.grids.forget()

    def scenario(self, steps: Iterable[Step], charge: float, lasts_ns: int) -> Scenario:
        """A scenario of the written gadget."""
        return Scenario(
            title="", gadget_path=Path(self.written.file or "gadget.toml"), charge=charge,
            lasts_ns=lasts_ns, steps=tuple(steps), gadget=self.written,
        )

    @contextmanager
    def charged(self, budget: Budget) -> Iterator[None]:
        """Runs made meanwhile spend of `budget`."""
        before, self._budget = self._budget, budget
        try:
            yield
        finally:
            self._budget = before

    def play(
        self, scenario: Scenario, *, resume: Snapshot | None = None, trace: bool = False,
        fold: bool = True, events: frozenset[str] | None = None,
    ) -> Run | None:
        """The run, or None where the model cannot go on; with all its events, or with `events`."""
        self.runs += 1
        before = self._instants.count
        watched = any(isinstance(step, Expect) for step in scenario.steps)
        try:
            run = Simulation(
                self.prepared, scenario, 0, fold, trace, (self._instants,), resume,
                None if watched else self._plant, True if events is None else events,
            )
            # What is watched is compiled once: the rules are the same in every run.
            self._plant = self._plant if watched else run.plant
            return run.run_once()
        except RunError:
            self._plant = None
            return None
        finally:
            if self._budget is not None:
                self._budget.spend(RUN + MODEL * (self._instants.count - before))

    def breaks(self, scenario: Scenario, rule: str) -> RuleVerdict | None:
        """How `rule` breaks in `scenario`, None where it does not."""
        run = self.play(scenario)
        if run is None:
            return None
        for verdict in run.rules:
            if verdict.name == rule and not verdict.held:
                return verdict
        return None

    def shorten(
        self, scenario: Scenario, rule: str, stop: Callable[[], bool] = lambda: False
    ) -> tuple[Scenario, RuleVerdict] | None:
        """The scenario without the steps that are not needed, ended once it has broken."""
        verdict = self.breaks(scenario, rule)
        if verdict is None:
            return None
        changed = True
        while changed and not stop():
            changed = False
            for place in range(len(scenario.steps) - 1, -1, -1):
                fewer = scenario.steps[:place] + scenario.steps[place + 1 :]
                candidate = replace(scenario, steps=fewer)
                found = self.breaks(candidate, rule)
                if found is not None:
                    scenario, verdict, changed = candidate, found, True
                if stop():
                    break
        for simpler in (self._plainer, self._tapped, self._ended):
            candidate = simpler(scenario, verdict)
            found = self.breaks(candidate, rule) if candidate != scenario else None
            if found is not None:
                scenario, verdict = candidate, found
        return self._in_even_times(scenario, verdict, rule)

    def _in_even_times(
        self, scenario: Scenario, verdict: RuleVerdict, rule: str
    ) -> tuple[Scenario, RuleVerdict]:
        """The same with all times of steps as round as they can be: a hand has no nanoseconds.

        It still breaks at that place of its course, and not where round times have made a press
        fall into the very instant of a dwell.
        """
        broke_ns = verdict.time_ns or 0
        for even in EVEN_NS:
            candidate = replace(scenario, steps=tuple(
                _evened(step, even) for step in scenario.steps))
            if candidate == scenario:
                break
            found = None if problems_of(candidate) else self.breaks(candidate, rule)
            if found is None or (found.time_ns or 0) >= candidate.lasts_ns:
                continue
            if abs((found.time_ns or 0) - broke_ns) <= even * (len(candidate.steps) + 1):
                return candidate, found
        return scenario, verdict

    @staticmethod
    def _tapped(scenario: Scenario, _verdict: RuleVerdict) -> Scenario:
        """The same with presses of 100 ms in place of longer ones, where that breaks it as well."""
        steps = tuple(
            replace(step, for_ns=min(step.for_ns, 100 * MS)) if isinstance(step, Press) else step
            for step in scenario.steps
        )
        return replace(scenario, steps=steps)

    @staticmethod
    def _ended(scenario: Scenario, verdict: RuleVerdict) -> Scenario:
        """Presses and hands cut, and the run ended, a second after the rule breaks."""
        end = (verdict.time_ns or 0) + 1000 * MS
        end += -end % (1000 * MS)
        steps: list[Step] = []
        for step in scenario.steps:
            if step.at_ns >= end:
                continue
            if isinstance(step, Press | Wave) and step.at_ns + step.for_ns > end:
                step = replace(step, for_ns=end - step.at_ns)
            steps.append(step)
        return replace(scenario, steps=tuple(steps), lasts_ns=end)

    @staticmethod
    def _plainer(scenario: Scenario, _verdict: RuleVerdict) -> Scenario:
        """The same without bounce and with a full cell, where that breaks it as well."""
        steps = tuple(
            replace(step, bounce_ns=0) if isinstance(step, Press) else step
            for step in scenario.steps
        )
        return replace(scenario, steps=steps, charge=1.0)

    def witness(self, scenario: Scenario, verdict: RuleVerdict, title: str) -> Witness:
        """The scenario with an expectation that fails where the rule breaks, put into words."""
        time_ns = verdict.time_ns or 0
        text = self._expected(verdict.name)
        steps = tuple(sorted(scenario.steps, key=lambda step: step.at_ns))
        if text is not None and time_ns < scenario.lasts_ns:
            steps = tuple(
                sorted([*steps, Expect(at_ns=time_ns, text=text)], key=lambda step: step.at_ns)
            )
        final = replace(scenario, title=title, steps=steps)
        return Witness(
            scenario=final, rule=verdict.name, time_ns=time_ns, why=_for_hands(verdict.why or ""),
            list=tuple(in_words(final)),
        )

    def trace_witness(self, scenario: Scenario, verdict: RuleVerdict) -> Witness:
        """The same for a check that reads the events of a run and is no rule."""
        time_ns = verdict.time_ns or 0
        if verdict.name == "several-per-press":
            button = next(
                word for word in (verdict.why or "").split() if word in self.gadget.buttons
            )
            text = f"not {button}.pressed"
        else:
            before = simulate(self.gadget, replace(scenario, lasts_ns=time_ns),
                              prepared=self.prepared)
            bars = before.intervals[-1].bars if before.intervals else 0
            text = f"gauge <= {bars or 0}"
        steps = tuple(sorted([*scenario.steps, Expect(at_ns=time_ns, text=text)],
                             key=lambda step: step.at_ns))
        final = replace(scenario, title=f"Shows: {verdict.name}", steps=steps)
        return Witness(scenario=final, rule=verdict.name, time_ns=time_ns,
                       why=_for_hands(verdict.why or ""), list=tuple(in_words(final)))

    def _expected(self, name: str) -> str | None:
        rule = self._rules[name]
        if rule.never is not None:
            return f"not ({rule.never})"
        return rule.always or rule.then or rule.stays


def _for_hands(why: str) -> str:
    """A sentence about a run with its times as hands can keep them."""

    def told(match: re.Match[str]) -> str:
        time_ns = int(Decimal(match[2]) * (S if match[3] == "s" else MS))
        if time_ns % MS == 0 or time_ns < MS:
            return match[0]
        return when(time_ns) if match[1] else lasting(time_ns)

    return re.sub(r"(\bat )?(?<![\d.])(\d+\.\d+) (m?s)\b", told, why)


def _evened(step: Step, even: int) -> Step:
    """The step begun and lasting a multiple of `even` (ns), never nothing."""
    at = (step.at_ns + even // 2) // even * even
    if isinstance(step, Press | Wave):
        length = max(even, (step.for_ns + even // 2) // even * even)
        return replace(step, at_ns=at, for_ns=length)
    return replace(step, at_ns=at)


def when(time_ns: int) -> str:
    """A time as a hand can keep it: to a millisecond, and on which side of it where that matters.

    `1.75 s` is "at 1.75 s", a nanosecond more "just after 1.75 s".
    """
    whole = (time_ns + MS // 2) // MS * MS
    shown = format_duration(whole)
    if time_ns == whole:
        return f"at {shown}"
    if abs(time_ns - whole) <= NEAR_NS:
        return f"just {'after' if time_ns > whole else 'before'} {shown}"
    return f"at about {shown}"


def lasting(time_ns: int) -> str:
    """A length of time in the same way: "100 ms", "just over 2 s", "about 37 ms"."""
    whole = (time_ns + MS // 2) // MS * MS
    if time_ns == whole:
        return format_duration(whole)
    if whole == 0:
        return "less than 1 ms"
    if abs(time_ns - whole) <= NEAR_NS:
        return f"just {'over' if time_ns > whole else 'under'} {format_duration(whole)}"
    return f"about {format_duration(whole)}"


def in_words(scenario: Scenario) -> list[str]:
    """What to do when, one line a step, in times that hands can keep."""
    lines = [f"Start with the cell at {scenario.charge * 100:.4g} %."]
    for step in scenario.in_order():
        at = when(step.at_ns)
        at = at[0].upper() + at[1:]
        kind = input_of(step)
        if isinstance(step, Expect):
            line = f"{at}, check: this should be true but is not: {step.text}"
        elif kind is not None:
            line = f"{at}, {kind.asked(step, lasting)}"
        lines.append(line + ".")
    return lines
