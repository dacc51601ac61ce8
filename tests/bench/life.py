"""What a user of a pattern costs: compiled, as the loop stands, and event by event.

    python -m tests.bench.life [USERS]

CPU seconds of this process and its children, all in one run: lives of the larder lamp's household
(a year each, with parts of their own), what preparing a set of parts takes, and one user's stimuli
through `simulate`. Then the most memory of studies of N and 4 N users.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from simfw.compiling import can_compile
from simfw.engine.corners import changed
from simfw.engine.simulator import Prepared, simulate
from simfw.life import registers as k
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.user import Life
from simfw.life.work import Group, groups
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern
from tests.life.beside_run import as_scenario

HOUSEHOLD = Path(__file__).parents[2] / "scenarios/larder-lamp/household.toml"
USERS = 64
PLAIN_USERS = 2
SIMULATED_DAYS = 20

STUDY = """
import resource, sys
from pathlib import Path
from simfw.life.life import life
from simfw.loading import load_pattern
pattern = load_pattern(Path(sys.argv[1]))
life(pattern, users=int(sys.argv[2]), study=False, fast=True)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def prepared(pattern: Pattern, store: Store, group: Group) -> PartTables:
    """The tables of a group's parts."""
    assert pattern.gadget is not None
    gadget, reference_v = changed(pattern.gadget, dict(group.values))
    return PartTables(store, gadget, reference_v)


def one_by_one(pattern: Pattern, fast: bool, users: int) -> tuple[float, float, float]:
    """CPU seconds: the first user, a set of parts, a year of a user once much has been met (the
    second half of the users).
    """
    assert pattern.gadget is not None
    start = time.process_time()
    store = Store(Layout(pattern, pattern.gadget, warmths(pattern)[0]), fast)
    parts_s: list[float] = []
    life_s: list[float] = []
    first_s = 0.0
    for user, group in zip(range(users + 1), groups(pattern, users + 1, 1), strict=False):
        before = time.process_time()
        parts = prepared(pattern, store, group)
        ready = time.process_time()
        years = Life(pattern, store, parts, 1, user).whole().total_ns / (DAY_NS * YEAR_DAYS)
        if user == 0:
            first_s = time.process_time() - start
        else:
            parts_s.append(ready - before)
            life_s.append((time.process_time() - ready) / years)
    late = users // 2
    return first_s, sum(parts_s[late:]) / (users - late), sum(life_s[late:]) / (users - late)


def simulated(pattern: Pattern) -> tuple[float, float]:
    """CPU seconds of a year in `simulate`, from first days of many users; the charge that the loop
    draws on the same days against that. Days on which two hands overlap are left out: a scenario
    has no words for them.
    """
    assert pattern.gadget is not None
    store = Store(Layout(pattern, pattern.gadget, warmths(pattern)[0]), fast=False)
    parts = PartTables(store, pattern.gadget)
    ready = Prepared(pattern.gadget)
    spent_s = drawn = by_loop = 0.0
    days = user = 0
    while days < SIMULATED_DAYS:
        life = Life(pattern, store, parts, 1, user)
        stimuli, _ = life.stimuli(0, DAY_NS)
        user += 1
        try:
            scenario = as_scenario(life, stimuli, DAY_NS)
        except KeyError:
            continue
        start = time.process_time()
        run = simulate(pattern.gadget, scenario, trace=False, prepared=ready)
        spent_s += time.process_time() - start
        life.go(stimuli, DAY_NS)
        drawn += run.charge_used_c
        by_loop += life.world.f[k.USED]
        days += 1
    return spent_s / days * YEAR_DAYS, by_loop / drawn - 1.0


def memory_mb(users: int) -> float:
    """The most memory (MB) of a study in a process of its own."""
    out = subprocess.run([sys.executable, "-c", STUDY, str(HOUSEHOLD), str(users)],
                         capture_output=True, text=True, check=True)
    return int(out.stdout) / 1024.0


def main() -> None:
    """Measure and print."""
    users = int(sys.argv[1]) if len(sys.argv) > 1 else USERS
    pattern = load_pattern(HOUSEHOLD)
    print("CPU seconds, larder lamp, household pattern (about 60 stimuli a day)")
    print(f"{'':<28}{'user-year':>12}{'parts':>10}{'first user':>12}{'years per s':>13}")
    found: dict[str, float] = {}
    kinds = [("compiled", True, users)] if can_compile() else []
    for name, fast, count in [*kinds, ("as it stands", False, PLAIN_USERS)]:
        first_s, parts_s, year_s = one_by_one(pattern, fast, count)
        found[name] = year_s
        print(f"{name:<28}{year_s:>12.4f}{parts_s:>10.4f}{first_s:>12.2f}{1 / year_s:>13.2f}")
    year_s, off = simulated(pattern)
    found["event by event"] = year_s
    print(f"{'event by event (simulate)':<28}{year_s:>12.4f}{'':>10}{'':>12}{1 / year_s:>13.2f}")
    least = min(found.values())
    print("ratio  " + " : ".join(f"{name} {one / least:.3g}" for name, one in found.items()))
    print(f"charge drawn, loop against simulate: {off:+.1e}")
    if can_compile():
        for count in (users, 4 * users):
            print(f"most memory with {count:>4} users   {memory_mb(count):8.0f} MB")


if __name__ == "__main__":
    main()
