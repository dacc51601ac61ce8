"""From the description of a gadget to its `System`: all regions, all rows, all names resolved.

One walk serves both `build_system` and `check`, so what is checked is what is built. Problems carry
the dotted path of their key; whoever loads the file adds file and line.

Names. An event that a row emits is declared by being emitted. It may be plain (`timeout`) or dotted
(`lamp.timeout`), but it may not be an event of a stock region. `lit.*` in `from` means the state
`lit`, if there is one, and every `lit.x`.
"""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable
from itertools import pairwise

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.region import Drive, Region, Row, State, System
from simfw.behaviour.rules import bind_rules
from simfw.behaviour.stock import Stock, burst_ns, stock
from simfw.behaviour.tree import Expression, Names, family
from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.model import Behaviour, Gadget
from simfw.gadget.model import Row as WrittenRow

__all__ = ["build_system", "check", "names_of"]

_PLAIN = re.compile(r"[^\W\d]\w*")
_STATE = re.compile(r"\w+(\.\w+)?")
_EVENT = re.compile(r"[^\W\d]\w*(\.\w+)*")
# Words that stand for something whether or not the gadget has that part.
_RESERVED = ("usb", "status", "charge", "cell", "gauge", "controller")
_TARGETS = ("same", "resume")


def build_system(gadget: Gadget) -> System:
    """The whole behaviour of `gadget`. Raises `DescriptionError` with all problems."""
    builder = _Builder(gadget)
    if builder.problems:
        raise DescriptionError(builder.problems)
    return builder.system


def check(gadget: Gadget) -> list[Problem]:
    """Every problem of the behaviour of `gadget`; empty if `build_system` can build it."""
    return _Builder(gadget).problems


def names_of(gadget: Gadget) -> Names:
    """What an expression about `gadget` may name (also where some of its rows have problems)."""
    return _Builder(gadget).names


class _Builder:
    def __init__(self, gadget: Gadget) -> None:
        self.gadget = gadget
        self.problems: list[Problem] = []
        self.check_names()
        self.check_stock()
        outline = stock(gadget)
        self.written = {
            name: tuple(self.state(name, behaviour, state) for state in behaviour.states)
            for name, behaviour in gadget.behaviour.items()
        }
        emitted = self.emitted(outline)
        self.events = tuple(dict.fromkeys((*outline.events, *emitted)))
        self.names = self.known(outline)
        whole = stock(
            gadget,
            enabled={
                name: read
                for name, sensor in gadget.proximity.items()
                if (read := self.read(sensor.enabled, f"proximity.{name}.enabled")) is not None
            },
            show=self.read(gadget.gauge.show if gadget.gauge else None, "gauge.show"),
        )
        regions = [self.region(name, part) for name, part in gadget.behaviour.items()]
        self.system = System(
            regions=(*whole.regions, *regions),
            conditions=whole.conditions,
            events=self.events,
            internal_events=whole.internal_events,
            raw_events=whole.raw_events,
            aliases=whole.aliases,
            names=self.names,
        )
        self.problems += bind_rules(gadget.rules, self.names)[1]
        for reading in gadget.readings:
            self.read(reading, f'readings."{reading}"')

    def note(
        self,
        key: str,
        text: str,
        *,
        found: str | None = None,
        allowed: str | Iterable[str] | None = None,
        suggestion: str | None = None,
    ) -> None:
        if allowed is not None and not isinstance(allowed, str):
            allowed = ", ".join(allowed) or "nothing"
        self.problems.append(
            Problem(key=key, text=text, found=found, allowed=allowed, suggestion=suggestion)
        )

    def unknown(self, key: str, found: str, text: str, names: Iterable[str]) -> None:
        names = tuple(dict.fromkeys(names))
        self.note(key, text, found=f'"{found}"', allowed=names, suggestion=nearest(found, names))

    def read(self, text: str | None, key: str) -> Expression | None:
        if text is None:
            return None
        try:
            return parse_expression(text, self.names, key=key)
        except DescriptionError as error:
            self.problems.extend(error.problems)
            return None

    # -- names ------------------------------------------------------------------------------------

    def check_names(self) -> None:
        gadget = self.gadget
        taken: dict[str, str] = {}
        sections: tuple[tuple[str, Iterable[str]], ...] = (
            ("buttons", gadget.buttons),
            ("chords", gadget.chords),
            ("proximity", gadget.proximity),
            ("behaviour", gadget.behaviour),
        )
        for section, names in sections:
            for name in names:
                key = f"{section}.{name}"
                self.check_word(key, name)
                if name in taken:
                    self.note(key, f"{taken[name]} has the same name",
                              allowed="a name of its own for each button, chord, proximity sensor "
                                      "and region")
                taken.setdefault(name, key)
        drawn: dict[str, str] = {}
        for section, names in (("lights", gadget.lights), ("loads", gadget.loads)):
            for name in names:
                key = f"{section}.{name}"
                self.check_word(key, name)
                if name in drawn:
                    self.note(key, f"{drawn[name]} has the same name",
                              allowed="a name of its own for each light and load")
                drawn.setdefault(name, key)

    def check_word(self, key: str, name: str) -> None:
        if name in _RESERVED:
            self.note(key, f'the name "{name}" is taken',
                      allowed=f"any name but {', '.join(_RESERVED)}")
        elif not _PLAIN.fullmatch(name) or keyword.iskeyword(name):
            self.note(key, f'"{name}" cannot be written in an expression',
                      allowed="a letter, then letters, digits and underscores; no word of the "
                              "expression language (and, or, not, if, ...)")

    def known(self, outline: Stock) -> Names:
        gadget = self.gadget
        states = {
            region.name: tuple(state.name for state in region.states)
            for region in outline.regions
        }
        for name, written in self.written.items():
            states[name] = tuple(state.name for state in written)
        gauge = gadget.gauge
        return Names(
            regions=states,
            aliases=outline.aliases,
            shorthands=outline.shorthands,
            flags=outline.flags,
            levels=tuple(dict.fromkeys((*gadget.lights, *gadget.loads))),
            bars=None if gauge is None else len(gauge.thresholds),
            measured=gauge is not None,
            events=self.events,
        )

    # -- stock timings ----------------------------------------------------------------------------

    def check_stock(self) -> None:
        gadget = self.gadget
        for name, button in gadget.buttons.items():
            self.check_positive(f"buttons.{name}.sample_every", button.sample_every.ns)
            self.check_positive(
                f"buttons.{name}.double", None if button.double is None else button.double.ns
            )
        for name, chord in gadget.chords.items():
            key = f"chords.{name}.buttons"
            for index, wanted in enumerate(chord.buttons):
                if wanted not in gadget.buttons:
                    self.unknown(f"{key}[{index}]", wanted, "there is no such button",
                                 gadget.buttons)
                elif wanted in chord.buttons[:index]:
                    self.note(f"{key}[{index}]", "the button is named twice", found=f'"{wanted}"')
        for name, sensor in gadget.proximity.items():
            awake = sensor.settle.ns + burst_ns(sensor)
            if sensor.every.ns < awake:
                self.note(f"proximity.{name}.every", "a look takes longer than the time from one "
                          "look to the next", found=_milliseconds(sensor.every.ns),
                          allowed=f"at least settle + burst = {_milliseconds(awake)}")
        self.check_gauge()

    def check_positive(self, key: str, ns: int | None) -> None:
        if ns is not None and ns <= 0:
            self.note(key, "the time must be longer than zero", found=_milliseconds(ns))

    def check_gauge(self) -> None:
        gadget, gauge = self.gadget, self.gadget.gauge
        if gauge is None:
            return
        self.check_positive("gauge.every", gauge.every.ns)
        self.check_positive("gauge.blink", None if gauge.blink is None else gauge.blink.ns)
        volts = [threshold.value for threshold in gauge.thresholds]
        if any(first >= second for first, second in pairwise(volts)):
            self.note("gauge.thresholds", "the thresholds do not rise",
                      allowed="each threshold above the one before it")
        if gauge.low is not None and gauge.flat is not None and gauge.flat.value > gauge.low.value:
            self.note("gauge.flat", "flat lies above low", found=gauge.flat.text or None,
                      allowed=f"at most {gauge.low.text or gauge.low.value}")
        if gauge.blink is not None and (gadget.charger is None or gadget.charger.status is None):
            self.note("gauge.blink", "the gauge cannot know when the cell is charging",
                      allowed="blink only together with [charger] status")
        if gauge.light is None:
            return
        light = gadget.lights.get(gauge.light)
        if light is None:
            self.unknown("gauge.light", gauge.light, "there is no such light", gadget.lights)
        elif not light.segments:
            self.note("gauge.light", "the light has no segments", found=f'"{gauge.light}"',
                      allowed="a light with segments = true")
        elif len(volts) > light.leds:
            self.note("gauge.thresholds", f"there are {len(volts)} thresholds, but "
                      f"{gauge.light} has {light.leds} segments",
                      allowed=f"at most {light.leds} thresholds")

    # -- written regions --------------------------------------------------------------------------

    def state(self, region: str, behaviour: Behaviour, name: str) -> State:
        key = f"behaviour.{region}.states.{name}" if "." not in name else (
            f'behaviour.{region}.states."{name}"'
        )
        if name in _TARGETS:
            self.note(key, f'the name "{name}" is taken', allowed='any name but "same", "resume"')
        elif not _STATE.fullmatch(name):
            self.note(key, f'"{name}" cannot name a state',
                      allowed='letters, digits and underscores, with at most one dot ("lit.full")')
        outputs: dict[str, Drive] = {}
        awake = False
        lights, loads = self.gadget.lights, self.gadget.loads
        for output, level in behaviour.states[name].items():
            place, found = f"{key}.{output}", f'"{level.text}"' if level.segments is None else None
            found = found or str(level.segments)
            if output == "controller":
                if level.awake is None:
                    self.note(place, "this is not something a controller can be", found=found,
                              allowed='"awake", "asleep"')
                awake = bool(level.awake)
            elif output not in lights and output not in loads:
                self.unknown(place, output, "there is no such light or load",
                             (*lights, *loads, "controller"))
            elif level.awake is not None:
                self.note(place, "only the controller can be awake or asleep", found=found,
                          allowed='"on", "off", a percentage or a number of segments')
            elif (light := lights.get(output)) is not None and light.segments:
                lit = level.segments
                if lit is None and level.text not in ("on", "off"):
                    self.note(place, f"{output} is lit by segments, not by a percentage",
                              found=found, allowed=f'"on", "off", whole numbers 0 to {light.leds}')
                elif lit is not None and not 0 <= lit <= light.leds:
                    self.note(place, f"{output} has {light.leds} segments", found=found,
                              allowed=f"whole numbers 0 to {light.leds}")
                lit = light.leds * (level.duty > 0) if lit is None else lit
                if lit:
                    outputs[output] = Drive(1.0, lit)
            elif level.segments is not None:
                self.note(place, f"{output} has no segments to count", found=found,
                          allowed='"on", "off", or a percentage such as "45 %"')
            elif level.duty > 0:
                outputs[output] = Drive(level.duty)
        return State(name=name, outputs=outputs, awake=awake)

    def emitted(self, outline: Stock) -> tuple[str, ...]:
        """The events that written rows emit, in file order."""
        stocked = {*outline.events, *outline.internal_events, *outline.raw_events}
        found: dict[str, None] = {}
        for name, behaviour in self.gadget.behaviour.items():
            for index, row in enumerate(behaviour.rows):
                for event in row.emit:
                    key = f"behaviour.{name}.rows[{index}].emit"
                    if event in stocked:
                        self.note(key, "a stock region emits this event", found=f'"{event}"',
                                  allowed="an event name of your own")
                    elif not _EVENT.fullmatch(event):
                        self.note(key, "this cannot name an event", found=f'"{event}"',
                                  allowed='letters, digits and underscores, with dots between '
                                          'words ("lamp.timeout")')
                    else:
                        found[event] = None
        return tuple(found)

    def region(self, name: str, behaviour: Behaviour) -> Region:
        key = f"behaviour.{name}"
        states = tuple(behaviour.states)
        if not states:
            self.note(f"{key}.states", "the region has no states", allowed="at least one state")
        elif behaviour.starts not in states:
            self.unknown(f"{key}.starts", behaviour.starts, "there is no such state", states)
        for index, point in enumerate(behaviour.resume_points):
            if point not in states:
                self.unknown(f"{key}.resume_points[{index}]", point, "there is no such state",
                             states)
        rows = tuple(
            self.row(f"{key}.rows[{index}]", behaviour, row)
            for index, row in enumerate(behaviour.rows)
        )
        self.check_twins(rows)
        return Region(
            name=name,
            group="behaviour",
            states=self.written[name],
            starts=behaviour.starts,
            rows=rows,
            resume_points=behaviour.resume_points,
        )

    def row(self, key: str, behaviour: Behaviour, row: WrittenRow) -> Row:
        states = tuple(behaviour.states)
        if (row.on is None) == (row.after is None):
            self.note(key, "a row needs either on or after" if row.on is None else
                      "a row cannot have both on and after",
                      allowed='on = "EVENT" or after = "TIME"')
        if row.on is not None and row.on not in self.events:
            self.unknown_event(f"{key}.on", row.on)
        if row.to == "resume" and not behaviour.resume_points:
            self.note(f"{key}.to", "the region has no resume_points", found='"resume"',
                      allowed=(*states, "same"))
        elif row.to not in (*states, *_TARGETS):
            self.unknown(f"{key}.to", row.to, "there is no such state", (*states, *_TARGETS))
        return Row(
            key=key,
            sources=self.sources(f"{key}.from", row.from_, states),
            to=row.to,
            on=row.on,
            after_ns=None if row.after is None else row.after.ns,
            when=self.read(row.when, f"{key}.when"),
            when_text=row.when or "",
            emit=row.emit,
            note=row.note,
        )

    def unknown_event(self, key: str, event: str) -> None:
        head, _, what = event.rpartition(".")
        if head in self.gadget.buttons and what in ("hold", "double"):
            self.note(key, f"the button never emits this: [buttons.{head}] has no {what}",
                      found=f'"{event}"', allowed=(e for e in self.events
                                                   if e.startswith(head + ".")))
        else:
            self.unknown(key, event, "no region emits this event", self.events)

    def sources(self, key: str, written: tuple[str, ...], states: tuple[str, ...]
                ) -> tuple[str, ...]:
        wanted: set[str] = set()
        for name in written:
            if name == "*":
                wanted.update(states)
            elif name.endswith(".*") and family(states, name[:-2]):
                wanted.update(family(states, name[:-2]))
            elif name in states:
                wanted.add(name)
            else:
                families = dict.fromkeys(
                    f"{state.partition('.')[0]}.*" for state in states if "." in state
                )
                self.unknown(key, name, "there is no such state or family",
                             (*states, *families, "*"))
        return tuple(state for state in states if state in wanted)

    def check_twins(self, rows: tuple[Row, ...]) -> None:
        """Two rows with one source, trigger and guard: the second can never fire."""
        first: dict[object, Row] = {}
        for row in rows:
            if not row.sources:
                continue
            mark = (row.sources, row.on, row.after_ns, row.when)
            if mark in first:
                self.note(row.key, f"this row can never fire: {first[mark].key} has the same from, "
                          f"{'on' if row.on is not None else 'after'} and when",
                          allowed="one row for each from, on or after, and when")
            first.setdefault(mark, row)


def _milliseconds(ns: int) -> str:
    return f"{ns / 1e6:.9g} ms"
