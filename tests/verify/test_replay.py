"""Recording a run and replaying it: agreement, and disagreements found where they are."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import simfw
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.report.record import recording_text
from simfw.report.replay import replay_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import read_map
from simfw.stimuli.recording.signals import Observed, observe
from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Press, Scenario, Step, Temperature, Usb, Wave
from simfw.verify.prediction import Begin, Model
from simfw.verify.replay import Options, Replayed, replay
from simfw.verify.tracing import traced
from tests.verify.firmwares import LAMP, STEPS
from tests.verify.recorded import seen

HERE = Path(__file__).parent
CAPTURES = HERE.parent / "data" / "captures"
STRIP = HERE.parents[1] / "scenarios" / "strip-controller"
TOLERANCE = 20_000_000
MS = 1_000_000


@pytest.fixture(scope="module")
def lamp(tmp_path_factory: pytest.TempPathFactory) -> Gadget:
    """The demo lamp."""
    path = tmp_path_factory.mktemp("lamp") / "lamp.toml"
    path.write_text(LAMP)
    return simfw.load_gadget(path)


@pytest.fixture(scope="module")
def prepared(lamp: Gadget) -> Prepared:
    """Its circuit, tabulated once."""
    return Prepared(lamp)


def scenario(lamp: Gadget, steps: list[Step], lasts_ms: int = 60_000) -> Scenario:
    """A scenario of the lamp."""
    return Scenario(title="", gadget_path=Path(lamp.file), charge=0.8, lasts_ns=lasts_ms * MS,
                    steps=tuple(steps), gadget=lamp)


def observed(lamp: Gadget, text: str, folder: Path, kind: str = ".csv") -> Observed:
    """What a recording says about the lamp."""
    path = folder / f"run{kind}"
    path.write_text(text)
    return seen(path, lamp)


def press(at: int, button: str = "power", length: int = 100, bounce: int = 0) -> Press:
    """A press; times in ms."""
    return Press(at_ns=at * MS, button=button, for_ns=length * MS, bounce_ns=bounce * MS)


SESSION: list[Step] = [
    press(2000), press(4000, "level", bounce=3), press(7000, length=2400), press(12_000, "level"),
    press(14_000, length=2400), press(17_000, "level"), press(18_000),
    Wave(at_ns=20_000 * MS, sensor="wave", distance_m=0.08, for_ns=400 * MS),
]


def moved(track: Track, by: Callable[[int], int]) -> Track:
    """A track with its steps moved."""
    return Track(track.start, [time + by(number) for number, time in enumerate(track.times_ns)],
                 list(track.levels))


times = st.lists(st.tuples(
    st.sampled_from(["power", "level", "wave", "usb", "temperature"]),
    st.integers(30, 2500), st.integers(0, 3)), min_size=1, max_size=8)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(times, st.sampled_from([".csv", ".vcd"]), st.integers(0, 2**30))
def test_any_run_recorded_replays_to_the_same_run_and_agrees(
    lamp: Gadget, prepared: Prepared, tmp_path_factory: pytest.TempPathFactory,
    things: list[tuple[str, int, int]], kind: str, seed: int,
) -> None:
    """CSV and VCD alike: the same events and charge, and every output matched to the ns."""
    at, steps = 500, list[Step]()
    for what, length, extra in things:
        if what in ("power", "level"):
            steps.append(press(at, what, length, bounce=min(extra, length // 10)))
        elif what == "wave":
            steps.append(Wave(at_ns=at * MS, sensor="wave", distance_m=0.05 + extra / 100,
                              for_ns=length * MS))
        elif what == "usb":
            steps.append(Usb(at_ns=at * MS, present=extra % 2 == 0))
        else:
            steps.append(Temperature(at_ns=at * MS, temperature_c=20.0 + extra))
        at += length + random.Random(seed + at).randint(20, 1500)
    run = simulate(lamp, scenario(lamp, steps, at + 3000), prepared=prepared)
    found = observed(lamp, recording_text(run, kind), tmp_path_factory.mktemp("run"), kind)
    again = simulate(lamp, scenario(lamp, list(found.steps), at + 3000), prepared=prepared)
    assert again.events == run.events
    # A stimulus that changes nothing is not in the recording, so intervals are cut elsewhere and
    # sums of charge differ in their last digits.
    assert again.end_charge == pytest.approx(run.end_charge, rel=1e-12)
    assert [use.charge_c for use in again.consumers] == pytest.approx(
        [use.charge_c for use in run.consumers], rel=1e-9)
    result = replay(found, lamp)
    assert result.agrees
    assert result.clock.factor == 1.0
    assert {one.worst_ns for one in result.verdicts} == {0.0}


@pytest.fixture(scope="module")
def session(lamp: Gadget, prepared: Prepared, tmp_path_factory: pytest.TempPathFactory
            ) -> Observed:
    """A recorded session with presses, holds, blinking and a wave."""
    run = simulate(lamp, scenario(lamp, SESSION), prepared=prepared)
    return observed(lamp, recording_text(run, ".csv"), tmp_path_factory.mktemp("session"))


@settings(max_examples=6, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**30))
def test_edges_off_by_less_than_the_tolerance_still_agree(
    lamp: Gadget, session: Observed, seed: int
) -> None:
    """Every output edge moved by up to 9 of 20 ms, either way: all matched."""
    draw = random.Random(seed)
    shaken = {name: moved(track, lambda _: draw.randint(-9 * MS, 9 * MS))
              for name, track in session.outputs.items()}
    result = replay(replace(session, outputs=shaken), lamp)
    assert [one.verdict for one in result.verdicts] == ["matched"] * len(result.verdicts)


@pytest.mark.parametrize(("by_ms", "kind"), [(45, "late"), (-45, "early"), (None, "missing")])
@pytest.mark.parametrize("number", [0, 1, 2])
def test_an_edge_off_by_more_is_found_as_that_edge(
    lamp: Gadget, session: Observed, number: int, by_ms: int | None, kind: str
) -> None:
    """One edge of the lamp moved beyond the tolerance or left out is the first difference."""
    track = session.outputs["shelf"]
    if by_ms is None:
        changed = Track(track.start, [*track.times_ns], [*track.levels])
        del changed.times_ns[number], changed.levels[number]
    else:
        changed = moved(track, lambda k: by_ms * MS if k == number else 0)
    result = replay(replace(session, outputs={**session.outputs, "shelf": changed}), lamp)
    assert not result.agrees
    assert result.first is not None
    verdict, pair = result.first
    assert (verdict.signal, verdict.verdict) == ("shelf", kind)
    assert pair is not None
    assert pair.kind == kind
    edge = pair.model if kind == "missing" else pair.recorded
    assert edge is not None
    assert edge.time_ns == track.times_ns[number] + (by_ms or 0) * MS


def test_an_edge_that_the_model_does_not_have_is_extra(lamp: Gadget, session: Observed) -> None:
    """A blink of the recording that nothing explains."""
    track = session.outputs["shelf"]
    changed = Track(track.start, [1000 * MS, 1100 * MS, *track.times_ns],
                    [1.0, 0.0, *track.levels])
    result = replay(replace(session, outputs={**session.outputs, "shelf": changed}), lamp)
    assert [pair.kind for one in result.verdicts for pair in one.disagreements] == ["extra"] * 2


@pytest.mark.parametrize("factor", [0.93, 0.985, 1.004, 1.06])
def test_the_clock_factor_is_recovered_within_a_tenth_of_a_percent(
    lamp: Gadget, prepared: Prepared, tmp_path: Path, factor: float
) -> None:
    """A controller whose clock is slow or quick: stimuli when they come, dwells stretched."""
    plain = observed(lamp, recording_text(
        simulate(lamp, scenario(lamp, SESSION), prepared=prepared), ".csv"), tmp_path)
    model = Model(lamp, plain)
    real = model.predict(Begin(charge=0.8), factor)
    outputs = {}
    for name, edges in real.edges.items():
        if name in plain.outputs:
            track = Track(real.starts[name])
            for edge in edges:
                track.put(round(edge.time_ns), edge.level)
            outputs[name] = track
    result = replay(replace(plain, outputs=outputs), lamp)
    assert result.agrees
    assert result.clock.factor == pytest.approx(factor, abs=0.001)
    assert result.clock.low is not None
    assert result.clock.high is not None
    assert result.clock.low <= factor + 1e-6
    assert factor - 1e-6 <= result.clock.high


def test_a_factor_beyond_the_bounds_is_a_failed_fit(lamp: Gadget, session: Observed) -> None:
    """Blinking 14 % slow: the fit runs into its bound and says so."""
    model = Model(lamp, session)
    real = model.predict(Begin(charge=0.8), 1.1)
    outputs = {name: moved(Track(real.starts[name], [round(e.time_ns) for e in edges],
                                 [e.level for e in edges]), lambda _: 0)
               for name, edges in real.edges.items() if name in session.outputs}
    result = replay(replace(session, outputs=outputs), lamp)
    assert result.clock.failed
    assert not result.agrees


def test_slopes_of_edges_are_those_of_a_second_run(lamp: Gadget, session: Observed) -> None:
    """The derivative to the clock factor, told by one run, is that of two runs."""
    model = Model(lamp, session)
    begin = Begin(charge=0.8)
    one, other = model.predict(begin, 1.0), model.predict(begin, 1.00001)
    for name in ("shelf", "marker"):
        for before, after, origin in zip(one.edges[name], other.edges[name], one.origins[name],
                                         strict=True):
            slope = (after.time_ns - before.time_ns) / 1e-5
            assert slope == pytest.approx(origin.dwells_ns, abs=2e5)


def test_a_traced_run_is_the_run(lamp: Gadget, prepared: Prepared) -> None:
    """Looking on changes nothing."""
    plan = scenario(lamp, SESSION)
    assert traced(prepared, plan).run.events == simulate(lamp, plan, prepared=prepared).events


def strip(name: str, tolerance_ms: int = 20, without: str = "") -> Replayed:
    """A real capture, replayed on the gadget file learnt from its kind."""
    gadget = simfw.load_gadget(STRIP / "gadget.toml")
    mapped = read_map(STRIP / "map.toml")
    if without:
        form = mapped.frames["remote"]
        codes = {code: button for code, button in form.names.items() if button != without}
        mapped = mapped.model_copy(update={"frames": {
            "remote": form.model_copy(update={"names": codes})}})
    recording = open_recording(CAPTURES / f"led_strip_{name}.sr")
    return replay(observe(recording, mapped, gadget), gadget,
                  Options(tolerance_ns=tolerance_ms * MS))


@pytest.mark.parametrize(("name", "tolerance_ms", "begins", "edges"), [
    ("red_press_on", 20, "power-up", 1),
    ("red_press_flash", 20, "strip.red.low", 11),
    ("red_press_strobe", 20, "strip.red.low", 18),
    ("red_press_fade", 20, "strip.red.low", 36),
    ("red_brightness_max", 20, "strip.red.high", 0),
    ("switch_red_to_red", 20, "strip.red.low", 0),
    ("switch_red_to_green", 20, "strip.red.low", 2),
    ("switch_red_to_blue", 20, "strip.red.low", 2),
    ("switch_red_to_yellow", 20, "strip.red.low", 1),
    ("mode_fade", 30, "strip.fade.078", 272),
    ("mode_smooth", 20, "strip.smooth.070", 402),
])
def test_the_eleven_real_captures_agree(
    name: str, tolerance_ms: int, begins: str, edges: int
) -> None:
    """Every output of every capture, with the start state found, none given."""
    result = strip(name, tolerance_ms)
    assert result.agrees
    assert str(result.begin) == begins
    assert sum(len(one.pairs) for one in result.verdicts) == edges


def test_a_code_without_a_button_is_tried() -> None:
    """Without `blue` in the map, the button that explains the outputs is named."""
    result = strip("switch_red_to_blue", without="blue")
    assert result.agrees
    assert result.said[-1] == ("codes without a button were tried: 00FF11EE as blue fits best; if "
                               "that is right, add it to the map")


def test_a_wrong_colour_is_a_disagreement() -> None:
    """With the code of blue taken for green, the replay says so."""
    gadget = simfw.load_gadget(STRIP / "gadget.toml")
    mapped = read_map(STRIP / "map.toml")
    form = mapped.frames["remote"]
    codes = {**form.names, "00FF11EE": "green"}
    mapped = mapped.model_copy(update={"frames": {
        "remote": form.model_copy(update={"names": codes})}})
    recording = open_recording(CAPTURES / "led_strip_switch_red_to_blue.sr")
    result = replay(observe(recording, mapped, gadget), gadget)
    assert {one.signal: one.verdict for one in result.verdicts} == {
        "red_line": "matched", "green_line": "missing", "blue_line": "extra"}


def test_the_long_session_exercises_every_row(tmp_path: Path) -> None:
    """What the thirty firmwares are told apart by: each written row fires at least once."""
    (tmp_path / "lamp.toml").write_text(LAMP)
    (tmp_path / "session.toml").write_text(STEPS)
    plan = simfw.load_scenario(tmp_path / "session.toml")
    assert plan.gadget is not None
    fired = traced(Prepared(plan.gadget), plan).fired
    written = {f"behaviour.{name}.rows[{number}]" for name, part in plan.gadget.behaviour.items()
               for number in range(len(part.rows))}
    assert written <= set(fired)


def test_edges_near_the_end_are_judged_or_told(lamp: Gadget, tmp_path: Path) -> None:
    """An extra edge just before the end counts; one the model makes just after it matches.

    An edge of the model that the recording may just have missed is counted as undecided.
    """
    run = simulate(lamp, scenario(lamp, [press(2000)], 4000))
    found = observed(lamp, recording_text(run, ".csv"), tmp_path)
    track = found.outputs["shelf"]
    lit = track.times_ns[0]

    def judged(times: list[int], levels: list[float], end_ns: int) -> Replayed:
        outputs = {"shelf": Track(track.start, times, levels)}
        return replay(replace(found, outputs=outputs, end_ns=end_ns), lamp,
                      Options(tolerance_ns=TOLERANCE, factor=1.0))

    level = track.levels[0]
    extra = judged([lit, lit + 990 * MS], [level, 0.0], lit + 1000 * MS)
    assert not extra.agrees
    assert [pair.kind for pair in extra.verdicts[0].disagreements] == ["extra"]
    early = judged([lit - 5 * MS], [level], lit - 2 * MS)
    assert early.agrees
    assert [pair.kind for pair in early.verdicts[0].pairs] == ["matched"]
    cut = judged([], [], lit + 5 * MS)
    assert cut.agrees
    assert cut.verdicts[0].undecided == 1
    assert ("shelf: 1 edge of the model within the tolerance of the recording's end, not judged"
            in replay_text(cut, None, None, lambda text, _tone: text))
    missed = judged([], [], lit + 25 * MS)
    assert [pair.kind for pair in missed.verdicts[0].disagreements] == ["missing"]
