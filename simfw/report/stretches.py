"""What a plot shows of a run between two times: no drawing here.

`View` is a part of a run with its time axis; `cut` writes folded cycles out where they can be
seen; `light_blocks`, `stays`, `input_lanes` and `bursts` are what the panels draw.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

from simfw.engine.levels import Lit, lit_within
from simfw.quantity import format_duration
from simfw.stimuli.inputs import input_of, lanes_of

if TYPE_CHECKING:
    from simfw.circuit.circuit import Circuit
    from simfw.engine.run import Interval, Run
    from simfw.stimuli.steps import Step

__all__ = [
    "Block",
    "Burst",
    "Groups",
    "Lane",
    "Stay",
    "View",
    "bursts",
    "cut",
    "input_lanes",
    "joined",
    "light_blocks",
    "mean",
    "stays",
    "view",
]

FINEST = 1 / 1500  # share of the picture below which stretches are joined for drawing
SEEN = 1 / 250  # share of the picture that a lit stretch needs to be told from the next
RARE = 1 / 20  # blinks slower than this share of the picture are drawn one by one
CHANGES = 3  # so many changes in a row, each too short to be seen, are drawn as blinking
MOST_PARTS = 2000  # stretches of folded cycles that are written out for one picture
TOGETHER_NS = 5 * 10**9  # gestures not further apart belong to one burst
BEFORE_NS, AFTER_NS = 500_000_000, 1_500_000_000  # room around a burst, at least
HAIRLINE = 1 / 15  # a burst that fills more of the picture than this needs no inset
TIME_UNITS = ((3 * 86_400.0, 86_400.0, "days"), (3 * 3600.0, 3600.0, "h"), (180.0, 60.0, "min"))
FAR = 1000  # units from power-up on which the axis counts from where the picture begins

Groups = Sequence[Sequence["Interval"]]
Lane = tuple[str, list[tuple[int, int]]]


@dataclass(frozen=True, slots=True)
class View:
    """A part of a run: [start_ns, end_ns) and its intervals. The axis counts from `zero_ns`."""

    start_ns: int
    end_ns: int
    zero_ns: int
    unit_ns: float
    label: str
    intervals: tuple[Interval, ...]

    def at(self, time_ns: float) -> float:
        """A time of the run on the axis."""
        return (time_ns - self.zero_ns) / self.unit_ns

    @property
    def span_ns(self) -> int:
        """How much time is shown (ns)."""
        return self.end_ns - self.start_ns


def view(
    run: Run, circuit: Circuit, start_ns: int | None = None, end_ns: int | None = None,
    *, zero_ns: int | None = None,
) -> View:
    """The run between two times (ns; all of it where they are None).

    The axis counts from `zero_ns`; where that is None, from power-up, or from the beginning of a
    picture that is far from it.
    """
    start_ns = run.start_ns if start_ns is None else start_ns
    end_ns = run.end_ns if end_ns is None else end_ns
    seconds = (end_ns - start_ns) / 1e9
    found = ((size, name) for least, size, name in TIME_UNITS if seconds >= least)
    size, name = next(found, (1.0, "s"))
    unit_ns = size * 1e9
    if zero_ns is None:
        zero_ns = start_ns if start_ns > FAR * unit_ns else 0
    label = f"time after {format_duration(zero_ns)} ({name})" if zero_ns else f"time ({name})"
    return View(start_ns, end_ns, zero_ns, unit_ns, label, cut(run, circuit, start_ns, end_ns))


# Intervals -----------------------------------------------------------------------------------


def cut(run: Run, circuit: Circuit, start_ns: int, end_ns: int) -> tuple[Interval, ...]:
    """The intervals between two times, those at the ends cut off there.

    A folded block is written out part by part where a picture of this length can show it. Charge
    is linear in time within what is cut. The currents of written-out parts leave out the charge of
    waking up, which belongs to no stretch.
    """
    shown: list[Interval] = []
    left = MOST_PARTS
    for part in run.intervals:
        if part.end_ns <= start_ns or part.start_ns >= end_ns:
            continue
        first, last = max(part.start_ns, start_ns), min(part.end_ns, end_ns)
        written = []
        if part.cycles and len(part.parts) > 1:
            period = sum(one.lasts_ns for one in part.parts)
            count = -(-(last - first) // period) + 1
            if period >= SEEN * (end_ns - start_ns) and count * len(part.parts) <= left:
                written = list(_written_out(part, period, circuit, run, first, last))
                left -= len(written)
        shown += written or [_clipped(part, first, last)]
    return tuple(shown)


def _clipped(part: Interval, first_ns: int, last_ns: int) -> Interval:
    if (first_ns, last_ns) == (part.start_ns, part.end_ns):
        return part
    return replace(part, start_ns=first_ns, end_ns=last_ns,
                   start_charge=_charge(part, first_ns), end_charge=_charge(part, last_ns))


def _charge(part: Interval, time_ns: int) -> float:
    share = (time_ns - part.start_ns) / (part.end_ns - part.start_ns)
    return part.start_charge + share * (part.end_charge - part.start_charge)


def _written_out(
    part: Interval, period_ns: int, circuit: Circuit, run: Run, first_ns: int, last_ns: int
) -> Iterator[Interval]:
    solved = {one.loads: circuit.solve(one.loads, [_charge(part, first_ns)]) for one in part.parts}
    rows = [circuit.consumers.index(use.name) for use in run.consumers]
    at = part.start_ns + (first_ns - part.start_ns) // period_ns * period_ns
    while at < last_ns:
        for one in part.parts:
            begins, at = at, at + one.lasts_ns
            first, last = max(begins, first_ns), min(at, last_ns)
            if first >= last:
                continue
            known = solved[one.loads]
            yield replace(
                part, start_ns=first, end_ns=last, loads=one.loads, levels=one.levels,
                consumers_a=tuple(float(known.consumers_a[row, 0]) for row in rows),
                charger_a=float(known.charger_a[0]), voltage_v=float(known.voltage_v[0]),
                start_charge=_charge(part, first), end_charge=_charge(part, last),
                cycles=0, parts=(),
            )


def joined(shown: View) -> list[list[Interval]]:
    """The intervals in groups that are drawn as one: short ones together, long ones alone."""
    least = shown.span_ns * FINEST
    groups: list[list[Interval]] = []
    for part in shown.intervals:
        long = part.end_ns - part.start_ns >= least
        if groups and not long and groups[-1][-1].end_ns - groups[-1][0].start_ns < least:
            groups[-1].append(part)
        else:
            groups.append([part])
    return groups


def mean(group: Sequence[Interval], values: Sequence[float]) -> float:
    """The mean of a value over the time of some intervals."""
    lengths = [part.end_ns - part.start_ns for part in group]
    total = sum(lengths)
    if total == 0:
        return values[0]
    return sum(value * length for value, length in zip(values, lengths, strict=True)) / total


# Lights --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch in which a light keeps one level, or (not `lit.steady`) blinks all the time."""

    start_ns: int
    end_ns: int
    lit: Lit


def light_blocks(shown: View, place: int) -> list[Block]:
    """The output at this place of `Run.outputs`, in blocks that follow one another.

    Changes that can be seen one by one are blocks of their own. What changes faster, folded or
    not, is one block that is not steady.
    """
    blocks = _runs(shown, place)
    slow = min(_longest_phase(shown, place), int(RARE * shown.span_ns))
    least = max(SEEN * shown.span_ns, slow)
    found: list[Block] = []
    for quick, group in groupby(blocks, key=lambda one: not one.lit.steady
                                or one.end_ns - one.start_ns <= least):
        row = list(group)
        if quick and (len(row) > CHANGES or not all(one.lit.steady for one in row)):
            # It is dark before the first blink and after the last: that is no part of it.
            first = next(k for k, one in enumerate(row) if one.lit.peak > 0)
            last = next(k for k in range(len(row), 0, -1) if row[k - 1].lit.peak > 0)
            row = [*row[:first], _one_block(row[first:last]), *row[last:]]
        found += row
    return found


def _one_block(row: Sequence[Block]) -> Block:
    total = sum(one.end_ns - one.start_ns for one in row)

    def over(values: Sequence[float]) -> float:
        lengths = [one.end_ns - one.start_ns for one in row]
        return sum(v * length for v, length in zip(values, lengths, strict=True)) / total

    lit = Lit(min(one.lit.lowest for one in row), over([one.lit.mean for one in row]),
              max(one.lit.peak for one in row), over([one.lit.share for one in row]))
    return Block(row[0].start_ns, row[-1].end_ns, lit)


def _runs(shown: View, place: int) -> list[Block]:
    """Intervals as blocks, neighbours of one and the same level joined."""
    blocks: list[Block] = []
    for part in shown.intervals:
        lit = lit_within(part, place)
        if blocks and lit.steady and blocks[-1].lit == lit:
            blocks[-1] = replace(blocks[-1], end_ns=part.end_ns)
        elif part.end_ns > part.start_ns:
            blocks.append(Block(part.start_ns, part.end_ns, lit))
    return blocks


def _longest_phase(shown: View, place: int) -> int:
    """The longest stretch (ns) in which an output keeps its level within a folded blink of its."""
    longest = 0
    for part in shown.intervals:
        if part.cycles and not lit_within(part, place).steady:
            phases: list[tuple[float, int]] = []
            for level, group in groupby(part.parts, key=lambda one: one.levels[place]):
                phases.append((level, sum(one.lasts_ns for one in group)))
            if phases[0][0] == phases[-1][0]:  # the cycle goes on where it began
                phases[0] = (phases[0][0], phases[0][1] + phases.pop()[1])
            longest = max(longest, *(lasts for _, lasts in phases))
    return longest


# States --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stay:
    """A region stays in a state; states that tick by themselves are joined by `/`."""

    start_ns: int
    end_ns: int
    state: str


def stays(intervals: Sequence[Interval], place: int, names: Mapping[str, str]) -> list[Stay]:
    """The stays of the region at this place of `Run.regions`, called as `names` says."""
    found = []
    for state, group in groupby(
        intervals, key=lambda part: names.get(part.states[place], part.states[place])
    ):
        row = list(group)
        found.append(Stay(row[0].start_ns, row[-1].end_ns, state))
    return found


# Inputs --------------------------------------------------------------------------------------


def input_lanes(run: Run) -> list[Lane]:
    """What the outside did: a lane per button, sensor and USB, as (start, end) in ns."""
    return list(lanes_of(run.scenario.steps, run.end_ns).items())


@dataclass(frozen=True, slots=True)
class Burst:
    """Gestures that follow one another closely: from the first to the last, with room around."""

    start_ns: int
    end_ns: int
    first_ns: int
    kinds: tuple[str, ...]


def bursts(run: Run, start_ns: int, end_ns: int) -> list[Burst]:
    """The bursts of gestures that are hairlines in a picture from `start_ns` to `end_ns`.

    A gesture that can be seen by itself (a hand that stays for an hour) belongs to none.
    """
    least = HAIRLINE * (end_ns - start_ns)
    steps = [step for step in run.scenario.in_order()
             if (kind := input_of(step)) is not None and kind.passing
             and start_ns <= step.at_ns < end_ns and step.until_ns - step.at_ns <= least]
    found: list[Burst] = []
    rows: list[list[Step]] = []
    until = 0
    for step in steps:
        if rows and step.at_ns - until <= TOGETHER_NS:
            rows[-1].append(step)
            until = max(until, step.until_ns)
        else:
            rows.append([step])
            until = step.until_ns
    for row in rows:
        first, last = row[0].at_ns, max(step.until_ns for step in row)
        room = last - first
        begins = max(start_ns, first - max(BEFORE_NS, room // 8))
        ends = min(end_ns, last + max(AFTER_NS, room // 3))
        kinds = tuple(step.target for step in row)
        if ends - begins <= least:
            found.append(Burst(begins, ends, first, kinds))
    return found
