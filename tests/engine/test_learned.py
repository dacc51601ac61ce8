"""What the rows make of an instant is worked out once and looked up from then on."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.table import Stepper
from simfw.engine import instants
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.quantities import with_values
from simfw.loading import load_gadget, load_scenario
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from tests.engine.bench import HOUR, LARDER_LAMP, MS, ROOT, S

SCENARIOS = sorted(
    path for place in ("scenarios", "tests/gallery") for path in (ROOT / place).glob("*/*.toml")
    if path.name != "gadget.toml" and "[[habits]]" not in path.read_text()
    and "gadget" in path.read_text() and "lasts" in path.read_text()
)
LAMP = load_gadget(LARDER_LAMP)


def told(run: Run) -> tuple[object, ...]:
    """All that a run tells in whole numbers and words."""
    return (
        [event.name for event in run.events],
        [(one.key, one.met) for one in run.expectations],
        [(one.name, one.held, one.time_ns) for one in run.rules],
        [(use.region, use.state) for use in run.states],
        [(region.state, region.spent, region.memory) for region in run.final.regions],
        run.final.conditions,
    )


def agree(one: Run, other: Run) -> None:
    """The same run: all that happens, when to a millionth, and the charge to a billionth."""
    assert told(one) == told(other)
    for first, second in zip(one.events, other.events, strict=True):
        assert first.time_ns == pytest.approx(second.time_ns, rel=1e-6, abs=2)
    assert one.end_charge == pytest.approx(other.end_charge, rel=1e-9, abs=1e-9)
    for use, other_use in zip(one.consumers, other.consumers, strict=True):
        assert use.charge_c == pytest.approx(other_use.charge_c, rel=1e-6, abs=1e-12)
    moved_c = one.capacity_c * (one.start_charge - one.end_charge) + one.charger_charge_c
    assert one.charge_used_c == pytest.approx(moved_c, rel=1e-9, abs=1e-9)


def last_news_ns(run: Run) -> int:
    """The last event, or the last step between states that was not taken before."""
    steps = [(one.states, other.states) for one, other in itertools.pairwise(run.intervals)]
    first = {step: run.intervals[place + 1].start_ns
             for place, step in reversed(list(enumerate(steps)))}
    return max(itertools.chain((event.time_ns for event in run.events), first.values()), default=0)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_looked_up_instants_are_those_that_the_rows_make(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every scenario of demos and gallery: looked up, and with each instant worked out anew.

    Of the first hour, until ten minutes after the last that is new: behind it all is said already.
    """
    scenario = load_scenario(path)
    assert scenario.gadget is not None
    hour = replace(scenario, lasts_ns=min(scenario.lasts_ns, HOUR))
    until_ns = last_news_ns(simulate(scenario.gadget, hour)) + 10 * 60 * S
    scenario = replace(hour, lasts_ns=min(hour.lasts_ns, until_ns))
    looked_up = simulate(scenario.gadget, scenario, trace=False)
    monkeypatch.setattr(instants, "MOST_LEARNED", 0)
    agree(looked_up, simulate(scenario.gadget, scenario, trace=False))


presses = st.builds(
    Press, at_ns=st.integers(0, 20 * S), button=st.sampled_from(["power", "level"]),
    for_ns=st.sampled_from([10 * MS, 150 * MS, 2500 * MS]),
)
waves = st.builds(
    Wave, at_ns=st.integers(0, 20 * S), sensor=st.just("wave"),
    distance_m=st.sampled_from([0.05, 0.2, 0.4]), for_ns=st.sampled_from([60 * MS, 400 * MS]),
)
plugs = st.builds(Usb, at_ns=st.integers(0, 20 * S), present=st.booleans())


@settings(max_examples=15, deadline=None)
@given(
    steps=st.lists(st.one_of(presses, waves, plugs), max_size=8),
    charge=st.floats(0.0, 1.0), fold=st.booleans(),
)
def test_any_use_is_looked_up_as_it_would_be_worked_out(
    steps: list[Step], charge: float, fold: bool
) -> None:
    """Random presses, hands and plugs over half a minute, from any charge."""
    scenario = Scenario(
        gadget_path=Path(), charge=charge, lasts_ns=30 * S, steps=tuple(steps)
    )
    looked_up = simulate(LAMP, scenario, prepared=SHARED, trace=False, fold=fold)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(instants, "MOST_LEARNED", 0)
        alone = Prepared(LAMP, like=SHARED)
        agree(looked_up, simulate(LAMP, scenario, prepared=alone, trace=False, fold=fold))


SHARED = Prepared(LAMP)


def evening(every_ns: int = 7 * 60 * S) -> Scenario:
    """A hand or a press every few minutes, 120 times: fourteen hours."""
    steps: list[Step] = []
    for n in range(120):
        at = n * every_ns + n * n * 7919 * MS % S
        if n % 3:
            steps.append(Wave(at_ns=at, sensor="wave", distance_m=0.1, for_ns=400 * MS))
        else:
            steps.append(Press(at_ns=at, button="power", for_ns=150 * MS))
    return Scenario(gadget_path=Path(), charge=0.9, lasts_ns=120 * every_ns, steps=tuple(steps))


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Collects the time of each instant that the rows are run for."""
    seen: list[int] = []
    plain = Stepper.run_instant

    def counted(self: Stepper, now_ns: int, *rest: object, **more: object) -> list[int]:
        seen.append(now_ns)
        return plain(self, now_ns, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Stepper, "run_instant", counted)
    return seen


def test_rows_run_for_few_of_the_instants_of_a_long_use(worked_out: list[int]) -> None:
    """Twice as much of the same use hardly runs more rows."""
    prepared = Prepared(LAMP)
    simulate(LAMP, evening(), prepared=prepared, trace=False)
    first = len(worked_out)
    assert first < 1500  # some 3,500 instants
    worked_out.clear()
    simulate(LAMP, evening(), prepared=prepared, trace=False)
    assert len(worked_out) < first / 100


def test_what_is_kept_of_the_rows_has_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Behind it instants are worked out each time, and neither they nor what they meet are kept.

    What is not kept is not folded either: the same use as elsewhere, with shorter waits.
    """
    most = 40
    busy = evening(every_ns=15 * S)
    plain = simulate(LAMP, busy, prepared=Prepared(LAMP), trace=False)
    monkeypatch.setattr(instants, "MOST_LEARNED", most)
    prepared = Prepared(LAMP)
    agree(plain, simulate(LAMP, busy, prepared=prepared, trace=False))
    kept = [comb for place in prepared.learned.places.values() for comb in place.values()]
    met = [one for comb in kept for one in comb.met.values()]
    assert len(kept) + len(met) + sum(len(one.outcomes) for one in met) == most


def test_gadgets_with_the_same_rows_share_what_was_learned(worked_out: list[int]) -> None:
    """Another resistor changes what is drawn and no row: little is left to be worked out."""
    prepared = Prepared(LAMP)
    simulate(LAMP, evening(), prepared=prepared, trace=False)
    first = len(worked_out)
    worked_out.clear()
    other = with_values(LAMP, {"lights.shelf.resistor": 24.0})
    sharing = Prepared(other)
    sharing.learn_with(prepared)
    shared = simulate(other, evening(), prepared=sharing, trace=False)
    assert len(worked_out) < first / 4
    agree(shared, simulate(other, evening(), trace=False))


def test_other_rows_share_nothing() -> None:
    """A longer debounce is another row: what was learned of the first does not hold."""
    other = Prepared(with_values(LAMP, {"buttons.power.debounce": 30e6}))
    prepared = Prepared(LAMP)
    other.learn_with(prepared)
    assert other.learned is not prepared.learned
