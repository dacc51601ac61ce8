"""A run for other programs: the JSON of `--json` and the CSV files of `--csv`.

Both are documented and stable: `docs/reference/run-json.md` (with a JSON Schema) and
`docs/reference/run-csv.md`. Charges are in coulomb, currents in ampere, times in second.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from simfw.engine.levels import lit_within
from simfw.engine.repeat import repeat_life, time_left
from simfw.gadget.figures import origins
from simfw.writing import write_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from simfw.engine.repeat import RepeatLife, TimeLeft
    from simfw.engine.run import Run

__all__ = ["csv_files", "ledger_json", "write_csv"]

SECOND_NS = 10**9
YEAR_S = 31_557_600  # 365.25 days


def ledger_json(
    run: Run, life: RepeatLife | None = None, left: TimeLeft | None = None
) -> dict[str, Any]:
    """The run as the values of the documented JSON.

    All numbers are finite; a value that does not exist is None, and a `why` beside it says why.
    `life` and `left` are what `repeat_life(run)` and `time_left(run)` yield; they are computed here
    where they are not given.
    """
    duration_s = run.duration_ns / SECOND_NS
    life = repeat_life(run) if life is None else life
    left = time_left(run) if left is None else left
    cell: dict[str, Any] = {
        "start_charge": run.start_charge,
        "end_charge": run.end_charge,
        "end_voltage_v": run.end_voltage_v,
        "end_open_circuit_v": run.end_open_circuit_v,
    }
    if run.empty_at_ns is None:
        cell["why"] = "cell_empty_at_s is null: the protection did not open in this run"
    repeated: dict[str, Any] = {"repeat_days": life.days}
    if life.days is None:
        repeated["why"] = life.why
    repeated["served_days"] = life.served_days
    repeated["served_why"] = life.served_why
    repeated["left_s"] = left.seconds
    repeated["left_about"] = left.about
    if left.seconds is None:
        repeated["left_why"] = left.why
    return {
        "gadget": run.gadget.head.name,
        "scenario": run.scenario.title,
        "duration_s": duration_s,
        "average_current_a": run.average_current_a,
        "charge_used_c": run.charge_used_c,
        "consumers": [
            {
                "name": use.name,
                "charge_c": use.charge_c,
                "average_current_a": use.charge_c / duration_s,
            }
            for use in run.consumers
        ],
        "fed": [
            {
                "name": use.name,
                "charge_c": use.charge_c,
                "average_current_a": use.charge_c / duration_s,
            }
            for use in run.fed
        ],
        "states": [
            {
                "region": use.region,
                "state": use.state,
                "time_s": use.time_ns / SECOND_NS,
                "charge_c": use.charge_c,
            }
            for use in run.states
        ],
        "kept": [
            {"region": use.region, "what": use.what, "writes": use.writes,
             "writes_per_year": use.writes * YEAR_S / duration_s}
            for use in run.kept
        ],
        "events": [
            {"time_s": event.time_ns / SECOND_NS, "name": event.name} for event in run.events
        ],
        "cell": cell,
        "charger_charge_c": run.charger_charge_c,
        "cell_empty_at_s": _seconds(run.empty_at_ns),
        "life": repeated,
        "rules": [
            {
                "name": rule.name,
                "held": rule.held,
                "time_s": _seconds(rule.time_ns),
                "why": rule.why or ("it held throughout" if rule.held else None),
            }
            for rule in run.rules
        ],
        "expectations": [
            {
                "time_s": expected.time_ns / SECOND_NS,
                "expression": expected.expression,
                "met": expected.met,
            }
            | ({} if expected.met else {"why": expected.why})
            for expected in run.expectations
        ],
        "guesses": [{"key": guess.key, "value": guess.value} for guess in run.guesses],
        "without_origin": origins(run.gadget).without,
    }


def csv_files(run: Run) -> dict[str, str]:
    """The CSV files of a run: file name -> content. Units stand in the column names.

    Times are exact decimals; other numbers are written so that they read back to the same value.
    """
    duration_s = run.duration_ns / SECOND_NS
    names = [use.name for use in run.consumers]
    return {
        "consumers.csv": _table(
            ["name", "charge_c", "average_current_a"],
            ([use.name, use.charge_c, use.charge_c / duration_s] for use in run.consumers),
        ),
        "states.csv": _table(
            ["region", "state", "time_s", "charge_c"],
            (
                [use.region, use.state, _exact_seconds(use.time_ns), use.charge_c]
                for use in run.states
            ),
        ),
        "events.csv": _table(
            ["time_s", "name"],
            ([_exact_seconds(event.time_ns), event.name] for event in run.events),
        ),
        "intervals.csv": _table(
            [
                "start_s",
                "end_s",
                "cycles",
                "total_a",
                "charger_a",
                "voltage_v",
                "start_charge",
                "end_charge",
                "bars",
                *(f"{name}_a" for name in names),
                *(f"{name}_level" for name in run.outputs),
                *(f"{name}_peak" for name in run.outputs),
                *(f"{name}_lit" for name in run.outputs),
                *(f"{region}_state" for region in run.regions),
            ],
            (
                [
                    _exact_seconds(part.start_ns),
                    _exact_seconds(part.end_ns),
                    part.cycles,
                    float(sum(part.consumers_a)),
                    part.charger_a,
                    part.voltage_v,
                    part.start_charge,
                    part.end_charge,
                    "" if part.bars is None else part.bars,
                    *part.consumers_a,
                    *(one.mean for one in lit),
                    *(one.peak for one in lit),
                    *(one.share for one in lit),
                    *part.states,
                ]
                for part in run.intervals
                for lit in [[lit_within(part, place) for place in range(len(run.outputs))]]
            ),
        ),
    }


def write_csv(run: Run, folder: str | Path) -> None:
    """Write the CSV files of a run into `folder` (made where missing), all of them or none."""
    write_folder(folder, csv_files(run))


def _seconds(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / SECOND_NS


def _exact_seconds(time_ns: int) -> str:
    return f"{Decimal(time_ns).scaleb(-9).normalize():f}"


def _table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()
