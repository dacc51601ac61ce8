"""State diagrams as SVG, drawn here: no network, no other program, no font but the reader's own.

One column per state and one line per row of the region. A dot stands in every state the row leads
from, an arrowhead in the state it leads to; a small loop means that the state stays. Lines never
cross labels, however many rows there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

__all__ = ["Column", "Line", "state_diagram"]

INK, FAINT, RULE, ACCENT, WARM = "#1d2a33", "#5f6f79", "#d5dde1", "#0b6b74", "#b9770e"
LETTER = 6.6  # mean width of a letter at 12 px in the usual sans-serif fonts, rounded up
LINE_HEIGHT = 30
MARGIN = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A state: its name, what it drives (short texts), whether it is the first, and awake."""

    name: str
    drives: tuple[str, ...] = ()
    first: bool = False
    awake: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A row: where it leads from and to (column numbers), its number in the tables, its text.

    `targets` is empty where the state stays; more than one means one of them, by mode memory.
    `timed` sets rows apart that fire after a dwell.
    """

    label: str
    text: str
    sources: tuple[int, ...]
    targets: tuple[int, ...]
    timed: bool = False


def _width(text: str, size: float = 12) -> float:
    wide = sum(sign.isupper() for sign in text)
    return (len(text) * LETTER + wide * 2.2) * size / 12


def _text(
    x: float,
    y: float,
    text: str,
    *,
    size: float = 12,
    fill: str = INK,
    anchor: str = "start",
    weight: str = "",
) -> str:
    bold = f' font-weight="{weight}"' if weight else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{fill}" '
        f'text-anchor="{anchor}"{bold}>{escape(text)}</text>'
    )


def _head(x: float, column: Column, width: float, height: float) -> list[str]:
    """The box of a state, centred on x."""
    fill = "#fdf3df" if column.awake else "#eef5f6"
    edge = WARM if column.awake else ACCENT
    parts = [
        f'<rect x="{x - width / 2:.1f}" y="{MARGIN + 14}" width="{width:.1f}" '
        f'height="{height:.1f}" rx="7" fill="{fill}" stroke="{edge}" '
        f'stroke-width="{2 if column.first else 1.2}"/>'
    ]
    if column.first:
        parts.append(
            f'<circle cx="{x:.1f}" cy="{MARGIN - 2}" r="4" fill="{INK}"/>'
            f'<path d="M{x:.1f} {MARGIN + 2}V{MARGIN + 13}m-3.5 -5l3.5 5l3.5 -5" '
            f'fill="none" stroke="{INK}" stroke-width="1.3"/>'
        )
    y = MARGIN + 32.0
    parts.append(_text(x, y, column.name, anchor="middle", weight="600"))
    for drive in column.drives:
        y += 14
        parts.append(_text(x, y, drive, size=10.5, fill=FAINT, anchor="middle"))
    return parts


def _line(line: Line, y: float, centres: Sequence[float]) -> list[str]:
    """The dots, arrow and loop of one row."""
    colour = WARM if line.timed else ACCENT
    dash = ' stroke-dasharray="5 4"' if len(line.targets) > 1 else ""
    parts: list[str] = []
    ends = [centres[i] for i in (*line.sources, *line.targets)]
    if line.targets and max(ends) > min(ends):
        parts.append(
            f'<path d="M{min(ends):.1f} {y:.1f}H{max(ends):.1f}" stroke="{colour}" '
            f'stroke-width="1.6" fill="none"{dash}/>'
        )
    for index in line.sources:
        x = centres[index]
        if index not in line.targets:
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.2" fill="{colour}"/>')
        if not line.targets or (
            index in line.targets and len(line.sources) == 1 and len(line.targets) == 1
        ):
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.2" fill="{colour}"/>'
                f'<path d="M{x + 4:.1f} {y - 3:.1f}c14 -8 14 14 1.5 7.5m5.5 -1.2l-5.5 1.2'
                f'l1.8 5.2" fill="none" stroke="{colour}" stroke-width="1.4"/>'
            )
    if line.sources == line.targets and len(line.targets) == 1:
        return parts
    for index in line.targets:
        x = centres[index]
        others = [centres[i] for i in line.sources if i != index]
        left = any(other < x for other in others)
        right = any(other > x for other in others)
        for side, wanted in ((-1, left), (1, right)):
            if wanted:
                fill = colour if len(line.targets) == 1 else "#fff"
                parts.append(
                    f'<path d="M{x + side * 1.5:.1f} {y:.1f}l{side * 10} -5.5v11z" '
                    f'fill="{fill}" stroke="{colour}" stroke-width="1.3"/>'
                )
    return parts


def state_diagram(title: str, columns: Sequence[Column], lines: Sequence[Line]) -> str:
    """The diagram of one region as an SVG element with a title for readers who cannot see it."""
    boxes = [
        max(
            64.0,
            _width(column.name, 12.6) + 18,
            *(_width(drive, 10.5) + 14 for drive in column.drives),
        )
        for column in columns
    ]
    centres: list[float] = []
    x = float(MARGIN)
    for width in boxes:
        centres.append(x + width / 2)
        x += width + 18
    height = 26.0 + 14 * max((len(column.drives) for column in columns), default=0)
    label_x = x + 6
    top = MARGIN + 14 + height
    label_width = max((_width(line.label, 11) for line in lines), default=0) + 10
    total = label_x + label_width + max((_width(line.text) for line in lines), default=0) + MARGIN
    bottom = top + 14 + LINE_HEIGHT * len(lines)
    parts: list[str] = []
    for index in range(0, len(lines), 2):
        y = top + 14 + LINE_HEIGHT * index
        parts.append(
            f'<rect x="{MARGIN / 2}" y="{y:.1f}" width="{total - MARGIN:.1f}" '
            f'height="{LINE_HEIGHT}" rx="4" fill="#f6f9f9"/>'
        )
    for centre in centres:
        parts.append(
            f'<path d="M{centre:.1f} {top:.1f}V{bottom:.1f}" stroke="{RULE}" '
            'stroke-width="1.2" fill="none"/>'
        )
    for centre, column, width in zip(centres, columns, boxes, strict=True):
        parts += _head(centre, column, width, height)
    for index, line in enumerate(lines):
        y = top + 14 + LINE_HEIGHT * (index + 0.5)
        parts += _line(line, y, centres)
        parts.append(_text(label_x, y + 4, line.label, size=11, fill=FAINT))
        parts.append(_text(label_x + label_width, y + 4, line.text))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {total:.0f} {bottom + 8:.0f}" '
        f'width="{total:.0f}" height="{bottom + 8:.0f}" style="--least:{min(total, 560):.0f}px"'
        " role=\"img\" font-family=\"system-ui, 'Noto Sans', 'DejaVu Sans', sans-serif\">"
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )
