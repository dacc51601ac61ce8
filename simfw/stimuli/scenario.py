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
from decimal import Decimal
from pathlib import Path

from simfw.behaviour.build import names_of
from simfw.behaviour.parsing import parse_expression
from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration
from simfw.writing import write_whole

__all__ = [
    "ChargerFault",
    "Expect",
    "Press",
    "Scenario",
    "Step",
    "Temperature",
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
class Press:
    """The contact of `button` closes at `at_ns` and opens `for_ns` later.

    `bounce_ns` is how long the contact toggles after each of the two edges (0 = clean).
    """

    at_ns: int
    button: str
    for_ns: int
    bounce_ns: int = 0
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """A hand is `distance_m` before the sensor from `at_ns` for `for_ns`."""

    at_ns: int
    sensor: str
    distance_m: float
    for_ns: int
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usb:
    """USB power comes (`present`) or goes."""

    at_ns: int
    present: bool
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """The temperature of the whole gadget becomes `temperature_c` (degC)."""

    at_ns: int
    temperature_c: float
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerFault:
    """The charger meets a fault of its own (`present`), or is well again.

    A timer that has run out, a cell that it will not charge: whatever makes it stop. It counts
    while USB power is in.
    """

    at_ns: int
    present: bool
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect:
    """The expression `text` must hold in the settled state at `at_ns`."""

    at_ns: int
    text: str
    key: str = field(default="", compare=False)


Step = Press | Wave | Usb | Temperature | ChargerFault | Expect


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


def raw_edges(step: Press) -> tuple[tuple[int, bool], ...]:
    """Return the raw edges of a press, in order, as (time in ns, contact closed from then on).

    Without bounce there are two: closed at `at`, open at `at + for`. A bounce of b makes the
    contact toggle every b/5 within the half-open interval [edge, edge + b), so each edge becomes
    five toggles, at edge + k*b/5 for k = 0..4 (rounded down to whole nanoseconds): closed at `at`,
    open at `at + b/5`, closed at `at + 2b/5`, open at `at + 3b/5`, closed for good from
    `at + 4b/5`; and the other way round from `at + for` on.
    """
    return tuple(
        (start + after_ns, level if there else not level)
        for start, level in ((step.at_ns, True), (step.at_ns + step.for_ns, False))
        for after_ns, there in bounce_of(step.bounce_ns)
    )


def bounce_of(bounce_ns: int) -> tuple[tuple[int, bool], ...]:
    """Return the toggles of one edge: (ns after it, whether the contact is at its new level then).

    Of toggles that a very short bounce puts on one nanosecond the last stands.
    """
    toggles = 5 if bounce_ns else 1
    return tuple({bounce_ns * k // 5: k % 2 == 0 for k in range(toggles)}.items())


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
    if isinstance(step, Press | Wave) and step.for_ns <= 0:
        yield Problem(key=f"{key}.for", text="a time of zero", allowed="more than zero")
    if isinstance(step, Press) and not 0 <= step.bounce_ns <= max(step.for_ns, 0):
        yield Problem(
            key=f"{key}.bounce",
            text="the contact would still bounce when the button is let go",
            allowed=f"at most for ({format_duration(max(step.for_ns, 0))})",
        )
    if isinstance(step, Wave) and not step.distance_m > 0:
        yield Problem(key=f"{key}.distance", text="no distance at all", allowed="more than zero")


def unknown_names(key: str, step: Step, gadget: Gadget) -> Iterator[Problem]:
    """Yield what a step uses that the gadget does not have."""
    if isinstance(step, Press) and step.button not in gadget.buttons:
        yield _unknown(f"{key}.press", "button", step.button, gadget.buttons)
    if isinstance(step, Wave) and step.sensor not in gadget.proximity:
        yield _unknown(f"{key}.wave", "proximity sensor", step.sensor, gadget.proximity)
    if isinstance(step, Usb | ChargerFault) and gadget.charger is None:
        what = "usb" if isinstance(step, Usb) else "fault"
        yield Problem(
            key=f"{key}.{what}",
            text="the gadget has no charger",
            allowed=f"{what} only for a gadget with [charger]",
        )


def _unknown(key: str, what: str, found: str, names: Iterable[str]) -> Problem:
    names = list(names)
    return Problem(
        key=key,
        found=f'"{found}"',
        text=f"the gadget has no such {what}",
        allowed=", ".join(names) or f"none, the gadget has no {what}s",
        suggestion=nearest(found, names),
    )


def _overlaps(steps: Iterable[Step]) -> Iterator[Problem]:
    """Note presses of one button, and waves before one sensor, that begin before the last ended."""
    busy: dict[tuple[str, str], tuple[int, str]] = {}
    numbered = [(step, step.key or f"steps[{index}]") for index, step in enumerate(steps)]
    for step, key in sorted(numbered, key=lambda pair: pair[0].at_ns):
        if isinstance(step, Press):
            what, text = ("press", step.button), "the button is still held or bouncing"
            end = step.at_ns + step.for_ns + step.bounce_ns
        elif isinstance(step, Wave):
            what, text = ("wave", step.sensor), "a hand is still before the sensor"
            end = step.at_ns + step.for_ns
        else:
            continue
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
    """Note temperatures that another one of the same time contradicts."""
    first: dict[int, tuple[float, str]] = {}
    for index, step in enumerate(steps):
        if isinstance(step, Temperature):
            key = step.key or f"steps[{index}]"
            told, before = first.setdefault(step.at_ns, (step.temperature_c, key))
            if told != step.temperature_c:
                yield Problem(
                    key=f"{key}.temperature",
                    text=f"another temperature than that of {before} at the same time",
                    allowed="one temperature at one time",
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
        f"title  = {_text(scenario.title)}",
        f"gadget = {_text(gadget)}",
        f'charge = "{_decimal(scenario.charge, 100)} %"',
        f'lasts  = "{format_duration(scenario.lasts_ns)}"',
    ]
    if scenario.seed is not None:
        lines.append(f"seed   = {scenario.seed}")
    if scenario.steps:
        lines.append("steps = [")
        lines += [f"  {{ {_step(step)} }}," for step in scenario.steps]
        lines.append("]")
    return "\n".join(lines) + "\n"


def write_scenario(scenario: Scenario, path: str | Path) -> None:
    """Write a scenario to a file, whole or not at all."""
    write_whole(Path(path), to_toml(scenario, Path(path).parent))


def _step(step: Step) -> str:
    parts = [f'at = "{format_duration(step.at_ns)}"']
    match step:
        case Press():
            parts += [f"press = {_text(step.button)}", f'for = "{format_duration(step.for_ns)}"']
            if step.bounce_ns:
                parts.append(f'bounce = "{format_duration(step.bounce_ns)}"')
        case Wave():
            parts += [
                f"wave = {_text(step.sensor)}",
                f'distance = "{_decimal(step.distance_m, 100)} cm"',
                f'for = "{format_duration(step.for_ns)}"',
            ]
        case Usb():
            parts.append(f"usb = {'true' if step.present else 'false'}")
        case ChargerFault():
            parts.append(f"fault = {'true' if step.present else 'false'}")
        case Temperature():
            parts.append(f'temperature = "{_decimal(step.temperature_c, 1)} degC"')
        case Expect():
            parts.append(f"expect = {_text(step.text)}")
    return ", ".join(parts)


def _decimal(number: float, times: int) -> str:
    """Return `number * times` exactly as the shortest decimal text of `number` has it."""
    exact = (Decimal(repr(float(number))) * times).normalize()
    return f"{exact:f}" if -7 < exact.adjusted() < 15 else f"{exact:e}"


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _text(text: str) -> str:
    """Return `text` as a TOML string on one line."""
    escaped = "".join(
        _ESCAPES.get(char) or (char if char.isprintable() else f"\\U{ord(char):08x}")
        for char in text
    )
    return f'"{escaped}"'
