"""What narrowing tells: rivals excluded, contradictions, misreadings, the same bytes each time."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
import time
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from simfw.benchlog.margin import asked_of
from simfw.benchlog.narrowing import _Sets, _without, narrow
from simfw.benchlog.search import Aim, Mistaken, Rival, State, Trial
from simfw.cli import main
from tests.benchlog.lantern import FINISH, log_of
from tests.benchlog.misread import misread
from tests.benchlog.planted import faults, plant

METER = """
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "62 mA ± 1 mA"
"""
RUN_DOWN = """
[[observations]]
name = "run down"
start = "full"
steps = [{ press = "key" }, { until = "gauge == 2", took = "2 h 1 min ± 5 min" }]
"""
LAMP = """
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"""


@pytest.mark.parametrize("number", [1])
def test_the_truth_of_a_planted_case_is_never_excluded(tmp_path: Path, number: int):
    """Two or three figures and a question; `python -m tests.benchlog` runs the large ones."""
    case = plant(tmp_path, number, 5, figures=(2, 3), questions=(1, 1))
    wrong, found = faults(case)
    assert wrong == []
    assert found.runs > 0


def test_what_comes_with_other_figures_only_excludes_nothing(tmp_path: Path):
    """Of the true answers most figures never show the bar that was seen, the true ones do."""
    case = plant(tmp_path, 25, 0)
    rival = Rival(case.log, case.combination, seed=0, most=20_000)
    while True:
        try:
            rival.prepare()
            break
        except Mistaken:
            continue
    shown, _ = rival.least(rival.all)
    assert shown != "excluded"


def test_a_rival_is_excluded_by_the_smallest_set(tmp_path: Path):
    """A charge that ends at a quarter of the current is shorter: only one answer can be."""
    log = log_of(tmp_path, f"""{LAMP}{FINISH}{METER}
[[observations]]
name = "charge"
start = "10 %"
by = "analyser"
steps = [{{ usb = true }}, {{ until = "charge.complete", took = "8372 s ± 60 s" }}]
""", resistance="1 Ω", leakage="0 A", cut_off="2.5 V")
    # (1 - 0.2 / 1.2 - 0.1) 1800 / 0.2 = 6600 s of constant current, then 1500 s ln(finish):
    # 10054 s for a tenth, 8679 s for a quarter; 8372 s is neither.
    found = narrow(log, brief=True)
    assert [one.state for one in found.rivals] == ["excluded", "excluded"]
    (only,) = found.contradictions
    assert only.observations == ("charge",)
    assert only.minimal
    assert found.rivals[1].off == pytest.approx((8679.4 - 8372.0) / 60.0, rel=0.05)
    assert set(found.left_out) == {"charge"}


def test_what_is_seen_on_pins_decides_between_answers(tmp_path: Path):
    """Low while charging or high while charging: the meter at the pin tells."""
    log = log_of(tmp_path, """
[[questions]]
name = "status"
[[questions.answers]]
name = "low while charging"
[[questions.answers]]
name = "high while charging"
change = { "charger.status" = "high while charging" }
[[observations]]
name = "pin"
start = "40 %"
steps = [{ usb = true }, { wait = "1 min" }]
pin = "charger.status"
reads = "low"
""")
    found = narrow(log, brief=True)
    assert [one.state for one in found.rivals] == ["fits", "excluded"]
    assert found.rivals[1].contradictions[0].observations == ("pin",)


def test_two_readings_that_contradict_each_other_are_named(tmp_path: Path, capsys):
    """Each fits alone, both fit nothing: exit status 1, and which one to leave out."""
    log_of(tmp_path, f"""{LAMP}
{METER}doubt = true
{RUN_DOWN.replace("2 h 1 min", "3 h 1 min")}""")
    assert main(["narrow", str(tmp_path / "log.toml"), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    (one,) = told["contradictions"]
    assert set(one["observations"]) == {"meter", "run down"}
    assert one["minimal"]
    assert [part["observation"] for part in told["would_fit_without"]] == ["meter", "run down"]


def test_a_reading_that_nothing_else_bears_on_would_not_be_noticed(tmp_path: Path):
    """The run down holds the meter's reading to its own tolerance; nothing else says dark."""
    log = log_of(tmp_path, f"""{LAMP}"cell.leakage" = "1 uA .. 60 uA"
{METER}{RUN_DOWN}
[[observations]]
name = "meter, dark"
mode = "lamp.dark"
reading = "20 uA ± 1 uA"
""")
    (rival,) = narrow(log).rivals
    names = {one.observation for one in rival.unnoticed}
    assert "meter, dark" in names
    assert "run down" not in names


def test_what_fits_together_is_not_taken_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Of five readings one fits nothing and the others fit one another: no need to try subsets."""
    others = "".join(
        f'[[observations]]\nname = "{n}"\nmode = "lamp.lit"\nreading = "{58 + n} mA ± 8 mA"\n'
        for n in range(4))
    log = log_of(tmp_path, f'{LAMP}{others}{METER.replace("62 mA ± 1 mA", "200 mA ± 1 mA")}')
    tried: list[tuple[int, ...]] = []
    whole = Rival.least

    def counted(rival: Rival, subset):
        tried.append(tuple(subset))
        return whole(rival, subset)

    monkeypatch.setattr(Rival, "least", counted)
    found = narrow(log, brief=True)
    (only,) = found.contradictions
    assert (only.observations, only.minimal) == (("meter",), True)
    # All together and what is off there, alone: a run of the first fits the four that are left.
    assert tried == [(0, 1, 2, 3, 4), (4,)]


def test_sets_without_a_contradiction_are_the_largest_there_are():
    """Held against all subsets, for some sets of contradictions."""
    everything = range(5)
    for found in ([(0,)], [(0, 1)], [(0, 1), (1, 2)], [(0, 1), (2, 3), (0, 4)], [(0, 1, 2), (3,)],
                  [(0,), (1,), (2,), (3,), (4,)]):
        free = [set(some) for size in range(1, 6) for some in combinations(everything, size)
                if not any(set(one) <= set(some) for one in found)]
        largest = {tuple(sorted(one)) for one in free if not any(one < other for other in free)}
        assert set(_without(found, everything)) == largest
    assert _without([], everything) == [tuple(everything)]


def test_the_same_bytes_with_one_job_and_with_two(
    tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch
):
    """And again with the same seed, beside other work, and by a clock that races."""
    log_of(tmp_path, f"""{LAMP}
[[questions]]
name = "samples"
[[questions.answers]]
name = "each second"
[[questions.answers]]
name = "each minute"
change = {{ "gauge.every" = "1 min" }}
{METER}""")
    printed = []

    def narrowed(jobs: str) -> None:
        assert main(["narrow", str(tmp_path / "log.toml"), "--jobs", jobs]) == 0
        printed.append(capsys.readouterr().out)

    narrowed("1")
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2)]
    try:
        narrowed("2")
    finally:
        for one in busy:
            one.kill()
            one.wait()
    gone = itertools.count(0, 3600)
    for name in ("time", "monotonic", "perf_counter", "process_time"):
        monkeypatch.setattr(time, name, lambda: float(next(gone)))
    narrowed("1")
    assert printed[0] == printed[1] == printed[2]
    assert "loads.lamp.current: 60.9 mA .. 63 mA   (was 30 mA .. 120 mA)" in printed[0]
    assert "high end held by meter; reached 63 mA" in printed[0]


def test_runs_that_are_used_up_leave_things_open(tmp_path: Path, capsys):
    """Bounded work: what was not decided is said, and nothing is excluded."""
    log_of(tmp_path, f"{LAMP}{METER}{RUN_DOWN}")
    assert main(["narrow", str(tmp_path / "log.toml"), "--runs", "3"]) == 0
    assert "Not finished" in capsys.readouterr().out


def test_what_a_sight_asks_of_smooth_quantities():
    """Comparisons joined by `and` are taken apart; bars are whole."""
    (one,), more = asked_of("gauge >= 2 and gauge < 4 and lamp.lit")
    assert (one.low, one.high, more) == (2, 4, True)
    (one,), more = asked_of("3.5 < cell.voltage")
    assert (one.quantity, one.low, more) == ("cell.voltage", 3.5, False)
    assert asked_of("gauge == 2 or lamp.lit") == ((), True)


def test_other_figures_of_the_circuit_leave_the_rows_as_they_are(tmp_path: Path):
    """The rows that are lent are those that the other gadget would have built."""
    from simfw.behaviour.build import build_system
    from simfw.benchlog.world import World

    world = World(log_of(tmp_path, f"{LAMP}{METER}").gadgets[()])
    values = {"loads.lamp.current": 0.05, "cell.capacity": 1500.0, "charger.current": 0.1,
              "controller.reference": 1.12, "controller.asleep": 1e-6}
    made = world.prepared(values)
    assert made.system is world.rehearsed().system
    assert made.system == build_system(made.gadget)
    slower = world.prepared(values | {"clock": 1.05})
    assert slower.system == build_system(slower.gadget) != made.system


def test_a_planted_misreading_is_one_minimal_contradiction(tmp_path: Path):
    """The surface near the ends learns where it was wrong."""
    assert misread(tmp_path, 0) == []


def test_an_outer_end_lies_near_what_was_reached(tmp_path: Path):
    """Where the surfaces told more, a look out there tells them: it was 1.3 % of the range off."""
    case = plant(tmp_path, 0, 0)
    rival = Rival(case.log, case.combination, seed=0, most=20_000)
    while True:
        try:
            rival.prepare()
            rival.confirm(rival.least(rival.all)[1])
            break
        except Mistaken:
            continue
    number = [one.key for one in case.log.unknowns].index("controller.reference")
    end = rival.end(Aim(share=number), -1, rival.all)
    assert end is not None
    assert end.outer <= end.reached <= end.outer + 2e-3
    assert end.reached < case.log.unknowns[number].share(case.truth["controller.reference"])


class Known:
    """What a combination would answer of which the smallest contradictions are known.

    The sets of `hidden` stay open where they are looked at themselves, or with one more.
    """

    def __init__(self, count: int, known: Sequence[tuple[int, ...]],
                 hidden: Sequence[tuple[int, ...]] = ()) -> None:
        self.all, self.known, self.hidden = tuple(range(count)), known, hidden
        self.spent = False
        self.asked: list[tuple[int, ...]] = []

    def fitted(self, subset: Sequence[int]) -> bool:
        """Nothing was run before."""
        return False

    def best(self, subset: Sequence[int]) -> Trial:
        """All are off alike: it does not tell which are needed."""
        return Trial(np.zeros(1), (2.0,) * len(self.all))

    def least(self, subset: tuple[int, ...]) -> tuple[State, Trial]:
        """What is found of a set."""
        self.asked.append(subset)
        for one in self.hidden:
            if set(one) <= set(subset) and len(subset) <= len(one) + 1:
                return "open", self.best(subset)
        within = any(set(one) <= set(subset) for one in self.known)
        return ("excluded" if within else "fits"), self.best(subset)


@pytest.mark.parametrize("known", [
    [(0,)], [(0, 1)], [(1, 4, 5)], [(0, 1), (1, 2)], [(0, 1), (2, 3), (0, 4)],
    [(0, 1, 2), (3,)], [(0, 1), (2, 3), (4, 5)], [(0, 1, 2, 3, 4, 5)],
])
def test_all_smallest_contradictions_are_found_by_leaving_out(known: list[tuple[int, ...]]):
    """And few sets are looked at: each of them leaves out one, or is one of the largest left."""
    rival = Known(6, known)
    found = _Sets(rival, "excluded").contradictions()  # type: ignore[arg-type]
    assert found == sorted(known, key=lambda one: (len(one), one))
    assert len(rival.asked) == len(set(rival.asked)) < 6 * (len(known) + 1) + 12


def test_nothing_that_holds_an_open_pair_is_searched_for_long():
    """A pair that should be excluded stays open, alone and with one more: the set that is told
    has two more, and of the others none that holds the pair is asked about.
    """
    rival = Known(7, [(0, 1)], hidden=[(0, 1)])
    (only,) = _Sets(rival, "excluded").contradictions()  # type: ignore[arg-type]
    assert (len(only), set(only) >= {0, 1}) == (4, True)
    assert len(rival.asked) < 20
    # An open whole is searched from the smallest sets on, and not through an open one.
    rival = Known(5, [(3, 4)], hidden=[(0, 1)])
    assert _Sets(rival, "open").contradictions() == [(3, 4)]  # type: ignore[arg-type]
    assert not any({0, 1} < set(one) and len(one) < 4 for one in rival.asked)
