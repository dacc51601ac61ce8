"""Two answers to one question beside each other: what a changed figure, or another file, moves.

The answers are the values of the documented JSON, so that whatever a command tells can be compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simfw.formatting import format_duration, format_percent, format_rough_time, format_si
from simfw.report.text import Paint, columns, format_charge

__all__ = ["Compared", "compare", "compared_json", "compared_text"]

SMALLEST = 1e-3
"""Relative difference below which a figure is only counted in text."""

MOST_ROWS = 20
MOST_EVENTS = 20

# What is compared otherwise (events), or is no answer.
_LEFT_OUT = frozenset({
    "gadget", "scenario", "title", "events", "findings", "guesses", "without_origin", "searched",
    "open_cells", "unhandled_pairs", "detail", "free", "text", "texts", "notes", "steps",
})
_NAMES = ("name", "region", "state", "bars", "key", "expression", "pin")
_UNITS = ("a", "v", "c", "s", "w", "m", "days")
_SHARES = ("charge", "share", "duty", "low", "high", "error")

Leaf = float | str | bool | None


@dataclass(frozen=True, slots=True)
class Moved:
    """An event in both answers at another time (ns), or in one of them (the other is None)."""

    name: str
    before_ns: int | None
    after_ns: int | None


@dataclass(frozen=True, slots=True)
class Compared:
    """What differs: figures by their place in the JSON (before, after), events, and findings.

    A finding is a pair: "came" or "went", and its text.
    """

    figures: dict[str, tuple[Leaf, Leaf]]
    events: tuple[Moved, ...]
    findings: tuple[tuple[str, str], ...] = ()


def compare(before: Mapping[str, Any], after: Mapping[str, Any]) -> Compared:
    """What differs between two values of one command's JSON.

    A figure that one of them does not have is None there. Events are told apart by name: those at
    one time in both are equal, others pair in the order of time, and what is left over came or
    went.
    """
    old, new = dict(_leaves(before, ())), dict(_leaves(after, ()))
    figures = {
        place: (old.get(place), new.get(place))
        for place in [*old, *(place for place in new if place not in old)]
        if old.get(place) != new.get(place)
    }
    moves = _moves(before.get("events", []), after.get("events", []))
    found = [[one["text"] for one in value.get("findings", [])] for value in (before, after)]
    findings = [("came", text) for text in found[1] if text not in found[0]]
    findings += [("went", text) for text in found[0] if text not in found[1]]
    return Compared(figures, tuple(moves), tuple(findings))


def _leaves(value: Any, place: tuple[str, ...]) -> Iterator[tuple[str, Leaf]]:
    """Each figure and word of a JSON value with its place in it."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in _LEFT_OUT and not key.endswith("why") and key not in _NAMES:
                yield from _leaves(inner, (*place, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _leaves(item, (*place, _name_of(item, index)))
    else:
        yield " ".join(place), value


def _name_of(item: Any, index: int) -> str:
    """What a list item is called in its place: its own names, else its number."""
    if isinstance(item, str):
        return item
    if not isinstance(item, Mapping):
        return str(index)
    states = item.get("states")
    if isinstance(states, Mapping):
        outside = item.get("outside") or {}
        return ", ".join([*map(str, states.values()),
                          *(f"{name} {at}" for name, at in outside.items())])
    named = [str(item[key]) for key in _NAMES if item.get(key) is not None]
    return ".".join(named) or str(index)


def _moves(before: Sequence[Any], after: Sequence[Any]) -> list[Moved]:
    times: dict[str, tuple[list[int], list[int]]] = {}
    for side, events in enumerate((before, after)):
        for event in events:
            pair = times.setdefault(event["name"], ([], []))
            pair[side].append(round(event["time_s"] * 1e9))
    moves = []
    for name, (old, new) in times.items():
        gone, come = _only(old, new), _only(new, old)
        both = min(len(gone), len(come))
        moves += [Moved(name, *pair) for pair in zip(gone[:both], come[:both], strict=True)]
        moves += [Moved(name, time, None) for time in gone[both:]]
        moves += [Moved(name, None, time) for time in come[both:]]
    return sorted(moves, key=lambda move: (_first(move), move.name))


def _only(these: Sequence[int], others: Sequence[int]) -> list[int]:
    """Those of `these` that `others` does not have, each as often as it has one more."""
    left: dict[int, int] = {}
    for time in others:
        left[time] = left.get(time, 0) + 1
    only = []
    for time in these:
        if left.get(time, 0):
            left[time] -= 1
        else:
            only.append(time)
    return only


def _first(move: Moved) -> int:
    return min(time for time in (move.before_ns, move.after_ns) if time is not None)


def compared_json(found: Compared) -> dict[str, Any]:
    """The differences as values of the documented JSON; times in seconds."""
    return {
        "figures": [{"figure": place, "before": old, "after": new}
                    for place, (old, new) in found.figures.items()],
        "events": [{"name": move.name, "before_s": _seconds(move.before_ns),
                    "after_s": _seconds(move.after_ns)} for move in found.events],
        "findings": [{"change": change, "text": text} for change, text in found.findings],
    }


def _seconds(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / 1e9


def compared_text(
    found: Compared, title: str, paint: Paint, *, before: str = "as written", after: str = "changed"
) -> str:
    """The differences as text: figures side by side, then events that moved, came or went."""
    told = {place: pair for place, pair in found.figures.items() if not _told_already(place)}
    shown = {place: pair for place, pair in told.items() if _counts(*pair)}
    rows = [("", before, after, "difference")]
    rows += [_row(place, *pair) for place, pair in list(shown.items())[:MOST_ROWS]]
    lines = [paint(title, "head")]
    lines += columns(rows, right=(1, 2, 3)) if shown else ["  no figure differs"]
    more = len(shown) - MOST_ROWS
    if more > 0:
        lines.append(f"  and {more} more figures; --json has all")
    small = len(told) - len(shown)
    if small:
        lines.append(f"  {small} {'figure differs' if small == 1 else 'figures differ'} by less "
                     f"than {format_percent(SMALLEST)}")
    moves = [_told(move) for move in found.events[:MOST_EVENTS]]
    lines += columns(moves) if moves else []
    lines += columns(found.findings) if found.findings else []
    if len(found.events) > MOST_EVENTS:
        lines.append(f"  and {len(found.events) - MOST_EVENTS} more events; --json has all")
    return "\n".join(lines) + "\n"


def _told_already(place: str) -> bool:
    """Whether a charge says what an average current or another charge beside it says."""
    return place.startswith(("consumers ", "states ")) and place.endswith(" charge_c")


def _counts(old: Leaf, new: Leaf) -> bool:
    """Whether a difference is worth a line."""
    if not _number(old) or not _number(new):
        return True
    assert isinstance(old, float | int)
    assert isinstance(new, float | int)
    return abs(new - old) >= SMALLEST * max(abs(old), abs(new))


def _number(value: Leaf) -> bool:
    return isinstance(value, float | int) and not isinstance(value, bool)


def _row(place: str, old: Leaf, new: Leaf) -> tuple[str, str, str, str]:
    """A figure's line: its place without the unit, both values with it, and the difference."""
    words = place.split(" ")
    *stem, unit = words[-1].split("_")
    if unit not in _UNITS or not stem:
        stem, unit = words[-1].split("_"), ""
    share = not unit and stem[-1] in _SHARES
    name = " ".join([*words[:-1], " ".join(stem)])
    change = ""
    if _number(old) and _number(new) and old:
        assert isinstance(old, float | int)
        assert isinstance(new, float | int)
        change = f"{100 * (new - old) / abs(old):+.3g} %"
    return name, _value(old, unit, share), _value(new, unit, share), change


def _value(value: Leaf, unit: str, share: bool) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if unit == "c":
        return format_charge(value)
    if unit == "s":
        return format_rough_time(value)
    if unit == "days":
        return format_rough_time(value * 86400)
    if unit:
        return format_si(value, {"a": "A", "v": "V", "w": "W", "m": "m"}[unit])
    return format_percent(value) if share else f"{value:.4g}"


def _told(move: Moved) -> tuple[str, str, str]:
    if move.before_ns is None:
        assert move.after_ns is not None
        return "came", move.name, format_duration(_to_ms(move.after_ns))
    if move.after_ns is None:
        return "went", move.name, format_duration(_to_ms(move.before_ns))
    before, after = _to_ms(move.before_ns), _to_ms(move.after_ns)
    if before == after:
        before, after = move.before_ns, move.after_ns
    return "moved", move.name, f"{format_duration(before)} -> {format_duration(after)}"


def _to_ms(time_ns: int) -> int:
    """A time in whole milliseconds, where it has any: nobody reads nanoseconds."""
    return round(time_ns, -6) if time_ns >= 10**6 else time_ns
