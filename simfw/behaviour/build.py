"""From the description of a gadget to its `System`: all regions, all rows, all names resolved.

One walk serves both `build_system` and `check`, so what is checked is what is built: every name in
rows, guards and rules. What the parts of a description must be to each other, whatever their names,
is checked when it is loaded. Problems carry the dotted path of their key; the loader adds the line.

Names. An event that a row emits is declared by being emitted. It may be plain (`timeout`) or dotted
(`lamp.timeout`), but it may not be an event of a stock region. `lit.*` in `from` means the state
`lit`, if there is one, and every `lit.x`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import count

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.region import Drive, Region, Row, Sequence, State, System
from simfw.behaviour.rules import bind_rules
from simfw.behaviour.sequences import clocks_of, ended_rows, played
from simfw.behaviour.stock import Stock, absent, stock
from simfw.behaviour.stock_dials import dial_drive
from simfw.behaviour.tree import Expression, Names, family, names_in
from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.model import Behaviour, Dial, Gadget
from simfw.gadget.model import Row as WrittenRow
from simfw.gadget.sequences import sound
from simfw.tomlfile import key_text

__all__ = ["build_system", "check", "names_of"]

_EVENT = re.compile(r"[^\W\d]\w*(\.\w+)*")
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
        self.check_blink()
        self.ending: set[str] = set()  # events that tell the end of sequences
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
                for section, parts in (("proximity", gadget.proximity),
                                       ("measures", gadget.measures))
                for name, part in parts.items()
                if (read := self.read(part.enabled, f"{section}.{name}.enabled")) is not None
            },
            show=self.read(gadget.gauge.show if gadget.gauge else None, "gauge.show"),
            turned={name: self.turning(f"dials.{name}", dial)
                    for name, dial in gadget.dials.items()},
            sample=self.read(gadget.gauge.sample if gadget.gauge else None, "gauge.sample"),
        )
        numbers: dict[str, count[int]] = {name: count(1) for name in gadget.sequences}
        regions = [self.region(name, part, numbers) for name, part in gadget.behaviour.items()]
        self.system = System(
            regions=(*whole.regions, *regions),
            conditions=whole.conditions,
            events=self.events,
            internal_events=whole.internal_events,
            raw_events=whole.raw_events,
            aliases=whole.aliases,
            names=self.names,
            status_levels=whole.status_levels,
            contacts=whole.contacts,
            measures=whole.measures,
            clocks=clocks_of(tuple(regions)),
            powered_by=() if gadget.controller is None else gadget.controller.powered_by,
            hold_up_ns=0 if gadget.controller is None or gadget.controller.hold_up is None
            else gadget.controller.hold_up.ns,
        )
        self.check_levels()
        self.problems += bind_rules(gadget.rules, self.names)[1]

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

    def turning(self, key: str, dial: Dial) -> list[Expression | None]:
        """The guards of the rows of a dial; events that nobody emits are noted."""
        for index, row in enumerate(dial.rows):
            for place, event in enumerate(row.on):
                if event not in self.events:
                    where = f"{key}.rows[{index}].on"
                    self.unknown_event(where if len(row.on) == 1 else f"{where}[{place}]", event)
        return [self.read(row.when, f"{key}.rows[{index}].when")
                for index, row in enumerate(dial.rows)]

    # -- names ------------------------------------------------------------------------------------

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
            counts=outline.counts,
            levels=tuple(dict.fromkeys((*gadget.lights, *gadget.loads))),
            bars=None if gauge is None else len(gauge.thresholds),
            measured=gauge is not None and gauge.method == "voltage",
            events=self.events,
            absent=absent(gadget),
        )

    # -- written regions --------------------------------------------------------------------------

    def check_blink(self) -> None:
        gauge, charger = self.gadget.gauge, self.gadget.charger
        if gauge is None or gauge.blink is None or charger is None or charger.status is not None:
            return
        self.note("gauge.blink", "the firmware cannot see when the charger is charging",
                  allowed="charger.status beside it")

    def state(self, region: str, behaviour: Behaviour, name: str) -> State:
        outputs: dict[str, Drive] = {}
        scales: dict[str, float] = {}
        dial_scales: dict[str, str] = {}
        sequences: dict[str, Sequence] = {}
        awake = unpowered = False
        for output, level in behaviour.states[name].items():
            light = self.gadget.lights.get(output)
            if output == "controller":
                awake, unpowered = bool(level.awake), level.unpowered
            elif level.scales is not None:
                scales = {one: factor for one, factor in level.scales
                          if isinstance(factor, float) and factor < 1.0}
                dial_scales = {one: factor for one, factor in level.scales
                               if factor in self.gadget.dials and isinstance(factor, str)}
            elif level.named is not None:
                if level.named in self.gadget.dials:
                    outputs[output] = dial_drive(level.named, self.gadget.dials[level.named])
                elif level.named in self.gadget.sequences and sound(
                    self.gadget.sequences[level.named]
                ):
                    sequences[output] = played(self.gadget, level.named, output)
            elif light is not None and light.segments:
                lit = level.segments
                if lit is None and level.text not in ("on", "off"):
                    self.note(key_text(("behaviour", region, "states", name, output)),
                              f'"{output}" is lit by segments, not by a percentage',
                              allowed=f'"on", "off", or 0 to {light.leds}')
                lit = light.leds * (level.duty > 0) if lit is None else lit
                if lit:
                    outputs[output] = Drive(1.0, lit)
            elif level.duty > 0:
                outputs[output] = Drive(level.duty)
        return State(name=name, outputs=outputs, awake=awake, unpowered=unpowered, scales=scales,
                     dial_scales=dial_scales, sequences=sequences)

    def emitted(self, outline: Stock) -> tuple[str, ...]:
        """The events that written rows emit, in file order."""
        stocked = {*outline.events, *outline.internal_events, *outline.raw_events}
        found: dict[str, None] = {}
        finite = {name for name, one in self.gadget.sequences.items() if one.times}
        for name, behaviour in self.gadget.behaviour.items():
            if any(level.named in finite
                   for levels in behaviour.states.values() for level in levels.values()):
                found[f"{name}.ended"] = None
                self.ending.add(f"{name}.ended")
        for name, behaviour in self.gadget.behaviour.items():
            for index, row in enumerate(behaviour.rows):
                for event in row.emit:
                    key = f"behaviour.{name}.rows[{index}].emit"
                    if event in self.ending:
                        self.note(key, "the end of a sequence emits this event",
                                  found=f'"{event}"', allowed="an event name of your own")
                    elif event in stocked:
                        self.note(key, "a stock region emits this event", found=f'"{event}"',
                                  allowed="an event name of your own")
                    elif not _EVENT.fullmatch(event):
                        self.note(key, "this cannot name an event", found=f'"{event}"',
                                  allowed='letters, digits and underscores, with dots between '
                                          'words ("lamp.timeout")')
                    else:
                        found[event] = None
        return tuple(found)

    def region(self, name: str, behaviour: Behaviour, numbers: Mapping[str, count[int]]
               ) -> Region:
        key = f"behaviour.{name}"
        states = tuple(behaviour.states)
        if states and behaviour.starts not in states:
            self.unknown(f"{key}.starts", behaviour.starts, "there is no such state", states)
        for index, point in enumerate(behaviour.resume_points):
            if point not in states:
                self.unknown(f"{key}.resume_points[{index}]", point, "there is no such state",
                             states)
        rows = tuple(
            made
            for index, row in enumerate(behaviour.rows)
            for made in self.rows(f"{key}.rows[{index}]", behaviour, row)
        )
        self.check_twins(rows)
        return Region(
            name=name,
            group="behaviour",
            states=self.written[name],
            starts=behaviour.starts,
            rows=(*ended_rows(name, self.written[name], numbers), *rows),
            resume_points=behaviour.resume_points,
            kept=behaviour.kept,
        )

    def check_levels(self) -> None:
        """The firmware does not read where in a sequence an output stands."""
        played: dict[str, str] = {}
        for name, states in self.written.items():
            for state in states:
                for output, sequence in state.sequences.items():
                    played.setdefault(output, f'"{sequence.name}" in {name}.{state.name}')
                if f"{name}.ended" in self.ending and state.name.partition(".")[0] == "ended":
                    self.note(key_text(("behaviour", name, "states", state.name)),
                              f'"{name}.ended" tells the end of a sequence',
                              allowed="another name for this state")
        if not played:
            return
        gates: list[tuple[str, Expression | None]] = [
            (f"{row.key.partition('].')[0].partition('#')[0].rstrip(']')}].when", row.when)
            for region in self.system.regions if region.written
            for row in region.rows
        ]
        gates += [("gauge.show", region.show) for region in self.system.regions]
        gates += [(condition.key, condition.when) for condition in self.system.conditions]
        found = dict.fromkeys(
            (key, output) for key, when in gates if when is not None
            for output in sorted(names_in(when).quantities & played.keys())
        )
        for key, output in found:
            self.note(key, f'a guard cannot read the level of "{output}", which the sequence '
                      f"{played[output]} drives", found=f'"{output}"',
                      allowed="states, such as those that play it; rules may read levels")

    def rows(self, key: str, behaviour: Behaviour, row: WrittenRow) -> Iterator[Row]:
        """The rows that a written row stands for: one, or one for each event of a list."""
        states = tuple(behaviour.states)
        keys = [f"{key}.on"] if len(row.on) == 1 else [
            f"{key}.on[{place}]" for place in range(len(row.on))]
        for where, event in zip(keys, row.on, strict=True):
            if event not in self.events:
                self.unknown_event(where, event)
        if row.to == "resume" and not behaviour.resume_points:
            self.note(f"{key}.to", "the region has no resume_points", found='"resume"',
                      allowed=(*states, "same"))
        elif row.to not in (*states, *_TARGETS):
            self.unknown(f"{key}.to", row.to, "there is no such state", (*states, *_TARGETS))
        first = Row(
            key=key,
            sources=self.sources(f"{key}.from", row.from_, states),
            to=row.to,
            on=row.on[0] if row.on else None,
            after_ns=None if row.after is None else row.after.ns,
            when=self.read(row.when, f"{key}.when"),
            when_text=row.when or "",
            emit=row.emit,
            note=row.note,
        )
        if len(row.on) <= 1:
            yield first
            return
        for where, event in zip(keys, row.on, strict=True):
            yield replace(first, key=where, on=event)

    def unknown_event(self, key: str, event: str) -> None:
        if event in self.names.absent:
            what, example = self.names.absent[event]
            near = [e for e in self.events if e.startswith(event.partition(".")[0] + ".")]
            self.note(key, f"no region emits this event without {what}", found=f'"{event}"',
                      allowed=(*near, example))
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
            if not row.sources or (row.on is None and row.after_ns is None):
                continue
            if row.when is None and row.when_text:
                continue  # a guard that could not be read is told by itself, and is like no other
            mark = (row.sources, row.on, row.after_ns, row.when)
            if mark in first:
                self.note(row.key, f"this row can never fire: {first[mark].key} has the same from, "
                          f"{'on' if row.on is not None else 'after'} and when",
                          allowed="one row for each from, on or after, and when")
            first.setdefault(mark, row)
