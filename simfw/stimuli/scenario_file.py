"""Reading a scenario file: all its mistakes together, or a `Scenario` with its gadget."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field

from simfw.errors import DescriptionError, Problem, QuantityError
from simfw.forms import Reads, plain, text
from simfw.gadget.fields import Name
from simfw.gadget.load import GadgetCheck, named_gadget
from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.quantity import LENGTH, TEMPERATURE, TIME, Dimension, read_ns, read_number
from simfw.setting import Settings
from simfw.slips import NUMBER
from simfw.stimuli.inputs import OF_KEY
from simfw.stimuli.scenario import Expect, Scenario, Step, problems_of, unknown_names
from simfw.stimuli.start import StartField, charge_of
from simfw.tomlfile import read_toml, require_kind
from simfw.units import measured
from simfw.validation import Checked, check_data

__all__ = [
    "Instant",
    "Kinds",
    "ScenarioFile",
    "Span",
    "StepLine",
    "in_its_unit",
    "kinds_of",
    "read_scenario",
    "step_mismatches",
    "typed_steps",
]

Read = TypeVar("Read")

def _time(*, positive: bool) -> Reads:
    def read(value: object) -> int:
        return read_ns(value, positive=positive)

    return Reads(read, form=plain(TIME))


def _distance(value: object) -> float:
    return read_number(value, LENGTH, positive=True)


def _temperature(value: object) -> float:
    return read_number(value, TEMPERATURE)


def read_reading(value: object) -> tuple[float, str]:
    """What a measure measures: "12 lx" as (12.0, "lx"), in whatever unit."""
    return in_its_unit(value, lambda dimension: read_number(value, dimension))


def in_its_unit(value: object, read: Callable[[Dimension], Read]) -> tuple[Read, str]:
    """What `read` makes of a text in the unit behind its first number, and that unit."""
    found = _READING.match(value.strip()) if isinstance(value, str) else None
    unit = "" if found is None else found[1]
    try:
        return read(measured(unit or "lx")), unit
    except QuantityError as error:
        if unit:
            raise
        raise QuantityError(  # which unit is meant is for the gadget to say
            text=error.text, allowed='a number with the unit of its measure, such as "12 lx"'
        ) from None


_READING = re.compile(rf"(?:normal\s+)?{NUMBER}\s*(.*?)\s*(?:\.\.|±|\+-|\+/-|$)")
Instant = Annotated[int, _time(positive=False)]
Span = Annotated[int, _time(positive=True)]


READING = text("reading", 'What is measured, with the unit of the measure, such as "12 lx".')


class StepLine(Part):
    """One line of `steps`, as written: a time and exactly one thing that happens then."""

    at: Instant
    press: Name | None = None
    wave: Name | None = None
    toggle: Name | None = None
    measure: Name | None = None
    usb: bool | None = None
    temperature: Annotated[float, Reads(_temperature, form=plain(TEMPERATURE))] | None = None
    fault: bool | None = None
    expect: str | None = None
    for_: Annotated[Span | None, Field(alias="for")] = None
    bounce: Instant | None = None
    distance: Annotated[float, Reads(_distance, form=plain(LENGTH))] | None = None
    to: Literal["on", "off"] | None = None
    value: Annotated[tuple[float, str], Reads(read_reading, form=READING)] | None = None


class ScenarioFile(Part):
    """A scenario file, as written."""

    title: str = ""
    gadget: Name
    charge: StartField
    lasts: Span
    seed: Annotated[int, Field(ge=0)] | None = None
    steps: tuple[StepLine, ...] = ()


# Kinds of steps: what each needs besides what all have, and what it may have.
Kinds = Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]


def kinds_of(line: type[Part], other: str) -> Kinds:
    """The kinds of steps that a line may be: inputs in the order of its keys, and `other`."""
    inputs = [key for key in line.model_fields if key in OF_KEY]
    return {**{key: (OF_KEY[key].needs, OF_KEY[key].may) for key in inputs}, other: ((), ())}


KINDS = kinds_of(StepLine, "expect")

SAMPLES: dict[str, Any] = {
    "gadget": "gadget.toml",
    "charge": "80 %",
    "lasts": "6 h",
    "at": "0 s",
    "for": "120 ms",
    "distance": "12 cm",
    "to": "on",
    "value": "12 lx",
}


def read_scenario(
    path: str | Path, check: GadgetCheck | None = None, settings: Settings | None = None,
    instead: str | Path | None = None,
) -> Scenario:
    """Read and check a scenario file and the gadget file it names.

    The gadget's path counts from the scenario's folder; `instead` is a gadget file in its place.
    `check` and `settings` are handed to `read_gadget`. Raises `DescriptionError` with the problems
    of both files.
    """
    file = read_toml(path)
    require_kind(file, "scenario")
    checked = check_data(ScenarioFile, file.data, SAMPLES)
    problems = list(checked.problems)
    gadget: Gadget | None = None
    gadget_problems: list[Problem] = []
    written = checked.value
    if written is not None:
        folder, name = file.path.parent, written.gadget
        if instead is not None:
            folder, name = Path(), str(instead)
        gadget_path, gadget, gadget_problems = named_gadget(
            folder, name, check, read="gadget" not in checked.tainted, settings=settings
        )
        kinds, steps = _steps(written, checked, gadget)
        problems += kinds
        charge, unclear = charge_of(written.charge, gadget)
        problems += checked.keep(unclear)
        scenario = Scenario(
            title=written.title,
            gadget_path=gadget_path,
            charge=charge,
            # A stand-in ends nothing: no step may be told to come after it.
            lasts_ns=max(written.lasts, *(line.at for line in written.steps), 0)
            if "lasts" in checked.tainted else written.lasts,
            steps=steps,
            seed=written.seed,
            gadget=gadget,
            file=str(path),
        )
        problems += checked.keep(problems_of(scenario))
    if problems or gadget_problems or written is None:
        raise DescriptionError(file.locate([*gadget_problems, *problems]))
    return scenario


def _steps(
    written: ScenarioFile, checked: Checked[ScenarioFile], gadget: Gadget | None
) -> tuple[list[Problem], tuple[Step, ...]]:
    """Return the problems of single lines, and the steps of the lines that have none.

    A step with a stand-in in it is not held against the others, but the names in it are checked.
    """
    problems: list[Problem] = []
    steps: list[Step] = []
    for index, line in enumerate(written.steps):
        key = f"steps[{index}]"
        found = checked.keep(step_mismatches(key, line, KINDS, SAMPLES, ("at",)))
        problems += found
        kind = next((kind for kind in KINDS if getattr(line, kind) is not None), None)
        if kind is None:
            continue
        step = _typed(key, kind, line)
        if not found and checked.keep([Problem(key=key, text="")]):
            steps.append(step)
        elif gadget is not None:
            problems += checked.keep(unknown_names(key, step, gadget))
    return problems, tuple(steps)


def typed_steps(written: ScenarioFile) -> tuple[Step, ...]:
    """Return the steps of a file in which every line is of exactly one kind, with its keys."""
    return tuple(
        _typed(f"steps[{index}]", next(k for k in KINDS if getattr(line, k) is not None), line)
        for index, line in enumerate(written.steps)
    )


def step_mismatches(
    key: str, line: Part, known: Kinds, examples: Mapping[str, str], always: tuple[str, ...] = ()
) -> list[Problem]:
    """Return what is missing from a step or does not belong to its kind.

    `known` are the kinds of steps, `examples` what a missing key may hold, `always` the keys that
    steps of every kind have.
    """
    kinds = [kind for kind in known if getattr(line, kind) is not None]
    if len(kinds) != 1:
        text = "nothing happens in this step" if not kinds else f"{' and '.join(kinds)} in one step"
        return [Problem(key=key, text=text, allowed=f"exactly one of {', '.join(known)}")]
    needs, may = known[kinds[0]]
    problems = []
    beside = dict.fromkeys(name for needs, may in known.values() for name in needs + may)
    for name in beside:
        value = getattr(line, "for_" if name == "for" else name)
        if value is None and name in needs:
            problems.append(
                Problem(
                    key=key,
                    text=f'the key "{name}" is missing',
                    allowed=f'for example {name} = "{examples[name]}"',
                )
            )
        elif value is not None and name not in needs + may:
            problems.append(
                Problem(
                    key=f"{key}.{name}",
                    text=f"this has no meaning for {kinds[0]}",
                    allowed=", ".join((*always, kinds[0], *needs, *may)),
                )
            )
    return problems


def _typed(key: str, kind: str, line: StepLine) -> Step:
    """Return the typed step; what its line lacks gets a stand-in."""
    if kind == "expect":
        return Expect(at_ns=line.at, text=line.expect or "", key=key)
    return OF_KEY[kind].read(line, key)
