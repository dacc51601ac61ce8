"""Ratios of the engine against peers, all measured in one run (CPU time of this process).

    python -m tests.bench.engine

Four comparisons: the charge clock with an ODE solver, a folded standby year with the same year
event by event (a shorter stretch is measured and extrapolated), a year of use, and events per
second with SimPy working off the same list.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

import numpy as np
import simpy
from scipy.integrate import solve_ivp

from simfw.behaviour.build import build_system
from simfw.behaviour.table import Stepper
from simfw.circuit.circuit import LoadSet
from simfw.engine.simulator import Prepared, simulate
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from tests.behaviour.bench import World
from tests.engine.bench import DAY, LARDER_LAMP, MS, S, gadget_of

MINUTE = 60 * S


def timed(work: Callable[[], object]) -> float:
    """CPU seconds of one call."""
    start = time.process_time()
    work()
    return time.process_time() - start


def row(what: str, *parts: str) -> None:
    """One line of the result."""
    print(f"{what:<44} " + "   ".join(parts))


def charge_clock(prepared: Prepared) -> None:
    """Time per interval of the charge clock and of solve_ivp on the same loads."""
    loads = LoadSet(controller="awake", drives=(("shelf", 1.0, -1),))
    circuit = prepared.circuit
    simulate(prepared.gadget, standby(1), prepared=prepared)
    from simfw.engine.clocks import tabulate

    clock = tabulate(lambda s: circuit.solve(loads, s), circuit.charge_nodes, circuit.capacity_c)
    rng = np.random.default_rng(1)
    cases = [(float(s), float(t)) for s, t in rng.uniform((0.3, 1.0), (0.95, 900.0), (2000, 2))]

    def rate(_: float, s: Any) -> list[float]:
        solution = circuit.solve(loads, s[:1])
        return [-float(solution.consumers_a.sum() - solution.charger_a[0]) / circuit.capacity_c]

    ours = timed(lambda: [clock.advance(s, t) for s, t in cases]) / len(cases)
    few = cases[:40]
    solver = timed(lambda: [solve_ivp(rate, (0, t), [s], rtol=1e-7) for s, t in few]) / len(few)
    row("charge clock, one interval", f"{ours * 1e6:.1f} us", f"solve_ivp {solver * 1e6:.0f} us",
        f"ratio {solver / ours:.0f} (goal 100)")  # fmt: skip


def standby(days: float, *steps: Step) -> Scenario:
    """Nothing, or some steps, over some days."""
    return Scenario(
        title="bench", gadget_path=Path(), charge=1.0, lasts_ns=int(days * DAY), steps=steps
    )


def standby_year(prepared: Prepared) -> None:
    """A year with a look every 125 ms, folded; two minutes event by event, times 262 800."""
    folded = timed(
        lambda: simulate(prepared.gadget, standby(365), prepared=prepared, trace=False)
    )
    short = 2 / 1440
    plain = timed(
        lambda: simulate(
            prepared.gadget, standby(short), prepared=prepared, fold=False, trace=False
        )
    )
    year = plain * 365 / short
    row("a standby year, a look every 125 ms", f"folded {folded:.3f} s",
        f"event by event {year / 3600:.1f} h (extrapolated)",
        f"ratio {year / folded:.0f} (goal 10000)")  # fmt: skip


def used_year(prepared: Prepared) -> None:
    """A year with 12 waves and 8 presses a day at random times, charged for two hours a night."""
    rng = random.Random(1)
    steps: list[Step] = []
    for day in range(365):
        minutes = sorted(rng.sample(range(1440), 20))
        kinds = ["wave"] * 12 + ["press"] * 8
        rng.shuffle(kinds)
        for minute, kind in zip(minutes, kinds, strict=True):
            at = day * DAY + minute * MINUTE + rng.randrange(S)
            if kind == "wave":
                steps.append(Wave(at_ns=at, sensor="wave", distance_m=0.1, for_ns=400 * MS))
            else:
                button = rng.choice(["power", "level"])
                steps.append(Press(at_ns=at, button=button, for_ns=150 * MS))
        steps.append(Usb(at_ns=day * DAY + 120 * MINUTE, present=True))
        steps.append(Usb(at_ns=day * DAY + 240 * MINUTE, present=False))
    cpu = timed(
        lambda: simulate(prepared.gadget, standby(365, *steps), prepared=prepared, trace=False)
    )
    row("a year of 12 waves and 8 presses a day", f"{cpu:.2f} s (goal 1)")


BUTTON = """
[gadget]
name = "Button"
[cell]
curve = "lco"
capacity = "650 mAh"
[buttons.key]
debounce = "20 ms"
hold = "2 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = {}
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
]
"""
PRESSES = 20_000


def simpy_presses() -> None:
    """The button of BUTTON as SimPy processes, with the same timers."""
    env = simpy.Environment()
    lamp = {"lit": False}

    def hold(env: simpy.Environment) -> Generator[Any, Any, None]:
        try:
            yield env.timeout(2 * S)
        except simpy.Interrupt:
            return

    def presses(env: simpy.Environment) -> Generator[Any, Any, None]:
        for _ in range(PRESSES):
            yield env.timeout(400 * MS)
            yield env.timeout(20 * MS)
            timer = env.process(hold(env))
            yield env.timeout(80 * MS)
            yield env.timeout(20 * MS)
            timer.interrupt()
            lamp["lit"] = not lamp["lit"]

    env.process(presses(env))
    env.run()


def table_presses() -> None:
    """The same presses on the compiled table alone, without a circuit."""
    world = World()
    stepper = Stepper(build_system(gadget_of(BUTTON)), world)
    stepper.run_instant(0, (), power_up=True)
    now = 0
    for _ in range(PRESSES):
        for wait, closed in ((400 * MS, True), (100 * MS, False)):
            now += wait
            while (due := stepper.next_due()) < now:
                stepper.run_instant(due, ())
            world.flags["key.closed"] = closed
            stepper.run_instant(now, ("key.edge",))


def events_per_second() -> None:
    """Presses per second: SimPy, the compiled table alone, and whole runs with their ledger."""
    gadget = gadget_of(BUTTON)
    prepared = Prepared(gadget)
    steps = tuple(
        Press(at_ns=(k + 1) * 500 * MS, button="key", for_ns=100 * MS) for k in range(PRESSES)
    )
    scenario = standby(PRESSES * 0.5 / 86_400 + 0.01, *steps)
    peer = timed(simpy_presses)
    table = timed(table_presses)
    whole = timed(lambda: simulate(gadget, scenario, prepared=prepared, trace=False))
    row("20 000 presses of one button", f"SimPy {peer:.2f} s",
        f"table {table:.2f} s, ratio {peer / table:.2f} (goal 1)",
        f"whole run {whole:.2f} s, ratio {peer / whole:.2f}")  # fmt: skip


def main() -> None:
    """Print all four."""
    prepared = Prepared(load_gadget(LARDER_LAMP))
    charge_clock(prepared)
    standby_year(prepared)
    used_year(prepared)
    events_per_second()


if __name__ == "__main__":
    main()
