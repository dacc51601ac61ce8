"""From a `System` to numbered tables: the part of the C source that is not text yet.

Regions, states, events, rows, dwells and outputs get small whole numbers, in the order of the
system, so that the tables read like the gadget file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import product

from simfw.behaviour.expression import Expression
from simfw.behaviour.outputs import scaled
from simfw.behaviour.region import Drive, Region, Row, System

__all__ = ["PPM", "Output", "Plan", "Scaler", "Signal", "StateRef", "c_name", "drive_level",
           "factor_ways", "factor_words", "given_by", "make_plan", "scaled_level", "scalers",
           "share_of", "word"]  # fmt: skip

PPM = 1_000_000
WORD = 1 << 32  # what is whole, of numbers that are multiplied in C
# How far beside a share a word is tried, in parts of `WORD`.
HAIRS = (0, *(sign << place for place in range(7) for sign in (1, -1)))
WORTH = 600  # bytes of tables that the code which multiplies has to save: 8-bit parts need much


def c_name(text: str) -> str:
    """`text` as the tail of a C macro: upper case, everything else than letters and digits `_`."""
    return re.sub(r"[^0-9A-Za-z]", "_", text).upper()


def _unique(prefix: str, names: Iterable[str]) -> dict[str, str]:
    """A C macro name for each of `names`, kept apart by a number where two would be equal.

    The name that ends in COUNT is how many there are.
    """
    taken: dict[str, str] = {}
    used = {prefix + "COUNT"}
    for name in names:
        macro = stem = prefix + c_name(name)
        count = 2
        while macro in used:
            macro = f"{stem}_{count}"
            count += 1
        used.add(macro)
        taken[name] = macro
    return taken


@dataclass(frozen=True, slots=True)
class StateRef:
    """A state by region and name."""

    region: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A light, load, emitter or receiver. `levels` are all levels its states can give it, sorted,
    as (number in the C tables, share 0..1), `driven` the numbers of those that are given before
    anything scales them; `segments` is the number of segments or None. With `words`, one for each
    of the driven, what is left under factors is worked out in C, and a rank is the number itself.
    """

    name: str
    macro: str
    segments: int | None
    levels: tuple[tuple[int, float], ...]
    driven: tuple[int, ...]
    words: tuple[int, ...] = ()

    def rank(self, number: int) -> int:
        """The place of a level among those that occur; the number itself for segments, and where
        levels are multiplied.
        """
        if self.segments is not None or self.words:
            return number
        return [level for level, _ in self.levels].index(number)

    def given(self, number: int) -> int:
        """The place of a level among those that are given before anything scales them; where
        nothing does, its rank.
        """
        return number if self.segments is not None else self.driven.index(number)

    @property
    def ranks(self) -> list[int]:
        """The ranks of all levels, sorted."""
        return [self.rank(number) for number, _ in self.levels]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """An input with edges: a contact, USB or the status pin. `at_power_up` says whether a level
    other than 0 that is there at power-up counts as an edge.
    """

    name: str
    macro: str
    event: str
    at_power_up: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """All numbers of the tables. Macro names are keyed by the name in the gadget file."""

    system: System
    regions: Mapping[str, str]
    states: Mapping[StateRef, str]
    state_numbers: Mapping[StateRef, int]
    events: Mapping[str, str]
    rows: tuple[tuple[Region, Row], ...]
    outputs: tuple[Output, ...]
    signals: tuple[Signal, ...]
    echoes: Mapping[str, str]
    reached: Mapping[str, str]
    guards: tuple[Expression, ...]
    shows: tuple[Expression, ...]

    @property
    def quantum_ns(self) -> int:
        """The greatest common divisor of all dwells: the coarsest tick that is exact, in ns."""
        found = 0
        for row in (*(row for _, row in self.rows),
                    *(row for clock in self.system.clocks for row in clock.rows)):
            found = math.gcd(found, row.after_ns or 0)
        return found or 1

    def output(self, name: str) -> Output | None:
        """The output called `name`, or None."""
        return next((output for output in self.outputs if output.name == name), None)


def drive_level(drive: Drive) -> int:
    """The number that stands for `drive` in the tables: segments, or parts per million."""
    return round(drive.duty * PPM) if drive.segments is None else drive.segments


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaler:
    """A region that scales an output: by which factors, and by which dials of which values."""

    region: Region
    fixed: tuple[float, ...]
    dials: Mapping[str, tuple[float, ...]]

    @property
    def factors(self) -> tuple[float, ...]:
        """All by which it may multiply: 1 first, the values of each dial in a row."""
        return (1.0, *self.fixed, *(value for values in self.dials.values() for value in values))


def scalers(system: System, name: str) -> list[Scaler]:
    """The regions that scale an output."""
    found = []
    for region in system.regions:
        fixed = dict.fromkeys(state.scales[name] for state in region.states
                              if name in state.scales)  # fmt: skip
        dials = dict.fromkeys(state.dial_scales[name] for state in region.states
                              if name in state.dial_scales)  # fmt: skip
        if fixed or dials:
            values = {dial: tuple(drive.duty for drive in given_by(system, dial))
                      for dial in dials}  # fmt: skip
            found.append(Scaler(region=region, fixed=tuple(fixed), dials=values))
    return found


def given_by(system: System, dial: str) -> tuple[Drive, ...]:
    """What each position of a dial gives."""
    return tuple(state.position.drive for state in system.region(dial).states
                 if state.position is not None)  # fmt: skip


def factor_ways(system: System, name: str) -> list[tuple[float, ...]]:
    """Every way in which the regions may scale an output together; the first changes fastest."""
    choices = [scaler.factors for scaler in reversed(scalers(system, name))]
    return [tuple(reversed(way)) for way in product(*choices)]


def scaled_level(
    number: int, share: float, factors: Iterable[float], segments: int | None
) -> tuple[int, float]:
    """A level (its number and its share) multiplied by factors."""
    if segments is not None:
        return (number, share) if all(factors) else (0, 0.0)
    left = scaled(Drive(share), factors)
    return drive_level(left), left.duty


def word(share: float) -> int:
    """A share (0..1) as a number of 32 bits."""
    return min(round(share * WORD), WORD - 1)


def factor_words(system: System, name: str) -> list[int]:
    """What each way of factors leaves, as numbers of 32 bits, in the order of `factor_ways`."""
    return [word(math.prod(sorted(way))) for way in factor_ways(system, name)]


def share_of(first: int, second: int) -> int:
    """Two numbers of 32 bits multiplied, as `share_of` of the C does it."""
    return (first * second + WORD // 2) // WORD


def _words(system: System, output: Output) -> tuple[int, ...]:
    """The driven levels as words that, multiplied in C, give every level to the last digit that
    the model has; nothing where there are none. Where a product lies half way between two digits,
    a word a hair beside the share falls to the side to which the model rounds.
    """
    shares = dict(output.levels)
    ways = list(zip(factor_ways(system, output.name), factor_words(system, output.name),
                    strict=True))
    found = []
    for number in output.driven:
        wanted = [(factor, scaled_level(number, shares[number], way, None)[0])
                  for way, factor in ways]
        middle = word(shares[number])
        near = (min(max(middle + hair, 0), WORD - 1) for hair in HAIRS)
        fits = next((one for one in near if all(
            share_of(share_of(one, factor), PPM) == level for factor, level in wanted)), None)
        if fits is None:
            return ()
        found.append(fits)
    return tuple(found)


def _multiplied(system: System, outputs: tuple[Output, ...]) -> tuple[Output, ...]:
    """The outputs, with words where their levels are multiplied in C: all that can be, where that
    is shorter than to list what comes out.
    """
    words = {one.name: _words(system, one) for one in outputs
             if one.segments is None and scalers(system, one.name)}  # fmt: skip
    saved = 0
    for levels, driven, ways in {(one.levels, one.driven, len(factor_ways(system, one.name)))
                                 for one in outputs if words.get(one.name)}:
        saved += 4 * len(levels) + ways * len(driven) - 4 * (ways + len(driven))
    if saved <= WORTH:
        return outputs
    return tuple(replace(one, words=words.get(one.name, ())) for one in outputs)


def _outputs(system: System, segments: Mapping[str, int]) -> tuple[Output, ...]:
    """Every output that some state drives, in order of first appearance."""
    levels: dict[str, dict[int, float]] = {}
    taken: dict[str, int] = {}
    for region in system.regions:
        for state in region.states:
            driven = [*state.outputs.items(), *(
                (name, drive) for name, one in state.sequences.items() for drive in one.levels)]
            for name, drive in driven:
                total = segments.get(name)
                for one in (drive,) if drive.dial is None else given_by(system, drive.dial):
                    level = drive_level(one)
                    share = level / total if total else one.duty
                    levels.setdefault(name, {0: 0.0})[level] = share
            for name, count in state.takes_out.items():
                taken[name] = max(count, taken.get(name, 0))
    for name, count in taken.items():
        for level in list(levels.get(name, ())):
            for less in range(max(0, level - count), level):
                levels[name][less] = less / segments[name]
    before = {name: tuple(sorted(numbers)) for name, numbers in levels.items()}
    for name, found in levels.items():
        ways = factor_ways(system, name)
        for number, share in list(found.items()):
            for factors in ways:
                level, left = scaled_level(number, share, factors, segments.get(name))
                found.setdefault(level, left)
    macros = _unique("FW_OUT_", levels)
    return _multiplied(system, tuple(
        Output(
            name=name,
            macro=macros[name],
            segments=segments.get(name),
            levels=tuple(sorted(found.items())),
            driven=before[name],
        )
        for name, found in levels.items()
    ))


def _signals(system: System) -> tuple[Signal, ...]:
    names = {event: event.removesuffix(".edge") for event in system.raw_events}
    macros = _unique("FW_SIGNAL_", names.values())
    return tuple(
        Signal(name=name, macro=macros[name], event=event, at_power_up=name in ("usb", "status"))
        for event, name in names.items()
    )


def make_plan(
    system: System, segments: Mapping[str, int], echoes: Iterable[str] = (),
    reached: Iterable[str] = (),
) -> Plan:
    """Number everything in `system`.

    `segments` maps each segmented light to its number of segments; `echoes` are the proximity
    sensors that guards ask (`NAME.echo`), `reached` the levels of measures (`NAME.K`).
    """
    states = [
        StateRef(region.name, state.name) for region in system.regions for state in region.states
    ]
    texts = _unique("FW_ST_", [f"{ref.region}__{ref.state}" for ref in states])
    guards: list[Expression] = []
    shows: list[Expression] = []
    for region in system.regions:
        guards += [
            row.when for row in region.rows if row.when is not None and row.when not in guards
        ]
        if region.show is not None and region.show not in shows:
            shows.append(region.show)
    guards += [condition.when for condition in system.conditions if condition.when not in guards]
    events = (*system.raw_events, *system.internal_events, *system.events)
    return Plan(
        system=system,
        regions=_unique("FW_REGION_", [region.name for region in system.regions]),
        states={ref: texts[f"{ref.region}__{ref.state}"] for ref in states},
        state_numbers={ref: number for number, ref in enumerate(states)},
        events=_unique("FW_EV_", dict.fromkeys(events)),
        rows=tuple((region, row) for region in system.regions for row in region.rows),
        outputs=_outputs(system, segments),
        signals=_signals(system),
        echoes=_unique("FW_ECHO_", echoes),
        reached=_unique("FW_REACHED_", reached),
        guards=tuple(dict.fromkeys(guards)),
        shows=tuple(shows),
    )
