"""Sequences: how the steps of a file become what is driven when, and the clocks that go through
them.

A clock is a region of the engine and of the generated code: it has a state for each step, and it
begins anew whenever the region that it follows enters a state. It is no region of the behaviour:
its states stand in no expression, and searches look at the region alone, with every level of the
sequence possible. `REGION.ended` is a row of the region itself, a dwell as long as the longest
finite sequence of the state.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import count

from simfw.behaviour.region import Drive, Region, Row, Sequence, State, System
from simfw.gadget.model import Gadget
from simfw.gadget.model import Sequence as Written

__all__ = ["STILL", "clock_at", "clocks_of", "coarser", "ended_rows", "played", "steady"]

STILL = "still"
"""The state of a clock that goes through nothing."""


def played(gadget: Gadget, name: str, output: str) -> Sequence:
    """The sequence `name` as it drives a light or load."""
    written = gadget.sequences[name]
    light = gadget.lights.get(output)
    segments = light.leds if light is not None and light.segments else None
    steps = tuple(_joined(list(_along(written)))) if written.points else tuple(
        (step.lasts.ns, _drive(step.level.duty, step.level.segments, segments))
        for step in written.steps
    )
    return Sequence(name=name, steps=steps, times=written.times, line=bool(written.points))


def _drive(duty: float, lit: int | None, segments: int | None) -> Drive:
    if segments is None:
        return Drive(duty)
    return Drive(1.0, (segments if duty > 0 else 0) if lit is None else lit)


def _along(written: Written) -> Iterator[tuple[int, Drive]]:
    """The levels along the lines, each that of the moment at which it begins, to a millionth."""
    assert written.every is not None
    points = [(point.at.ns, point.level) for point in written.points]
    every, end = written.every.ns, points[-1][0]
    place = 0
    for at in range(0, end, every):
        while points[place + 1][0] <= at:
            place += 1
        (start, low), (stop, high) = points[place], points[place + 1]
        level = low + (high - low) * ((at - start) / (stop - start))
        yield min(every, end - at), Drive(round(level, 6))


def _joined(steps: list[tuple[int, Drive]]) -> Iterator[tuple[int, Drive]]:
    """Neighbouring steps of one level are one step."""
    lasts, drive = steps[0]
    for more, other in steps[1:]:
        if other == drive:
            lasts += more
        else:
            yield lasts, drive
            lasts, drive = more, other
    yield lasts, drive


def ended_rows(region: str, states: tuple[State, ...], numbers: Mapping[str, count[int]]
               ) -> tuple[Row, ...]:
    """The rows that tell the end of the longest finite sequence of each state."""
    rows = []
    for state in states:
        finite = [(one.total_ns, one.name) for one in state.sequences.values() if one.total_ns]
        if finite:
            longest_ns = max(total_ns for total_ns, _ in finite)
            name = next(name for total_ns, name in finite if total_ns == longest_ns)
            rows.append(Row(
                key=f"sequences.{name}.times#{next(numbers[name])}", sources=(state.name,),
                to="same", after_ns=longest_ns, emit=(f"{region}.ended",),
            ))
    return tuple(rows)


def clocks_of(regions: tuple[Region, ...]) -> tuple[Region, ...]:
    """The clocks of the sequences that the states of `regions` play, one for each output."""
    used: Counter[str] = Counter()
    return tuple(
        _clock(region, output, used)
        for region in regions
        for output in dict.fromkeys(name for state in region.states for name in state.sequences)
    )


def clock_at(clock: Region, leader: str, age_ns: int) -> tuple[str, int]:
    """Where a clock stands when its region entered the state `leader` so long ago: its state, and
    for how long it has been in it (ns).
    """
    leads = {row.sources[0]: (row.after_ns or 0, row.to) for row in clock.rows}
    here = clock.begins[leader]
    while here in leads and age_ns >= leads[here][0]:
        age_ns -= leads[here][0]
        here = leads[here][1]
    return here, age_ns


def steady(system: System) -> System:
    """The same without clocks: what a state plays it drives steadily, each sequence at a level of
    its own near its mean. For those who look for ways, not for what is driven when.
    """
    if not system.clocks:
        return system
    numbers: dict[Sequence, int] = {}

    def mean(one: Sequence) -> Drive:
        number = numbers.setdefault(one, len(numbers) + 1)
        if one.steps[0][1].segments is not None:
            return max((drive for _, drive in one.steps), key=lambda drive: drive.segments or 0)
        duty = sum(lasts_ns * drive.duty for lasts_ns, drive in one.steps) / one.period_ns
        return Drive(min(round(duty, 3), 0.999 - len(numbers) * 1e-5) + number * 1e-5)

    return replace(system, clocks=(), regions=tuple(
        replace(region, states=tuple(
            replace(state, sequences={}, outputs={
                **state.outputs, **{name: mean(one) for name, one in state.sequences.items()}})
            for state in region.states
        ))
        for region in system.regions
    ))


def coarser(system: System, most: int) -> System:
    """The same with no more than `most` steps in a round of any sequence without segments:
    neighbours are one step of their mean level.
    """
    if not system.clocks:
        return system
    regions = tuple(
        replace(region, states=tuple(
            replace(state, sequences={name: _fewer(one, most)
                                      for name, one in state.sequences.items()})
            for state in region.states
        )) if region.group == "behaviour" else region
        for region in system.regions
    )
    return replace(system, regions=regions, clocks=clocks_of(regions))


def _fewer(sequence: Sequence, most: int) -> Sequence:
    steps = sequence.steps
    if len(steps) <= most or any(drive.segments is not None for _, drive in steps):
        return sequence
    size = -(-len(steps) // most)
    joined = []
    for at in range(0, len(steps), size):
        part = steps[at : at + size]
        lasts_ns = sum(one for one, _ in part)
        joined.append((lasts_ns, Drive(sum(one * drive.duty for one, drive in part) / lasts_ns)))
    return replace(sequence, steps=tuple(joined))


def _clock(region: Region, output: str, used: Counter[str]) -> Region:
    begins = {state.name: state.sequences[output] for state in region.states
              if output in state.sequences}
    name = f"{region.name}:{output}"
    states, rows = [State(name=STILL)], []
    labels: dict[Sequence, str] = {}  # in a firmware with a slip, two may have one name
    for sequence in begins.values():
        if sequence not in labels:
            twins = sum(one.name == sequence.name for one in labels)
            labels[sequence] = sequence.name + "'" * twins
    for sequence, label in labels.items():
        rounds = sequence.steps * (sequence.times or 1)
        names = [f"{label}.{place}" for place in range(len(rounds))]
        last = STILL if sequence.times else names[0]
        for place, (own, after, (lasts_ns, drive)) in enumerate(
            zip(names, (*names[1:], last), rounds, strict=True)
        ):
            key = f"sequences.{sequence.name}." + (
                "every" if sequence.line else f"steps[{place % len(sequence.steps)}].lasts")
            used[key] += 1
            lit = drive.duty > 0 and drive.segments != 0
            states.append(State(name=own, outputs={output: drive} if lit else {}))
            rows.append(Row(key=f"{key}#{used[key]}", sources=(own,), to=after, after_ns=lasts_ns))
    first = {state.name: f"{labels[begins[state.name]]}.0" if state.name in begins else STILL
             for state in region.states}
    return Region(
        name=name, group="behaviour", states=tuple(states), starts=first.get(region.starts, STILL),
        rows=tuple(rows), follows=region.name, begins=first,
    )
