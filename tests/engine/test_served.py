"""How long a gadget does what it is asked, and how far the ranges of its parts move that."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfw import simulate
from simfw.behaviour.expression import Expression
from simfw.behaviour.parsing import parse_expression
from simfw.circuit.circuit import LoadSet
from simfw.engine import repeat, simulation
from simfw.engine.corners import changed, ends_of, worst_and_best
from simfw.engine.phase import Phase
from simfw.engine.plant import Plant
from simfw.engine.repeat import RepeatLife, repeat_life
from simfw.engine.served import Shining, Watch
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.life.changes import corners
from simfw.stimuli.pattern import Count, Draw, Habit, HabitStep, Pattern
from simfw.stimuli.scenario import Expect, Measured, Press, Scenario
from tests.engine.bench import gadget_of

S = 10**9
HOUR = 3600 * S
DAY = 24 * HOUR
# Lit for an hour a day; a lamp that is flat stays dark, and rests for weeks until the cut-off.
LAMP = """
[gadget]
name = "Refusing lamp"
[cell]
curve = "lco"
capacity = "{capacity}"
resistance = "{resistance}"
cut_off = "2.8 V"
[controller]
asleep = "{asleep}"
reference = "1.1 V"
[lights.lamp]
leds = 1
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "{resistor}"
[buttons.key]
[gauge]
flat = "3.6 V"
every = "10 s"
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "on" }}
rows = [
  {{ on = "key.click", from = "dark", to = "lit", when = "not cell.flat" }},
  {{ on = "key.click", from = "lit", to = "dark" }},
  {{ on = "cell.flat", from = "lit", to = "dark" }},
  {{ after = "1 h", from = "lit", to = "dark" }},
]
"""
PLAIN = {"capacity": "200 mAh", "resistance": "1 Ω", "asleep": "60 uA", "resistor": "22R"}
EVENING = (Press(at_ns=10 * HOUR, button="key", for_ns=10**8),)


def lamp(**other: str) -> Gadget:
    """The lamp with some other values."""
    return gadget_of(LAMP.format(**(PLAIN | other)))


def lived(gadget: Gadget, *more: Expect, ranges: bool = False) -> RepeatLife:
    """The life of one press a day."""
    return repeat_life(simulate(gadget, day(gadget, *more)), ranges=ranges)


def day(gadget: Gadget, *more: Expect) -> Scenario:
    """A day with one press."""
    return Scenario(charge=1.0, lasts_ns=DAY, steps=(*EVENING, *more), gadget=gadget)


def days_one_by_one(gadget: Gadget) -> int:
    """Days until the press no longer lights the lamp, each day run."""
    charge, days, prepared = 1.0, 0, Prepared(gadget)
    while True:
        scenario = replace(day(gadget), charge=charge)
        run = simulate(gadget, scenario, prepared=prepared, trace=False)
        if not any(use.state == "lit" for use in run.states):
            return days
        charge, days = run.end_charge, days + 1


def test_the_life_ends_at_the_first_press_that_stays_dark() -> None:
    """Not weeks later, where the protection opens: days run one by one say when."""
    gadget = lamp()
    found = lived(gadget)
    assert found.days is not None
    assert found.served_days is not None
    assert found.served_days < 0.5 * found.days
    # The last day on which it is lit may see it go out early; that is no day served either.
    assert days_one_by_one(gadget) - 1.0 <= found.served_days <= days_one_by_one(gadget) + 1.0
    assert found.served_why in ("lamp stays dark at 10 h", "lamp, lit at 10 h, goes out early")


def test_a_load_that_is_refused_stays_off_and_is_never_called_dark_or_lit() -> None:
    """A beeper gives no light."""
    text = LAMP.format(**PLAIN).replace('leds = 1\nforward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]\n'
                                        'resistor = "22R"', 'current = "20 mA"')
    found = lived(gadget_of(text.replace("[lights.lamp]", "[loads.lamp]")))
    assert found.served_why in ("lamp stays off at 10 h", "lamp, on at 10 h, goes off early")


def test_an_expectation_that_fails_ends_what_is_served() -> None:
    """The charge falls below a half after half of the lit days; one false from full has no say."""
    half = Expect(at_ns=DAY, text="cell.charge > 0.5", key="steps[1]")
    never = Expect(at_ns=DAY, text="lamp.lit", key="steps[2]")
    found = lived(lamp(), half, never)
    assert found.served_why == "cell.charge > 0.5 does not hold at 1 day"
    assert found.unmet == 1
    whole = lived(lamp()).served_days
    assert found.served_days is not None
    assert whole is not None
    assert 0.3 * whole < found.served_days < 0.8 * whole
    assert float(found.served_days).is_integer()


def test_a_light_below_a_tenth_ends_what_is_served() -> None:
    """A lamp that never refuses fades: it serves until a tenth of its light, then on to the end."""
    text = LAMP.format(**PLAIN).replace('flat = "3.6 V"', "").replace(
        "3.0 V @ 20 mA", "3.6 V @ 20 mA").replace("2.75 V @ 5 mA", "3.4 V @ 5 mA").replace(
        ' when = "not cell.flat"', "").replace(
        '{ on = "cell.flat", from = "lit", to = "dark" },', "").replace(', }', " }")
    found = lived(gadget_of(text))
    assert found.served_why == "lamp gives less than a tenth of its light"
    assert found.days is not None
    assert found.served_days is not None
    assert found.served_days < found.days


def test_nothing_asked_is_served_until_the_protection_opens() -> None:
    """A gadget that only rests does so until its cell is empty."""
    gadget = lamp()
    run = simulate(gadget, Scenario(charge=1.0, lasts_ns=DAY, gadget=gadget))
    found = repeat_life(run)
    assert found.served_why == "the protection opens"
    assert found.served_days == pytest.approx(found.days, abs=1.0)


RANGED = {"capacity": "200 mAh ± 5 %", "resistance": "1 Ω (0.2 Ω .. 4 Ω)",
          "asleep": "60 uA (30 uA .. 90 uA)"}  # fmt: skip


@pytest.fixture(scope="module")
def wide() -> RepeatLife:
    """The life of the lamp with ranges."""
    return lived(lamp(**RANGED), ranges=True)


def test_each_end_run_singly_lies_within_the_printed_range(wide: RepeatLife) -> None:
    """Every range at either end, alone: both lives lie between the worst and the best."""
    gadget = lamp(**RANGED)
    assert wide.served_low_days is not None
    assert wide.served_high_days is not None
    assert wide.low_days is not None
    assert wide.high_days is not None
    for key, ends in ends_of(gadget).items():
        for end in ends:
            other = changed(gadget, {key: end})[0]
            alone = lived(other)
            assert alone.served_days is not None
            assert alone.days is not None
            assert wide.served_low_days - 1 <= alone.served_days <= wide.served_high_days + 1, key
            assert 0.98 * wide.low_days <= alone.days <= 1.02 * wide.high_days, key


def test_the_range_is_as_wide_as_the_capacity_alone_makes_it() -> None:
    """Ten per cent from end to end, also where one repetition takes the whole cell."""
    gadget = lamp(capacity="20 mAh ± 5 %")
    found = repeat_life(
        simulate(gadget, Scenario(charge=1.0, lasts_ns=400 * DAY, gadget=gadget)), ranges=True
    )
    assert found.days is not None
    assert found.low_days == pytest.approx(0.95 * found.days, rel=0.005)
    assert found.high_days == pytest.approx(1.05 * found.days, rel=0.005)


def test_which_way_a_cells_resistance_acts_is_found_out() -> None:
    """It dims a light with a resistor that never refuses: with more of it the cell lasts longer."""
    text = LAMP.format(**(PLAIN | {"resistance": "4 Ω (1 Ω .. 15 Ω)", "resistor": "10R"}))
    text = text.replace('flat = "3.6 V"', "").replace(', when = "not cell.flat"', "").replace(
        '  { on = "cell.flat", from = "lit", to = "dark" },\n', "").replace("2.8 V", "2.5 V")
    gadget = gadget_of(text)
    found = lived(gadget, ranges=True)
    low, high = (lived(changed(gadget, {"cell.resistance": ohm})[0]).days for ohm in (1.0, 15.0))
    assert low is not None
    assert high is not None
    assert low < high
    assert found.low_days == pytest.approx(low, rel=0.02)
    assert found.high_days == pytest.approx(high, rel=0.02)


def test_worst_and_best_are_told_by_what_is_measured() -> None:
    """Each figure alone decides; one that changes nothing stays as it is written."""
    ends = {"a": (1.0, 2.0), "b": (3.0, 4.0), "c": (5.0, 6.0)}

    def measure(values: dict[str, float]) -> float:
        return values.get("a", 0.0) - values.get("b", 0.0)

    worst, best = worst_and_best(ends, measure)
    assert worst == {"a": 1.0, "b": 4.0}
    assert best == {"a": 2.0, "b": 3.0}


def test_run_and_life_give_the_same_corners(wide: RepeatLife) -> None:
    """One press at the same hour every day: the corners of `life` are those of `run`."""
    gadget = lamp(**RANGED)
    press = HabitStep(kind="press", target="key", for_ns=Draw(1e8, 1e8))
    habit = Habit(name="evening", each="day", at_ns=Draw(10.0 * HOUR, 10.0 * HOUR), times=Count(),
                  steps=(press,))  # fmt: skip
    pattern = Pattern(charge=1.0, horizon_ns=DAY, habits=(habit,), gadget=gadget)
    found = corners(pattern, 0, False)
    assert found is not None
    assert found[0] == pytest.approx(wide.low_days, rel=0.03)
    assert found[1] == pytest.approx(wide.high_days, rel=0.03)


def test_a_repetition_that_takes_too_long_is_not_gone_to_its_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is left as soon as it has taken more instants than each of the fewest may."""
    monkeypatch.setattr(repeat, "LIFE_INSTANTS", 3 * repeat.FEWEST)
    seen: list[int] = []
    drove = Watch.drove

    def noted(watch: Watch, start_ns: int, *others: object) -> None:
        seen.append(start_ns)
        drove(watch, start_ns, *others)  # type: ignore[arg-type]

    monkeypatch.setattr(Watch, "drove", noted)
    gadget = lamp()
    for charge, instants in ((0.99, 4), (1.0, 0)):
        # A run from full has told already that it takes more than twice as many.
        seen.clear()
        found = repeat_life(simulate(gadget, replace(day(gadget), charge=charge)))
        assert (found.days, len(seen)) == (None, instants)
        assert found.why == (
            "left out: one repetition takes more than 3 instants, and all together may take 24")


def test_a_run_from_full_that_takes_little_more_is_repeated_to_see(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only more than twice the bound is taken at its word; nothing is told of a run unfolded."""
    gadget = lamp()
    run = simulate(gadget, day(gadget))
    assert run.work > 8
    seen: list[int] = []

    class Noted(Watch):
        """A watch that tells that there is one."""

        def drove(self, start_ns: int, *others: object) -> None:
            """The same, noted."""
            seen.append(start_ns)
            super().drove(start_ns, *others)  # type: ignore[arg-type]

    monkeypatch.setattr(repeat, "Watch", Noted)
    for most, begun in ((run.work // 2 - 1, False), (run.work // 2 + 1, True)):
        monkeypatch.setattr(repeat, "LIFE_INSTANTS", most * repeat.FEWEST)
        seen.clear()
        repeat_life(run)
        assert bool(seen) == begun
    assert simulate(gadget, day(gadget), fold=False).work == 0


def test_a_life_is_the_same_with_what_the_run_was_made_with() -> None:
    """Circuit, clocks and learned rows of the run change no digit of the battery life."""
    gadget = lamp(**RANGED)
    prepared = Prepared(gadget)
    run = simulate(gadget, day(gadget), prepared=prepared)
    assert repeat_life(run, prepared=prepared) == repeat_life(run)


def test_repetitions_find_again_what_stands_and_count_from_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Phases once made serve all repetitions with the same parts, and no digit of any hangs on the
    repetitions before it.
    """
    gadget = lamp(**RANGED)
    run = simulate(gadget, day(gadget))
    made: list[object] = []
    make = Plant._phase

    def noted(plant: Plant, *what: object) -> Phase:
        made.append(what)
        return make(plant, *what)  # type: ignore[arg-type]

    monkeypatch.setattr(Plant, "_phase", noted)
    life = repeat_life(run, ranges=True)
    few = len(made)
    made.clear()
    begin = Plant.begin

    def anew(plant: Plant) -> None:
        plant.keeps_phases = False
        begin(plant)

    monkeypatch.setattr(Plant, "begin", anew)
    assert repeat_life(run, ranges=True) == life
    assert len(made) > 2 * few


def test_lights_and_expectations_are_worked_out_once_for_parts_that_draw_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Corners that differ in the reference alone share what lights give in each load set, and an
    expectation is read once for each set of parts, however many repetitions there are.
    """
    gadget = lamp(**RANGED, reference="1.1 V ± 2 %")
    scenario = day(gadget, Expect(at_ns=10 * HOUR + S, text="lamp.lit"))
    prepared = Prepared(gadget)
    run = simulate(gadget, scenario, prepared=prepared)
    lit: list[tuple[int, LoadSet]] = []
    tabulate = Shining._tabulate

    def noted(self: Shining, loads: LoadSet) -> None:
        lit.append((id(self._prepared.clocks), loads))
        tabulate(self, loads)

    read: list[str] = []

    def noted_text(text: str, *more: object) -> Expression:
        read.append(text)
        return parse_expression(text, *more)  # type: ignore[arg-type]

    begun: list[Plant] = []
    begin = Plant.begin

    def noted_begin(plant: Plant) -> None:
        begun.append(plant)
        begin(plant)

    monkeypatch.setattr(Shining, "_tabulate", noted)
    monkeypatch.setattr(simulation, "parse_expression", noted_text)
    monkeypatch.setattr(Plant, "begin", noted_begin)
    assert repeat_life(run, ranges=True, prepared=prepared).served_low_days is not None
    assert len(lit) == len(set(lit))
    assert len(read) == len(set(map(id, begun))) < len(begun) / 4


def test_a_scenario_without_expectations_watches_none_of_the_one_before_it() -> None:
    """On one plant, as vectors are played: those of an earlier scenario were looked at."""
    gadget = lamp(**RANGED)
    prepared = Prepared(gadget)
    plant = Plant(prepared)
    watched = []
    for more in ((Expect(at_ns=10 * HOUR + S, text="lamp.lit"),), ()):
        made = simulation.Simulation(prepared, day(gadget, *more), 0, True, False, [], None, plant)
        watched.append(list(made.probes))
    assert watched == [["lamp.lit"], []]


def test_work_is_bounded_by_instants_and_what_is_left_out_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A repetition that takes too many instants has no life, one that takes many no range."""
    gadget = lamp(**RANGED)
    monkeypatch.setattr(repeat, "RANGE_INSTANTS", 100)
    found = lived(gadget, ranges=True)
    assert found.days is not None
    assert found.low_days is None
    assert found.left_out is not None
    assert "its range is left out" in found.left_out
    monkeypatch.setattr(repeat, "LIFE_INSTANTS", 10)
    none = lived(gadget, ranges=True)
    assert none.days is None
    assert none.why is not None
    assert none.why.startswith("left out: one repetition takes ")
    monkeypatch.undo()
    monkeypatch.setattr(repeat, "MOST_TRIED", 0)
    key = gadget.buttons["key"]
    debounce = replace(key.debounce, low_ns=10**6, high_ns=10**8)
    timed = gadget.model_copy(
        update={"buttons": {"key": key.model_copy(update={"debounce": debounce})}}
    )
    assert lived(timed, ranges=True).left_out == (
        "the ranges of buttons.key.debounce are left out")


def test_few_repetitions_are_run_for_a_life_and_its_range(monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole work of a report stays within some two hundred repetitions."""
    ran: list[float] = []
    simulated = repeat._Repetitions._simulated

    def counted(self: repeat._Repetitions, charge: float, asked: object) -> object:
        ran.append(charge)
        return simulated(self, charge, asked)  # type: ignore[arg-type]

    monkeypatch.setattr(repeat._Repetitions, "_simulated", counted)
    lived(lamp(**RANGED), ranges=True)
    assert 20 < len(ran) < 220




def test_a_press_that_toggles_does_the_same_in_every_repetition() -> None:
    """Each day begins dark and is lit from its press to its end; run through, days alternate.

    So does what is kept over a power loss: a repetition begins as a gadget does that is new.
    """
    written = LAMP.format(**(PLAIN | {"resistor": "2k2"}))
    toggling = written.replace('  { after = "1 h", from = "lit", to = "dark" },\n', "")
    kept = toggling.replace('starts = "dark"', 'starts = "dark"\nkept = "state"')
    for text in (toggling, kept):
        gadget = gadget_of(text)
        two = day(gadget).steps + tuple(replace(step, at_ns=step.at_ns + DAY) for step in EVENING)
        run = simulate(gadget, replace(day(gadget), lasts_ns=2 * DAY, steps=two))
        lit_ns = next(use.time_ns for use in run.states if use.state == "lit")
        # Run through, the second press puts out what the first has lit: 24 h of light in two days.
        assert abs(lit_ns - DAY) < S
        one = simulate(gadget, day(gadget))
        lit_ns = next(use.time_ns for use in one.states if use.state == "lit")
        assert abs(lit_ns - 14 * HOUR) < S
        found = repeat_life(one)
        assert found.served_days is not None
        assert found.served_days == pytest.approx(days_one_by_one(gadget), abs=1.0)
        assert found.served_days > 2.0


def test_the_range_of_a_level_of_a_measure_decides_for_how_long_a_lamp_is_lit() -> None:
    """Lit at 0 lx for 10 min of an hour, and at 12 lx too where the level is 20 lx: by hand."""
    text = """
[gadget]
name = "Sill"
[cell]
curve = "lco"
capacity = "500 mAh"
cut_off = "3.0 V"
[loads.lamp]
current = "20 mA"
[measures.light]
unit = "lx"
thresholds = ["10 lx (5 lx .. 20 lx)"]
every = "1 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "light.down", from = "dark", to = "lit" },
  { on = "light.up", from = "lit", to = "dark" },
]
"""
    gadget = gadget_of(text)
    steps = tuple(Measured(at_ns=at_ns, measure="light", value=value, unit="lx")
                  for at_ns, value in ((0, 100.0), (HOUR // 6, 12.0), (HOUR // 6 * 5, 0.0)))
    found = repeat_life(simulate(gadget, Scenario(
        charge=1.0, lasts_ns=HOUR, gadget=gadget, steps=steps)), ranges=True)
    assert found.days == pytest.approx(500 / 20 * 6 / 24, rel=0.02)
    assert found.high_days == pytest.approx(found.days, rel=0.02)
    assert found.low_days == pytest.approx(500 / 20 * 6 / 5 / 24, rel=0.02)
