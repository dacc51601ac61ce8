"""All mistakes of one file together, on small models."""

from __future__ import annotations

from typing import Annotated, Any, get_args, get_origin

import pytest
from pydantic import BaseModel, Field

from simfw.errors import Problem
from simfw.gadget.fields import Time, Volts
from simfw.gadget.load import SAMPLES
from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.stimuli import scenario_file
from simfw.stimuli.scenario_file import ScenarioFile
from simfw.validation import check_data, kind_of, known_keys


class Inner(Part):
    """A table within a table."""

    volts: Volts
    share: Annotated[float, Field(gt=0, le=1)] = 0.5


class Outer(Part):
    """A file."""

    name: str
    inner: Inner | None = None
    many: Annotated[dict[str, Inner], Field(default_factory=dict)]
    rows: tuple[Inner, ...] = ()
    waits: tuple[Time, ...] = ()
    hidden: Annotated[str, Field(exclude=True)] = ""


STAND_INS = {"name": "x", "volts": "3 V"}


def told(data: dict[str, Any]) -> list[str]:
    """The problems of `data` as texts; what is left must be a whole value."""
    checked = check_data(Outer, data, STAND_INS)
    assert isinstance(checked.value, Outer)
    return [str(problem) for problem in checked.problems]


def test_sound_data_has_no_problems() -> None:
    """The value is what pydantic makes of the data."""
    checked = check_data(Outer, {"name": "a", "rows": [{"volts": "3 V"}]}, STAND_INS)
    assert checked.problems == []
    assert checked.value is not None
    assert checked.value.rows[0].volts.value == 3.0


@pytest.mark.parametrize(
    ("data", "messages"),
    [
        ({"name": "a", "hidden": "x"},
         ["hidden: unknown key. Allowed: name, inner, many, rows, waits."]),
        ({"name": "a", "iner": {"volts": "3 V"}},
         ["iner: unknown section. Allowed: name, inner, many, rows, waits. "
          'Did you mean "inner"?']),
        ({"name": "a", "iner": {"volts": "3 A"}},
         ["iner: unknown section. Allowed: name, inner, many, rows, waits. "
          'Did you mean "inner"?',
          'iner.volts: "A" is the unit of a current. Allowed: a voltage such as "3.7 V" '
          "(units: nV, µV, mV, V, kV)."]),
        ({"name": "a", "iner": 3},
         ["iner: unknown key. Allowed: name, inner, many, rows, waits."]),
        ({"name": "a", "inner": {"volts": "3 V"}, "iner": {"volts": "x"}},
         ["iner: unknown section. Allowed: name, inner, many, rows, waits. "
          'Did you mean "inner"?']),
        ({"name": True}, ["name: true or false cannot stand here. "
                          "Allowed: text in quotation marks."]),
        ({"name": "a", "inner": {"volts": "3 V", "share": 0}},
         ["inner.share: this is too small. Allowed: more than 0.0."]),
        ({"name": "a", "inner": {"volts": "3 V", "share": 2}},
         ["inner.share: this is too large. Allowed: 1.0 or less."]),
        ({"name": "a", "many": {"p": {"volts": "3 V"}, "q": 3}},
         ["many.q: a number cannot stand here. Allowed: a table { volts = ... }."]),
        ({"name": "a", "rows": ["x", {"vlts": "3 V"}, {}]},
         ['rows[1].vlts: unknown key. Allowed: volts, share. Did you mean "volts"?',
          "rows[0]: text cannot stand here. Allowed: a table { volts = ... }.",
          'rows[2]: the key "volts" is missing. Allowed: for example volts = "3 V".']),
        ({"name": "a", "waits": ["x", "3 s", "y"]},
         ['waits[0]: "x" does not start with a number. Allowed: a time such as "120 ms" (units: '
          "ns, µs, ms, s, min, h, day, days, week, weeks, year, years).",
          'waits[2]: "y" does not start with a number. Allowed: a time such as "120 ms" (units: '
          "ns, µs, ms, s, min, h, day, days, week, weeks, year, years)."]),
        ({"name": "a", "waits": [{"vlue": "3 s"}]},
         ["waits[0].vlue: unknown key. Allowed: value, range, standing, source. "
          'Did you mean "value"?']),
    ],
)  # fmt: skip
def test_each_mistake_is_told_once(data: dict[str, Any], messages: list[str]) -> None:
    """Stand-ins keep one mistake from hiding or causing another."""
    assert told(data) == messages


def test_what_touches_a_stand_in_is_not_told() -> None:
    """Later checks speak only of what the file says itself."""
    checked = check_data(Outer, {"name": "a", "rows": [{}, {"volts": "3 V"}]}, STAND_INS)
    later = [Problem(key=key, text="") for key in ("rows", "rows[0].volts", "rows[1]", "name")]
    assert [problem.key for problem in checked.keep(later)] == ["rows[1]", "name"]


def test_what_no_stand_in_can_mend_is_told_once() -> None:
    """Without a stand-in there is no value, but the problem is told, and once."""
    checked = check_data(Outer, {"inner": {}}, {"name": "x"})
    assert checked.value is None
    assert [problem.text for problem in checked.problems] == [
        'the key "name" is missing',
        'the key "volts" is missing',
    ]


def required(model: type[BaseModel], path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """The paths of all required keys below `model`."""
    found = []
    for name, info in known_keys(model).items():
        kind = kind_of(info.annotation)
        inner = kind_of(get_args(kind)[-2 if get_origin(kind) is tuple else -1]) if get_origin(
            kind
        ) in (dict, tuple) else kind
        if info.is_required():
            found.append((*path, name))
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            found += required(inner, (*path, name))
    return found


@pytest.mark.parametrize(
    ("model", "samples"), [(Gadget, SAMPLES), (ScenarioFile, scenario_file.SAMPLES)]
)
def test_every_required_key_has_a_stand_in(
    model: type[BaseModel], samples: dict[str, Any]
) -> None:
    """A new required key needs an example, or its absence would hide other mistakes."""
    for path in required(model):
        assert ".".join(path[-2:]) in samples or path[-1] in samples, path
