"""Running a candidate on the full model, making it shorter, and putting it into words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from simfw.engine.run import RuleVerdict, Run
from simfw.engine.simulator import Prepared, simulate
from simfw.errors import RunError
from simfw.gadget.model import Gadget, Rule
from simfw.quantity import format_duration
from simfw.stimuli.scenario import (
    ChargerFault,
    Expect,
    Press,
    Scenario,
    Step,
    Temperature,
    Usb,
    Wave,
)
from simfw.verify.finding import Witness

__all__ = ["Player", "in_words"]

MS = 1_000_000


class Player:
    """Runs scenarios of one gadget, with rules of its own added, and keeps what they share."""

    def __init__(self, gadget: Gadget, rules: Sequence[Rule] = ()) -> None:
        self.written = gadget
        self.gadget = gadget.model_copy(update={"rules": (*gadget.rules, *rules)})
        self.prepared = Prepared(self.gadget)
        self.runs = 0
        self._rules = {rule.name: rule for rule in self.gadget.rules}

    def scenario(self, steps: Iterable[Step], charge: float, lasts_ns: int) -> Scenario:
        """A scenario of the written gadget."""
        return Scenario(
            title="", gadget_path=Path(self.written.file or "gadget.toml"), charge=charge,
            lasts_ns=lasts_ns, steps=tuple(steps), gadget=self.written,
        )

    def play(self, scenario: Scenario) -> Run | None:
        """The run, or None where the model cannot go on."""
        self.runs += 1
        try:
            return simulate(self.gadget, scenario, prepared=self.prepared, trace=False)
        except RunError:
            return None

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
            scenario=final, rule=verdict.name, time_ns=time_ns, why=verdict.why or "",
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
        return Witness(scenario=final, rule=verdict.name, time_ns=time_ns, why=verdict.why or "",
                       list=tuple(in_words(final)))

    def _expected(self, name: str) -> str | None:
        rule = self._rules[name]
        if rule.never is not None:
            return f"not ({rule.never})"
        return rule.always or rule.then or rule.stays


def in_words(scenario: Scenario) -> list[str]:
    """What to do when, one line a step."""
    lines = [f"Start with the cell at {scenario.charge * 100:.4g} %."]
    for step in scenario.in_order():
        at = format_duration(step.at_ns)
        if isinstance(step, Press):
            line = f"At {at} press {step.button} and let go after {format_duration(step.for_ns)}"
            if step.bounce_ns:
                line += f" (its contact bounces for {format_duration(step.bounce_ns)})"
        elif isinstance(step, Wave):
            line = (
                f"At {at} hold a hand {step.distance_m * 100:.3g} cm before {step.sensor} for "
                f"{format_duration(step.for_ns)}"
            )
        elif isinstance(step, Usb):
            line = f"At {at} {'plug USB in' if step.present else 'unplug USB'}"
        elif isinstance(step, ChargerFault):
            line = f"At {at} the charger {'meets a fault' if step.present else 'is well again'}"
        elif isinstance(step, Temperature):
            line = f"At {at} bring everything to {step.temperature_c:.4g} degC"
        else:
            line = f"At {at} look: this should hold and does not: {step.text}"
        lines.append(line + ".")
    return lines
