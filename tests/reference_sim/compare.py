"""One case through both simulators, and what they do not agree on.

Tolerances. Times of the firmware are whole nanoseconds and must be equal, until the first crossing
of the circuit (protection, charger): from then on times may hang on the charge, which `simfw` keeps
within one millionth (`docs/explanation/engine.md`), so 3e-6 of the time passed, and at least 2 us,
is allowed; 30 us where a charger went on at charge 1, since the current of its last millionth goes
to zero there (the same page). Levels: 1e-9 of full, since a product of shares has its own rounding
on either side. Charges: 3e-6 of all that flowed, the charger's output included. A
case in which a reading comes closer to a limit than 2e-6 is not judged: either side is right.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import simfw
from tests.reference_sim.generator import KNOWN, Case
from tests.reference_sim.passing import TooLong
from tests.reference_sim.reading import file
from tests.reference_sim.regions import INTERNAL, regions_of
from tests.reference_sim.simulator import EndlessInstant, Result, Simulator
from tests.reference_sim.writing import gadget_toml, scenario_toml, write_case

SHARE = 3e-6
TIME_SHARE = 3e-6
TIME_LEAST_NS = 2_000
LEVEL = 1e-9
FULL_LEAST_NS = 30_000


@dataclass
class Verdict:
    """What came of a case."""

    differences: list[str] = field(default_factory=list)
    close: tuple[str, ...] = ()  # readings that either side may see on its own side of a limit
    refused: str | None = None
    endless: bool = False
    too_long: bool = False  # for the second simulator: not judged
    known: set[str] = field(default_factory=set)

    @property
    def outcome(self) -> str:
        """One word."""
        if self.refused:
            return "refused"
        if self.known:
            return "known"
        if self.too_long:
            return "too long to judge"
        if self.close:
            return "too close to call"
        return "different" if self.differences else "the same"


def events_of(gadget: dict[str, Any]) -> set[str]:
    """Names of all events that a rule may name."""
    return {
        event
        for region in regions_of(gadget)
        for row in region.rows
        for event in row.emit
        if not event.endswith(INTERNAL)
    }


def reference(case: Case) -> Result:
    """The reference simulator, from the texts of the files."""
    gadget = file(gadget_toml(case.gadget))
    scenario = file(scenario_toml(case.scenario))
    events = events_of(gadget)
    for rule in gadget.get("rules", []):
        rule["_events"] = sorted(events)
    curve = [(float(s), float(v)) for s, v in case.curve]
    return Simulator(gadget, scenario, curve).run()


def run(
    case: Case, folds: tuple[bool, ...] = (False, True), judge_known: bool = False
) -> Verdict:
    """Both simulators on one case; `judge_known` also where a known difference was passed."""
    verdict = Verdict()
    folder = Path(tempfile.mkdtemp())
    try:
        path = write_case(case, folder)
        try:
            scenario = simfw.load_scenario(path)
        except simfw.DescriptionError as error:
            verdict.refused = str(error)
            return verdict
    finally:
        shutil.rmtree(folder)
    try:
        mine: Result | None = reference(case)
    except EndlessInstant as endless:
        mine = None
        verdict.known = set() if judge_known else endless.args[0] & KNOWN
    except TooLong:
        verdict.too_long = True
        return verdict
    for fold in folds:
        how = "folded" if fold else "unfolded"
        try:
            theirs = simfw.simulate(scenario.gadget, scenario, fold=fold)
        except simfw.RunError as error:
            if mine is not None:
                verdict.differences.append(f"{how}: simfw stops: {error}")
            continue
        if mine is None:
            verdict.endless = True
            verdict.differences.append(f"{how}: simfw does not find the endless instant")
            continue
        found = differences(case, mine, theirs, fold)
        verdict.differences += [f"{how}: {text}" for text in found]
    if mine is not None and not judge_known:
        verdict.known = mine.known & KNOWN
    if mine is not None and (verdict.known or mine.close):
        verdict.close = tuple(mine.close)
        verdict.differences = []
    return verdict


def differences(
    case: Case, mine: Result, theirs: Any, fold: bool
) -> list[str]:
    """All disagreements, in words; the first of each kind."""
    found: list[str] = []
    share, time_share = SHARE, TIME_SHARE
    least_ns = FULL_LEAST_NS if mine.full else TIME_LEAST_NS

    def near(time: int, other: int) -> bool:
        if mine.crossed_ns is None or time < mine.crossed_ns - least_ns:
            return time == other
        return abs(time - other) <= max(least_ns, time_share * time)

    events = [(e.time_ns, e.name) for e in theirs.events]
    for k in range(max(len(events), len(mine.events))):
        a = mine.events[k] if k < len(mine.events) else None
        b = events[k] if k < len(events) else None
        if a is None or b is None or a[1] != b[1] or not near(a[0], b[0]):
            found.append(f"event {k}: expected {a}, simfw has {b}")
            break
    # `simfw` keeps within a share of all that flows, the charger's current included.
    used = sum(mine.consumers.values()) + mine.charger_c

    def same(a: float, b: float) -> bool:
        last = 2e-6 * theirs.capacity_c if mine.full else 0.0  # the last millionth, twice
        return abs(a - b) <= share * max(abs(a), abs(b), used, 1e-15) + last

    given = {c.name: c.charge_c for c in theirs.consumers}
    for name in sorted({*given, *mine.consumers}):
        a, b = mine.consumers.get(name, 0.0), given.get(name, 0.0)
        if not same(a, b):
            found.append(f"charge of {name}: expected {a!r} C, simfw has {b!r} C")
    for use in theirs.fed:
        a, b = mine.fed_c.get(use.name, 0.0), use.charge_c
        if not same(a, b):
            found.append(f"charge of {use.name}, fed beside the cell: expected {a!r} C, "
                         f"simfw has {b!r} C")
    if not same(mine.charger_c, theirs.charger_charge_c):
        found.append(f"charger: expected {mine.charger_c!r} C, simfw {theirs.charger_charge_c!r} C")
    if abs(mine.end_charge - theirs.end_charge) > share:
        found.append(f"end charge: expected {mine.end_charge!r}, simfw {theirs.end_charge!r}")
    if abs(mine.end_volt - theirs.end_voltage_v) > 7.0 * share:
        found.append(f"end voltage: expected {mine.end_volt!r}, simfw {theirs.end_voltage_v!r}")
    a, b = mine.empty_ns, theirs.empty_at_ns
    if (a is None) != (b is None) or (a is not None and not near(a, b)):
        found.append(f"protection first opens: expected {a}, simfw has {b}")
    times = {(s.region, s.state): s.time_ns for s in theirs.states}
    draws = {(s.region, s.state): s.charge_c for s in theirs.states}
    for key in sorted({*times, *mine.state_ns}):
        if not near(mine.state_ns.get(key, 0), times.get(key, 0)) and not (
            mine.crossed_ns is not None
            and abs(mine.state_ns.get(key, 0) - times.get(key, 0))
            <= least_ns + time_share * theirs.duration_ns
        ):
            found.append(
                f"time in {key}: expected {mine.state_ns.get(key, 0)}, simfw {times.get(key, 0)}"
            )
            break
        if not same(mine.state_c.get(key, 0.0), draws.get(key, 0.0)):
            found.append(
                f"draw in {key}: expected {mine.state_c.get(key, 0.0)!r}, "
                f"simfw {draws.get(key, 0.0)!r}"
            )
            break
    for (name, held, at), rule, text in zip(
        mine.rules, theirs.rules, case.gadget.get("rules", []), strict=True
    ):
        hangs = "cell." in str(text)  # on a crossing of its own
        slack = max(least_ns, time_share * (at or 0)) if hangs else 0
        missed = at is not None and not (
            rule.time_ns is not None
            and (near(at, rule.time_ns) or abs(at - rule.time_ns) <= slack)
        )
        if held != rule.held or missed:
            what = "held" if held else f"broken at {at}"
            found.append(f"{name}: expected {what}, simfw {rule.held} {rule.time_ns} {rule.why}")
    expectations = sorted((e.time_ns, e.expression, e.met) for e in theirs.expectations)
    for (at, text, met), expected in zip(sorted(mine.expectations), expectations, strict=True):
        if (at, text, met) != expected:
            found.append(f"expect {text} at {at}: should be {met}, simfw {expected}")
    if not fold:
        found += stretches(mine, theirs, near)
    return found


def stretches(mine: Result, theirs: Any, near: Any) -> list[str]:
    """States, levels and bars over time, stretch by stretch (equal neighbours joined)."""

    def alike(a: Any, b: Any) -> bool:
        return (a[0], a[2]) == (b[0], b[2]) and all(
            abs(x - y) <= LEVEL for x, y in zip(a[1], b[1], strict=True)
        )

    def joined(parts: list[tuple[int, int, Any]]) -> list[tuple[int, int, Any]]:
        found: list[tuple[int, int, Any]] = []
        for begin, end, what in parts:
            if begin == end:
                continue
            if found and alike(found[-1][2], what):
                found[-1] = (found[-1][0], end, what)
            else:
                found.append((begin, end, what))
        return found

    gauge = "gauge" in theirs.regions
    mine_parts = joined(
        [
            (begin, end, (states, tuple(levels[n] for n in theirs.outputs),
                          bars if gauge else None))
            for begin, end, states, levels, bars, _ in mine.stretches
        ]
    )
    their_parts = joined(
        [
            (i.start_ns, i.end_ns, (tuple(i.states), tuple(i.levels), i.bars))
            for i in theirs.intervals
        ]
    )
    for k in range(max(len(mine_parts), len(their_parts))):
        a = mine_parts[k] if k < len(mine_parts) else None
        b = their_parts[k] if k < len(their_parts) else None
        if a is None or b is None or not (
            alike(a[2], b[2]) and near(a[0], b[0]) and near(a[1], b[1])
        ):
            both = a is not None and b is not None and mine.crossed_ns is not None
            if both and min(a[1] - a[0], b[1] - b[0]) < 3 * TIME_LEAST_NS:
                return []  # two crossings that may change places
            return [f"stretch {k}: expected {a}, simfw has {b}"]
    return []
