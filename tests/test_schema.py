"""The JSON Schemas: they agree with the loaders, and an editor is told of plain slips."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import time
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.cli import main
from simfw.errors import QuantityError
from simfw.forms import drawn, plain, point, quantity
from simfw.quantity import Figure, read_figure, read_number, read_point, read_timing
from simfw.schema import FILES, schema_of
from simfw.stimuli.pattern_file import _draw_of
from simfw.units import (
    CURRENT,
    DIMENSIONS,
    PREFIXES,
    TIME,
    VOLTAGE,
    WORD_PREFIXES,
    WORDS,
    Dimension,
)
from tests.broken import DATA, broken

ROOT = Path(__file__).parent.parent
CHECKS = {kind: jsonschema.Draft7Validator(schema_of(kind)) for kind in FILES}

SOUND = {
    "gadgets.txt": ("gadget", "larder-lamp.toml"),
    "scenarios.txt": ("scenario", "jam-evening.toml"),
    "patterns.txt": ("pattern", "evenings.toml"),
    "inputs.txt": ("gadget", "drawer-lamp.toml"),
    "input-steps.txt": ("scenario", "drawer-steps.toml"),
    "input-habits.txt": ("pattern", "drawer-habits.toml"),
    "maps.txt": ("map", "remote-map.toml"),
}


def as_json(value: Any) -> Any:
    """TOML data as an editor has it: times of day are text."""
    if isinstance(value, dict):
        return {key: as_json(one) for key, one in value.items()}
    if isinstance(value, list):
        return [as_json(one) for one in value]
    return value.isoformat() if isinstance(value, time) else value


def kind_of_file(data: dict[str, Any]) -> str | None:
    """The kind of a file by the keys that only this kind has; None for other files."""
    marks = {"gadget": ("cell", "behaviour"), "scenario": ("lasts",), "pattern": ("horizon",),
             "map": ("wires", "frames"), "bench-log": ("observations", "unknown")}  # fmt: skip
    return next((kind for kind, keys in marks.items() if any(key in data for key in keys)), None)


FOUND = [path for folder in ("scenarios", "tests/gallery", "tests/data", "tests/published")
         for path in sorted((ROOT / folder).rglob("*.toml"))
         if kind_of_file(tomllib.loads(path.read_text(encoding="utf-8")))]  # fmt: skip


@pytest.mark.parametrize("path", FOUND, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_what_can_be_loaded_fits_the_schema(path: Path) -> None:
    """Demos, gallery and the files behind the tests."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    kind = kind_of_file(data)
    assert kind is not None
    assert [error.message for error in CHECKS[kind].iter_errors(as_json(data))] == []


def test_there_are_files_of_every_kind() -> None:
    """None of the schemas goes untried."""
    kinds = [kind_of_file(tomllib.loads(path.read_text(encoding="utf-8"))) for path in FOUND]
    assert all(kinds.count(kind) >= 2 for kind in FILES)


# A key that is missing because of what others say is for the loader to find.
PLAIN_SLIPS = re.compile(
    r"unknown (?:key|section|name|standing)|cannot stand here|without a unit"
    r"|the (?:key|section) (?!.(?:base|gain|within)\b)\S+ is missing")
CASES = [(kind, sound, case) for name, (kind, sound) in SOUND.items() for case in broken(name)]


@pytest.mark.parametrize(("kind", "sound", "case"), CASES,
                         ids=lambda one: getattr(one, "name", str(one)))  # fmt: skip
def test_plain_slips_are_marked_while_one_types(kind: str, sound: str, case: Any) -> None:
    """What the loader refuses as a key, a kind or a missing unit, the schema refuses too."""
    text = (DATA / sound).read_text(encoding="utf-8")
    try:
        before, data = tomllib.loads(text), tomllib.loads(case.apply(text))
    except tomllib.TOMLDecodeError:
        return
    assert CHECKS[kind].is_valid(as_json(before))
    if PLAIN_SLIPS.search(case.message):
        assert not CHECKS[kind].is_valid(as_json(data)), case.message


numbers = st.sampled_from(["1", "-1", "+2.5", "0.5e3", "12", "−3", "4R7", "3k", "k3", "1.8 R", ""])
signs = [prefix.replace("-", "") for prefix in PREFIXES]
units = st.one_of(
    st.sampled_from([unit for dimension in DIMENSIONS for unit in dimension.units]),
    st.builds("".join, st.tuples(
        st.sampled_from(["", "u", "μ", "K", *signs, *WORD_PREFIXES, "Milli", "MEGA"]),
        st.sampled_from(["", " ", "-"]),
        st.sampled_from([*WORDS, *map(str.upper, WORDS), "m^2", "m²", "ohms", "Ω", "℃", "W / m2"]),
        st.sampled_from(["", "s", "S"]))),
)  # fmt: skip
blanks = st.sampled_from(["", " ", "\N{NO-BREAK SPACE}"])
readings = st.builds("".join, st.tuples(numbers, blanks, units))
tails = st.sampled_from(
    ["", " ± 5 %", " +- 1 V", "±", " (1 V .. 2 V)", " .. 3 s", " @ 5 mA", " 5 min", ")"])
texts = st.builds("".join, st.tuples(st.sampled_from(["", "normal ", " "]), readings, tails))


def accepts(form: Any, text: str) -> bool:
    """Whether a form takes a text."""
    return jsonschema.Draft7Validator(form.schema).is_valid(text)


def read(text: str, dimension: Dimension, how: str) -> bool:
    """Whether the loader takes a text."""
    try:
        if how == "quantity":
            read_timing(text) if dimension is TIME else read_figure(text, dimension)
        elif how == "plain":
            read_number(text, dimension)
        else:
            _draw_of(text, dimension, positive=False)
    except QuantityError:
        return False
    return True


@settings(max_examples=400, deadline=None)
@given(text=texts, dimension=st.sampled_from(DIMENSIONS))
def test_a_form_takes_what_the_loader_takes(text: str, dimension: Dimension) -> None:
    """Any spelling of any unit, with what may stand behind it."""
    for how, form in (("quantity", quantity), ("plain", plain), ("drawn", drawn)):
        if read(text, dimension, how):
            assert accepts(form(dimension), text), how


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda one: one.name)
def test_a_form_takes_every_unit_and_no_other(dimension: Dimension) -> None:
    """The examples of all dimensions; what no unit of this one could be is marked."""
    for unit in dimension.units:
        assert read_figure(f"1 {unit}", dimension).value >= 0
        assert accepts(quantity(dimension), f"1 {unit}")
    assert accepts(quantity(dimension), {"value": dimension.example, "standing": "guess"})
    assert not accepts(quantity(dimension), "1 parsec")
    assert not accepts(quantity(dimension), 5)
    other = VOLTAGE if dimension is not VOLTAGE else CURRENT
    assert not accepts(quantity(dimension), other.example)


def test_points_are_taken() -> None:
    """A quantity at another, each with a tolerance."""
    for text in ("2.75 V @ 5 mA", "2.7 V ± 3 % @ (", "1 V(1 V .. 2 V)@1 mA", "1 V"):
        try:
            taken = isinstance(read_point(text, VOLTAGE, CURRENT)[0], Figure)
        except QuantityError:
            taken = False
        assert not taken or accepts(point(VOLTAGE, CURRENT), text)
    assert not accepts(point(VOLTAGE, CURRENT), "1 V")


def test_the_command_writes_what_the_library_makes(tmp_path: Path, capsys: Any) -> None:
    """Printed, or into a file; another kind is refused with those that there are."""
    assert main(["schema", "scenario"]) == 0
    assert json.loads(capsys.readouterr().out) == schema_of("scenario")
    assert main(["schema", "map", "-o", str(tmp_path / "map.json")]) == 0
    assert json.loads((tmp_path / "map.json").read_text()) == schema_of("map")
    assert main(["schema", "gadgets"]) == 2
    assert capsys.readouterr().err == (
        'There is no kind of file "gadgets". Allowed: gadget, scenario, pattern, map, bench-log. '
        'Did you mean "gadget"?\n')


@pytest.mark.parametrize("kind", FILES)
def test_every_key_says_what_it_takes(kind: str) -> None:
    """No value is left open, so that a new key with a reader of its own cannot be forgotten."""
    schema = schema_of(kind)
    jsonschema.Draft7Validator.check_schema(schema)

    def open_values(part: Any, path: str) -> list[str]:
        if not isinstance(part, dict):
            return []
        found = [] if {"type", "$ref", "enum", "anyOf", "allOf"} & set(part) else [path]
        for key in ("properties", "definitions"):
            for name, inner in part.get(key, {}).items():
                found += open_values(inner, f"{path}.{name}")
        return found

    assert open_values(schema, kind) == []
