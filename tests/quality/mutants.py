"""Single changes of a sound gadget, and whether its rules and expectations notice them.

As a script: `python -m tests.quality.mutants [COUNT [SHARD SHARDS]]` makes COUNT mutants of the
demo gadgets (300) and prints which share is caught by what, and which survive and why. A mutant
changes one row, guard, dwell, level, timing or threshold.
"""

from __future__ import annotations

import math
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from simfw.behaviour.build import build_system, check
from simfw.behaviour.rules import build_rules
from simfw.engine.observer import Observer
from simfw.engine.run import Interval, Run
from simfw.engine.simulator import Prepared, simulate
from simfw.errors import SimfwError
from simfw.gadget.model import Behaviour, Gadget, Row
from simfw.loading import load_gadget, load_scenario
from simfw.quantity import Figure, Timing
from simfw.stimuli.scenario import Expect, Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.decide import Question, decide
from simfw.verify.player import Player
from simfw.verify.reach import reach_checks
from simfw.verify.static import row_checks
from simfw.verify.whole import search_whole

DEMOS = Path(__file__).parents[2] / "scenarios"
S = 1_000_000_000
MS = 1_000_000
MOST_CHANGES = 5_000
PATIENCE_S = 3.0


@dataclass(frozen=True)
class Mutant:
    """A gadget with one change, and what was changed."""

    kind: str
    place: str
    gadget: Gadget


class TooSlow(Exception):
    """A run took more processor time than it is given here."""


class Patience(Observer):
    """Ends a run that takes more than PATIENCE_S of processor time.

    A changed dwell can make two cycles that meet again only after hours, which no folding shortens.
    """

    def __init__(self) -> None:
        self.end = time.process_time() + PATIENCE_S

    def interval(self, interval: Interval) -> None:
        """Raise when the time is up."""
        if time.process_time() > self.end:
            raise TooSlow


def _timing(timing: Timing, factor: float) -> Timing:
    ns = max(MS, round(timing.ns * factor))
    return replace(timing, ns=ns, low_ns=ns, high_ns=ns)


def _volts(figure: Figure, step: float) -> Figure:
    value = round(figure.value + step, 4)
    return replace(figure, value=value, low=value, high=value)


def _with_row(gadget: Gadget, name: str, rows: tuple[Row, ...]) -> Gadget:
    region = gadget.behaviour[name].model_copy(update={"rows": rows})
    return gadget.model_copy(update={"behaviour": {**gadget.behaviour, name: region}})


def mutants(gadget: Gadget) -> Iterator[Mutant]:
    """Every single change of these kinds."""
    for name, region in gadget.behaviour.items():
        yield from _row_mutants(gadget, name, region)
        yield from _state_mutants(gadget, name, region)
    for name, button in gadget.buttons.items():
        for field in ("debounce", "hold", "double"):
            timing = getattr(button, field)
            for factor in (0.25, 4.0) if timing is not None else ():
                changed = button.model_copy(update={field: _timing(timing, factor)})
                yield Mutant("timing", f"buttons.{name}.{field} x{factor:g}", gadget.model_copy(
                    update={"buttons": {**gadget.buttons, name: changed}}))
    for name, sensor in gadget.proximity.items():
        for field in ("every", "clear"):
            for factor in (0.25, 4.0):
                changed_sensor = sensor.model_copy(
                    update={field: _timing(getattr(sensor, field), factor)})
                yield Mutant("timing", f"proximity.{name}.{field} x{factor:g}", gadget.model_copy(
                    update={"proximity": {**gadget.proximity, name: changed_sensor}}))
        if sensor.enabled is not None:
            for text in (None, f"not ({sensor.enabled})"):
                changed_sensor = sensor.model_copy(update={"enabled": text})
                yield Mutant("guard", f"proximity.{name}.enabled = {text}", gadget.model_copy(
                    update={"proximity": {**gadget.proximity, name: changed_sensor}}))
    if gadget.gauge is not None:
        for field in ("low", "flat"):
            figure = getattr(gadget.gauge, field)
            for step in (-0.2, 0.2) if figure is not None else ():
                gauge = gadget.gauge.model_copy(update={field: _volts(figure, step)})
                yield Mutant("threshold", f"gauge.{field} {step:+g} V",
                             gadget.model_copy(update={"gauge": gauge}))
        for place, figure in enumerate(gadget.gauge.thresholds):
            for step in (-0.06, 0.06):
                volts = list(gadget.gauge.thresholds)
                volts[place] = _volts(figure, step)
                gauge = gadget.gauge.model_copy(update={"thresholds": tuple(volts)})
                yield Mutant("threshold", f"gauge.thresholds[{place}] {step:+g} V",
                             gadget.model_copy(update={"gauge": gauge}))


def _row_mutants(gadget: Gadget, name: str, region: Behaviour) -> Iterator[Mutant]:
    rows = region.rows
    events = sorted({row.on for row in rows if row.on is not None})

    def changed(kind: str, place: int, what: str, **update: object) -> Mutant:
        new = (*rows[:place], rows[place].model_copy(update=update), *rows[place + 1 :])
        return Mutant(kind, f"behaviour.{name}.rows[{place}] {what}",
                      _with_row(gadget, name, new))

    for place, row in enumerate(rows):
        yield Mutant("row left out", f"behaviour.{name}.rows[{place}]",
                     _with_row(gadget, name, rows[:place] + rows[place + 1 :]))
        for to in (*region.states, "same"):
            if to != row.to:
                yield changed("target", place, f"to {to}", to=to)
        if row.when is not None:
            yield changed("guard", place, "without guard", when=None)
            yield changed("guard", place, "guard turned round", when=f"not ({row.when})")
        if row.after is not None:
            for factor in (0.1, 0.5, 2.0, 10.0):
                yield changed("dwell", place, f"dwell x{factor:g}",
                              after=_timing(row.after, factor))
        if row.on is not None:
            for event in events:
                if event != row.on:
                    yield changed("event", place, f"on {event}", on=event)
        if place + 1 < len(rows):
            new = (*rows[:place], rows[place + 1], row, *rows[place + 2 :])
            yield Mutant("order", f"behaviour.{name}.rows[{place}] and the next",
                         _with_row(gadget, name, new))


def _state_mutants(gadget: Gadget, name: str, region: Behaviour) -> Iterator[Mutant]:
    for state, outputs in region.states.items():
        for output in outputs:
            states = {**region.states,
                      state: {key: level for key, level in outputs.items() if key != output}}
            new = region.model_copy(update={"states": states})
            yield Mutant("level", f"behaviour.{name}.{state} without {output}",
                         gadget.model_copy(update={"behaviour": {**gadget.behaviour, name: new}}))
        if state != region.starts:
            new = region.model_copy(update={"starts": state})
            yield Mutant("start", f"behaviour.{name} starts {state}",
                         gadget.model_copy(update={"behaviour": {**gadget.behaviour, name: new}}))


class Judge:
    """What a sound gadget's rules, expectations and checks say, to compare mutants with."""

    def __init__(self, folder: Path) -> None:
        self.gadget = load_gadget(folder / "gadget.toml")
        self.scenarios = [
            scenario for path in sorted(folder.glob("*.toml"))
            if "steps" in path.read_text(encoding="utf-8") and path.name != "gadget.toml"
            and "habits" not in path.read_text(encoding="utf-8")
            and "observations" not in path.read_text(encoding="utf-8")
            for scenario in [load_scenario(path)]
            if any(isinstance(step, Expect) for step in scenario.steps)
            and scenario.lasts_ns <= 3 * 86_400 * S
        ]
        self.sound_runs = {one.file: self._failures(self.gadget, one) for one in self.scenarios}
        self.sound_rules = self._broken_rules(self.gadget)
        self.sound_findings = self._findings(self.gadget)
        self.probes = list(self._probes())
        self._sound: dict[int, Run] = {}

    def verdict(self, mutant: Gadget) -> str:
        """What catches the mutant first: "refused", "expectation", "rule", "check", or a reason."""
        if check(mutant):
            return "refused"
        try:
            for scenario in self.scenarios:
                failures = self._failures(mutant, scenario)
                if failures - self.sound_runs[scenario.file]:
                    return "expectation"
            if self._broken_rules(mutant) - self.sound_rules:
                return "rule"
            if self._findings(mutant) - self.sound_findings:
                return "check"
        except SimfwError:
            return "refused"
        return "differs" if self._differs(mutant) else "same"

    @staticmethod
    def _failures(gadget: Gadget, scenario: Scenario) -> set[str]:
        while True:
            try:
                run = simulate(gadget, replace(scenario, gadget=gadget), trace=False,
                               observers=[Patience()])
                break
            except TooSlow:  # its beginning may tell
                lasts = scenario.lasts_ns // 8
                scenario = replace(scenario, lasts_ns=lasts, steps=tuple(
                    step for step in scenario.steps if step.at_ns < lasts))
                if not scenario.steps:
                    return set()
        return {one.key for one in run.expectations if not one.met} | {
            one.name for one in run.rules if not one.held
        }

    @staticmethod
    def _broken_rules(gadget: Gadget) -> set[str]:
        system, broken = build_system(gadget), set()
        player = Player(gadget)
        segments = {name: light.leds for name, light in gadget.lights.items() if light.segments}
        for rule in build_rules(gadget, system):
            _, found = decide(Question(rule, "rule", rule.name), system, player, segments=segments,
                              budget=Budget(50_000), limit=2_000)
            if found is not None and found.level == "fault":
                broken.add(rule.name)
        return broken

    @staticmethod
    def _findings(gadget: Gadget) -> set[tuple[str, str]]:
        system = build_system(gadget)
        whole = search_whole(system, limit=4_000)
        return {
            (one.check, one.text)
            for one in (*row_checks(gadget, system),
                        *reach_checks(gadget, system, whole))
            if one.check not in ("press-unanswered",)
        }

    def _probes(self) -> Iterator[Scenario]:
        """Random scenarios in which a difference would show."""
        draw = random.Random(1)
        for charge in (0.9, 0.5, 0.04, 0.015, 0.9, 0.02):
            now, steps = S, list[Step]()
            for _ in range(14):
                now += draw.choice([100 * MS, 400 * MS, S, 3 * S, 60 * S])
                kinds: list[Callable[[int], Step]] = [
                    lambda at, name=name: Press(
                        at_ns=at, button=name, for_ns=draw.choice([80 * MS, 90 * MS, 3 * S]))
                    for name in self.gadget.buttons
                ]
                kinds += [
                    lambda at, name=name: Wave(at_ns=at, sensor=name, distance_m=0.1,
                                               for_ns=400 * MS)
                    for name in self.gadget.proximity
                ]
                step = draw.choice(kinds)(now)
                steps.append(step)
                now += getattr(step, "for_ns", 0) + 60 * MS
            if self.gadget.charger is not None and charge == 0.5:
                steps += [Usb(at_ns=now, present=True), Usb(at_ns=now + 600 * S, present=False)]
                now += 600 * S
            yield Scenario(title="", gadget_path=Path("gadget.toml"), charge=charge,
                           lasts_ns=now + 50 * 60 * S, steps=tuple(steps), gadget=self.gadget)

    def _differs(self, mutant: Gadget) -> bool:
        before, after = Prepared(self.gadget), Prepared(mutant)

        def seen(run: Run) -> list[object]:
            return [[event.name for event in run.events],
                    [(use.region, use.state, use.time_ns) for use in run.states if use.time_ns]]

        for place, probe in enumerate(self.probes):
            first = self._sound.get(place)
            if first is None:
                first = self._sound[place] = simulate(self.gadget, probe, prepared=before,
                                                      trace=False)
            try:
                second = simulate(mutant, replace(probe, gadget=mutant), prepared=after,
                                  trace=False, observers=[Patience()])
            except TooSlow:
                return True  # a pace of its own is a difference
            # What is watched is stepped, else looked up: sums differ in the last digit.
            if seen(first) != seen(second) or not math.isclose(
                    first.charge_used_c, second.charge_used_c, rel_tol=1e-12):
                return True
        return False


WHY = {
    "differs": "behaves differently, but no rule or expectation speaks of it",
    "same": "no run was found in which it behaves differently",
}


KNOWN = {
    ("cellar-steps", "buttons.up.debounce"): "no difference: a button that is read by samples has "
                                             "no use for its debounce time",
    ("key-hook", "gauge.thresholds"): "no difference: nothing shows the bars, and no row "
                                      "hears them",
    ("cellar-steps", "gauge.thresholds"): "seen only with the cell within 60 mV of it, where no "
                                          "scenario looks at the bars",
}


def sample(count: int, seed: int = 0) -> list[tuple[str, Mutant]]:
    """`count` mutants drawn from the demo gadgets, in equal shares.

    A gadget with tens of thousands of like rows (one for each code of a remote control) is left
    out: a sample of it would be all of one kind.
    """
    draw = random.Random(seed)
    folders = [path.parent for path in sorted(DEMOS.glob("*/gadget.toml"))]
    found: list[tuple[str, Mutant]] = []
    gadgets = {folder.name: load_gadget(folder / "gadget.toml") for folder in folders}
    small = {name: one for name, one in gadgets.items() if _changes(one) <= MOST_CHANGES}
    for name, gadget in small.items():
        every = list(mutants(gadget))
        share = -(-count // len(small))
        found += [(name, mutant) for mutant in draw.sample(every, min(share, len(every)))]
    return found


def _changes(gadget: Gadget) -> int:
    """About how many single changes there are."""
    return sum(len(region.rows) * (len(region.states) + len({row.on for row in region.rows}))
               for region in gadget.behaviour.values())


def report(done: list[tuple[str, Mutant, str]]) -> str:
    """Shares by what caught them, by kind of change, and the survivors."""
    total = len(done)
    lines = [f"{total} mutants"]
    by = Counter(verdict for _, _, verdict in done)
    for verdict in ("refused", "expectation", "rule", "check", "differs", "same"):
        said = WHY.get(verdict, f"caught: {verdict}")
        lines.append(f"  {by[verdict]:4d}  {by[verdict] / total * 100:5.1f} %  {said}")
    caught = by["refused"] + by["expectation"] + by["rule"]
    live = total - by["same"]
    lines.append(f"caught by loading, rules and expectations: {caught} of {total} "
                 f"({caught / total * 100:.0f} %), {caught / max(1, live) * 100:.0f} % of those "
                 f"that behave differently; with the built-in checks "
                 f"{(caught + by['check']) / total * 100:.0f} %")
    lines += table(done)
    lines.append("survivors:")
    lines += [f"  {folder}: {mutant.kind}: {mutant.place}: {reason(folder, mutant, verdict)}"
              for folder, mutant, verdict in done if verdict in WHY]
    return "\n".join(lines)


def table(done: list[tuple[str, Mutant, str]]) -> list[str]:
    """By kind of change: how many were caught by what, and the share."""
    lines = [f"  {'kind':<14} {'all':>4} {'refused':>8} {'expected':>9} {'rule':>5} {'check':>6} "
             f"{'differs':>8} {'same':>5}  caught, of those that differ"]
    kinds = Counter(mutant.kind for _, mutant, _ in done)
    for kind, count in (*kinds.most_common(), ("all", len(done))):
        by = Counter(verdict for _, mutant, verdict in done if kind in (mutant.kind, "all"))
        got = count - by["differs"] - by["same"]
        lines.append(f"  {kind:<14} {count:>4} {by['refused']:>8} {by['expectation']:>9} "
                     f"{by['rule']:>5} {by['check']:>6} {by['differs']:>8} {by['same']:>5}  "
                     f"{got / max(1, count - by['same']) * 100:.0f} %")
    return lines


def reason(folder: str, mutant: Mutant, verdict: str) -> str:
    """Why a mutant lives on."""
    for (where, beginning), why in KNOWN.items():
        if folder == where and mutant.place.startswith(beginning):
            return why
    if mutant.kind == "order" and not _compete(folder, mutant.place):
        return "no difference: the two rows never wait for one thing in one state"
    return WHY[verdict]


def _compete(folder: str, place: str) -> bool:
    """Whether the row at `place` and the next one share a state and what they wait for."""
    gadget = load_gadget(DEMOS / folder / "gadget.toml")
    region, _, rest = place.removeprefix("behaviour.").partition(".rows[")
    number = int(rest.partition("]")[0])
    written = build_system(gadget).region(region).rows
    first, second = written[number], written[number + 1]
    return (first.on, first.after_ns) == (second.on, second.after_ns) and bool(
        set(first.sources) & set(second.sources))


def judge_all(chosen: list[tuple[str, Mutant]]) -> Iterator[tuple[str, Mutant, str]]:
    """The verdict on each mutant."""
    judges: dict[str, Judge] = {}
    for folder, mutant in chosen:
        if folder not in judges:
            judges[folder] = Judge(DEMOS / folder)
        yield folder, mutant, judges[folder].verdict(mutant.gadget)


def main(count: int, shard: int, shards: int) -> None:
    """Judge every `shards`-th mutant from `shard` on; tell each at once and report at the end."""
    done = []
    for folder, mutant, verdict in judge_all(sample(count)[shard::shards]):
        done.append((folder, mutant, verdict))
        print(f"{verdict:<12} {folder}: {mutant.kind}: {mutant.place}", flush=True)
    print(report(done))


if __name__ == "__main__":
    written = [int(text) for text in sys.argv[1:]]
    main(*(written + [300, 0, 1][len(written):]))
