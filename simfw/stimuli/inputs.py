"""The inputs of a gadget: the one table of what may come from outside.

Each kind of input has one entry in `INPUTS`. It says whose names its members have in the gadget
file, at which level a member rests, which step of a scenario changes it and how, what a recording
of it holds, and in which words it is told. Scenarios, habits, recordings, maps, plots, the random
and the aimed search, vectors and conformance read this table and name no kind themselves. What a
level means to the circuit and to the regions is for the engine to know (`Simulation`).

The order of the table is that of changes at one time, after that ends come before beginnings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from simfw.behaviour.stock_measures import levels_of
from simfw.errors import Problem, nearest
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration
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
    raw_edges,
)
from simfw.stimuli.toml_text import decimal, quoted
from simfw.units import measured

__all__ = [
    "INPUTS",
    "NO_HAND",
    "OF_KEY",
    "ROOM_C",
    "Input",
    "Kind",
    "input_of",
    "lanes_of",
    "settable",
    "written_step",
]

Kind = Literal["temperature", "fault", "contact", "toggle", "hand", "measure", "usb"]

NO_HAND = -1.0
"""The level of a sensor before which there is no hand."""

ROOM_C = 25.0
"""The temperature (degC) unless a stimulus says otherwise."""

Lasting = Callable[[int], str]  # a length of time (ns) in words
Lane = tuple[str, int, int | None]  # its name, from, until (None: until it is changed again)


class Input:
    """One kind of input.

    `kind` is its name in changes and signals, `section` that of the gadget file that names its
    members ("" where there is but one, of the name `kind`), `key` the key of its step in a file,
    with the keys that a step `needs` and `may` have beside it; `sets` tells whether that key holds
    a name. `what` is what a member is called. `meaning` says what a column of a recording holds,
    `valued` what a value of it is called.
    `two_valued`: it is on or off. `passing`: a step of it ends by itself.
    `contact`: it closes and opens, with the raw event `NAME.edge` each time.
    """

    kind: Kind
    section: str = ""
    what: str = ""
    key: str
    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    step: type[Any]
    meaning: str
    valued: str = "value"
    two_valued: bool = True
    passing: bool = False
    contact: bool = False

    def members(self, gadget: Gadget) -> Sequence[str]:
        """The inputs of this kind that the gadget has."""
        return tuple(getattr(gadget, self.section)) if self.section else (self.kind,)

    def meant(self, gadget: Gadget, name: str) -> str:
        """What a column of a recording holds for this member."""
        del gadget, name
        return self.meaning

    def rest(self, gadget: Gadget, name: str) -> float:
        """The level at which a member stands while nobody touches it."""
        del gadget, name
        return 0.0

    def set(self, gadget: Gadget) -> Sequence[str]:
        """The inputs of this kind, on which the firmware may look, that stay where they are put."""
        del gadget
        return ()

    def levels(self, gadget: Gadget, name: str) -> Sequence[float]:
        """The levels of such an input that the firmware may tell apart."""
        raise NotImplementedError

    def set_to(self, gadget: Gadget, name: str, at_ns: int, level: float) -> Step:
        """The step that puts a member to a level, where it then stays."""
        raise NotImplementedError

    def level_text(self, gadget: Gadget, name: str, level: float) -> str:
        """A level of such an input in words."""
        raise NotImplementedError

    def settled_ns(self, gadget: Gadget, name: str) -> int:
        """How long such an input takes to be noticed."""
        raise NotImplementedError

    def ends(self, level: float) -> bool:
        """Whether a change to this level is the end of something."""
        return self.two_valued and not level

    def changes(self, step: Any) -> Iterator[tuple[int, float]]:
        """The levels that a step sets: (time in ns, level)."""
        raise NotImplementedError

    def steps(
        self, gadget: Gadget, name: str, levels: Sequence[tuple[int, float]], end_ns: int
    ) -> Iterator[Step]:
        """The steps that set these levels; what is on at the end stays on for 1 ns more."""
        del end_ns
        for time, level in levels:
            yield self.set_to(gadget, name, time, level)

    def read(self, line: Any, key: str) -> Step:
        """The step that a line of a file says; what the line lacks gets a stand-in."""
        raise NotImplementedError

    def written(self, step: Any) -> Iterator[str]:
        """The step as keys and values of a file, without its time."""
        raise NotImplementedError

    def problems(self, key: str, step: Any) -> Iterator[Problem]:
        """What no gadget could do."""
        del key, step
        return iter(())

    def unknown(self, key: str, step: Any, gadget: Gadget) -> Iterator[Problem]:
        """What this gadget does not have; of `step`, also of a habit, what it names is read."""
        names = list(self.members(gadget))
        if step.target not in names:
            yield Problem(
                key=f"{key}.{self.key}",
                found=f'"{step.target}"',
                text=f"the gadget has no such {self.what}",
                allowed=", ".join(names) or f"none, the gadget has no {self.what}s",
                suggestion=nearest(step.target, names),
            )

    def busy(self, step: Any) -> tuple[int, str] | None:
        """Until when no other step may touch the same member, and why."""
        del step
        return None

    def lane(self, step: Any) -> Lane:
        """Where a plot of the inputs shows the step."""
        raise NotImplementedError

    def said(self, step: Any, lasting: Lasting) -> str:
        """The step in the words of a report."""
        raise NotImplementedError

    def asked(self, step: Any, lasting: Lasting) -> str:
        """The step as what somebody is asked to do."""
        raise NotImplementedError


def _spans(
    levels: Sequence[tuple[int, float]], end_ns: int
) -> Iterator[tuple[int, float, int]]:
    """Each level with its beginning and end; the last one stays past the end."""
    ends = [*(time for time, _ in levels[1:]), end_ns + 1]
    for (time, level), until in zip(levels, ends, strict=False):
        yield time, level, until


class _Temperature(Input):
    kind, key, step = "temperature", "temperature", Temperature
    meaning, valued, two_valued = "degC", "temperature", False

    def rest(self, gadget: Gadget, name: str) -> float:
        del gadget, name
        return ROOM_C

    def set_to(self, gadget: Gadget, name: str, at_ns: int, level: float) -> Step:
        del gadget, name
        return Temperature(at_ns=at_ns, temperature_c=level)

    def changes(self, step: Temperature) -> Iterator[tuple[int, float]]:
        yield step.at_ns, step.temperature_c

    def read(self, line: Any, key: str) -> Step:
        return Temperature(at_ns=line.at, temperature_c=line.temperature or 0.0, key=key)

    def written(self, step: Temperature) -> Iterator[str]:
        yield f'temperature = "{decimal(step.temperature_c, 1)} degC"'

    def unknown(self, key: str, step: Temperature, gadget: Gadget) -> Iterator[Problem]:
        del key, step, gadget
        return iter(())

    def lane(self, step: Temperature) -> Lane:
        return f"{step.temperature_c:g} °C from here", step.at_ns, step.at_ns

    def said(self, step: Temperature, lasting: Lasting) -> str:
        del lasting
        return f"{step.temperature_c:g} degC"

    def asked(self, step: Temperature, lasting: Lasting) -> str:
        del lasting
        return f"bring everything to {step.temperature_c:.4g} degC"


class _Switched(Input):
    """What comes and goes, and belongs to the charger."""

    def set_to(self, gadget: Gadget, name: str, at_ns: int, level: float) -> Step:
        del gadget, name
        made: Step = self.step(at_ns=at_ns, present=level > 0)
        return made

    def changes(self, step: Any) -> Iterator[tuple[int, float]]:
        yield step.at_ns, float(step.present)

    def read(self, line: Any, key: str) -> Step:
        made: Step = self.step(at_ns=line.at, present=bool(getattr(line, self.key)), key=key)
        return made

    def written(self, step: Any) -> Iterator[str]:
        yield f"{self.key} = {'true' if step.present else 'false'}"

    def unknown(self, key: str, step: Any, gadget: Gadget) -> Iterator[Problem]:
        del step
        if gadget.charger is None:
            yield Problem(
                key=f"{key}.{self.key}",
                text="the gadget has no charger",
                allowed=f"{self.key} only for a gadget with [charger]",
            )


class _Fault(_Switched):
    kind, key, step = "fault", "fault", ChargerFault
    meaning = "1 the charger meets a fault"

    def members(self, gadget: Gadget) -> Sequence[str]:
        return () if gadget.charger is None else ("fault",)

    def lane(self, step: ChargerFault) -> Lane:
        return f"charger {'faulty' if step.present else 'well'} from here", step.at_ns, step.at_ns

    def said(self, step: ChargerFault, lasting: Lasting) -> str:
        del lasting
        return f"charger {'faulty' if step.present else 'well'}"

    def asked(self, step: ChargerFault, lasting: Lasting) -> str:
        del lasting
        return f"the charger {'meets a fault' if step.present else 'is well again'}"


class _Contact(Input):
    kind, section, what, contact = "contact", "buttons", "button", True
    key, needs, may, step = "press", ("for",), ("bounce",), Press
    meaning, passing = "1 closed", True

    def changes(self, step: Press) -> Iterator[tuple[int, float]]:
        for time, closed in raw_edges(step):
            yield time, float(closed)

    def steps(
        self, gadget: Gadget, name: str, levels: Sequence[tuple[int, float]], end_ns: int
    ) -> Iterator[Step]:
        del gadget
        for time, level, until in _spans(levels, end_ns):
            if level > 0:
                yield Press(at_ns=time, button=name, for_ns=until - time)

    def read(self, line: Any, key: str) -> Step:
        return Press(at_ns=line.at, button=line.press or "", for_ns=line.for_ or 1,
                     bounce_ns=line.bounce or 0, key=key)

    def written(self, step: Press) -> Iterator[str]:
        yield f"press = {quoted(step.button)}"
        yield f'for = "{format_duration(step.for_ns)}"'
        if step.bounce_ns:
            yield f'bounce = "{format_duration(step.bounce_ns)}"'

    def problems(self, key: str, step: Press) -> Iterator[Problem]:
        yield from _no_time(key, step)
        if not 0 <= step.bounce_ns <= max(step.for_ns, 0):
            yield Problem(
                key=f"{key}.bounce",
                text="the contact would still bounce when the button is let go",
                allowed=f"at most for ({format_duration(max(step.for_ns, 0))})",
            )

    def busy(self, step: Press) -> tuple[int, str]:
        return step.until_ns + step.bounce_ns, "the button is still held or bouncing"

    def lane(self, step: Press) -> Lane:
        return step.button, step.at_ns, step.until_ns

    def said(self, step: Press, lasting: Lasting) -> str:
        return f"press {step.button} for {lasting(step.for_ns)}"

    def asked(self, step: Press, lasting: Lasting) -> str:
        bounce = f" (its contact bounces for {lasting(step.bounce_ns)})" if step.bounce_ns else ""
        return f"press {step.button} for {lasting(step.for_ns)}{bounce}"


class _Toggle(Input):
    kind, section, what, contact = "toggle", "toggles", "toggle", True
    key, needs, step = "toggle", ("to",), Toggle
    meaning = "1 closed, on"

    def rest(self, gadget: Gadget, name: str) -> float:
        toggle = gadget.toggles[name]
        return float(toggle.in_supply or toggle.starts == "on")

    def set(self, gadget: Gadget) -> Sequence[str]:
        return tuple(gadget.read_toggles)

    def levels(self, gadget: Gadget, name: str) -> Sequence[float]:
        rest = self.rest(gadget, name)
        return 1.0 - rest, rest

    def set_to(self, gadget: Gadget, name: str, at_ns: int, level: float) -> Step:
        del gadget
        return Toggle(at_ns=at_ns, toggle=name, closed=level > 0)

    def level_text(self, gadget: Gadget, name: str, level: float) -> str:
        del gadget, name
        return "on" if level > 0 else "off"

    def settled_ns(self, gadget: Gadget, name: str) -> int:
        return gadget.toggles[name].debounce.ns

    def changes(self, step: Toggle) -> Iterator[tuple[int, float]]:
        yield step.at_ns, float(step.closed)

    def read(self, line: Any, key: str) -> Step:
        return Toggle(at_ns=line.at, toggle=line.toggle or "", closed=line.to == "on", key=key)

    def written(self, step: Toggle) -> Iterator[str]:
        yield f"toggle = {quoted(step.toggle)}"
        yield f'to = "{_position(step)}"'

    def lane(self, step: Toggle) -> Lane:
        return f"{step.toggle} on", step.at_ns, None

    def said(self, step: Toggle, lasting: Lasting) -> str:
        del lasting
        return f"{step.toggle} {_position(step)}"

    def asked(self, step: Toggle, lasting: Lasting) -> str:
        del lasting
        return f"put {step.toggle} to {_position(step)}"


def _position(step: Toggle) -> str:
    return "on" if step.closed else "off"


class _Hand(Input):
    kind, section, what = "hand", "proximity", "proximity sensor"
    key, needs, step = "wave", ("distance", "for"), Wave
    meaning = "distance of the hand in m, none (-1) without a hand"
    two_valued, passing = False, True

    def rest(self, gadget: Gadget, name: str) -> float:
        del gadget, name
        return NO_HAND

    def ends(self, level: float) -> bool:
        return level == NO_HAND

    def changes(self, step: Wave) -> Iterator[tuple[int, float]]:
        yield step.at_ns, step.distance_m
        yield step.until_ns, NO_HAND

    def steps(
        self, gadget: Gadget, name: str, levels: Sequence[tuple[int, float]], end_ns: int
    ) -> Iterator[Step]:
        del gadget
        for time, level, until in _spans(levels, end_ns):
            if level >= 0:
                yield Wave(at_ns=time, sensor=name, distance_m=level, for_ns=until - time)

    def read(self, line: Any, key: str) -> Step:
        return Wave(at_ns=line.at, sensor=line.wave or "", distance_m=line.distance or 1.0,
                    for_ns=line.for_ or 1, key=key)

    def written(self, step: Wave) -> Iterator[str]:
        yield f"wave = {quoted(step.sensor)}"
        yield f'distance = "{decimal(step.distance_m, 100)} cm"'
        yield f'for = "{format_duration(step.for_ns)}"'

    def problems(self, key: str, step: Wave) -> Iterator[Problem]:
        yield from _no_time(key, step)
        if not step.distance_m > 0:
            yield Problem(key=f"{key}.distance", text="no distance at all",
                          allowed="more than zero")

    def busy(self, step: Wave) -> tuple[int, str]:
        return step.until_ns, "a hand is still before the sensor"

    def lane(self, step: Wave) -> Lane:
        return f"hand at {step.sensor}", step.at_ns, step.until_ns

    def said(self, step: Wave, lasting: Lasting) -> str:
        return (f"hand before {step.sensor} at {100 * step.distance_m:.3g} cm for "
                f"{lasting(step.for_ns)}")

    def asked(self, step: Wave, lasting: Lasting) -> str:
        return (f"hold a hand {step.distance_m * 100:.3g} cm before {step.sensor} for "
                f"{lasting(step.for_ns)}")


class _Measure(Input):
    kind, section, what = "measure", "measures", "measure"
    key, needs, step = "measure", ("value",), Measured
    meaning, two_valued = "value", False

    def members(self, gadget: Gadget) -> Sequence[str]:
        return tuple(name for name, one in gadget.measures.items() if one.source is None)

    def meant(self, gadget: Gadget, name: str) -> str:
        return gadget.measures[name].unit

    def rest(self, gadget: Gadget, name: str) -> float:
        measure = gadget.measures[name]
        return levels_of(measure).rest if measure.source is None else ROOM_C

    def set(self, gadget: Gadget) -> Sequence[str]:
        return tuple(gadget.measures)

    def levels(self, gadget: Gadget, name: str) -> Sequence[float]:
        return levels_of(gadget.measures[name]).between()

    def set_to(self, gadget: Gadget, name: str, at_ns: int, level: float) -> Step:
        measure = gadget.measures[name]
        if measure.source is not None:
            return Temperature(at_ns=at_ns, temperature_c=level)
        return Measured(at_ns=at_ns, measure=name, value=level, unit=measure.unit)

    def level_text(self, gadget: Gadget, name: str, level: float) -> str:
        return f"at {level:g} {gadget.measures[name].unit}"

    def settled_ns(self, gadget: Gadget, name: str) -> int:
        measure = gadget.measures[name]
        return (measure.agree + 1) * measure.every.ns + measure.settle.ns

    def changes(self, step: Measured) -> Iterator[tuple[int, float]]:
        yield step.at_ns, step.value

    def read(self, line: Any, key: str) -> Step:
        value, unit = line.value or (0.0, "")
        return Measured(at_ns=line.at, measure=line.measure or "", value=value, unit=unit, key=key)

    def written(self, step: Measured) -> Iterator[str]:
        yield f"measure = {quoted(step.measure)}"
        yield f"value = {quoted(f'{decimal(step.value, 1)} {step.unit}')}"

    def unknown(self, key: str, step: Any, gadget: Gadget) -> Iterator[Problem]:
        measure = gadget.measures.get(step.target)
        if measure is None:
            yield from super().unknown(key, step, gadget)
        elif measure.source is not None:
            yield Problem(
                key=f"{key}.measure",
                text=f'"{step.target}" follows the {measure.source}',
                allowed='{ at = ..., temperature = "5 degC" } in its place',
            )
        elif step.unit not in ("", measure.unit) and (
            measured(step.unit) is not measured(measure.unit)
        ):
            yield Problem(
                key=f"{key}.value",
                found=f'"{step.unit}"',
                text=f'"{step.target}" is measured in {measure.unit}',
                allowed=f'a value such as "12 {measure.unit}"',
            )

    def lane(self, step: Measured) -> Lane:
        return f"{step.measure} {step.value:g} {step.unit} from here", step.at_ns, step.at_ns

    def said(self, step: Measured, lasting: Lasting) -> str:
        del lasting
        return f"{step.measure} {step.value:g} {step.unit}"

    def asked(self, step: Measured, lasting: Lasting) -> str:
        del lasting
        return f"bring what {step.measure} measures to {step.value:g} {step.unit}"


class _Usb(_Switched):
    kind, key, step = "usb", "usb", Usb
    meaning = "1 plugged in"

    def lane(self, step: Usb) -> Lane:
        return "USB", step.at_ns, None

    def said(self, step: Usb, lasting: Lasting) -> str:
        del lasting
        return f"USB {'in' if step.present else 'out'}"

    def asked(self, step: Usb, lasting: Lasting) -> str:
        del lasting
        return "plug USB in" if step.present else "unplug USB"


def _no_time(key: str, step: Any) -> Iterator[Problem]:
    if step.for_ns <= 0:
        yield Problem(key=f"{key}.for", text="a time of zero", allowed="more than zero")


INPUTS: Mapping[str, Input] = {
    one.kind: one for one in (
        _Temperature(), _Fault(), _Contact(), _Toggle(), _Hand(), _Measure(), _Usb(),
    )
}
"""Every kind of input by its name, in the order of changes at one time."""

OF_KEY: Mapping[str, Input] = {one.key: one for one in INPUTS.values()}
"""Every kind of input by the key of its step in a file."""

_OF_STEP = {one.step: one for one in INPUTS.values()}


def settable(gadget: Gadget) -> Iterator[tuple[Input, str]]:
    """The inputs of a gadget that stay where they are put, and that its firmware may look at."""
    for kind in INPUTS.values():
        for name in kind.set(gadget):
            yield kind, name


def input_of(step: Step) -> Input | None:
    """The kind of input that a step changes; None for an expectation."""
    return _OF_STEP.get(type(step))


def lanes_of(steps: Iterable[Step], end_ns: int) -> dict[str, list[tuple[int, int]]]:
    """What the outside did until `end_ns`: lanes of (from, until) in ns, by name."""
    lanes: dict[str, list[tuple[int, int]]] = {}
    on: dict[str, int] = {}  # since when, of what stays until it is changed again
    for step in sorted(steps, key=lambda step: step.at_ns):
        kind = input_of(step)
        if kind is None:
            continue
        name, begins, until = kind.lane(step)
        lane = lanes.setdefault(name, [])
        if until is not None:
            lane.append((begins, until))
        elif not kind.ends(next(kind.changes(step))[1]):
            on.setdefault(name, begins)
        elif name in on:
            lane.append((on.pop(name), begins))
    for name, since in on.items():
        lanes[name].append((since, end_ns))
    return lanes


# --- writing ----------------------------------------------------------------------------------


def written_step(step: Step) -> str:
    """A step as the inside of a line of a scenario file."""
    parts = [f'at = "{format_duration(step.at_ns)}"']
    if isinstance(step, Expect):
        parts.append(f"expect = {quoted(step.text)}")
    else:
        parts += _OF_STEP[type(step)].written(step)
    return ", ".join(parts)
