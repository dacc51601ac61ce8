"""How fast the search is, and how it grows: `python -m tests.bench.search`. Processor time.

Peer in the same run: the independent search of the tests, which tries every nanosecond. Nothing
here is asserted.
"""

from __future__ import annotations

import time
from pathlib import Path

from simfw.behaviour.build import build_system
from simfw.behaviour.region import Region, Row, State, System
from simfw.behaviour.rules import build_rules
from simfw.circuit.circuit import Circuit
from simfw.loading import load_gadget
from simfw.verify.abstraction import Electrics, reduce_system
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.decide import monitor_of
from simfw.verify.detail import BANDED, LADDER
from simfw.verify.explore import Explored, explore
from simfw.verify.machine import Act, Machine
from simfw.verify.whole import search_whole
from tests.verify.brute import GRID, Brute
from tests.verify.gadgets import many, together

DEMOS = Path(__file__).parents[2] / "scenarios"
LIMIT_S = 6.0


def timed(machine: Machine, starts: tuple[object, ...], **options: bool) -> tuple[Explored, float]:
    """A search of at most LIMIT_S seconds of processor time, and how much it took."""
    begun = time.process_time()
    found = explore(machine, starts, until_broken=False,  # type: ignore[arg-type]
                    budget=Budget(1 << 60, clock=time.process_time, seconds=LIMIT_S), **options)
    return found, time.process_time() - begun


def blinkers(count: int) -> list[Region]:
    """Regions that wake on a knob of their own and fall asleep after dwells of their own."""
    regions = []
    for k in range(count):
        rows = (
            Row(key=f"r{k}.0", sources=("off",), to="on", on=f"knob{k}.edge"),
            Row(key=f"r{k}.1", sources=("on",), to="fade", after_ns=GRID * (k + 1)),
            Row(key=f"r{k}.2", sources=("fade",), to="off", after_ns=GRID),
        )
        regions.append(Region(name=f"r{k}", group="behaviour", starts="off", rows=rows,
                              states=(State(name="off"), State(name="on"), State(name="fade"))))
    return regions


def sets() -> None:
    """Lamps that do not meet, as `check` searches them, and all of them in one search."""
    print("lamps  states  combinations  sets   time       in one search")
    for count in range(1, 11):
        system = build_system(many(count))
        begun = time.process_time()
        found = search_whole(system)
        took = time.process_time() - begun
        begun = time.process_time()
        peer = together(system, 5_000)
        spent = time.process_time() - begun
        print(f"{count:5d} {found.states:7d} {found.combinations:13d} {len(found.parts):5d} "
              f"{took:8.3f} s   {peer.states} states, {spent:.2f} s"
              f"{'' if peer.finished else ' (stopped)'}")


def growth() -> None:
    """States and time against the number of independent regions in one search, dwells exact."""
    print("\nregions  states  combinations   time     states/s   every-ns search")
    for count in range(1, 7):
        regions = blinkers(count)
        acts = tuple(Act(f"knob{k}", f"knob{k}", (), f"knob{k}.edge") for k in range(count))
        machine = Machine(regions, acts=acts)
        found, took = timed(machine, tuple(machine.starts(())), apart=True)
        peer = ""
        if count <= 3:
            system = System(regions=tuple(regions), raw_events=tuple(a.event for a in acts))
            begun = time.process_time()
            seen = Brute(system, acts, (), (), together=1).search(limit=20_000)
            spent = time.process_time() - begun
            peer = (f"{seen.nodes} states, {spent:.2f} s, {spent / took:.0f} x the time"
                    if seen else f"more than 20000 states, {spent:.1f} s")
        print(f"{count:7d} {found.states:7d} {found.combinations:13d} {took:7.2f} s "
              f"{found.states / took:9.0f}{'' if found.finished else ' (stopped)'}   {peer}")


def demos() -> None:
    """Every demo gadget, all written regions in one search, at each detail."""
    print("\ngadget         detail     coincidences  states  combinations   time     states/s")
    for path in sorted(DEMOS.glob("*/gadget.toml")):
        gadget = load_gadget(path)
        system = build_system(gadget)
        keep = [region.name for region in system.regions if region.group == "behaviour"]
        for detail in LADDER:
            if detail.share:
                continue
            for apart in (True, False):
                reduced = reduce_system(system, [], detail, keep=keep)
                found, took = timed(reduced.machine, reduced.starts, apart=apart)
                print(f"{path.parent.name:<14} {detail.name:<10} {'no' if apart else 'yes':<12} "
                      f"{found.states:7d} {found.combinations:13d} {took:7.2f} s "
                      f"{found.states / took:9.0f}{'' if found.finished else ' (stopped)'}")


def voltages() -> None:
    """The rules of the demo gadgets that read the cell's voltage, with its charge in bands."""
    print("\ngadget         bands  states  combinations   time     states/s  rule")
    for path in sorted(DEMOS.glob("*/gadget.toml")):
        gadget = load_gadget(path)
        system, circuit = build_system(gadget), Circuit(gadget)
        for rule in build_rules(gadget, system):
            if "cell.voltage" not in rule.statement_text:
                continue
            reduced = reduce_system(system, [monitor_of(rule)], BANDED[0],
                                    electrics=Electrics(gadget, circuit))
            found, took = timed(reduced.machine, reduced.starts, apart=True)
            assert reduced.machine.cell is not None
            bands = len(reduced.machine.cell.bands.least_ns)
            print(f"{path.parent.name:<14} {bands:5d} {found.states:7d} {found.combinations:13d} "
                  f"{took:7.2f} s {found.states / took:9.0f}"
                  f"{'' if found.finished else ' (stopped)'}  {rule.name}")


def checks() -> None:
    """The whole check of each demo gadget."""
    print("\ngadget         time      reached  rules: proved, broken, open")
    for path in sorted(DEMOS.glob("*/gadget.toml")):
        gadget = load_gadget(path)
        begun = time.process_time()
        report = check_gadget(gadget)
        took = time.process_time() - begun
        standings = [verdict.standing for verdict in report.verdicts]
        proved = sum(one in ("proved", "coincidence") for one in standings)
        broken = standings.count("broken")
        print(f"{path.parent.name:<14} {took:6.1f} s {report.reached:8d}"
              f"{' all' if report.reached_all else ' ...'}  {proved}, {broken}, "
              f"{len(standings) - proved - broken}")


if __name__ == "__main__":
    sets()
    growth()
    demos()
    voltages()
    checks()
