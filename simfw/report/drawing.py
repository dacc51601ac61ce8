"""What all plots share: colours, style, and how a figure gets into a file.

Colours are those of Okabe and Ito (*Color Universal Design*, 2008), chosen to stay apart for
colour-blind eyes; nothing is told by colour alone. matplotlib is imported inside the functions.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simfw.errors import UsageError
from simfw.quantity import format_si
from simfw.writing import check_file, write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine
    from matplotlib.ticker import Formatter

__all__ = [
    "BLACK",
    "BLUE",
    "DASHES",
    "FAINT",
    "FORMATS",
    "GREEN",
    "HATCHES",
    "ORANGE",
    "PURPLE",
    "RED",
    "REST",
    "SKY",
    "STATE_COLOURS",
    "STYLE",
    "WIDTH_IN",
    "YELLOW",
    "check_ending",
    "format_days",
    "in_si",
    "in_volts",
    "roomy",
    "spread",
    "title",
    "write_figure",
]

FORMATS = ("pdf", "png", "svg")

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, RED, PURPLE = (
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
)
REST = "#D9D9D9"  # the state a region starts in
FAINT = "#8A8A8A"
STATE_COLOURS = (SKY, ORANGE, GREEN, PURPLE, YELLOW, BLUE, RED)
HATCHES = ("", "....", "||||", "xxxx", "----", "oo", "++")  # of states; a slanted one is a blink
DASHES = ("-", "--", "-.", ":", (0, (6, 1, 1, 1, 1, 1)))

WIDTH_IN = 12.0
PLACES = 6  # decimals of places, as shares of the figure

STYLE: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#E6E6E6",
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.8,
    "svg.hashsalt": "simfw",  # the same run gives the same bytes
    "svg.fonttype": "none",
}


def write_figure(path: str | Path, draw: Callable[[], Figure]) -> None:
    """Write what `draw` draws into `path`, as PNG, SVG or PDF by its ending, whole or not at all.

    Raises UsageError for another ending or where the file cannot be written.
    """
    ending = check_ending(path)
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context(STYLE):
        figure = draw()
        _settle(figure)
        name, about = _told(figure)
        # No date and no program version inside: the same picture gives the same bytes.
        metadata = {
            "png": {"Software": None, "Title": name, "Description": about},
            "svg": {"Date": None},
            "pdf": {"CreationDate": None, "Title": name, "Subject": about},
        }
        figure.savefig(stream, format=ending, dpi=130, metadata=metadata[ending])
    drawn = stream.getvalue()
    write_whole(path, _spoken(drawn, name, about) if ending == "svg" else drawn)


def _told(figure: Figure) -> tuple[str, str]:
    """A name for a picture, and what is in it, for those who cannot see it."""
    heads = [text for axes in figure.axes if (text := axes.get_title(loc="left")
                                              or axes.get_title() or axes.get_ylabel())]
    above = [part.get_suptitle() for part in (figure, *figure.subfigs) if part.get_suptitle()]
    name = (above or heads or ["plot"])[0].splitlines()[0]
    labels = dict.fromkeys(axes.get_xlabel() for axes in figure.axes if axes.get_xlabel())
    parts = [f"Panels, from the top: {'; '.join(dict.fromkeys(heads))}." if heads else ""]
    parts += [f"Across: {'; '.join(labels)}." if labels else ""]
    return name, " ".join(" ".join(part.split()) for part in parts if part)


def _spoken(svg: bytes, name: str, about: str) -> bytes:
    """An SVG with a title and a description for screen readers (SVG 2, 5.8; from memory)."""
    from xml.sax.saxutils import escape

    start = svg.index(b">", svg.index(b"<svg")) + 1
    told = f"\n <title>{escape(name)}</title>\n <desc>{escape(about)}</desc>".encode()
    return svg[: start - 1] + b' role="img">' + told + svg[start:]


def _settle(figure: Figure) -> None:
    """Lay out once and round all places: the solver's last bits differ from one call to the next.

    A vector file has enough digits to show them, and the same run is to give the same bytes.
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for piece in figure.subfigs:
        piece.bbox_relative.set_points(np.round(piece.bbox_relative.get_points(), PLACES) + 0.0)
    for axes in figure.axes:
        left, bottom, width, height = (round(float(p), PLACES) for p in axes.get_position().bounds)
        axes.set_position((left, bottom, width, height))


def check_ending(path: str | Path) -> str:
    """The format of a plot by the ending of its name.

    Raises UsageError for an unknown ending, and where the file cannot be written.
    """
    ending = Path(path).suffix.removeprefix(".").lower()
    if ending not in FORMATS:
        endings = ", ".join(f".{known}" for known in FORMATS)
        raise UsageError(f'Cannot draw "{path}": its name must end in one of {endings}.')
    check_file(path)
    return ending


def roomy() -> ConstrainedLayoutEngine:
    """A layout that leaves some room between the parts of a figure and at its edges."""
    from matplotlib.layout_engine import ConstrainedLayoutEngine as Engine

    return Engine(w_pad=0.08, h_pad=0.08)


def title(axis: Axes, text: str) -> None:
    """Head a panel."""
    axis.set_title(text, loc="left", fontsize=9, fontweight="bold", pad=3)


def in_volts() -> Formatter:
    """Ticks as volts with two decimals, more where the tick is not there."""
    from matplotlib.ticker import FuncFormatter

    def text(value: float, _: int | None) -> str:
        digits = next(n for n in (2, 3, 4, 5) if n == 5 or abs(round(value, n) - value) < 1e-7)
        return f"{value:.{digits}f} V"

    return FuncFormatter(text)


def in_si(unit: str) -> Formatter:
    """Ticks with the prefix that fits: "100 µA"."""
    from matplotlib.ticker import FuncFormatter

    return FuncFormatter(lambda value, _: format_si(value, unit) if value > 0 else f"0 {unit}")


def format_days(days: float) -> str:
    """Days with three digits that count and no power of ten: "12.3 days", "1100 days"."""
    rounded = float(f"{days:.3g}")
    text = f"{rounded:.0f}" if rounded >= 100 else f"{rounded:g}"
    return f"{text} days"


def spread(places: Sequence[float], gap: float) -> list[float]:
    """Move places apart, upwards in rising order, until all are at least `gap` from each other."""
    order = sorted(range(len(places)), key=lambda k: places[k])
    moved = list(places)
    for before, after in pairwise(order):
        moved[after] = max(moved[after], moved[before] + gap)
    return moved
