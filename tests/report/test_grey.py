"""Plots without their colours: what is told apart by colour is told apart by a dash or mark too."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

from simfw.cli import main
from simfw.report.drawing import DASHES, STATE_COLOURS
from simfw.report.sweep_plot import COLOURS, MARKERS

ROOT = Path(__file__).parents[2]


def test_lines_of_one_plot_differ_in_more_than_colour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lights of the larder lamp, drawn by `circuit`: each named line has its own dash."""
    drawn: list[Figure] = []

    def keep(_path: str, draw: Callable[[], Figure]) -> None:
        with mpl.rc_context():
            drawn.append(draw())

    monkeypatch.setattr("simfw.report.circuit_plot.write_figure", keep)
    main(["circuit", str(ROOT / "scenarios/larder-lamp/gadget.toml"),
          "--plot", str(tmp_path / "circuit.svg")])
    named = [[line for line in axes.lines if str(line.get_label())[:1] != "_"]
             for axes in drawn[0].axes]
    assert max(map(len, named)) == 3
    for lines in named:
        assert len({repr(line.get_linestyle()) for line in lines}) == len(lines)


def test_colours_come_with_as_many_marks_and_dashes() -> None:
    """A second figure of a sweep has a marker for each colour; dashes and colours repeat apart."""
    assert len(set(MARKERS)) == len(MARKERS) == len(COLOURS)
    pairs = {(repr(DASHES[n % len(DASHES)]), STATE_COLOURS[n % len(STATE_COLOURS)])
             for n in range(len(DASHES) * len(STATE_COLOURS))}
    assert len(pairs) == len(DASHES) * len(STATE_COLOURS)
