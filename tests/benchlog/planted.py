"""Planted cases: a gadget with figures drawn at random, seen with noise inside the tolerance.

What the bench would have seen is read off a whole simulation of the true gadget, by its events and
intervals, not by what the bench log is judged with. The truth must never be excluded, and must lie
inside every interval. `python -m tests.benchlog` runs many.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from simfw.benchlog.model import CLOCK, BenchLog
from simfw.benchlog.narrowed import Narrowed
from simfw.benchlog.narrowing import narrow
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities, with_values
from simfw.loading import load_bench_log
from simfw.quantity import Timing
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from tests.benchlog.lantern import write_lantern

__all__ = ["OFF", "Planted", "faults", "plant", "true_figures"]

_S = 10**9
_DAY = 86_400

UNKNOWNS = {  # key: low, high, unit, one of the unit in SI
    "cell.capacity": (300.0, 800.0, "mAh", 3.6),
    "cell.leakage": (1.0, 60.0, "uA", 1e-6),
    "controller.asleep": (1.0, 40.0, "uA", 1e-6),
    "loads.lamp.current": (30.0, 120.0, "mA", 1e-3),
    "cell.resistance": (50.0, 600.0, "mΩ", 1e-3),
    "controller.reference": (1.067, 1.133, "V", 1.0),
    CLOCK: (90.0, 110.0, "%", 0.01),
}

OFF = """change = { "behaviour.lamp.rows" = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
  { after = "45 min", from = "lit", to = "dark" },
] }"""
QUESTIONS = {
    "automatic off": ("", OFF),
    "finish": ("", 'change = { "charger.finish" = "25 %" }'),
    "samples": ("", 'change = { "gauge.every" = "10 s" }'),
}


@dataclass(frozen=True)
class Planted:
    """A planted case: the log, the true figures (SI) and the true combination."""

    log: BenchLog
    truth: dict[str, float]
    combination: tuple[int, ...]


def plant(
    folder: Path, number: int, seed: int, *, figures: tuple[int, int] = (3, 5),
    questions: tuple[int, int] = (2, 3),
) -> Planted:
    """Case `number` of a seed, with its files in `folder`; so many figures and questions."""
    rng = random.Random(f"{number}/{seed}")
    folder.mkdir(parents=True, exist_ok=True)
    write_lantern(folder, resistance="200 mΩ", asleep="8 uA", awake="1 mA", leakage="10 uA")
    keys = rng.sample(list(UNKNOWNS), rng.randint(*figures))
    asked = rng.sample(list(QUESTIONS), rng.randint(*questions))
    combination = tuple(rng.randint(0, 1) for _ in asked)
    truth = {}
    head = 'gadget = "gadget.toml"\n[unknown]\n'
    for key in keys:
        low, high, unit, size = UNKNOWNS[key]
        truth[key] = rng.uniform(low, high) * size
        head += f'"{key}" = "{low:g} {unit} .. {high:g} {unit}"\n'
    for name in asked:
        head += f'[[questions]]\nname = "{name}"\n'
        for n, text in enumerate(QUESTIONS[name]):
            head += f'[[questions.answers]]\nname = "{n}"\n{text}\n'
    dummy = '[[observations]]\nname = "x"\nmode = "lamp.lit"\nreading = "1 mA .. 2 A"\n'
    path = folder / "log.toml"
    path.write_text(head + dummy, encoding="utf-8")
    gadget = load_bench_log(path).gadgets[combination]
    true = with_values(gadget, true_figures(gadget, truth))
    bench = _Seen(Prepared(true, reference_v=truth.get("controller.reference")), rng)
    kinds = ["drawer", "lit", "charge", "meter lit", "meter dark", "off", "lit low"]
    rng.shuffle(kinds)
    seen: list[str] = []
    for kind in kinds:
        text = bench.of(kind)
        if text is not None and len(seen) < 5:
            seen.append(text)
    path.write_text(head + "\n".join(seen), encoding="utf-8")
    return Planted(load_bench_log(path), truth, combination)


def true_figures(gadget: Gadget, truth: dict[str, float]) -> dict[str, float]:
    """The true figures by key, with the clock's factor in the controller's times."""
    found = {k: v for k, v in truth.items() if k not in (CLOCK, "controller.reference")}
    factor = truth.get(CLOCK, 1.0)
    for key, one in quantities(gadget).items():
        if isinstance(one, Timing) and key.startswith(("buttons.", "gauge.", "behaviour.")):
            found[key] = round(one.ns * factor)
    return found


class _Seen:
    """What a true gadget shows at the bench, as entries of a log."""

    def __init__(self, prepared: Prepared, rng: random.Random) -> None:
        self.prepared, self.rng = prepared, rng
        self.gadget = prepared.gadget

    def _run(self, charge: float, lasts_s: float, *steps: Step) -> Run:
        scenario = Scenario(charge=charge, lasts_ns=round(lasts_s * _S), steps=steps)
        return simulate(self.gadget, scenario, prepared=self.prepared)

    def of(self, kind: str) -> str | None:
        """The entry; None where nothing is to be seen."""
        head = f'[[observations]]\nname = "{kind}"\n'
        if kind == "drawer":
            days = self.rng.randint(60, 200)
            bars = self._run(1.0, days * _DAY).intervals[-1].bars
            return head + (f'start = "full"\nsteps = [{{ wait = "{days} days" }}, '
                           f'{{ see = "gauge == {bars}" }}]\n')
        if kind in ("lit", "lit low"):
            bars = 2 if kind == "lit" else 1
            run = self._run(0.9, 40 * 3600, Press(at_ns=_S, button="key", for_ns=150_000_000))
            when = next((one.start_ns for one in run.intervals
                         if one.bars == bars and one.start_ns > 2 * _S), None)
            lit = next((one.start_ns for one in run.intervals
                        if one.bars == bars + 1 and one.start_ns > 2 * _S), None)
            if when is None or lit is None or lit > when:
                return None
            return head + self._took((when - _S) / _S, f"gauge == {bars}", "90 %",
                                     '{ press = "key" }')
        if kind == "off":
            run = self._run(0.9, 2 * 3600, Press(at_ns=_S, button="key", for_ns=150_000_000))
            where = run.regions.index("lamp")
            when = next((one.start_ns for one in run.intervals
                         if one.start_ns > 60 * _S and one.states[where] == "dark"), None)
            if when is None:
                return head + ('start = "90 %"\nsteps = [{ press = "key" }, { wait = "70 min" }, '
                               '{ see = "lamp.lit" }]\n')
            return head + self._took((when - _S) / _S, "lamp.dark", "90 %", '{ press = "key" }',
                                     share=0.01)
        if kind == "charge":
            run = self._run(0.1, 40 * 3600, Usb(at_ns=_S, present=True))
            when = next((e.time_ns for e in run.events if e.name == "charge.completed"), None)
            if when is None:
                return None
            return head + self._took((when - _S) / _S, "charge.complete", "10 %",
                                     "{ usb = true }")
        state = "lit" if kind == "meter lit" else "dark"
        charge = self.rng.uniform(0.7, 0.9)
        found = mean_current(self.prepared, [("lamp", state)], charge=charge)
        assert found.current_a is not None
        near = 0.02 * found.current_a
        shown = (found.current_a + self.rng.uniform(-0.9, 0.9) * near) * 1e6
        return head + (f'mode = "lamp.{state}"\ncharge = "70 % .. 90 %"\n'
                       f'reading = "{shown:.6f} uA ± {near * 1e6:.6f} uA"\n')

    def _took(self, seconds: float, what: str, start: str, first: str,
              share: float = 0.05) -> str:
        near = share * seconds
        shown = seconds + self.rng.uniform(-0.9, 0.9) * near
        return (f'start = "{start}"\nsteps = [{first}, {{ until = "{what}", '
                f'took = "{shown:.3f} s ± {near:.3f} s" }}]\n')


def faults(case: Planted, *, runs: int = 4000, seed: int = 0) -> tuple[list[str], Narrowed]:
    """What a narrowing of the case has wrong: a truth excluded, or outside of an interval."""
    found = narrow(case.log, runs=runs, seed=seed, brief=True)
    rival = next(one for one in found.rivals if one.combination == case.combination)
    wrong = []
    if rival.state == "excluded":
        wrong.append(f"the truth is excluded by {rival.contradictions}")
    for part in rival.intervals:
        true = case.truth[part.key]
        if not part.low * (1 - 1e-9) <= true <= part.high * (1 + 1e-9):
            wrong.append(f"{part.key}: {true:.6g} outside {part.low:.6g} .. {part.high:.6g}, "
                         f"reached {part.low_reached:.6g} .. {part.high_reached:.6g}")
    return wrong, found
