"""The words of a replay report: levels, stimuli, disagreements, measured times."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from matplotlib import rc_context

from simfw.cli import main
from simfw.report.replay import (
    _tick,
    _timings,
    as_scenario,
    level_text,
    measured_text,
    pair_text,
    replay_text,
    step_text,
)
from simfw.report.replay_plot import around_first, replay_figure, write_replay_plot
from simfw.stimuli.recording.mapfile import Signal
from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Expect, Press, Step, Temperature, Usb, Wave
from simfw.verify.alignment import Edge, Pair
from simfw.verify.clock_fit import ClockFit
from simfw.verify.explaining import Divergence, Suspect
from simfw.verify.prediction import Begin
from simfw.verify.replay import Options, Replayed, replay
from simfw.verify.timings import Measured, TimingReport, ToRecord
from tests.verify.firmwares import LAMP
from tests.verify.gadgets import gadget
from tests.verify.recorded import seen

S = 10**9
MS = 10**6
LIGHT = Signal(kind="light", name="lamp")
BARS = Signal(kind="segments", name="bars", segments=5)


GALLERY = Path(__file__).parents[1] / "gallery"


@pytest.mark.parametrize(("name", "recording"), [("two-readers", "recording.vcd"),
                                                 ("stair-glimmer", "recording.csv")])
def test_edges_at_the_very_time_that_was_worked_out_are_off_by_nothing(
    name: str, recording: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reads and looks fall where they fall after a power-up, not a nanosecond beside it.

    The times of the edges in these recordings were worked out by hand (the README of each).
    """
    folder = GALLERY / name
    files = [str(folder / recording), "--map", str(folder / "map.toml")]
    assert main(["replay", *files, "--json"]) == 0
    signals = json.loads(capsys.readouterr().out)["signals"]
    assert signals
    assert [one["worst_s"] for one in signals] == [0.0] * len(signals)
    assert main(["replay", *files]) == 0
    assert re.search(r"matched +\d+ +\d+ +0 ms ", capsys.readouterr().out)


def test_a_sampled_button_has_no_debounce_to_be_recorded(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """No row of that style uses it (docs/reference/behaviour.md)."""
    folder = GALLERY / "two-readers"
    assert main(["replay", str(folder / "recording.vcd"), "--map", str(folder / "map.toml")]) == 0
    shown = capsys.readouterr().out
    assert "buttons.left.sample_every" in shown
    assert "debounce" not in shown


def test_less_than_a_microsecond_is_told_in_nanoseconds() -> None:
    """Not as a power of ten of a millisecond."""
    first = step_text(Press(at_ns=S, button="power", for_ns=1))
    assert first == "At 1.000000 s, press power for 1 ns"
    assert step_text(Press(at_ns=S, button="power", for_ns=1000)).endswith("for 0.001 ms")


@pytest.mark.parametrize(
    ("level", "signal", "text"),
    [
        (None, LIGHT, "unknown"),
        (0.0, LIGHT, "off"),
        (1.0, LIGHT, "on"),
        (0.455, LIGHT, "45.5 %"),
        (0.0, BARS, "0 lit"),
        (3.0, BARS, "3 lit"),
    ],
)
def test_a_level_is_written_as_in_the_gadget_file(
    level: float | None, signal: Signal, text: str
) -> None:
    """On, off, a share, or a number of segments."""
    assert level_text(level, signal) == text


@pytest.mark.parametrize(
    ("step", "text"),
    [
        (Press(at_ns=2 * S, button="key", for_ns=150 * MS), "At 2.000000 s, press key for 150 ms"),
        (Wave(at_ns=S, sensor="wave", distance_m=0.085, for_ns=300 * MS),
         "At 1.000000 s, hand before wave at 8.5 cm for 300 ms"),
        (Usb(at_ns=0, present=True), "At 0.000000 s, USB in"),
        (Usb(at_ns=3 * S, present=False), "At 3.000000 s, USB out"),
        (Temperature(at_ns=S, temperature_c=-5.5), "At 1.000000 s, -5.5 degC"),
        (Expect(at_ns=S, text="lamp.dark"), "At 1.000000 s, expect lamp.dark"),
    ],
)  # fmt: skip
def test_a_stimulus_is_told_with_its_figures(step: Step, text: str) -> None:
    """When, what, where and for how long."""
    assert step_text(step) == text


@pytest.mark.parametrize(
    ("low", "middle", "high", "text"),
    [
        (None, None, None, "-"),
        (None, None, 80e6, "below 80 ms"),
        (20e6, None, None, "above 20 ms"),
        (20e6, None, 80e6, "between 20 ms and 80 ms"),
        (20e6, 25e6, 80e6, "25 ms (20 ms .. 80 ms)"),
        (599e9, 600e9, 2700.5e9, "10 min (9.98333 min .. 45.0083 min)"),
    ],
)
def test_a_measured_time_is_a_spread_a_bracket_or_a_dash(
    low: float | None, middle: float | None, high: float | None, text: str
) -> None:
    """Never a bare number."""
    one = Measured(key="buttons.key.hold", written="2 s", written_ns=2 * S, low_ns=low,
                   middle_ns=middle, high_ns=high, count=3, finding="consistent")  # fmt: skip
    assert measured_text(one) == text


def edge(at_s: float, before: float, level: float) -> Edge:
    """An edge of an output."""
    return Edge(number=0, time_ns=at_s * S, before=before, level=level)


@pytest.mark.parametrize(
    ("kind", "recorded", "model", "text"),
    [
        ("missing", None, edge(1, 0, 1),
         "missing: the model goes off -> on at 1.000000 s; the recording does not"),
        ("extra", edge(2, 1, 0), None,
         "extra: the recording goes on -> off at 2.000000 s; the model does not"),
        ("level", edge(1, 0, 0.5), edge(1, 0, 1),
         "other level: recorded off -> 50 % at 1.000000 s, model off -> on at 1.000000 s"),
        ("late", edge(1.1, 0, 1), edge(1, 0, 1),
         "late by 100 ms: recorded off -> on at 1.100000 s, model off -> on at 1.000000 s"),
    ],
)  # fmt: skip
def test_a_disagreement_is_told_in_words(
    kind: str, recorded: Edge | None, model: Edge | None, text: str
) -> None:
    """What went where and when, on both sides."""
    pair = Pair(kind=kind, recorded=recorded, model=model)  # type: ignore[arg-type]
    assert pair_text(pair, LIGHT) == text


def test_the_timings_that_were_not_exercised_are_counted_not_listed() -> None:
    """A file of hundreds of dwells still gives a report of a page; --json has them all."""
    idle = [
        Measured(key=f"behaviour.r.rows[{n}].after", written="2 s", written_ns=2 * S, low_ns=None,
                 middle_ns=None, high_ns=None, count=0, finding="not exercised")
        for n in range(200)
    ]  # fmt: skip
    asked = tuple(ToRecord(key=one.key, sequence="wait") for one in idle)
    lines = _timings(TimingReport(timings=tuple(idle), to_record=asked))
    assert lines[0] == "  200 timings of the file not exercised"
    assert lines[-1] == "    and 188 more, listed by --json"
    assert len(lines) == 15


@pytest.mark.parametrize(
    ("tick", "text"),
    [(Fraction(1, 10**9), "1 ns"), (Fraction(1, 10**12), "1e-12 s"), (Fraction(1, 1000), "1 ms")],
)
def test_a_tick_is_written_with_its_unit(tick: Fraction, text: str) -> None:
    """No power of ten where a unit fits."""
    assert _tick(tick) == text


TABLE = """\
# charge: 0.8
time_s,power,shelf,marker
0,0,0,0
1,1,0,0
1.1,0,0,0
1.12,0,1,0
5,0,1,0
"""


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Replayed:
    """One press of a lamp that agrees with its file."""
    folder = tmp_path_factory.mktemp("replayed")
    (folder / "press.csv").write_text(TABLE)
    lamp = gadget(LAMP, folder)
    return replay(seen(folder / "press.csv", lamp), lamp, Options(factor=1.0))


def report(result: Replayed, divergence: Divergence | None = None) -> str:
    """The report without colours and timings."""
    return replay_text(result, divergence, None, lambda text, _tone: text)


@pytest.mark.parametrize(
    ("clock", "text"),
    [
        (ClockFit(), "clock factor not told by this recording; 1 is taken\n"),
        (ClockFit(factor=1.1, failed=True),
         "clock factor: the fit ran into its bound at 1.1; it has failed\n"),
        (ClockFit(factor=1.02, low=1.01, high=1.03, edges=4, timings=("a.after", "b.after")),
         "clock factor 1.02000 (1.01000 .. 1.03000), from 4 edges on a.after, b.after\nbegins"),
        (ClockFit(factor=1.02, low=1.01, high=1.03, edges=4, timings=("a.after",)),
         "from 4 edges on a.after\n  one timing alone: the clock and this timing cannot be told "
         "apart\n"),
    ],
)  # fmt: skip
def test_what_the_recording_tells_of_the_clock_is_said(
    replayed: Replayed, clock: ClockFit, text: str
) -> None:
    """A factor with its range and what it rests on, or that there is none."""
    assert text in report(replace(replayed, clock=clock, options=Options()))


def test_a_failed_clock_is_the_conclusion_where_all_outputs_match(replayed: Replayed) -> None:
    """Then the recording does not agree, though no edge is off."""
    assert report(replayed).endswith("The recording agrees with the gadget file.\n")
    failed = replace(replayed, clock=ClockFit(factor=1.1, failed=True), options=Options())
    assert report(failed).endswith("The clock factor could not be fitted.\n")


def test_the_head_tells_samples_and_what_was_held_or_on_at_the_start(replayed: Replayed) -> None:
    """The sample clock, how long the state was held, contacts closed, and other beginnings."""
    observed = replace(
        replayed.observed, started_on=("power", "hand"),
        recording=replace(replayed.observed.recording, sample_hz=Fraction(24_000_000)))
    begin = Begin(charge=0.55, states={"lamp": "dark"}, lead_ns=250 * MS)
    others = tuple(Begin(charge=0.5, states={"lamp": f"lit.{k}"}) for k in range(7))
    text = report(replace(replayed, observed=observed, begin=begin, also=others))
    assert "press.csv: 5.000000 s, sampled at 24 MHz, 1 stimulus" in text
    assert "begins in lamp.dark, held for 250 ms before, charge 55 %\n" in text
    assert "  would fit as well: lamp.lit.4\n  on when the recording begins: power, hand" in text


def difference(**changes: object) -> Divergence:
    """A lamp that is on when the recording begins, and dark in the model."""
    plain = Divergence(
        signal="shelf", pair=None, starts_recorded=1.0, starts_model=0.0, time_ns=0.0, inputs=(),
        states={"lamp": "dark"}, fired=(), candidates=(), suspects=(), tried=12)
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_a_first_difference_at_the_start_has_no_edge(replayed: Replayed) -> None:
    """Both levels; nothing is said of inputs, rows and changes where there are none."""
    text = report(replayed, difference()).split("First difference\n")[1].split("\n\n")[0]
    assert text.splitlines() == [
        "  shelf: on when the recording begins; the model: off",
        "  the model stood in: lamp.dark",
        "  no change of one timing removes it (12 changes tried)",
    ]


def test_changes_that_remove_a_difference_tell_what_remains(
    replayed: Replayed, tmp_path: Path
) -> None:
    """Everything agrees then, or so many later differences; the rows that fired are named."""
    lamp = gadget(LAMP, tmp_path)
    changes = [
        Suspect(key=f"key{left}", change="1 s -> 2 s", timing=False, left=left, gadget=lamp)
        for left in (0, 3)
    ]
    text = report(replayed, difference(
        fired=("behaviour.lamp.rows[0]",), suspects=tuple(changes)))
    assert "  rows that fired there: behaviour.lamp.rows[0]\n" in text
    assert "    key0: 1 s -> 2 s (everything agrees then)\n" in text
    assert "    key3: 1 s -> 2 s (3 later differences remain)\n" in text


def test_a_scenario_expects_what_was_recorded_where_nothing_changes_for_a_while(
    replayed: Replayed, tmp_path: Path
) -> None:
    """Lights and bars by their levels; nothing of short stretches, unknown levels, other wires."""
    bars = LAMP.replace("[lights.marker]", "[lights.marker]\nleds = 4\nsegments = true")
    signals = {
        "shelf": Signal(kind="light", name="shelf"),
        "marker": Signal(kind="segments", name="marker", segments=4),
        "eye": Signal(kind="emitter", name="wave"),
    }
    outputs = {
        "shelf": Track(None, [1 * S, 2 * S, 2 * S + 30 * MS], [0.455, 0.0, 1.0]),
        "marker": Track(0.0, [3 * S], [3.0]),
        "eye": Track(0.0, [], []),
    }
    observed = replace(
        replayed.observed, signals=signals, outputs=outputs, steps=(), end_ns=4 * S)
    made = as_scenario(
        replace(replayed, observed=observed), gadget(bars, tmp_path), Path("lamp.toml"))
    told = [(step.at_ns, step.text) for step in made.steps if isinstance(step, Expect)]
    after = 2 * replayed.options.tolerance_ns
    half = "shelf > 0.445 and shelf < 0.465"
    assert told == [
        (after, "marker == 0"),
        (S + after, half), (S + after, "marker == 0"),
        (2 * S + 30 * MS + after, "shelf > 0.99"), (2 * S + 30 * MS + after, "marker == 0"),
        (3 * S + after, "shelf > 0.99"),
        (3 * S + after, "marker > 0.74 and marker < 0.76"),
    ]  # fmt: skip


def test_the_plot_has_a_line_for_each_input_and_a_strip_for_each_output(
    replayed: Replayed, tmp_path: Path
) -> None:
    """Buttons, sensors and USB by their names, each once; a temperature has none."""
    steps = (
        Press(at_ns=S, button="power", for_ns=100 * MS),
        Wave(at_ns=2 * S, sensor="hand", distance_m=0.1, for_ns=S),
        Press(at_ns=3 * S, button="power", for_ns=100 * MS),
        Temperature(at_ns=3 * S, temperature_c=40.0), Usb(at_ns=4 * S, present=True),
    )  # fmt: skip
    made = replace(replayed, observed=replace(replayed.observed, steps=steps))
    with rc_context({"svg.fonttype": "none"}):
        write_replay_plot(made, tmp_path / "replay.svg")
        write_replay_plot(
            replace(made, observed=replace(made.observed, steps=())), tmp_path / "idle.svg")
    words = re.findall(r">([^<>]+)</text>", (tmp_path / "replay.svg").read_text(encoding="utf-8"))
    assert [word for word in words if word in ("power", "hand", "usb")] == ["power", "hand", "usb"]
    for strip in ("shelf", "marker"):
        assert any(word.startswith(strip) for word in words)
    assert "40" not in words
    idle = re.findall(r">([^<>]+)</text>", (tmp_path / "idle.svg").read_text(encoding="utf-8"))
    assert [word for word in words if word not in idle] == ["power", "hand", "usb"]


def test_the_plot_shows_a_second_around_the_first_difference(replayed: Replayed) -> None:
    """Half a second before the earlier of the two edges, and half a second after the later one.

    Both are in the window, so that recording and model can be told apart; a replay that agrees has
    one column.
    """
    assert around_first(replayed) is None
    count = len(replayed.verdicts) + 1
    assert len(replay_figure(replayed).axes) == count
    pair = Pair("late", Edge(60.07 * S, 1.0, 0.0), Edge(60.0 * S, 1.0, 0.0))
    one, *others = replayed.verdicts
    made = replace(replayed, verdicts=(replace(one, pairs=(pair,)), *others),
                   observed=replace(replayed.observed, end_ns=3600 * S))
    assert around_first(made) == (59.5 * S, 60.57 * S)
    figure = replay_figure(made)
    assert len(figure.axes) == 2 * count
    last = figure.axes[-1]
    assert last.get_xlim() == pytest.approx((59.5, 60.57))
    titles = [axis.get_title(loc="left") for axis in figure.axes]
    assert "closer: around the first difference" in titles
    assert "on: late by 70 ms" in titles
    dashes = {str(line.get_label()): line.get_linestyle() for line in last.lines}
    assert dashes["recorded"] != dashes["model"]


def test_a_difference_at_the_very_start_is_drawn_closer_too(replayed: Replayed) -> None:
    """A level that differs from the beginning on is shown for the first second."""
    verdict = replace(replayed.verdicts[0], start_agrees=False, starts_recorded=1.0,
                      starts_model=0.0)
    made = replace(replayed, verdicts=(verdict,))
    assert around_first(made) == (0.0, 1e9)
    titles = [axis.get_title(loc="left") for axis in replay_figure(made).axes]
    assert "begins on, model off" in titles
