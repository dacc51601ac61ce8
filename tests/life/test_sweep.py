"""Sweeps: the values that are taken, and which designs are best."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.behaviour.region import System
from simfw.circuit.infrared import catch_probability
from simfw.engine.simulator import simulate
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import whole_numbers, with_values
from simfw.life import parts, work
from simfw.life.changes import _candidates
from simfw.life.layout import Layout, rows_of
from simfw.life.learning import Answer, Comb, Learner, Step
from simfw.life.sweep import Point, Vary, pareto, read_vary, sweep
from simfw.loading import load_gadget, load_pattern
from simfw.stimuli.scenario import Scenario, Wave
from tests.life.made import CHARGER, EVENING, SENSOR, head, lamp, pattern

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def larder() -> Gadget:
    """A gadget with figures of every kind."""
    return load_gadget(SCENARIOS / "larder-lamp/gadget.toml")


@pytest.mark.parametrize(
    ("text", "texts"),
    [
        ("proximity.wave.every=100 ms..300 ms:3", ("100 ms", "200 ms", "300 ms")),  # evenly
        ("proximity.wave.every=50 ms..800 ms:5",  # a factor of 16: evenly in ratio
         ("50 ms", "100 ms", "200 ms", "400 ms", "800 ms")),
        ("proximity.wave.every = 1 s .. 2 s : 2", None),  # spaces before the count are no number
        ("proximity.wave.every=0 s..1 s:3", ("0 s", "500 ms", "1 s")),  # zero has no ratio
        ("lights.shelf.resistor=10R..1k:3", ("10 Ω", "100 Ω", "1 kΩ")),
        ("cell.capacity=300 mAh..900 mAh:4", ("300 mAh", "500 mAh", "700 mAh", "900 mAh")),
        ("cell.self_discharge=1 %/month..3 %/month:3", ("1 %/month", "2 %/month", "3 %/month")),
        ("cell.cut_off=2.8 V..3.0 V:2", ("2.8 V", "3 V")),
        ("proximity.wave.carrier=36 kHz..40 kHz:3", ("36 kHz", "38 kHz", "40 kHz")),
        ("proximity.wave.duty=25 %..50 %:2", ("25 %", "50 %")),
    ],
)
def test_values_lie_evenly_with_both_ends(
    larder: Gadget, text: str, texts: tuple[str, ...] | None
) -> None:
    """Evenly, or evenly in ratio from a factor of four on; texts as a file would have them."""
    if texts is None:
        with pytest.raises(UsageError):
            read_vary(text, larder)
        return
    vary = read_vary(text, larder)
    assert vary.texts == texts
    assert len(vary.values) == len(texts)
    assert list(vary.values) == sorted(vary.values)


def test_seven_values_are_taken_unless_told_otherwise(larder: Gadget) -> None:
    """Without a number there are seven."""
    vary = read_vary("cell.capacity=300 mAh..900 mAh", larder)
    assert len(vary.values) == 7
    assert (vary.values[0], vary.values[-1]) == (1080.0, 3240.0)  # 3.6 C in a mAh


def test_resistors_between_the_ends_are_those_a_shop_has(larder: Gadget) -> None:
    """E24 unless E96 is asked for; the ends stay as they are written, nothing comes twice."""
    text = "lights.shelf.resistor=15R..151R:4"
    assert read_vary(text, larder).texts == ("15 Ω", "33 Ω", "68 Ω", "151 Ω")
    assert read_vary(text, larder, series="E96").texts == ("15 Ω", "32.4 Ω", "69.8 Ω", "151 Ω")
    assert read_vary("lights.shelf.resistor=22R..24R:7", larder).texts == ("22 Ω", "24 Ω")
    cell = read_vary("cell.resistance=0.1 ohm..0.3 ohm:3", larder)
    assert cell.values == pytest.approx((0.1, 0.2, 0.3))


def test_a_change_proposes_a_resistor_that_a_shop_has(larder: Gadget) -> None:
    """Twice 22 Ω is 44 Ω, which nobody sells: 43 Ω."""
    texts = [text for text, _ in _candidates(larder)]
    assert "lights.shelf.resistor: 22 Ω -> 43 Ω" in texts
    assert "lights.marker.resistor: 1.8 kΩ -> 3.6 kΩ" in texts


@pytest.mark.parametrize(
    ("text", "texts"),
    [
        ("proximity.wave.agree=1..4", ("1", "2", "3", "4")),
        ("lights.shelf.leds=1..3:2", ("1", "3")),
        ("proximity.wave.burst=16..40", ("16", "20", "24", "28", "32", "36", "40")),
    ],
)
def test_whole_numbers_take_whole_values(
    larder: Gadget, text: str, texts: tuple[str, ...]
) -> None:
    """All between the ends where they are few, else seven; the gadget then holds them."""
    vary = read_vary(text, larder)
    assert vary.texts == texts
    for value in vary.values:
        assert whole_numbers(with_values(larder, {vary.key: value}))[vary.key].value == value


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("proximity.wave.agree=0..3", "two numbers from 1 to 64, the smaller one first"),
        ("proximity.wave.agree=1..65", "two numbers from 1 to 64, the smaller one first"),
        ("proximity.wave.agree=3..3", "the smaller one first"),
        ("proximity.wave.agree=1.5..3", "this is a whole number. Allowed: from 1 to 64."),
        ("proximity.wave.burst=1..x", "this is a whole number. Allowed: from 1 on."),
        ("proximity.wave.agree=1..3:4", "there are 3 values between the ends"),
        ("proximity.wave.agre=1..3", 'Did you mean "proximity.wave.agree"?'),
    ],
)
def test_whole_numbers_that_cannot_be_are_told(larder: Gadget, text: str, wanted: str) -> None:
    """The limits are those of the gadget file."""
    with pytest.raises(UsageError) as caught:
        read_vary(text, larder)
    assert wanted in str(caught.value)


def test_more_looks_that_must_agree_miss_more_waves(tmp_path: Path) -> None:
    """The share missed follows the closed form for each number of looks."""
    sensor = SENSOR.format(every="200 ms", agree=1).replace("200 mAh", "1 mAh")
    made = pattern(tmp_path, sensor, head(horizon="1 day") + """
[[habits]]
name = "waving"
times = 150
steps = [ { wave = "wave", distance = "10 cm", for = "300 ms" } ]
""")
    assert made.gadget is not None
    found = sweep(made, [read_vary("proximity.wave.agree=1..3", made.gadget)], users=2)
    for point, agree in zip(found.points, (1, 2, 3), strict=True):
        wanted = 1.0 - catch_probability(0.3, 0.2, agree)
        assert point.missed_wave_share == pytest.approx(wanted, abs=0.05)
        assert point.response_s == pytest.approx(0.2 * (agree - 0.5))


def test_reference_is_no_part_that_can_be_chosen(larder: Gadget) -> None:
    """What the firmware takes its reference for is refused, with what to vary instead."""
    made = load_pattern(SCENARIOS / "larder-lamp/household.toml")
    vary = read_vary("controller.reference=1.1 V..1.3 V:2", larder)
    with pytest.raises(UsageError, match=r"vary gauge\.thresholds instead"):
        sweep(made, [vary], users=1)


def test_designs_are_checked_before_the_first_is_simulated(tmp_path: Path) -> None:
    """A figure that makes no gadget is told before anybody waits."""
    made = pattern(tmp_path, lamp(), head() + EVENING)
    assert made.gadget is not None
    done: list[int] = []
    vary = read_vary("cell.cut_off=3 V..4 V:3", made.gadget)
    with pytest.raises(UsageError, match=r"with 3\.5 V the figures make no gadget\. cell\.restart"):
        sweep(made, [vary], users=1, progress=lambda one, _: done.append(one))
    assert done == []


def test_progress_counts_the_users_of_all_designs(tmp_path: Path) -> None:
    """From none to all, never back."""
    made = pattern(tmp_path, lamp(capacity="20 mAh ± 5 %"), head(horizon="1 day") + EVENING)
    assert made.gadget is not None
    told: list[tuple[int, int]] = []
    vary = read_vary("loads.lamp.current=10 mA..20 mA:3", made.gadget)
    sweep(made, [vary], users=2, progress=lambda *one: told.append(one))
    assert told[0] == (0, 6)
    assert told[-1] == (6, 6)
    assert told == sorted(told)


def test_time_to_an_answer_is_that_of_the_simulator(tmp_path: Path) -> None:
    """The mean over hands that come at even phases of the look period, as the simulator has it."""
    every_ms, agree, phases = 200, 2, 50
    made = pattern(tmp_path, SENSOR.format(every=f"{every_ms} ms", agree=agree), head())
    assert made.gadget is not None
    vary = read_vary("cell.capacity=100 mAh..200 mAh:2", made.gadget)
    (answer, _) = (point.response_s for point in sweep(made, [vary], users=1).points)
    waits = []
    for n in range(phases):
        at_ns = 10**9 + round((n + 0.5) / phases * every_ms * 1e6)
        wave = Wave(at_ns=at_ns, sensor="wave", distance_m=0.05, for_ns=2 * 10**9)
        run = simulate(made.gadget, Scenario(charge=0.8, lasts_ns=4 * 10**9, steps=(wave,),
                                             gadget=made.gadget))
        (event,) = [event for event in run.events if event.name == "wave.wave"]
        waits.append((event.time_ns - at_ns) * 1e-9)
    assert answer == pytest.approx(sum(waits) / phases, abs=1.01e-3 * every_ms / (2 * phases))


# -- the Pareto set ------------------------------------------------------------------------------

GOALS = st.tuples(
    st.none() | st.integers(1, 5).map(float),
    st.none() | st.integers(0, 4).map(lambda n: n / 4),
    st.none() | st.integers(1, 4).map(float),
)


def points(goals: list[tuple[float | None, float | None, float | None]]) -> list[Point]:
    """Designs by days, share missed and time to an answer."""
    return [
        Point(
            values=(float(n),), texts=(str(n),),
            percentiles=None if days is None else (days - 0.5, days, days + 0.5),
            error_days=None, missed_wave_share=missed, response_s=answer,
        )
        for n, (days, missed, answer) in enumerate(goals)
    ]


def beats(one: Point, other: Point) -> bool:
    """At least as good in everything and better in something; no days are the fewest."""

    def losses(point: Point) -> tuple[float, float, float]:
        days = -1.0 if point.percentiles is None else point.percentiles[1]
        return -days, point.missed_wave_share or 0.0, point.response_s or 0.0

    mine, its = losses(one), losses(other)
    return mine != its and all(a <= b for a, b in zip(mine, its, strict=True))


@given(st.lists(GOALS, min_size=1, max_size=12))
def test_best_designs_are_those_that_no_other_one_beats(
    goals: list[tuple[float | None, float | None, float | None]],
) -> None:
    """No best design is beaten, and each other one is beaten by a best one (or has no days)."""
    found = pareto(points(goals))
    best = [point for point in found if point.best]
    for point in found:
        beaten = any(beats(other, point) for other in found)
        if point.best:
            assert not beaten
            assert point.percentiles is not None
        else:
            assert point.percentiles is None or any(beats(other, point) for other in best)
    assert best or all(point.percentiles is None for point in found)


@given(st.lists(GOALS, min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_order_of_designs_does_not_matter(
    goals: list[tuple[float | None, float | None, float | None]], random: object
) -> None:
    """The same designs are best in any order, and when the beaten ones are left out."""
    made = points(goals)
    best = {point.values for point in pareto(made) if point.best}
    shuffled = list(made)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert {point.values for point in pareto(shuffled) if point.best} == best
    left = [point for point in made if point.values in best]
    assert {point.values for point in pareto(left) if point.best} == best


@pytest.mark.parametrize(
    "vary", ["loads.lamp.current=10 mA..40 mA:4", "cell.capacity=150 mAh..300 mAh:4",
             "buttons.key.debounce=10 ms..40 ms:4"],
)
def test_designs_with_the_same_rows_share_what_was_learned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vary: str
) -> None:
    """Four designs run hardly more rows than one, and each is told as it would be alone."""
    worked_out: list[int] = []
    plain = Learner.step

    def counted(self: Learner, comb: Comb, code: int, answer: Answer) -> Step:
        worked_out.append(code)
        return plain(self, comb, code, answer)

    monkeypatch.setattr(Learner, "step", counted)
    found = pattern(tmp_path, lamp(more=CHARGER), head() + EVENING)
    assert found.gadget is not None
    varied = read_vary(vary, found.gadget)
    together = sweep(found, [varied], users=2, seed=3)
    of_all = len(worked_out)
    alone = []
    for value, text in zip(varied.values, varied.texts, strict=True):
        work._MINE.__dict__.clear()  # what the latest study has left behind
        worked_out.clear()
        one = Vary(varied.key, (value,), (text,))
        alone += sweep(found, [one], users=2, seed=3).points
    assert 0 < of_all < 2 * len(worked_out)
    assert [(p.percentiles, p.missed_wave_share) for p in together.points] == [
        (p.percentiles, p.missed_wave_share) for p in alone
    ]


def test_rows_are_made_once_for_all_users_of_a_design(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Users whose cells differ have the rows of their design, and the next design has its own."""
    made: list[Gadget] = []

    def noted(gadget: Gadget) -> System:
        made.append(gadget)
        return rows_of(gadget)

    monkeypatch.setattr(parts, "rows_of", noted)
    found = pattern(tmp_path, lamp(capacity="500 mAh (400 mAh .. 600 mAh)"), head() + EVENING)
    assert found.gadget is not None
    varied = read_vary("buttons.key.debounce=10 ms..40 ms:4", found.gadget)
    work._MINE.__dict__.clear()
    points = sweep(found, [varied], users=3, seed=3).points
    assert all(point.percentiles is not None for point in points)
    # The first design is that of the tables.
    assert [one.buttons["key"].debounce.ns for one in made] == [
        round(value) for value in varied.values[1:]]


def test_a_design_with_other_guards_learns_anew(tmp_path: Path) -> None:
    """A threshold of the gauge is in a guard: the life is that of the design alone."""
    found = pattern(tmp_path, lamp(more=CHARGER), head() + EVENING)
    gadget = found.gadget
    assert gadget is not None
    layouts = [
        Layout(found, one, [25.0])
        for one in (gadget, with_values(gadget, {"gauge.thresholds[0]": 3.5}),
                    with_values(gadget, {"loads.lamp.current": 0.03}))
    ]
    assert not layouts[0].serves(layouts[1])
    assert layouts[0].serves(layouts[2])
