"""A simulated bench plays `next` to the end: `python -m tests.benchlog.play [CASES [FIRST]]`.

A true gadget with figures, answers and a clock drawn at random stands on the bench. What `next`
proposes first is done with it, with hands and instruments that are off within what they may be;
what was seen goes into the log, and so on until nothing tells explanations apart any more. The true
explanation must never be excluded, and all that are left in the end must be told to be such as
nothing here tells from it. What the bench shows is read off whole simulations of the true gadget.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from simfw.benchlog.experiments import Experiment, NextResult, next_experiments
from simfw.benchlog.narrowing import narrow
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.quantities import with_values
from simfw.loading import load_bench_log
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from tests.benchlog.cases import Case, numbers, run_cases
from tests.benchlog.lantern import write_lantern
from tests.benchlog.planted import OFF, true_figures

__all__ = ["Played", "play"]

S = 10**9
DAY = 86_400
MOST_ROUNDS = 12

QUESTIONS = {  # answers as lines of the log; nothing changes where one is empty
    "automatic off": ("", OFF, OFF.replace("45 min", "20 min")),
    "brightness": ("", 'change = { "behaviour.lamp.states" = '
                       '{ dark = {}, lit = { lamp = "50 %" } } }'),
    "finish": ("", 'change = { "charger.finish" = "25 %" }'),
    "samples": ("", 'change = { "gauge.every" = "10 s" }'),
    "status": ("", 'change = { "charger.status" = "high while charging" }'),
}
SIGHTS = {"dark": "lamp < 0.1", "lamp": "lamp > 0.9", "lamp 50 %": "lamp > 0.4 and lamp < 0.6"}


@dataclass
class Played:
    """A case played to its end: what was done, and what is wrong with it (nothing, it is hoped)."""

    done: list[str] = field(default_factory=list)
    minutes: float = 0.0
    left: int = 0
    wrong: list[str] = field(default_factory=list)


def play(folder: Path, number: int, questions: Sequence[str] = ()) -> Played:
    """Play case `number` with its files in `folder`; these questions, or some that are drawn."""
    rng = random.Random(number)
    folder.mkdir(parents=True, exist_ok=True)
    write_lantern(folder, resistance="200 mΩ", asleep="8 uA", awake="1 mA", leakage="10 uA")
    (folder / "gadget.toml").write_text(
        (folder / "gadget.toml").read_text(encoding="utf-8").replace(
            "[gauge]", '[lights.bars]\nleds = 3\nsegments = true\ncolour = "red"\n'
            'forward = ["1.9 V @ 1 mA", "2.1 V @ 20 mA"]\nresistor = "10k"\n'
            '[gauge]\nlight = "bars"\n'
            'show = "lamp.lit"'),
        encoding="utf-8")
    names = questions or rng.sample(list(QUESTIONS), rng.randint(2, 3))
    truth = {"loads.lamp.current": rng.uniform(0.04, 0.1), "clock": rng.uniform(0.9, 1.1)}
    text = ('gadget = "gadget.toml"\nkit = ["eyes", "stopwatch", "multimeter"]\n[unknown]\n'
            '"loads.lamp.current" = "30 mA .. 120 mA"\nclock = "± 10 %"\n')
    for name in names:
        text += f'[[questions]]\nname = "{name}"\n'
        for k, answer in enumerate(QUESTIONS[name]):
            text += f'[[questions.answers]]\nname = "{k}"\n{answer}\n'
    true = tuple(rng.randrange(len(QUESTIONS[name])) for name in names)
    path = folder / "log.toml"
    seen = '[[observations]]\nname = "it lights"\nmode = "lamp.lit"\nreading = "1 mA .. 2 A"\n'
    path.write_text(text + seen, encoding="utf-8")
    log = load_bench_log(path)
    gadget = with_values(log.gadgets[true], true_figures(log.gadgets[true], truth))
    bench = _Bench(Prepared(gadget), rng, truth["clock"])
    played = Played()
    for _ in range(MOST_ROUNDS):
        found = next_experiments(narrow(load_bench_log(path), brief=True))
        left = {one.combination for one in found.narrowed.possible}
        played.left = len(left)
        if true not in left:
            played.wrong.append("the truth was excluded")
            return played
        if not found.expected_minutes:
            played.wrong += _unsaid(found, true)
            return played
        look = _first(found, left)
        if look is None:
            played.wrong.append("what is proposed does not tell")
            return played
        played.done.append(look.name)
        played.minutes += look.minutes
        seen += bench.of(look, len(played.done))
        path.write_text(text + seen, encoding="utf-8")
    played.wrong.append("it came to no end")
    return played


def _first(found: NextResult, left: set[tuple[int, ...]]) -> Experiment | None:
    """The first that tells any explanations apart; those that tell figures alone are passed by."""
    return next((one for one in found.experiments
                 if any(one.tells(a, b) for a in left for b in left if a < b)), None)


def _unsaid(found: NextResult, true: tuple[int, ...]) -> Iterator[str]:
    """What is left beside the truth has to be told as not told apart from it."""
    said = {frozenset((one.first, one.second)) for one in found.not_tellable}
    for one in found.narrowed.possible:
        if one.combination != true and frozenset((one.combination, true)) not in said:
            yield f"{one.combination} is left, and nothing is said of it"


class _Bench:
    """The true gadget with hands beside it."""

    def __init__(self, prepared: Prepared, rng: random.Random, clock: float) -> None:
        self.prepared, self.rng, self.clock = prepared, rng, clock

    def run(self, charge: float, lasts_s: float, *steps: Step) -> Run:
        """A whole simulation of it."""
        scenario = Scenario(charge=charge, lasts_ns=round(lasts_s * S), steps=steps)
        return simulate(self.prepared.gadget, scenario, prepared=self.prepared)

    def of(self, look: Experiment, number: int) -> str:
        """What it shows, as an entry of the log."""
        entry = look.entry
        match look.kind:
            case "handling":
                entry = entry.replace('"..."', f'"{self.handled(look)}"')
            case "current":
                region, _, state = look.name.removeprefix("meter, ").partition(".")
                amps = mean_current(self.prepared, [(region, state)],
                                    charge=self.rng.uniform(0.7, 0.9)).current_a
                assert amps is not None
                near = 0.02 * amps + 0.5e-6
                shown = (amps + self.rng.uniform(-0.9, 0.9) * near) * 1e6
                entry = entry.replace("... mA ± ... mA", f"{shown:.6f} uA ± {near * 1e6:.6f} uA")
            case "pin":
                full = "full charge" in look.name
                run = self.run(1.0 if full else 0.5, 70.0, Usb(at_ns=S, present=True))
                charging = run.intervals[-1].states[run.regions.index("charge")]
                low = self.prepared.gadget.charger.status == "low while charging"  # type: ignore[union-attr]
                assert charging == ("complete" if full else "charging")
                reads = ("floating" if low else "low") if full else ("low" if low else "high")
                entry = entry.replace('"..."', f'"{reads}"')
            case "voltage":  # two of three bars: below the third threshold
                volts = 3.9 + self.rng.uniform(-0.009, 0.009)
                run = self.run(1.0, 40 * 3600, Press(at_ns=S, button="key", for_ns=150_000_000))
                came_ns = next(new.start_ns for old, new in pairwise(run.intervals)
                               if old.bars == 3 and new.bars == 2) - S
                took = f'took = "{came_ns / S:.1f} s ± 5 s"'
                entry = entry.replace('took = "..."', took).replace(
                    "> ... and cell.voltage < ...",
                    f"> {volts - 0.01:.4f} and cell.voltage < {volts + 0.01:.4f}")
            case "load":
                run = self.run(1.0, 6.001, Press(at_ns=S, button="key", for_ns=150_000_000))
                volts = run.intervals[-1].end_voltage_v + self.rng.uniform(-0.009, 0.009)
                entry = entry.replace(
                    "> ... and cell.voltage < ...",
                    f"> {volts - 0.01:.4f} and cell.voltage < {volts + 0.01:.4f}")
            case "dwell":
                run = self.run(1.0, 60.0 * look.minutes + 600.0,
                               Press(at_ns=S, button="key", for_ns=150_000_000))
                where = run.regions.index("lamp")
                over_ns = next(new.start_ns for old, new in pairwise(run.intervals)
                               if old.states[where] == "lit" and new.states[where] == "dark") - S
                took = over_ns / S + self.rng.uniform(-0.25, 0.25)
                entry = entry.replace('"... ± ..."', f'"{took:.1f} s ± 0.1 s"')
            case "charge":
                run = self.run(0.0, 40 * 3600, Usb(at_ns=S, present=True))
                entry = self.timed(entry, next(
                    e.time_ns for e in run.events if e.name == "charge.completed") - S)
            case "run-down":
                run = self.run(1.0, 40 * 3600, Press(at_ns=S, button="key", for_ns=150_000_000))
                entry = self.timed(entry, next(
                    new.start_ns for old, new in pairwise(run.intervals)
                    if old.bars == 3 and new.bars == 2) - S)
            case _:
                days = int(look.name.split()[-2])
                bars = self.run(1.0, days * DAY).intervals[-1].bars
                entry = entry.replace("gauge == ...", f"gauge == {bars}")
        return f'[[observations]]\nname = "{number}: {look.name}"\n{entry}\n'

    def handled(self, look: Experiment) -> str:
        """What is lit after a handling; hands are early or late by up to a fifth of a second."""
        assert look.handling is not None
        steps, at_ns = look.handling.steps()
        late = [self.rng.uniform(-0.2, 0.2) for _ in steps]
        moved = [_at(step, step.at_ns + round(by * S))
                 for step, by in zip(steps, late, strict=True)]
        run = self.run(0.8, at_ns / S + 0.1, *moved)
        return SIGHTS[_lit(run, self.prepared)]

    def timed(self, entry: str, event_ns: int) -> str:
        """A time by somebody who looks as often as is asked, and writes to a tenth of a second."""
        each = 60.0 if 'looked = "1 min"' in entry else 300.0
        began = self.rng.uniform(0.0, each)
        looked = each * (1 + int((event_ns / S - began) // each)) + began
        shown = looked + self.rng.uniform(-0.25, 0.25)
        return entry.replace('took = "..."', f'took = "{shown:.1f} s"')


def _at(step: Step, at_ns: int) -> Step:
    from dataclasses import replace

    return replace(step, at_ns=at_ns)


def _lit(run: Run, prepared: Prepared) -> str:
    """What the lantern shows at the end."""
    where = run.regions.index("lamp")
    state = run.intervals[-1].states[where]
    drive = prepared.system.region("lamp").state(state).outputs.get("lamp")
    if drive is None:
        return "dark"
    return "lamp" if drive.duty == 1.0 else f"lamp {100 * drive.duty:g} %"


def main() -> int:
    """Play them; 1 where one went wrong."""
    def one(number: int) -> Case:
        def run(folder: Path) -> tuple[str, list[str]]:
            played = play(folder, number)
            return (f"{len(played.done)} experiments ({', '.join(played.done)}), "
                    f"{played.minutes:.4g} min, {played.left} left"), played.wrong

        return f"case {number}", run

    cases, first = numbers(sys.argv[1:], 40, 0)
    return run_cases("cases", map(one, range(first, first + cases)))


if __name__ == "__main__":
    sys.exit(main())
