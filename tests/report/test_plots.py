"""The plots of a run, from hand-made runs: what is drawn, and that files come out whole."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from simfw.behaviour.build import build_system
from simfw.circuit.circuit import Circuit
from simfw.engine.ticking import ticking_groups
from simfw.errors import UsageError
from simfw.loading import load_gadget
from simfw.report import plots
from simfw.report.plots import run_figure, write_plot
from simfw.stimuli.scenario import Temperature, Usb
from tests.report.made import ROOT, made_run

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
    assert any(text.endswith(" mAh, 53 %") for text in found)
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
    groups = plots._joined(many)
    assert [len(group) for group in groups] == [2, 1, 1, 1, 1, 1]
    assert plots._mean(groups[0], [1.0, 4.0]) == pytest.approx(2.5)
    times, volts = plots._voltage_line(circuit, groups)
    assert list(volts[:2]) == [3.5, 3.5]
    assert list(times[:2]) == [0, 2 * second]


def test_a_light_that_blinks_within_a_fold_is_hatched() -> None:
    """A folded stretch shows the blink's level where the light draws, and no steady level."""
    run = made_run()
    parts = (replace(run.intervals[0], cycles=50), replace(run.intervals[2], cycles=50))
    groups = [[part] for part in parts]
    steady, blinks = plots._drawn_levels(run, "marker", {"marker": 0.5}, groups)
    assert steady == [0.0, 0.0]
    assert blinks == [0.5, 0.0]
    assert plots._drawn_levels(run, "shelf", {"marker": 0.5}, groups) == ([1.0, 0.0], [0.0, 0.0])


def test_lights_blinked_by_a_region_are_found() -> None:
    """A region that ticks between states blinks the lights whose level differs between them."""
    gadget = load_gadget(ROOT / "scenarios/cellar-steps/gadget.toml")
    regions = [r for r in build_system(gadget).regions if r.group == "behaviour"]
    assert plots._blinking(regions, ticking_groups(regions)) == {"mark": 1.0}


def test_mean_of_no_time_is_its_first_value() -> None:
    """A stretch without length has the value it begins with."""
    part = replace(made_run().intervals[0], end_ns=0)
    assert plots._mean([part], [3.0]) == 3.0


def test_inputs_show_usb_to_the_end_and_temperature(circuit: Circuit) -> None:
    """USB without an end lasts to the end of the run; an unplug without a plug shows nothing."""
    run = made_run()
    steps = (
        Usb(at_ns=1, present=False),
        Usb(at_ns=10, present=True),
        Usb(at_ns=12, present=True),
        Temperature(at_ns=20, temperature_c=5.0),
    )
    lanes = dict(plots._input_lanes(replace(run, scenario=replace(run.scenario, steps=steps))))
    assert lanes == {"USB": [(10, run.end_ns)], "5 °C from here": [(20, 20)]}


@pytest.mark.parametrize(
    ("seconds", "unit"), [(90, "s"), (3600, "min"), (12_000, "h"), (300_000, "days")]
)
def test_time_axis_takes_a_unit_that_fits(seconds: int, unit: str) -> None:
    """Seconds, minutes, hours or days by the length of the run."""
    assert plots._time_scale(made_run(end_ns=seconds * 10**9))[1] == unit


def test_spread_moves_labels_just_far_enough() -> None:
    """Labels keep their order and a gap; those far apart stay where they are."""
    assert plots._spread([3.0, 3.02, 4.0], 0.1) == pytest.approx([3.0, 3.1, 4.0])
    assert plots._spread([], 0.1) == []


def test_voltage_line_follows_each_stretch(circuit: Circuit) -> None:
    """The line runs from the first stretch's start to the last one's end, in time order."""
    run = made_run()
    times, volts = plots._voltage_line(circuit, plots._joined(run))
    assert times[0] == run.start_ns
    assert times[-1] == run.end_ns
    assert np.all(np.diff(times) >= 0)
    assert np.all((volts > 3.0) & (volts < 4.3))
