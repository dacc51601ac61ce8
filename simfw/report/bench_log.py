"""What is left of a bench log as text and as JSON: what `simfw narrow` prints."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from simfw.benchlog.model import CLOCK
from simfw.errors import QuantityError
from simfw.gadget.dimensions import value_text
from simfw.quantity import format_percent, format_rough_time, format_si, read_number
from simfw.report.text import columns, plain

if TYPE_CHECKING:
    from simfw.benchlog.model import BenchLog, Unknown
    from simfw.benchlog.narrowed import (
        Contradiction,
        Interval,
        Narrowed,
        RivalResult,
        Together,
    )

__all__ = [
    "answers_text",
    "end_text",
    "left_texts",
    "measured_text",
    "narrowed_json",
    "narrowed_text",
    "nearest_lines",
    "span_text",
    "wrapped",
]

WIDTH = 80
_MOST_SUSPECTS = 8
_ASIDE = 0.02  # of a range: further in, a reached end is told beside it
_SIGNS = {"sum": "+", "ratio": "/", "product": "x"}

Paint = Callable[[str, str], str]


# -- words -------------------------------------------------------------------------------------


def end_text(unknown: Unknown, value: float, outward: int = 0) -> str:
    """A value of an unknown; `outward` -1 rounds down, 1 up, so that a printed range is no less."""
    if unknown.key == CLOCK:
        share = 100.0 * (value - 1.0)
        tenths = round(share * 10.0, 6)
        whole = math.floor(tenths) if outward < 0 else (
            math.ceil(tenths) if outward > 0 else round(tenths))
        return f"{whole / 10.0:+g} %"
    for step in range(40):
        moved = value * (1.0 + outward * 2.5e-4 * step)
        text = value_text(moved, unknown.dimension)
        try:
            read = read_number(text, unknown.dimension)
        except QuantityError:
            return text
        if outward * (read - value) >= -1e-12 * abs(value):
            return text
    return value_text(value, unknown.dimension)


def span_text(unknown: Unknown, low: float, high: float) -> str:
    """A range of an unknown, rounded outwards."""
    return f"{end_text(unknown, low, -1)} .. {end_text(unknown, high, 1)}"


def left_texts(found: Narrowed) -> dict[str, str]:
    """What is left of each unknown that is a figure of the gadget file, and what holds it there."""
    told = {}
    for unknown, one in zip(found.log.unknowns, found.intervals, strict=True):
        if unknown.key != CLOCK:
            by = " + ".join(dict.fromkeys((*one.low_by, *one.high_by)))
            told[unknown.key] = f"{span_text(unknown, one.low, one.high)} ({by or 'not narrowed'})"
    return told


def measured_text(value: float, unit: str) -> str:
    """What was seen or could have been, with its unit."""
    if unit == "s":
        return format_rough_time(value)
    if unit == "share":
        return format_percent(value)
    return format_si(value, unit) if unit else f"{value:.3g}"


def answers_text(log: BenchLog, combination: tuple[int, ...]) -> str:
    """A combination of answers in words."""
    named = log.answers(combination)
    return "; ".join(f"{question}: {answer}" for question, answer in named.items()) or (
        "the gadget file as it is")


def wrapped(text: str, first: str = "  ", then: str = "      ") -> Iterator[str]:
    """`text` in lines of 80 columns, indented."""
    yield from textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=then,
                             break_long_words=False, break_on_hyphens=False)


# -- text --------------------------------------------------------------------------------------


def narrowed_text(found: Narrowed, paint: Paint = plain) -> str:
    """The report of `simfw narrow`."""
    log = found.log
    gadget = next(iter(log.gadgets.values()))
    lines = [paint(": ".join(p for p in (gadget.head.name, log.title) if p), "head")]
    lines.append(
        f"{_many(len(log.observations), 'observation')}, {_many(len(log.unknowns), 'unknown')}, "
        f"{_many(len(found.rivals), 'combination')} of answers, {found.runs:,} exact runs")
    lines += ["", paint("Explanations", "head")]
    for rival in found.rivals:
        lines += _rival_lines(found, rival, paint)
    lines += nearest_lines(found)
    if found.intervals:
        lines += ["", paint("What is left of each unknown", "head")]
        for unknown, interval in zip(log.unknowns, found.intervals, strict=True):
            lines += _interval_lines(found, unknown, interval)
        if len(found.possible) > 1:
            lines += _by_rival(found)
    lines += _section(paint, "Known together better than alone", _together_lines(found))
    lines += _section(paint, "Contradictions", _contradiction_lines(found))
    lines += _section(paint, "The gadget file itself may be wrong", _suspect_lines(found))
    lines += _section(paint, "Would not be noticed if wrong", _unnoticed_lines(found))
    lines += _section(paint, "Rests on guesses", _guess_lines(found))
    lines += _section(paint, "Nothing observed bears on", [f"  {k}" for k in found.untouched])
    lines += _section(paint, "What that means", _meaning_lines(found))
    if not all(rival.whole or rival.not_looked_at for rival in found.rivals):
        lines += ["", "Not finished: the exact runs that were allowed are used up (--runs), or the "
                      "work", "that all combinations share. What was not decided is open, and ends "
                      "that were", "not reached lie outside."]
    if any(rival.not_looked_at for rival in found.rivals):
        lines += ["", "Not looked at is what would take more work than all combinations may share; "
                      "fewer", "combinations, or shorter observations, leave more for each."]
    return "\n".join(lines) + "\n"


def _section(paint: Paint, title: str, lines: Sequence[str]) -> list[str]:
    return ["", paint(title, "head"), *lines] if lines else []


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


_STATES = {"fits": ("possible", "good"), "excluded": ("excluded", "bad"), "open": ("open", "head")}


def _rival_lines(found: Narrowed, rival: RivalResult, paint: Paint) -> list[str]:
    word, tone = _STATES[rival.state]
    text = answers_text(found.log, rival.combination)
    lines = list(wrapped(f"{word:<9} {text}", "  ", " " * 12))
    lines[0] = lines[0].replace(word, paint(word, tone), 1)
    if rival.state == "open":
        fits = rival.off <= 1.0
        why = "all that was looked at fits" if fits else (
            f"the nearest run is {rival.off:.2f} tolerances off")
        lines += wrapped(f"not decided: {why}", " " * 12, " " * 12)
    if rival.not_looked_at:
        lines += wrapped(f"not looked at: {', '.join(rival.not_looked_at)}", " " * 12, " " * 12)
    for one in rival.contradictions[:1]:
        lines += wrapped(
            f"by {' + '.join(one.observations)}: "
            f"{_never_text(found.log, one) or f'at the least {one.off:.3g} tolerances off'}",
            " " * 12, " " * 12)
    return lines


def _never_text(log: BenchLog, one: Contradiction) -> str:
    """What of a contradiction came in no run; nothing where all came in some."""
    read = {seen.name for seen in log.observations if seen.reading is not None}
    return "; ".join(
        ("the mode" if name in read else "what was waited for")
        + (f" of {name}" if len(one.observations) > 1 else "") + " is never reached in these runs"
        for name in one.never)


def nearest_lines(found: Narrowed) -> list[str]:
    """Where nothing fits: which explanation comes nearest; nothing else."""
    if found.nearest is None:
        return []
    return list(wrapped(
        f"Nothing fits. Nearest is {answers_text(found.log, found.nearest.combination)}: its worst "
        f"observation is {found.nearest.off:.3g} tolerances off", "  ", "  "))


def _interval_lines(found: Narrowed, unknown: Unknown, interval: Interval) -> list[str]:
    before = span_text(unknown, unknown.low, unknown.high)
    after = span_text(unknown, interval.low, interval.high)
    if not interval.low_by and not interval.high_by:
        state = "open still" if any(r.state == "open" for r in found.possible) else "not narrowed"
        lines = list(wrapped(f"{unknown.key}: {after}, {state}"))
        aside = _ASIDE * (interval.high - interval.low)
        if interval.low_reached > interval.low + aside or (
                interval.high_reached < interval.high - aside):
            ends = (interval.low_reached, interval.high_reached)
            lines += wrapped(
                f"runs that fit reached {' .. '.join(end_text(unknown, end) for end in ends)}; "
                "that nothing beyond fits is not shown", "    ", "      ")
        return lines
    lines = list(wrapped(f"{unknown.key}: {after}   (was {before})"))
    for word, by, reached in (
        ("low end", interval.low_by, interval.low_reached),
        ("high end", interval.high_by, interval.high_reached),
    ):
        if not by:
            continue
        how = "bounded only"
        if math.isfinite(reached):
            how = f"reached {end_text(unknown, reached)}"
        lines += wrapped(f"{word} held by {' + '.join(by)}; {how}", "    ", "      ")
    return lines


def _by_rival(found: Narrowed) -> list[str]:
    """The intervals of each combination that is left, where they differ."""
    lines: list[str] = []
    for rival in found.possible:
        own = [
            f"{unknown.key} {span_text(unknown, part.low, part.high)}"
            for unknown, part, all_ in zip(
                found.log.unknowns, rival.intervals, found.intervals, strict=True)
            if span_text(unknown, part.low, part.high)
            != span_text(unknown, all_.low, all_.high)
        ]
        if own:
            lines += wrapped(f"if {answers_text(found.log, rival.combination)}:", "  ", "    ")
            lines += [line for text in own for line in wrapped(text, "      ", "        ")]
    return lines


def _together_lines(found: Narrowed) -> list[str]:
    lines: list[str] = []
    many = len(found.possible) > 1
    for rival in found.possible:
        for one in rival.together:
            text = f"{f' {_SIGNS[one.kind]} '.join(one.keys)}: {_together_span(found.log, one)}"
            if many:
                text += f"   (if {answers_text(found.log, rival.combination)})"
            lines += wrapped(text)
    return lines


def _together_span(log: BenchLog, one: Together) -> str:
    first, second = (next(u for u in log.unknowns if u.key == key) for key in one.keys)
    if one.kind == "sum":
        return span_text(first, one.low, one.high)
    if one.kind == "ratio" and first.dimension is second.dimension:
        return f"{one.low:.3g} .. {one.high:.3g}"
    (by, one_s), (and_by, other_s) = (_unit(first), _unit(second))
    size = one_s / other_s if one.kind == "ratio" else one_s * other_s
    unit = f"{by}/{and_by}" if one.kind == "ratio" else f"{by}·{and_by}"
    return f"{one.low / size:.3g} .. {one.high / size:.3g} {unit}"


def _unit(unknown: Unknown) -> tuple[str, float]:
    """A usual unit of an unknown, and its size."""
    name = unknown.dimension.likely[-1]
    factor = unknown.dimension.units[name]
    return (name, float(factor)) if isinstance(factor, Decimal) else ("", 1.0)


def _contradiction_lines(found: Narrowed) -> list[str]:
    lines: list[str] = []
    for one in found.contradictions:
        sure = "" if one.minimal else "; perhaps fewer of them do"
        said = ("no figures fit it" if len(one.observations) == 1
                else "no figures fit them together")
        by = _never_text(found.log, one) or f"{one.off:.3g} tolerances off at the least"
        lines += wrapped(f"{' + '.join(one.observations)}: {said}, {by}{sure}")
    for name, combinations in found.left_out.items():
        seen = next(one for one in found.log.observations if one.name == name)
        doubt = " (in doubt)" if seen.doubt else ""
        which = " / ".join(answers_text(found.log, one) for one in combinations[:3])
        more = "" if len(combinations) <= 3 else f" and {len(combinations) - 3} more"
        lines += wrapped(f"without {name}{doubt} this could fit: {which}{more}")
    if found.contradictions and not found.left_out:
        lines += wrapped("leaving out one observation is not enough")
    return lines


_KNOWN = {"guess": "a guess", "measured": "measured", "published": "published",
          "default": "a default of this tool"}


def _suspect_lines(found: Narrowed) -> list[str]:
    """Where nothing fits: the figures taken as known of which one alone could be wrong."""
    told = found.suspects
    if told is None:
        return []
    where = "" if len(found.rivals) == 1 else (
        f" (with {answers_text(found.log, told.combination)})")
    lines: list[str] = []
    if told.figures:
        first = ("With this figure changed" if len(told.figures) == 1
                 else "With one of these figures changed, and no other,")
        lines += wrapped(f"{first} a run fits everything{where}:", "  ", "  ")
        for one in told.figures[:_MOST_SUSPECTS]:
            is_, says = (value_text(v, one.dimension) for v in (one.value, one.written))
            known = _KNOWN.get(one.origin)
            lines += wrapped(f"{one.key}: about {is_} in place of {says}"
                             + (f" ({known})" if known else ""), "    ", "      ")
        more = len(told.figures) - _MOST_SUSPECTS
        lines += [f"    and {more} more (--json)"] if more > 0 else []
        lines += wrapped("That one is wrong is not shown. Measure it, or list it under [unknown] "
                         "with the range that you believe.", "  ", "  ")
    else:
        if told.asked:
            none = (f"Of {_many(told.asked, 'figure')} that the file takes as known and that "
                    f"bear{'s' if told.asked == 1 else ''} on what contradicts, none was found "
                    "that lets everything fit alone, up to tenfold either way")
        elif told.whole:
            none = ("No figure that the file takes as known moves what contradicts, where it alone "
                    "is a little more, a quarter or four times as much")
        else:
            none = ("Whether one figure alone that the file takes as known could be wrong is not "
                    "told")
        lines += wrapped(f"{none}{where}. Two may be wrong, a row, a range under [unknown] or what "
                         "was seen.", "  ", "  ")
    if not told.whole:
        lines += wrapped(f"{'Not all' if told.asked else 'None'} were asked about: the runs for "
                         "that are used up.", "  ", "  ")
    return lines


def _unnoticed_lines(found: Narrowed) -> list[str]:
    lines: list[str] = []
    names = dict.fromkeys(one.observation for r in found.possible for one in r.unnoticed)
    for name in names:
        parts = [one for r in found.possible for one in r.unnoticed if one.observation == name]
        low = measured_text(min(one.low for one in parts), parts[0].unit)
        high = measured_text(max(one.high for one in parts), parts[0].unit)
        lines += wrapped(f"{name}: the others would believe anything from {low} to {high}")
    return lines


def _guess_lines(found: Narrowed) -> list[str]:
    rows: dict[str, tuple[float, str]] = {}
    for rival in found.possible:
        for one in rival.guesses:
            if one.moves > rows.get(one.key, (0.0, ""))[0]:
                rows[one.key] = one.moves, one.observation
    order = sorted(rows.items(), key=lambda item: -item[1][0])
    lines = [
        line for key, (moves, name) in order
        for line in wrapped(f"{key}: 10 % more moves {name} by {moves:.2g} tolerances")
    ]
    if dear := _not_tried(found):
        lines += wrapped(f"not tried, for that would take too much work: {', '.join(dear)}")
    return lines


def _not_tried(found: Narrowed) -> list[str]:
    """The guesses of which is not known what 10 % more of them would move."""
    return sorted({key for rival in found.possible for key in rival.guesses_not_tried})


def _meaning_lines(found: Narrowed) -> list[str]:
    rows = []
    names = dict.fromkeys(one.what for r in found.possible for one in r.meanings)
    for what in names:
        parts = [one for r in found.possible for one in r.meanings if one.what == what]
        lows = [one.low_s for one in parts if one.low_s is not None]
        low = "no end" if not lows else format_rough_time(min(lows))
        highs = [one.high_s for one in parts]
        high = "no end" if None in highs else format_rough_time(
            max(h for h in highs if h is not None))
        rows.append((what, low if low == high else f"{low} .. {high}",
                     f"over {_many(sum(one.gadgets for one in parts), 'gadget')} at the ends"))
    return columns(rows)


# -- JSON --------------------------------------------------------------------------------------


def narrowed_json(found: Narrowed) -> dict[str, Any]:
    """What is left as values for JSON: SI units, times in nanoseconds where the key is a time."""
    log = found.log
    return {
        "format": 1,
        "title": log.title,
        "gadget": next(iter(log.gadgets.values())).head.name,
        "seed": found.seed,
        "rivals": [_rival_json(one) for one in found.rivals],
        "unknowns": [
            {"key": unknown.key, "guess": unknown.guess, "before_low": unknown.low,
             "before_high": unknown.high} | _interval_json(interval)
            for unknown, interval in zip(
                log.unknowns, found.intervals or [None] * len(log.unknowns), strict=True)
        ],
        "nearest": None if found.nearest is None else {
            "answers": found.nearest.answers, "off": _round(found.nearest.off)},
        "contradictions": [_contradiction_json(one) for one in found.contradictions],
        "would_fit_without": [
            {"observation": name, "combinations": [log.answers(one) for one in combinations]}
            for name, combinations in found.left_out.items()
        ],
        "suspects": _suspects_json(found),
        "unnoticed_if_wrong": _unnoticed_json(found),
        "guesses": _guesses_json(found),
        "guesses_not_tried": _not_tried(found),
        "untouched": list(found.untouched),
        "evaluations": found.runs,
        "finished": all(one.whole for one in found.rivals),
    }


def _round(value: float) -> float | None:
    """Six digits: what lies beyond them is no knowledge."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _interval_json(one: Interval | None) -> dict[str, Any]:
    if one is None:
        return {"low": None, "high": None, "low_reached": None, "high_reached": None,
                "low_by": [], "high_by": []}
    return {
        "low": _round(one.low), "high": _round(one.high),
        "low_reached": _round(one.low_reached), "high_reached": _round(one.high_reached),
        "low_by": list(one.low_by), "high_by": list(one.high_by),
    }


def _contradiction_json(one: Contradiction) -> dict[str, Any]:
    return {"observations": list(one.observations), "off": _round(one.off),
            "minimal": one.minimal, "never": list(one.never)}


def _rival_json(one: RivalResult) -> dict[str, Any]:
    return {
        "answers": one.answers,
        "state": _STATES[one.state][0],
        "off": _round(one.off),
        "not_looked_at": list(one.not_looked_at),
        "evaluations": one.runs,
        "unknowns": [{"key": part.key} | _interval_json(part) for part in one.intervals],
        "together": [
            {"kind": part.kind, "keys": list(part.keys), "low": _round(part.low),
             "high": _round(part.high)}
            for part in one.together
        ],
        "contradictions": [_contradiction_json(part) for part in one.contradictions],
        "decided_by": {name: list(keys) for name, keys in one.decided_by.items()},
        "means": [
            {"what": part.what, "low_s": None if part.low_s is None else _round(part.low_s),
             "high_s": None if part.high_s is None else _round(part.high_s),
             "gadgets": part.gadgets}
            for part in one.meanings
        ],
    }


def _suspects_json(found: Narrowed) -> dict[str, Any] | None:
    told = found.suspects
    return None if told is None else {
        "answers": found.log.answers(told.combination),
        "figures": [
            {"key": one.key, "written": _round(one.written), "would_fit": _round(one.value),
             "origin": one.origin}
            for one in told.figures
        ],
        "asked": told.asked,
        "finished": told.whole,
    }


def _unnoticed_json(found: Narrowed) -> list[dict[str, Any]]:
    return [
        {"observation": one.observation, "low": _round(one.low), "high": _round(one.high),
         "unit": one.unit, "answers": rival.answers}
        for rival in found.possible for one in rival.unnoticed
    ]


def _guesses_json(found: Narrowed) -> list[dict[str, Any]]:
    return [
        {"key": one.key, "tenth_moves_tolerances": _round(one.moves),
         "observation": one.observation, "answers": rival.answers}
        for rival in found.possible for one in rival.guesses
    ]
