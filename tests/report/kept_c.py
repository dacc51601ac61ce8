"""C against the model where a supply is lost: random gadgets that keep something, or let go of it.

A gadget is held against two courses: its own scenario as a run has it, and random acts at a
standing charge, among them losses of the supply, before which what is kept is settled.
"""

from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from simfw.conform.driving import gaps_of, inputs_of
from simfw.conform.firmware import Drive, Firmware, _acts
from simfw.engine.prepared import Prepared
from simfw.errors import EndlessInstant
from simfw.loading import load_scenario
from simfw.stimuli.scenario import Scenario
from simfw.vectors.build import Rehearsal, acts_of, replay_scenario
from simfw.vectors.sketch import Act
from tests.reference_sim.generator import case
from tests.reference_sim.writing import write_case
from tests.report.generated_c import compile_harness, write_harness

MS = 1_000_000


@dataclass
class Counts:
    """What a comparison went through; `refused` are courses that no firmware can be told."""

    gadgets: int = 0
    keeping: int = 0
    letting_go: int = 0
    runs: int = 0
    courses: int = 0
    refused: int = 0
    lost: int = 0
    back: int = 0
    reports: int = 0

    def of(self, drive: Drive) -> None:
        """Count a course."""
        ends = [one.lines[-1].split(" ")[0] for one in drive.replay.exchanges]
        self.lost += ends.count("off") - 1
        self.back += ends.count("power") - 1
        self.reports += len(drive.replay.reports)


def features(seed: int) -> tuple[bool, bool]:
    """Whether the gadget of a seed keeps something without supply, and whether it lets go of it."""
    gadget = case(seed).gadget
    parts = [*gadget["behaviour"].values(), *gadget.get("dials", {}).values()]
    return (any(part.get("kept") for part in parts),
            any(levels.get("controller") == "unpowered" for part in gadget["behaviour"].values()
                for levels in part["states"].values()))  # fmt: skip


def drawn(seed: int, folder: Path) -> Scenario:
    """The random gadget of a seed with its scenario, by way of their files."""
    return load_scenario(write_case(case(seed), folder))


def beside_run(model: Rehearsal, scenario: Scenario) -> Drive | None:
    """A scenario as its run has it; None where the run has no end or cannot be told."""
    with suppress(EndlessInstant):
        played = replay_scenario(model, scenario)
        if played is not None:
            return Drive("scenario", scenario.charge, acts_of(scenario, model.prepared.gadget),
                         scenario.lasts_ns, played)  # fmt: skip
    return None


def at_random(model: Rehearsal, chance: random.Random, *, cuts: int = 0) -> Drive | None:
    """A random course at a standing charge, the supply taken away so many times; None where an
    instant of it has no end or cannot be told.
    """
    made = model.prepared.gadget
    inputs, gaps = inputs_of(made, model.circuit), gaps_of(made)
    acts = _acts(inputs, [(chance.choice([*gaps, chance.randint(1, 400)]),
                           chance.randrange(len(inputs))) for _ in range(12)])  # fmt: skip
    ends = acts[-1].at_ns + 1500 * MS
    for number in range(cuts):  # each in its own part of the course, some at the time of an act
        begins = ends * number // cuts
        away = [act.at_ns for act in acts if begins < act.at_ns < begins + ends // cuts // 2]
        at = chance.choice([*away, begins + chance.randrange(1, ends // cuts // 2)])
        back = at + chance.randrange(1, ends // cuts // 3)
        acts = (*acts, Act(at, "supply", "supply", 0.0), Act(back, "supply", "supply", 1.0))
    acts = tuple(sorted(acts, key=lambda act: act.at_ns))
    played = model.played(0.5, acts, ends, whole=True)
    return None if played is None else Drive("random", 0.5, acts, ends, played)


def courses(seed: int, model: Rehearsal, scenario: Scenario, lists: int) -> Iterator[Drive | None]:
    """The scenario beside its run, and random courses, every second one with losses of supply."""
    yield beside_run(model, scenario)
    chance = random.Random(f"{seed} courses")
    for number in range(lists):
        yield at_random(model, chance, cuts=2 * (number % 2))


def compare_seed(seed: int, folder: Path, lists: int, compiler: str, *flags: str,
                 counts: Counts) -> str | None:  # fmt: skip
    """The first difference of the gadget of a seed, in words; what was gone through is counted."""
    scenario = drawn(seed, folder)
    made = scenario.gadget
    model = Rehearsal(Prepared(made))
    write_harness(folder, made, model.system)
    try:
        firmware = Firmware(compile_harness(folder, compiler, *flags))
    except subprocess.CalledProcessError as error:
        return str(error.stderr)
    keeps, lets_go = features(seed)
    counts.gadgets += 1
    counts.keeping += keeps
    counts.letting_go += lets_go
    for drive in courses(seed, model, scenario, lists):
        if drive is None:
            counts.refused += 1
            continue
        counts.of(drive)
        counts.runs += drive.name == "scenario"
        counts.courses += 1
        found = firmware.differs(drive)
        if found is not None:
            return str(found)
    return None
