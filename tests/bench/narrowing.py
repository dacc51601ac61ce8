"""How long a bench log takes: `python -m tests.bench.narrowing [JOBS]`. Processor time and runs.

The larder lamp as somebody might have it on the bench: five figures of which ranges are known and
one of its file, three questions with two answers each, eight observations of the lamp as its file
says, with noise inside their tolerance; the answers that hold are the first ones. Nothing here is
asserted; `tests/benchlog` holds that the truth is in what is left.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
from pathlib import Path

from simfw.benchlog.narrowing import narrow
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.engine.simulator import simulate
from simfw.gadget.quantities import quantities
from simfw.loading import load_bench_log, load_gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb

LAMP = Path(__file__).parents[2] / "scenarios" / "larder-lamp" / "gadget.toml"

_HEAD = """title = "A larder lamp of which little is known"
gadget = "{gadget}"
kit = ["eyes", "stopwatch", "multimeter"]

[unknown]
"cell.capacity" = "500 mAh .. 900 mAh"
"controller.asleep" = "2 uA .. 40 uA"
"lights.shelf.resistor" = "15R .. 33R"
"charger.program" = "2k2 .. 4k7"
"cell.resistance" = "100 mΩ .. 400 mΩ"

[[questions]]
name = "half"
asks = "How bright is the middle level?"
answers = [
  {{ name = "45 %" }},
  {{ name = "60 %", change = {{ "behaviour.lamp.states.\\"lit.half\\".shelf" = "60 %" }} }},
]

[[questions]]
name = "finish"
asks = "At what share of its current does the charger call it a day?"
answers = [
  {{ name = "a tenth" }},
  {{ name = "a quarter", change = {{ "charger.finish" = "25 %" }} }},
]

[[questions]]
name = "sampling"
asks = "How often is the gauge read?"
answers = [
  {{ name = "every second" }},
  {{ name = "every ten seconds", change = {{ "gauge.every" = "10 s" }} }},
]
"""
_S = 10**9
_PRESS = Press(at_ns=_S, button="power", for_ns=150_000_000)


def write_log(folder: Path, seed: int = 0) -> Path:
    """Write the log as exact runs of the lamp tell it, with noise of up to 0.8 tolerances."""
    rng = random.Random(seed)
    prepared = Prepared(load_gadget(LAMP))
    entries = [_HEAD.format(gadget=LAMP)]

    def add(name: str, text: str) -> None:
        entries.append(f'[[observations]]\nname = "{name}"\n{text}\n')

    def about(true: float, near: float) -> float:
        return true + rng.uniform(-0.8, 0.8) * near

    def lasted(name: str, first: str, what: str, charge: float, lasts_s: float, near_s: float,
               step: Step) -> None:
        run = simulate(prepared.gadget, Scenario(
            charge=charge, lasts_ns=round(lasts_s * _S), steps=(step,)), prepared=prepared)
        if what.startswith("gauge == "):
            bars = int(what.removeprefix("gauge == "))
            when = next(one.start_ns for one in run.intervals
                        if one.start_ns > 2 * _S and one.bars == bars)
        else:
            when = next(one.time_ns for one in run.events if one.name == "charge.completed")
        took_s = about((when - _S) / _S, near_s)
        add(name, f'start = "{100 * charge:g} %"\nsteps = [{first}, {{ until = "{what}", '
                  f'took = "{took_s:.1f} s ± {near_s:g} s" }}]')

    for state, share in (("lit.full", 0.02), ("lit.half", 0.02), ("dark", 0.03), ("locked", 0.04)):
        amps = mean_current(prepared, [("lamp", state)], charge=0.8).current_a
        assert amps is not None
        add(f"meter, {state}", f'mode = "lamp.{state}"\ncharge = "75 % .. 85 %"\n'
            f'reading = "{about(1e6 * amps, 1e6 * amps * share):.2f} uA '
            f'± {1e6 * amps * share:.2f} uA"')
    lasted("charge", "{ usb = true }", "charge.complete", 0.1, 6 * 3600, 240, Usb(
        at_ns=_S, present=True))
    lasted("a bar out", '{ press = "power" }', "gauge == 4", 0.9, 2640, 30, _PRESS)
    lasted("low bar out", '{ press = "power" }', "gauge == 2", 0.2, 2640, 30, _PRESS)
    days = 45
    run = simulate(prepared.gadget, Scenario(charge=0.9, lasts_ns=days * 86_400 * _S),
                   prepared=prepared)
    add("drawer", f'start = "90 %"\nsteps = [{{ wait = "{days} days" }}, '
        f'{{ see = "gauge == {run.intervals[-1].bars}" }}]')
    path = folder / "bench.toml"
    path.write_text("\n".join(entries), encoding="utf-8")
    return path


def _spent_s(before: os.times_result) -> float:
    """Processor time of this process and of those that it has waited for, since `before` (s)."""
    return sum(os.times()[:4]) - sum(before[:4])


def main() -> int:
    """Narrow it and tell what that took."""
    jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    with tempfile.TemporaryDirectory() as folder:
        log = load_bench_log(write_log(Path(folder)))
    before, begun = os.times(), time.perf_counter()

    def told(done: int, count: int) -> None:
        # With more processes only what those that have ended took is known.
        print(f"{done} of {count} combinations after {_spent_s(before):.1f} s of processor time",
              file=sys.stderr, flush=True)

    found = narrow(log, jobs=jobs, progress=told)
    spent_s = _spent_s(before)
    for one in found.rivals:
        print(f"{', '.join(one.answers.values()):36} {one.state:9} {one.runs:6} runs")
    truth = quantities(load_gadget(LAMP))
    for part in found.intervals:
        print(f"{part.key:24} {part.low:.6g} .. {part.high:.6g}, truth {truth[part.key].value:.6g}")
    print(f"{found.runs} runs, {spent_s:.1f} s of processor time, "
          f"{time.perf_counter() - begun:.1f} s on {jobs} processes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
