"""Hand-made runs of the larder lamp: what the reports are tested with, no engine involved."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from simfw.circuit.circuit import LoadSet
from simfw.engine.run import (
    ConsumerUse,
    Expected,
    Guess,
    Interval,
    Occurred,
    RuleVerdict,
    Run,
    StateUse,
)
from simfw.engine.snapshot import Snapshot
from simfw.loading import load_scenario

ROOT = Path(__file__).resolve().parents[2]
MINUTE = 60 * 10**9

REGIONS = ("power.gesture", "wave.look", "charge", "gauge", "lamp", "sensor")
OUTPUTS = ("shelf", "marker", "bars")
CONSUMERS = ("shelf", "marker", "bars", "emitter", "controller", "leakage")

# minutes from, to; lamp state, charge state, bars, levels, mean currents (A), charger (A), volts
STRETCHES = (
    (0, 25, "lit.full", "unplugged", 4, (1.0, 0.0, 0.8),
     (61e-3, 0.0, 14e-3, 9e-5, 3e-5, 3e-6), 0.0, 3.93),
    (25, 65, "lit.half", "unplugged", 4, (0.45, 0.0, 0.8),
     (27e-3, 0.0, 14e-3, 9e-5, 3e-5, 3e-6), 0.0, 3.92),
    (65, 180, "dark", "unplugged", 4, (0.0, 0.0, 0.0),
     (0.0, 0.0, 0.0, 9e-5, 3e-5, 3e-6), 0.0, 3.91),
    (180, 300, "dark", "charging", 5, (0.0, 0.0, 1.0),
     (0.0, 0.0, 18e-3, 9e-5, 3e-5, 3e-6), 0.1, 4.1),
    (300, 360, "dark", "unplugged", 5, (0.0, 0.0, 0.0),
     (0.0, 0.0, 0.0, 9e-5, 3e-5, 3e-6), 0.0, 4.08),
)  # fmt: skip


def made_run(**changes: object) -> Run:
    """An evening of the larder lamp, made by hand; `changes` replace fields of the run."""
    scenario = load_scenario(ROOT / "scenarios/larder-lamp/jam-making.toml")
    gadget = scenario.gadget
    assert gadget is not None
    intervals = []
    charge = 0.8
    for start, end, lamp, plug, bars, levels, amps, charger_a, volts in STRETCHES:
        length_s = (end - start) * 60.0
        after = charge - (sum(amps) - charger_a) * length_s / 2340.0
        drives = tuple(
            (name, level, -1)
            for name, level in sorted(zip(OUTPUTS[:2], levels, strict=False))
            if level
        )
        intervals.append(
            Interval(
                start_ns=start * MINUTE,
                end_ns=end * MINUTE,
                states=("up", "asleep", plug, f"bars.{bars}", lamp, "armed"),
                loads=LoadSet(drives=drives, charger="fast" if charger_a else "off"),
                consumers_a=amps,
                charger_a=charger_a,
                voltage_v=volts,
                start_charge=charge,
                end_charge=after,
                bars=bars,
                levels=levels,
            )
        )
        charge = after
    charges = [
        sum(part.consumers_a[k] * (part.end_ns - part.start_ns) / 1e9 for part in intervals)
        for k in range(len(CONSUMERS))
    ]
    uses: dict[tuple[str, str], list[float]] = {}
    for part in intervals:
        for region, state in zip(REGIONS, part.states, strict=True):
            use = uses.setdefault((region, state), [0, 0.0])
            use[0] += part.end_ns - part.start_ns
            use[1] += sum(part.consumers_a) * (part.end_ns - part.start_ns) / 1e9
    run = Run(
        gadget=gadget,
        scenario=scenario,
        seed=0,
        start_ns=0,
        end_ns=360 * MINUTE,
        regions=REGIONS,
        outputs=OUTPUTS,
        consumers=tuple(
            ConsumerUse(name, charge_c)
            for name, charge_c in zip(CONSUMERS, charges, strict=True)
        ),
        states=tuple(
            StateUse(region, state, int(time_ns), charge_c)
            for (region, state), (time_ns, charge_c) in sorted(uses.items())
        ),
        events=(Occurred(10_126_631_579, "wave.wave"), Occurred(25 * MINUTE, "level.click")),
        intervals=tuple(intervals),
        expectations=(
            Expected(key="steps[1]", time_ns=11 * 10**9, expression="lamp.lit.full", met=True),
            Expected(
                key="steps[3]",
                time_ns=25 * MINUTE + 10**9,
                expression="lamp.lit.half",
                met=False,
                why="lamp is in lit.full",
            ),
        ),
        rules=(
            RuleVerdict(name="no light on a flat cell", held=True),
            RuleVerdict(
                name="a click is answered",
                held=False,
                time_ns=25 * MINUTE,
                why="lamp was in lit.full until 25 min 50 ms",
            ),
        ),
        guesses=(Guess("controller.asleep", "4.5 uA"),),
        charger_charge_c=0.1 * 7200,
        capacity_c=2340.0,
        start_charge=0.8,
        end_charge=charge,
        end_voltage_v=4.08,
        end_open_circuit_v=4.081,
        empty_at_ns=None,
        final=Snapshot(
            time_ns=360 * MINUTE, base=0.8, moved=charge - 0.8, alive=True, regions=(),
            conditions=(), contacts=(), hands=(), usb=False, temperature_c=25.0, charger="off",
            protected=False, pending=(), rules=(),
        ),
    )  # fmt: skip
    return replace(run, **changes)  # type: ignore[arg-type]
