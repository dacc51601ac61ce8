"""The JSON and CSV of a run, from hand-made runs."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from simfw.engine.repeat import RepeatLife
from simfw.engine.untouched import TimeLeft
from simfw.errors import UsageError
from simfw.report.ledger import csv_files, ledger_json, write_csv
from tests.report.made import MINUTE, made_run
from tests.report.winks import press, winking

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = json.loads((ROOT / "docs/reference/run.schema.json").read_text(encoding="utf-8"))
LASTING = RepeatLife(days=12.5, served_days=4.5, served_why="lamp stays dark at 10 s")
LEFT = TimeLeft(seconds=86_400.0)
WHY = "the charger gives back what is used"
ENDLESS = RepeatLife(days=None, why=WHY, served_why=WHY)


def rows(text: str) -> list[dict[str, str]]:
    """The rows of a CSV text as dictionaries."""
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize("empty_at_ns", [None, 70 * MINUTE])
@pytest.mark.parametrize("life", [LASTING, ENDLESS])
def test_json_fits_its_published_schema(empty_at_ns: int | None, life: RepeatLife) -> None:
    """Every shape of a run (emptied or not, with and without a life) fits the schema."""
    value = ledger_json(made_run(empty_at_ns=empty_at_ns), life, LEFT)
    jsonschema.Draft202012Validator(SCHEMA).validate(value)
    json.dumps(value, allow_nan=False)


def test_schema_refuses_a_null_without_reason() -> None:
    """A missing value without its `why` does not fit the schema."""
    value = ledger_json(made_run(), ENDLESS, LEFT)
    for broken in ("cell", "life"):
        changed = json.loads(json.dumps(value))
        del changed[broken]["why"]
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft202012Validator(SCHEMA).validate(changed)


def test_json_has_exactly_the_agreed_keys_in_order() -> None:
    """The top level of the JSON is the agreed list."""
    assert list(ledger_json(made_run(), LASTING, LEFT)) == [
        "gadget", "scenario", "duration_s", "average_current_a", "charge_used_c", "consumers",
        "fed",
        "states", "kept", "events", "cell", "charger_charge_c", "cell_empty_at_s", "life", "rules",
        "expectations", "guesses", "without_origin",
    ]  # fmt: skip


def test_json_says_what_the_run_says() -> None:
    """The figures of the JSON are those of the run, in the units of their keys."""
    run = made_run(empty_at_ns=70 * MINUTE)
    value = ledger_json(run, LASTING, LEFT)
    assert value["gadget"] == "Larder lamp"
    assert value["scenario"] == "An evening of jam making"
    assert value["duration_s"] == 21_600.0
    assert value["cell_empty_at_s"] == 4200.0
    assert value["life"] == {
        "repeat_days": 12.5, "served_days": 4.5, "served_why": "lamp stays dark at 10 s",
        "left_s": 86_400.0, "left_about": False}
    assert math.isclose(
        sum(use["charge_c"] for use in value["consumers"]), value["charge_used_c"], rel_tol=1e-12
    )
    assert value["average_current_a"] == value["charge_used_c"] / 21_600.0
    assert value["events"][0] == {"time_s": 10.126631579, "name": "wave.wave"}
    assert value["guesses"] == [{"key": "controller.asleep", "value": "4.5 uA"}]


def test_json_of_a_broken_rule_and_a_missed_expectation_says_why() -> None:
    """What failed carries its reason, what held says so."""
    value = ledger_json(made_run(), LASTING, LEFT)
    assert value["rules"] == [
        {"name": "no light on a flat cell", "held": True, "time_s": None,
         "why": "it held throughout"},
        {"name": "a click is answered", "held": False, "time_s": 1500.0,
         "why": "lamp was in lit.full until 25 min 50 ms"},
    ]  # fmt: skip
    assert value["expectations"] == [
        {"time_s": 11.0, "expression": "lamp.lit.full", "met": True},
        {"time_s": 1501.0, "expression": "lamp.lit.half", "met": False,
         "why": "lamp is in lit.full"},
    ]  # fmt: skip


def test_json_of_a_run_that_did_not_empty_the_cell_says_so() -> None:
    """A null time has its reason beside it."""
    value = ledger_json(made_run(), ENDLESS, LEFT)
    assert value["cell_empty_at_s"] is None
    assert "did not open" in value["cell"]["why"]
    assert value["life"] == {
        "repeat_days": None, "why": WHY, "served_days": None, "served_why": WHY,
        "left_s": 86_400.0, "left_about": False}


def test_csv_has_four_files_with_units_in_their_headers() -> None:
    """Every numeric column says its unit, or is a share or a count."""
    files = csv_files(made_run())
    assert sorted(files) == ["consumers.csv", "events.csv", "intervals.csv", "states.csv"]
    header = files["intervals.csv"].splitlines()[0].split(",")
    assert header[:9] == [
        "start_s", "end_s", "cycles", "total_a", "charger_a", "voltage_v", "start_charge",
        "end_charge", "bars",
    ]  # fmt: skip
    assert "shelf_a" in header
    assert "shelf_level" in header
    assert "lamp_state" in header


def test_csv_times_are_exact_and_numbers_read_back() -> None:
    """A time is the decimal of its nanoseconds, and floats survive the text."""
    run = made_run()
    files = csv_files(run)
    assert rows(files["events.csv"])[0]["time_s"] == "10.126631579"
    for row, part in zip(rows(files["intervals.csv"]), run.intervals, strict=True):
        assert float(row["end_charge"]) == part.end_charge
        assert float(row["shelf_a"]) == part.consumers_a[0]
        assert row["lamp_state"] == part.states[4]
    assert [float(row["charge_c"]) for row in rows(files["consumers.csv"])] == [
        use.charge_c for use in run.consumers
    ]


def test_csv_intervals_add_up_to_the_ledger() -> None:
    """Mean current times length, summed over the intervals, is the consumer's charge."""
    files = csv_files(made_run())
    for use in rows(files["consumers.csv"]):
        summed = sum(
            float(row[f"{use['name']}_a"]) * (float(row["end_s"]) - float(row["start_s"]))
            for row in rows(files["intervals.csv"])
        )
        assert math.isclose(summed, float(use["charge_c"]), rel_tol=1e-12)


def test_csv_without_a_gauge_leaves_bars_empty() -> None:
    """A run without a gauge has no number of bars."""
    run = made_run()
    bare = replace(run, intervals=tuple(replace(part, bars=None) for part in run.intervals))
    assert {row["bars"] for row in rows(csv_files(bare)["intervals.csv"])} == {""}


def test_csv_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """Where one file cannot be written, none is, and no temporary file stays behind."""
    write_csv(made_run(), tmp_path / "out")
    assert len(list((tmp_path / "out").iterdir())) == 4
    blocked = tmp_path / "blocked"
    (blocked / "states.csv").mkdir(parents=True)
    with pytest.raises(UsageError, match=r"states\.csv"):
        write_csv(made_run(), blocked)
    assert [path.name for path in blocked.iterdir()] == ["states.csv"]


def test_csv_tells_how_a_light_flashes_within_a_folded_row(tmp_path: Path) -> None:
    """Level is the mean, with the peak and the share of time beside it; a steady dim light is lit.

    20 ms in each second at full level are 2 % by arithmetic.
    """
    files = csv_files(winking(tmp_path, press("1 s"), lasts="10 min"))
    folded = [row for row in rows(files["intervals.csv"]) if int(row["cycles"]) > 100]
    assert len(folded) == 1
    row = folded[0]
    assert float(row["lamp_level"]) == pytest.approx(0.02)
    assert float(row["lamp_lit"]) == pytest.approx(0.02)
    assert float(row["lamp_peak"]) == 1.0
    assert [row[f"glow_{what}"] for what in ("level", "peak", "lit")] == ["0.2", "0.2", "1.0"]
    # The level stands for the charge: 5 mA at full level.
    assert float(row["lamp_a"]) == pytest.approx(5e-3 * float(row["lamp_level"]), rel=1e-6)
