"""The plots of a run, from hand-made runs: what is drawn, and that files come out whole."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from simfw.circuit.circuit import Circuit
from simfw.errors import UsageError
from simfw.report.drawing import in_volts, spread
from simfw.report.plots import run_figure, write_plot
from simfw.report.stretches import bursts, input_lanes, joined, light_blocks, mean, view
from simfw.report.time_panels import voltage_line
from simfw.stimuli.scenario import Temperature, Usb
from tests.report.made import made_run
from tests.report.winks import press, winking

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STARTS = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    """The circuit of the larder lamp."""
    return Circuit(made_run().gadget)


@pytest.fixture(scope="module")
def figure(circuit: Circuit) -> Figure:
    """The picture of the hand-made run, laid out."""
    drawn = run_figure(made_run(), circuit)
    drawn.draw_without_rendering()
    return drawn


def texts(figure: Figure) -> list[str]:
    """Every text in the figure, tick labels included."""
    return [
        artist.get_text() for artist in figure.findobj(lambda artist: hasattr(artist, "get_text"))
    ]


@pytest.mark.parametrize("ending", sorted(STARTS))
def test_plot_is_written_by_its_ending_and_is_reproducible(
    ending: str, circuit: Circuit, tmp_path: Path
) -> None:
    """Each format comes out, and the same run gives the same bytes."""
    first, second = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    write_plot(made_run(), circuit, first)
    write_plot(made_run(), circuit, second)
    assert first.read_bytes().startswith(STARTS[ending])
    assert first.read_bytes() == second.read_bytes()


def test_unknown_ending_is_refused_before_anything_is_drawn(
    circuit: Circuit, tmp_path: Path
) -> None:
    """A plot must be a .pdf, .png or .svg."""
    with pytest.raises(UsageError) as caught:
        write_plot(made_run(), circuit, tmp_path / "run.bmp")
    assert str(caught.value) == (
        f'Cannot draw "{tmp_path / "run.bmp"}": its name must end in one of .pdf, .png, .svg.'
    )
    assert list(tmp_path.iterdir()) == []


def test_plot_says_inputs_states_units_and_bars(figure: Figure) -> None:
    """A reader finds every lane named and every axis with its unit."""
    found = texts(figure)
    for text in (
        "hand at wave", "level", "USB", "lit.full", "charging", "shelf", "time (h)",
        "share of the charge used (%)", "charge of the cell (%)", "5 bars, from 3.98 V",
        "1 bar, from 3.30 V", "0 bars", "cut-off 3.05 V", "low 3.45 V", "flat 3.25 V",
        "open-circuit", "cell voltage under load", "drawn by all consumers", "given by the charger",
    ):  # fmt: skip
        assert text in found, text
    assert any(text.endswith(" mAh, 54 %") for text in found)
    assert any(text.endswith(" V") for text in found)


def test_current_axis_is_logarithmic_and_shows_the_run(figure: Figure) -> None:
    """Micro- and milliampere are both readable in one picture."""
    axis = next(a for a in figure.findobj() if getattr(a, "get_yscale", str)() == "log")
    low, high = axis.get_ylim()
    assert low < 1.2e-4 < 0.08 < high


def test_labels_do_not_overlap(figure: Figure) -> None:
    """Bar names beside the discharge curve keep clear of each other."""
    boxes = [
        text.get_window_extent()
        for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))
        if " bar" in text.get_text() and "," in text.get_text()
    ]
    assert len(boxes) == 5
    boxes.sort(key=lambda box: box.y0)
    assert all(lower.y1 <= upper.y0 + 1 for lower, upper in pairwise(boxes))


def test_a_cut_off_below_the_curve_is_not_written_outside_the_picture(circuit: Circuit) -> None:
    """A level that the cell never comes to has no label under the axis."""
    run = made_run()
    assert any(text.startswith("cut-off") for text in texts(run_figure(run, circuit)))
    cut_off = run.gadget.cell.cut_off
    assert cut_off is not None
    cell = run.gadget.cell.model_copy(update={"cut_off": replace(cut_off, value=1.0)})
    low = replace(run, gadget=run.gadget.model_copy(update={"cell": cell}))
    assert not any(text.startswith("cut-off") for text in texts(run_figure(low, circuit)))


def test_plot_of_a_gadget_with_little_in_it(circuit: Circuit, tmp_path: Path) -> None:
    """No gauge, no charger, no inputs, no light on: still a picture."""
    run = made_run()
    bare_parts = {"gauge": None, "behaviour": {}, "rules": (), "proximity": {}}
    gadget = run.gadget.model_copy(update=bare_parts)
    scenario = replace(run.scenario, steps=())
    intervals = tuple(
        replace(part, levels=(0.0, 0.0, 0.0), bars=None, charger_a=0.0) for part in run.intervals
    )
    bare = replace(run, gadget=gadget, scenario=scenario, intervals=intervals)
    found = texts(run_figure(bare, circuit))
    assert found.count("none") >= 2
    assert "bars of the gauge, shown or not" not in found


def test_plot_without_any_current(circuit: Circuit) -> None:
    """A run that draws nothing at all is drawn too."""
    run = made_run()
    idle = replace(
        run,
        consumers=tuple(replace(use, charge_c=0.0) for use in run.consumers),
        intervals=tuple(
            replace(part, consumers_a=(0.0,) * 6, charger_a=0.0) for part in run.intervals
        ),
    )
    assert "who used the charge" in texts(run_figure(idle, circuit))


def test_short_stretches_are_joined_for_drawing(circuit: Circuit) -> None:
    """Stretches too short to be seen are drawn as one, with their mean; long ones stay alone."""
    run = made_run()
    first = run.intervals[0]
    second = 10**9
    short = tuple(
        replace(first, start_ns=k * second, end_ns=(k + 1) * second, voltage_v=3.0 + k)
        for k in range(2)
    )
    many = replace(run, intervals=(*short, replace(first, start_ns=2 * second), *run.intervals[1:]))
    groups = joined(view(many, circuit))
    assert [len(group) for group in groups] == [2, 1, 1, 1, 1, 1]
    assert mean(groups[0], [1.0, 4.0]) == pytest.approx(2.5)
    times, volts = voltage_line(circuit, groups)
    assert list(volts[:2]) == [3.5, 3.5]
    assert list(times[:2]) == [0, 2 * second]


def test_mean_of_no_time_is_its_first_value() -> None:
    """A stretch without length has the value it begins with."""
    part = replace(made_run().intervals[0], end_ns=0)
    assert mean([part], [3.0]) == 3.0


def test_inputs_show_usb_to_the_end_and_temperature(circuit: Circuit) -> None:
    """USB without an end lasts to the end of the run; an unplug without a plug shows nothing."""
    run = made_run()
    steps = (
        Usb(at_ns=1, present=False),
        Usb(at_ns=10, present=True),
        Usb(at_ns=12, present=True),
        Temperature(at_ns=20, temperature_c=5.0),
    )
    lanes = dict(input_lanes(replace(run, scenario=replace(run.scenario, steps=steps))))
    assert lanes == {"USB": [(10, run.end_ns)], "5 °C from here": [(20, 20)]}


@pytest.mark.parametrize(
    ("seconds", "unit"), [(90, "s"), (3600, "min"), (12_000, "h"), (300_000, "days")]
)
def test_time_axis_takes_a_unit_that_fits(seconds: int, unit: str, circuit: Circuit) -> None:
    """Seconds, minutes, hours or days by the length of the run."""
    assert view(made_run(end_ns=seconds * 10**9), circuit).label == f"time ({unit})"


def test_spread_moves_labels_just_far_enough() -> None:
    """Labels keep their order and a gap; those far apart stay where they are."""
    assert spread([3.0, 3.02, 4.0], 0.1) == pytest.approx([3.0, 3.1, 4.0])
    assert spread([], 0.1) == []


def test_voltage_line_follows_each_stretch(circuit: Circuit) -> None:
    """The line runs from the first stretch's start to the last one's end, in time order."""
    run = made_run()
    times, volts = voltage_line(circuit, joined(view(run, circuit)))
    assert times[0] == run.start_ns
    assert times[-1] == run.end_ns
    assert np.all(np.diff(times) >= 0)
    assert np.all((volts > 3.0) & (volts < 4.3))


def lane(figure: Figure, name: str, title: str = "lights and loads") -> list[tuple[str, float]]:
    """What is drawn in a lane of lights: (what, height in levels) of each kind of bar, in order."""
    axis = next(a for a in figure.axes if a.get_title(loc="left").startswith(title))
    drawn = []
    for bars in axis.collections:
        label = str(bars.get_label())
        if label.startswith(f"{name} "):
            box = bars.get_paths()[0].get_extents()
            drawn.append((label.removeprefix(f"{name} "), round(box.height / 0.8, 4)))
    return drawn


@pytest.mark.parametrize("fold", [True, False])
def test_a_flashing_light_is_hatched_and_a_dim_one_is_not(fold: bool, tmp_path: Path) -> None:
    """20 ms in each second: hatched up to full, filled to 2 %; beside it a steady 20 %.

    The same whether cycles were folded or not: the picture is of the lamp, not of the engine.
    """
    run = winking(tmp_path, press("1 s"), lasts="10 min", fold=fold)
    figure = run_figure(run, Circuit(run.gadget))
    assert lane(figure, "glow") == [("level", 0.2)]
    (hatched, peak), (filled, level) = lane(figure, "lamp")
    assert (hatched, peak, filled) == ("blinks", 1.0, "level")
    assert level == pytest.approx(0.02, rel=0.02)
    axis = next(a for a in figure.axes if a.get_title(loc="left").startswith("lights"))
    assert [str(bars.get_label()) for bars in axis.collections if bars.get_hatch()] == [
        "lamp blinks"
    ]


def test_a_flash_ends_where_the_last_one_does(tmp_path: Path) -> None:
    """Dark before the first flash, blinking, then steady: three blocks and what is between."""
    run = winking(tmp_path, press("60 s") + press("5 min"), lasts="10 min")
    blocks = light_blocks(view(run, Circuit(run.gadget)), run.outputs.index("lamp"))
    assert [(one.lit.lowest, one.lit.peak) for one in blocks if one.lit.peak] == [(0, 1), (1, 1)]
    blinks = next(one for one in blocks if not one.lit.steady)
    # Click 60.12 s, first flash 980 ms later; one begins at 299.1 s, before the second click.
    assert blinks.start_ns == 61_100_000_000
    assert blinks.end_ns == 299_120_000_000
    assert sum(one.end_ns - one.start_ns for one in blocks) == run.duration_ns


def test_blinks_that_can_be_seen_are_drawn_one_by_one(tmp_path: Path) -> None:
    """In a picture of five seconds each flash of 20 ms is a bar of its own, folded or not."""
    run = winking(tmp_path, press("1 s"), lasts="10 min")
    shown = view(run, Circuit(run.gadget), 300 * 10**9, 305 * 10**9)
    blocks = light_blocks(shown, run.outputs.index("lamp"))
    flashes = [one for one in blocks if one.lit.peak > 0]
    assert len(flashes) == 5
    assert all(one.lit.steady and one.end_ns - one.start_ns == 20_000_000 for one in flashes)
    # What is written out of a fold is what an unfolded run has there.
    plain = winking(tmp_path, press("1 s"), lasts="10 min", fold=False)
    assert light_blocks(
        view(plain, Circuit(plain.gadget), 300 * 10**9, 305 * 10**9), run.outputs.index("lamp")
    ) == blocks


def test_colours_without_room_for_a_name_are_in_a_legend(tmp_path: Path) -> None:
    """A state of seconds in ten minutes is named below the states; what is named is not again."""
    run = winking(tmp_path, press("1 s") + press("5 s"), lasts="10 min")
    figure = run_figure(run, Circuit(run.gadget))
    axis = next(a for a in figure.axes if a.get_title(loc="left") == "states")
    legend = axis.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == [
        "lamp_mode.dark", "lamp_mode.rest/wink",
    ]
    assert [text.get_text() for text in axis.texts] == ["full"]


def test_states_are_told_apart_without_colour(tmp_path: Path) -> None:
    """Every state that a region is in has its own pair of colour and hatch, none is slanted."""
    run = winking(tmp_path, press("1 s") + press("5 s") + press("300 s"), lasts="10 min")
    figure = run_figure(run, Circuit(run.gadget))
    axis = next(a for a in figure.axes if a.get_title(loc="left") == "states")
    hatches = {str(bars.get_label()): bars.get_hatch() for bars in axis.collections}
    assert hatches == {
        "lamp_mode.dark": None, "lamp_mode.rest/wink": None, "lamp_mode.full": "....",
    }


def test_a_burst_of_gestures_has_an_inset_in_seconds(tmp_path: Path) -> None:
    """Two clicks within seconds of an hour are drawn closer, on an axis from the first on."""
    run = winking(tmp_path, press("10 min") + press("10 min 2 s") + press("40 min"), lasts="1 h")
    figure = run_figure(run, Circuit(run.gadget))
    headed = [a for a in figure.axes if a.get_title(loc="left")[:3] in ("A: ", "B: ")]
    assert [a.get_title(loc="left") for a in headed] == ["A: at 10 min", "B: at 40 min"]
    assert headed[0].get_xlim() == pytest.approx((-0.5, 3.6))
    assert "time after 10 min (s)" in texts(figure)
    marks = next(a for a in figure.axes if a.get_title(loc="left") == "inputs").texts
    assert [mark.get_text() for mark in marks] == ["A", "B"]
    # A picture of seconds needs none.
    closer = run_figure(run, Circuit(run.gadget), from_ns=599 * 10**9, to_ns=605 * 10**9)
    assert not any(a.get_title(loc="left").startswith("A:") for a in closer.axes)


def test_of_many_bursts_the_first_of_each_kind_are_drawn_and_the_rest_is_told(
    tmp_path: Path,
) -> None:
    """Four insets at most; a double press comes before the fourth single one."""
    steps = "".join(press(f"{minute} min") for minute in (1, 10, 20, 30, 50))
    run = winking(tmp_path, steps + press("40 min") + press("40 min 1 s"), lasts="1 h")
    assert len(bursts(run, run.start_ns, run.end_ns)) == 6
    found = texts(run_figure(run, Circuit(run.gadget)))
    assert {text for text in found if text[:3] in ("A: ", "B: ", "C: ", "D: ")} == {
        "A: at 1 min", "B: at 10 min", "C: at 20 min", "D: at 40 min",
    }
    assert any("2 more bursts of gestures" in text for text in found)


def test_a_part_of_the_run_is_drawn_from_and_to_given_times(circuit: Circuit) -> None:
    """The time axis has the ends asked for, and the picture says that it is a part."""
    minute = 60 * 10**9
    figure = run_figure(made_run(), circuit, from_ns=20 * minute, to_ns=30 * minute)
    axis = next(a for a in figure.axes if a.get_xlabel() == "time (min)")
    assert axis.get_xlim() == (20.0, 30.0)
    assert any("drawn: 20 min to 30 min" in text for text in texts(figure))
    shown = view(made_run(), circuit, 20 * minute, 30 * minute)
    assert [(p.start_ns // minute, p.end_ns // minute) for p in shown.intervals] == [
        (20, 25), (25, 30),
    ]
    assert shown.intervals[0].end_charge == made_run().intervals[0].end_charge


def test_a_gauge_without_thresholds_has_no_panel(circuit: Circuit) -> None:
    """A gauge that only tells low and flat shows no bars, so none are drawn."""
    run = made_run()
    assert run.gadget.gauge is not None
    gauge = run.gadget.gauge.model_copy(update={"thresholds": ()})
    bare = replace(run, gadget=run.gadget.model_copy(update={"gauge": gauge}))
    headed = "bars of the gauge, shown or not"
    assert headed in texts(run_figure(run, circuit))
    assert headed not in texts(run_figure(bare, circuit))


def test_ticks_of_volts_are_where_they_say() -> None:
    """Two decimals where they are enough, never a rounded tick."""
    assert [in_volts()(value, 0) for value in (3.6, 2.525, 2.4999)] == [
        "3.60 V", "2.525 V", "2.4999 V",
    ]
