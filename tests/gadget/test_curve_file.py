"""The cell's own curve: a CSV file that the gadget carries once it is loaded."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.circuit.curves import BUILT_IN, built_in_curve
from simfw.errors import DescriptionError
from simfw.gadget.curve_file import BUILT_IN_CURVES, OTHER_NAMES, PRIMARY_CURVES, parse_curve
from tests.broken import DATA

GADGET = (DATA / "larder-lamp.toml").read_text(encoding="utf-8")
HEAD = "charge,voltage_v\n"
FORM = 'Allowed: two numbers with a comma between them, such as "0.25,3.71".'


def test_a_curve_beside_the_gadget_is_carried_by_it(tmp_path: Path) -> None:
    """The path counts from the gadget file; the points are in the gadget."""
    (tmp_path / "cells").mkdir()
    (tmp_path / "cells" / "mine.csv").write_text(
        "# measured at 20 mA\n\ncharge , voltage_v\n0,3.0\n0.5 , 3.7\n1,4.2\n"
    )
    (tmp_path / "gadget.toml").write_text(GADGET.replace('"lco"', '"cells/mine.csv"'))
    gadget = simfw.load_gadget(tmp_path / "gadget.toml")
    assert gadget.curve_points == ((0.0, 3.0), (0.5, 3.7), (1.0, 4.2))


def test_a_built_in_curve_needs_no_points() -> None:
    """A name stands for a table of the circuit."""
    assert simfw.load_gadget(DATA / "larder-lamp.toml").curve_points == ()


def test_the_names_of_curves_are_those_of_the_circuit() -> None:
    """What a file may name is what the circuit has."""
    assert set(BUILT_IN_CURVES) == set(BUILT_IN)
    assert set(PRIMARY_CURVES) <= set(BUILT_IN)


@pytest.mark.parametrize(("other", "name"), OTHER_NAMES.items())
def test_another_name_of_a_curve_is_that_curve(other: str, name: str, tmp_path: Path) -> None:
    """A short name, or one of earlier files, stands for the same table."""
    bare = '[gadget]\nname = "Bare"\n[cell]\ncapacity = "1 Ah"\n'
    (tmp_path / "gadget.toml").write_text(f'{bare}curve = "{other}"\n')
    gadget = simfw.load_gadget(tmp_path / "gadget.toml")
    curve, named = built_in_curve(gadget.cell.curve), built_in_curve(name)
    assert (curve.charge == named.charge).all()
    assert (curve.voltage_v == named.voltage_v).all()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'c.csv: the curve has no rows. Allowed: the header "charge,voltage_v", then two rows '
             "or more."),
        ("soc;ocv\n0;3\n",
         'c.csv:1: soc;ocv: this is not the header. Allowed: "charge,voltage_v".\n'
         f"c.csv:2: 0;3: this is not a point of a curve. {FORM}"),
        (HEAD + "0,3\n1,four\n", f"c.csv:3: 1,four: this is not a point of a curve. {FORM}"),
        (HEAD + "0,3\n1,nan\n", f"c.csv:3: 1,nan: this is not a point of a curve. {FORM}"),
        (HEAD + "0,3\n1,4,5\n", f"c.csv:3: 1,4,5: this is not a point of a curve. {FORM}"),
        (HEAD + "0,3\n50,4\n",
         "c.csv:3: 50,4: the charge 50 is outside 0 to 1. Allowed: a share from 0 to 1."),
        (HEAD + "0,3\n0.5,3.5\n0.5,3.6\n1,4\n",
         "c.csv:4: 0.5,3.6: the charge does not rise. Allowed: more than 0.5."),
        (HEAD + "0,0\n1,4\n",
         "c.csv:2: 0,0: the voltage is not above zero. Allowed: volts above zero."),
        (HEAD + "0,3\n1,1e17\n",
         "c.csv:3: 1,1e17: the voltage 1e+17 V is that of no cell. Allowed: 100 V or less."),
        (HEAD + "0,3\n0.5,4\n1,3.9\n",
         "c.csv:4: 1,3.9: the voltage falls while the charge rises. Allowed: 4 or more."),
        (HEAD + "0,3\n",
         "c.csv: the curve has fewer than two points. Allowed: two points or more."),
        (HEAD + "0.1,3\n1,4\n",
         "c.csv: the charge runs from 0.1 to 1. "
         "Allowed: a first row at charge 0 and a last row at charge 1."),
        (HEAD + "0,3\n1,3\n",
         "c.csv: the voltage is the same everywhere. Allowed: a voltage that rises with charge."),
    ],
)  # fmt: skip
def test_each_mistake_of_a_curve_has_its_line(text: str, message: str) -> None:
    """A curve that cannot be used is refused with all its problems."""
    with pytest.raises(DescriptionError) as caught:
        parse_curve(text, "c.csv")
    assert "\n".join(map(str, caught.value.problems)) == message


def test_a_broken_curve_is_told_with_the_gadget(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines of the curve keep its name; what has no line is told at the key that names it."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(
        GADGET.replace('"lco"', '"mine.csv"').replace('"22R"', '"22r"'), encoding="utf-8"
    )
    Path("mine.csv").write_text(HEAD + "0,3\n1,x\n")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("gadget.toml")
    first, second, _ = str(caught.value).splitlines()
    assert first == f"mine.csv:3: 1,x: this is not a point of a curve. {FORM}"
    assert second.startswith("gadget.toml:34: lights.shelf.resistor")
    Path("mine.csv").write_text(HEAD)
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("gadget.toml")
    assert str(caught.value).splitlines()[0] == (
        'gadget.toml:6: cell.curve = "mine.csv": mine.csv: the curve has fewer than two points. '
        "Allowed: two points or more."
    )
