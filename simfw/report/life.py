"""The answers of a study as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from simfw.engine.supply import EMPTY, OPENED, charged_from, emptied_by
from simfw.life.life import Life
from simfw.quantity import format_duration, format_percent, format_rough_time, format_si
from simfw.report.cautions import caution_lines
from simfw.report.spans import ADDED_UP, span_of, within
from simfw.report.text import (
    columns,
    format_rough,
    guess_lines,
    heading,
    origins_json,
    plain,
    what_is_kept,
)

__all__ = ["life_json", "life_text"]

DAY_S = 86_400.0
YEAR_DAYS = 365.25
TENTH = 10  # of fewer users none is one in ten

Paint = Callable[[str, str], str]


def life_json(found: Life) -> dict[str, Any]:
    """The study as plain values for `--json`; see docs/reference/life-json.md.

    A value that does not exist is None, with the reason in `why` by the name of the key.
    """
    low, middle, high = found.percentiles or (None, None, None)
    errors = found.errors_days or (None, None, None)
    held = found.held
    corners = found.corners_days
    gadget = found.pattern.gadget
    assert gadget is not None
    return {
        "format": 1,
        "title": found.pattern.title,
        "gadget": gadget.head.name,
        "users": found.users,
        "seed": found.seed,
        "horizon_s": found.pattern.horizon_ns * 1e-9,
        "start_charge": found.pattern.charge,
        "days_between_charges": {
            "p10": low,
            "p50": middle,
            "p90": high,
            "mean": found.mean_days,
            "error": found.error_days,
            "p10_error": errors[0],
            "p50_error": errors[1],
            "p90_error": errors[2],
            "why": found.why.get("days_between_charges"),
        },
        "watched_s": found.watched_days * DAY_S,
        "charges_per_year": found.charges_per_year,
        "average_current_a": found.average_current_a,
        "within_share": found.within_share,
        "run_time_s": held.run_time_s,
        "ends_by": held.ends_by,
        "fl1_run_time_s": held.fl1_run_time_s,
        "charge_time_s": held.charge_time_s,
        "shelf_life_days": None if held.shelf_life_s is None else held.shelf_life_s / DAY_S,
        "missed_wave_share": found.missed_wave_share,
        "waves": found.waves,
        "refused_share": found.refused_share,
        "dead_share": found.dead_share,
        "hours_per_day_at_bars": {str(bars): h for bars, h in found.hours_at_bars.items()},
        "kept": [
            {"region": one.region, "what": one.what, "writes_per_year": one.writes_per_year}
            for one in found.kept
        ],
        "corners_days": None if corners is None else {
            "worst": _finite(corners[0]), "best": _finite(corners[1])
        },
        "contributors": [{"name": one.name, "share": one.share} for one in found.contributors],
        "changes": [
            {"change": one.change, "gain_days": one.gain_days} for one in found.changes
        ],
        **origins_json(gadget, "life"),
        "why": found.why,
    }


def _finite(days: float) -> float | None:
    return days if math.isfinite(days) else None


def life_text(found: Life, paint: Paint = plain) -> str:
    """The study as text, lines ended by newlines; `paint` as in `text_report`."""
    pattern = found.pattern
    gadget = pattern.gadget
    assert gadget is not None
    users = f"{found.users} user{'' if found.users == 1 else 's'}"
    lines = [
        paint(heading(gadget, pattern.title), "head"),
        f"{users} for at least {format_duration(pattern.horizon_ns)} from "
        f"{format_percent(pattern.charge)} charge, seed {found.seed}",
        "",
        *columns(_summary(found)),
    ]
    lines += _held(found, paint)
    if found.hours_at_bars:
        lines += ["", paint("Hours a day at each number of bars, over the time watched", "head")]
        lines += columns(
            [(str(bars), f"{hours:.3g} h") for bars, hours in found.hours_at_bars.items()],
            right=(1,),
        )
    if found.kept:
        lines += ["", paint("Kept over a power loss", "head")]
        lines += columns(
            [("region", "kept", "writes in a year")]
            + [(one.region, what_is_kept(one.what), format_rough(one.writes_per_year))
               for one in found.kept],
            right=(2,),
        )
    if found.contributors:
        lines += ["", paint("What the spread of the days depends on", "head")]
        lines += columns(
            [(one.name, f"{100 * one.share:.0f} %") for one in found.contributors
             if one.share >= 0.005],
            right=(1,),
        )
    if found.changes:
        lines += ["", paint("What would add most days", "head")]
        lines += columns(
            [(one.change, f"+{_days(one.gain_days)}") for one in found.changes], right=(1,)
        )
        lines.append(
            "  each change by itself, on nominal parts; what it costs otherwise is not counted")
    lines += guess_lines(gadget, "life", paint)
    lines += ["", paint("Cautions", "head"), *caution_lines(gadget)]
    return "\n".join(lines) + "\n"


def _days(days: float) -> str:
    return format_rough_time(days * DAY_S)


def _summary(found: Life) -> list[tuple[str, str, str]]:
    rows = []
    span = span_of(found.pattern)
    if found.percentiles is None:
        rows.append((span.days, "none", found.why["days_between_charges"]))
    else:
        rows.append((f"{span.name}, median", _days(found.percentiles[1]), _median_note(found)))
        if found.mean_days is not None:
            mean, error = found.mean_days, found.error_days
            note = found.why.get("days_between_charges.error", "") if error is None else (
                f"± {_error(error, mean)} (95 %)"
            )
            rows.append((f"{span.name}, mean", _days(mean), note))
        rows += [("", "", found.why[f"days_between_charges.{what}"])
                 for what in ("users", "spans") if f"days_between_charges.{what}" in found.why]
    if found.corners_days is not None:
        worst, best = found.corners_days
        ends = [_days(end) if math.isfinite(end) else "no end" for end in (worst, best)]
        rows.append(("worst and best parts", f"{ends[0]} .. {ends[1]}",
                     "every range at one end, for typical users"))
    if found.pattern.plugs:
        rows.append(("charges per year", f"{found.charges_per_year:.3g}", ""))
    rows.append(("average current", format_si(found.average_current_a, "A"),
                 f"over the {_days(found.watched_days)} that a user was watched, on average"))
    if found.within_share is not None and (told := within(found.within_share)):
        rows.append(("", told, ADDED_UP))
    if found.missed_wave_share is not None:
        rows.append(("waves missed", format_percent(found.missed_wave_share),
                     f"of {found.waves} waves at a sensor that was on"))
    if found.refused_share is not None:
        only = {step.kind for habit in found.pattern.habits for step in habit.steps} <= {
            "press", "wave", "usb", "wait"}
        rows.append(("no light when wanted", format_percent(found.refused_share),
                     f"of {'presses and waves' if only else 'all that was done'} found the cell "
                     "flat or cut off"))
    if found.dead_share > 0:
        rows.append(("protection open", format_percent(found.dead_share), "of the time watched"))
    return rows


def _median_note(found: Life) -> str:
    """How far the users lie apart, and how far their median may be off where that is known."""
    assert found.percentiles is not None
    low, middle, high = found.percentiles
    errors = found.errors_days
    seen = found.days[~np.isnan(found.days)]
    if errors is None or any(error != 0.0 for error in errors):
        if len(seen) == 1:
            return ""
        if len(seen) < TENTH:
            return f"seen: {_days(float(seen.min()))} .. {_days(float(seen.max()))}"
    note = f"one in ten below {_days(low)}, one in ten above {_days(high)}"
    error = None if errors is None else errors[1]
    return note if error is None else f"{note}; median ± {_error(error, middle)}"


def _error(days: float, of_days: float) -> str:
    """An error in words; in years, where what it belongs to is told in years, and none at all in
    the unit of what it belongs to.
    """
    told = _days(of_days)
    if days <= 0:
        unit = told.rsplit(" ", 1)[1]
        return f"0 {unit}s" if unit in ("day", "year") else f"0 {unit}"
    if told.endswith("years"):
        years = f"{days / YEAR_DAYS:.3g}"
        return f"{years} year" if years == "1" else f"{years} years"
    return _days(days)


def _held(found: Life, paint: Paint) -> list[str]:
    held = found.held
    gadget = found.pattern.gadget
    assert gadget is not None
    empty = f"charge, from {charged_from(gadget)}"
    rows = []
    for name, seconds in held.run_time_s.items():
        fl1 = held.fl1_run_time_s.get(name)
        text = "no end" if seconds is None else format_rough_time(seconds)
        ends = held.ends_by.get(name)
        how = "until" if ends in (OPENED, EMPTY) else "then left by"
        note = "" if ends is None else f"{how} {ends}"
        if fl1 is not None and seconds is not None and fl1 < seconds:
            note += f"; to a tenth of its light (FL 1): {format_rough_time(fl1)}"
        rows.append((f"{name} held", text, note))
    if held.charge_time_s is not None:
        rows.append((empty, format_rough_time(held.charge_time_s), ""))
    elif "charge_time_s" in held.why:
        rows.append((empty, "none", held.why["charge_time_s"]))
    rows.append(("on the shelf, from full",
                 "no end" if held.shelf_life_s is None else format_rough_time(held.shelf_life_s),
                 held.why.get("shelf_life_days", f"until {emptied_by(gadget)}")))
    lines = ["", paint("With nominal parts", "head"), *columns(rows)]
    if gadget.dials and held.run_time_s:
        lines.append("  dials stand where they start; `simfw circuit` times lights with dials at "
                     "their highest")
    return lines
