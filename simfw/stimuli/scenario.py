"""A scenario: a timed list of what the outside does, and of what is expected.

Scenarios are plain frozen values. They are read from a file (`scenario_file`), or built in Python;
`to_toml` writes one as text that reads back equal, `problems_of` tells what is wrong with one.

Steps keep the order of the file, which has no part in what happens: at one time ends come before
beginnings, either in one fixed order (`engine.timeline`). The run is the half-open
interval [0, lasts): a stimulus at `lasts` belongs to a continuation, an expectation there reads
the state just before it, and a `for` may run past it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from simfw.behaviour.build import names_of
from simfw.behaviour.parsing import parse_expression
from simfw.errors import DescriptionError, Problem
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration
from simfw.stimuli.inputs import input_of, written_step
from simfw.stimuli.steps import (
    ChargerFault,
    Expect,
    Measured,
    Press,
    Step,
    Temperature,
    Toggle,
    Usb,
    Wave,
    bounce_of,
    raw_edges,
)
from simfw.stimuli.toml_text import decimal, quoted
from simfw.writing import write_whole

__all__ = [
    "ChargerFault",
    "Expect",
    "Measured",
    "Press",
    "Scenario",
    "Step",
    "Temperature",
    "Toggle",
    "Usb",
    "Wave",
    "bounce_of",
    "problems_of",
    "raw_edges",
    "to_toml",
    "unknown_names",
    "write_scenario",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A timed list of stimuli and expectations for one gadget.

    `charge` is the cell's charge at the start, 0..1. The run is the half-open interval
    [0, `lasts_ns`). `seed` is for what is drawn at random; None where not written. `gadget` is the
    description that `gadget_path` holds; it is None only in a scenario that was built without one.
    """

    title: str = ""
    gadget_path: Path = Path()
    charge: float
    lasts_ns: int
    steps: tuple[Step, ...] = ()
    seed: int | None = None
    gadget: Gadget | None = field(default=None, compare=False, repr=False)
    file: str = field(default="", compare=False)

    def in_order(self) -> tuple[Step, ...]:
        """Return the steps by time; steps of one time keep file order."""
        return tuple(sorted(self.steps, key=lambda step: step.at_ns))


def problems_of(scenario: Scenario) -> list[Problem]:
    """Return everything that is wrong with a scenario; names are checked where it has its gadget.

    Keys are those of the steps (`steps[3]`), with the name of the key in question behind them.
    """
    problems: list[Problem] = []
    if not 0 <= scenario.charge <= 1:
        problems.append(Problem(key="charge", text="a charge is a share", allowed="0 % to 100 %"))
    if scenario.lasts_ns <= 0:
        problems.append(Problem(key="lasts", text="nothing would run", allowed="more than zero"))
    for index, step in enumerate(scenario.steps):
        key = step.key or f"steps[{index}]"
        problems += _times(key, step, scenario.lasts_ns)
        if scenario.gadget is not None:
            problems += unknown_names(key, step, scenario.gadget)
    problems += _overlaps(scenario.steps)
    problems += _contradictions(scenario.steps)
    if scenario.gadget is not None:
        problems += _expectations(scenario.steps, scenario.gadget)
    return problems


def _times(key: str, step: Step, lasts_ns: int) -> Iterator[Problem]:
    if step.at_ns < 0:
        yield Problem(key=f"{key}.at", text="a time before the start", allowed="0 s or later")
    if step.at_ns > lasts_ns > 0:
        yield Problem(
            key=f"{key}.at",
            text="this is after the end of the scenario",
            allowed=f"at most lasts ({format_duration(lasts_ns)})",
        )
    kind = input_of(step)
    if kind is not None:
        yield from kind.problems(key, step)


def unknown_names(key: str, step: Step, gadget: Gadget) -> Iterator[Problem]:
    """Yield what a step uses that the gadget does not have."""
    kind = input_of(step)
    if kind is not None:
        yield from kind.unknown(key, step, gadget)


def _overlaps(steps: Iterable[Step]) -> Iterator[Problem]:
    """Note presses of one button, and waves before one sensor, that begin before the last ended."""
    busy: dict[tuple[str, str], tuple[int, str]] = {}
    numbered = [(step, step.key or f"steps[{index}]") for index, step in enumerate(steps)]
    for step, key in sorted(numbered, key=lambda pair: pair[0].at_ns):
        kind = input_of(step)
        held = None if kind is None else kind.busy(step)
        if kind is None or held is None:
            continue
        what, (end, text) = (kind.kind, step.target), held
        until, before = busy.get(what, (0, ""))
        if step.at_ns < until:
            yield Problem(
                key=f"{key}.at",
                text=f"{text} from {before}",
                allowed=f"{format_duration(until)} or later",
            )
        if end >= until:
            busy[what] = (end, key)


def _contradictions(steps: Iterable[Step]) -> Iterator[Problem]:
    """Note values of one input that another one of the same time contradicts."""
    first: dict[tuple[int, str, str], tuple[float, str]] = {}
    for index, step in enumerate(steps):
        kind = input_of(step)
        if kind is None or kind.passing or kind.two_valued:
            continue
        ((_, level),) = kind.changes(step)
        key = step.key or f"steps[{index}]"
        told, before = first.setdefault((step.at_ns, kind.kind, step.target), (level, key))
        if told != level:
            yield Problem(
                key=f"{key}.{(kind.needs or (kind.key,))[0]}",
                text=f"another {kind.valued} than that of {before} at the same time",
                allowed=f"one {kind.valued} at one time",
            )


def _expectations(steps: Iterable[Step], gadget: Gadget) -> list[Problem]:
    problems: list[Problem] = []
    names = names_of(gadget)
    for index, step in enumerate(steps):
        if isinstance(step, Expect):
            try:
                parse_expression(step.text, names, key=f"{step.key or f'steps[{index}]'}.expect")
            except DescriptionError as error:
                problems += error.problems
    return problems


# --- writing ----------------------------------------------------------------------------------


def to_toml(scenario: Scenario, folder: str | Path = "") -> str:
    """Write a scenario as the text of a file in `folder`; it reads back equal from there.

    The gadget is named by its path from `folder` (the working directory if empty).
    """
    gadget = os.path.relpath(scenario.gadget_path, folder or os.curdir).replace(os.sep, "/")
    lines = [
        f"title  = {quoted(scenario.title)}",
        f"gadget = {quoted(gadget)}",
        f'charge = "{decimal(scenario.charge, 100)} %"',
        f'lasts  = "{format_duration(scenario.lasts_ns)}"',
    ]
    if scenario.seed is not None:
        lines.append(f"seed   = {scenario.seed}")
    if scenario.steps:
        lines.append("steps = [")
        lines += [f"  {{ {written_step(step)} }}," for step in scenario.steps]
        lines.append("]")
    return "\n".join(lines) + "\n"


def write_scenario(scenario: Scenario, path: str | Path) -> None:
    """Write a scenario to a file, whole or not at all."""
    write_whole(Path(path), to_toml(scenario, Path(path).parent))
