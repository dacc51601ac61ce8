"""The charge at the start as a meter shows it: an open-circuit voltage."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit.cell import cell_model
from simfw.cli import main
from simfw.errors import DescriptionError
from simfw.loading import load_gadget, load_pattern, load_scenario
from simfw.quantity import format_percent
from simfw.stimuli.scenario_file import ScenarioFile
from simfw.stimuli.start import charge_of

GADGET = """
[gadget]
name = "Lamp"
[cell]
curve = "{curve}"
capacity = "500 mAh"
[loads.lamp]
current = "10 mA"
[buttons.key]
[behaviour.lamp]
starts = "dark"
states.dark = {{ lamp = "on" }}
"""
FLAT = "charge,voltage_v\n0,3.0\n0.2,3.7\n0.6,3.7\n0.605,3.8\n0.61,3.8\n1,4.2\n"


@pytest.fixture(autouse=True)
def here(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with a gadget and a curve of one's own."""
    folder = tmp_path_factory.mktemp("start")
    monkeypatch.chdir(folder)
    (folder / "own.csv").write_text(FLAT, encoding="utf-8")
    return folder


def start(charge: str, curve: str = "lco") -> float:
    """The charge (0..1) with which a scenario begins."""
    Path("gadget.toml").write_text(GADGET.format(curve=curve), encoding="utf-8")
    Path("run.toml").write_text(
        f'gadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "1 h"\n', encoding="utf-8")
    return load_scenario("run.toml").charge


def refusal(charge: str, curve: str = "lco") -> str:
    """The first line of the message that refuses a charge."""
    with pytest.raises(DescriptionError) as caught:
        start(charge, curve)
    first, count = str(caught.value).splitlines()
    assert count == "1 problem; nothing was done."
    return first


@pytest.mark.parametrize("row", [40, 120, 200, 333])
def test_a_voltage_means_the_charge_of_its_row_in_the_curve(row: int) -> None:
    """Against the rows of the built-in curve's own file, not the code that reads it."""
    text = files("simfw.circuit").joinpath("data/lco.csv").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line[:1].isdigit()]
    charge, volts = rows[row].split(",")
    assert start(f"{volts} V") == pytest.approx(float(charge), abs=1e-9)
    assert start(f"{float(volts) * 1000:.2f} mV") == pytest.approx(float(charge), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.001, 0.999),
       st.sampled_from(["lco", "nmc", "lithium-primary", "alkaline", "nmc-5ah-pouch"]))
def test_a_voltage_reads_back_as_the_charge_that_has_it(charge: float, curve: str) -> None:
    """The voltage of the charge that is found is the one that was written."""
    path = Path("of-" + curve + ".toml")
    path.write_text(GADGET.format(curve=curve), encoding="utf-8")
    gadget = load_gadget(path)
    cell = cell_model(gadget)
    volts = float(cell.open_circuit_v(charge))  # type: ignore[arg-type]
    written = ScenarioFile.model_validate(
        {"gadget": "g", "charge": f"{volts:.9f} V", "lasts": "1 h"})
    found, problems = charge_of(written.charge, gadget)
    assert problems == []
    assert float(cell.open_circuit_v(found)) == pytest.approx(volts, abs=2e-9)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("charge", "means"), [("4.2 V", 1.0), ("4.20 V", 1.0), ("3.02 V", 0.0), ("80 %", 0.8)]
)
def test_a_meter_rounds_at_the_ends_of_the_curve(charge: str, means: float) -> None:
    """The curve ends at 4.19813 V and 3.02279 V; a meter shows 4.20 V and 3.02 V there."""
    assert start(charge) == means


def test_a_voltage_outside_of_the_curve_is_refused_with_its_range() -> None:
    """What can be is told, with the share as the other way."""
    said = ('the open-circuit curve "lco" never has this voltage. Allowed: 3.023 V to 4.198 V, or '
            "a share such as 80 %.")
    for charge in ("4.21 V", "2.9 V", "39 V", "3.9 mV"):
        assert refusal(charge) == f'run.toml:2: charge = "{charge}": {said}'


def test_a_flat_piece_of_a_curve_tells_no_charge() -> None:
    """Only where the piece is short is its middle meant."""
    assert refusal("3.7 V", "own.csv") == (
        'run.toml:2: charge = "3.7 V": the open-circuit curve "own.csv" is flat at this voltage, '
        "from 20 % to 60 %. Allowed: a share such as 80 %."
    )
    assert start("3.8 V", "own.csv") == pytest.approx(0.6075)
    assert start("4.0 V", "own.csv") == pytest.approx(0.805)


@pytest.mark.parametrize(
    ("charge", "meant"),
    [("80", '"80 %"'), ("3V9", '"3.9 V"'), ("3,9 V", '"3.9 V"'), ("3.9 v", '"3.9 V"')],
)
def test_a_slip_in_a_charge_is_answered_with_what_was_meant(charge: str, meant: str) -> None:
    """A share or a voltage, by what is written."""
    assert refusal(charge).endswith(
        f', or the open-circuit voltage such as "3.9 V". Did you mean {meant}?')


def test_a_pattern_may_begin_with_a_voltage_too(capsys: pytest.CaptureFixture[str]) -> None:
    """As a scenario does; reports tell the charge that was meant."""
    share = start("3.9 V")
    assert 0.3 < share < 0.9
    Path("pattern.toml").write_text(
        'gadget = "gadget.toml"\ncharge = "3.9 V"\nhorizon = "2 days"\n', encoding="utf-8")
    assert load_pattern("pattern.toml").charge == share
    Path("pattern.toml").write_text(
        'gadget = "gadget.toml"\ncharge = "4.4 V"\nhorizon = "2 days"\n', encoding="utf-8")
    with pytest.raises(DescriptionError, match="never has this voltage"):
        load_pattern("pattern.toml")
    assert main(["run", "run.toml"]) == 0
    assert f"from {format_percent(share)} charge" in capsys.readouterr().out
    assert main(["run", "run.toml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cell"]["start_charge"] == share


def test_a_voltage_is_not_judged_where_the_gadget_cannot_be_read() -> None:
    """One mistake in the gadget is one mistake."""
    Path("gadget.toml").write_text(
        GADGET.format(curve="lco").replace("500 mAh", "500"), encoding="utf-8")
    Path("run.toml").write_text(
        'gadget = "gadget.toml"\ncharge = "39 V"\nlasts = "1 h"\n', encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_scenario("run.toml")
    assert "run.toml" not in str(caught.value)
