"""From a way on which a fault shows to what hands and a bench do: acts at times.

The times are the earliest that the dwells of the way allow, with room between what is done as far
as there is any. What a sensor sees at a look is made by a hand that is there by then, or gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.region import STATUS_LEVELS, System
from simfw.behaviour.stock import SAMPLED
from simfw.vectors.around import Readings, below, free_in
from simfw.vectors.equal import Lead
from simfw.vectors.handled import Handled, handled, rooms
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act
from simfw.verify.abstraction import SUPPLY_ACTS
from simfw.verify.timing import Difference, earliest, way_differences

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.verify.explore import Step
    from simfw.verify.machine import Machine

__all__ = ["Acting"]

MS = 1_000_000
GAPS = (200 * MS, 30 * MS, 2 * MS, 1)
OUTSIDE_V = 0.05  # beyond the outermost level

_Seen = tuple[int, str, bool]  # at which instant, which input, what it says
_Made = tuple[int, Handled]  # at which instant, what is brought about


class Acting:
    """Acts out ways. `hands` are the distances of a hand before the sensors, `reading` what the
    gauge reads.
    """

    def __init__(self, gadget: Gadget, system: System, reading: str,
                 hands: Mapping[str, float | None]) -> None:  # fmt: skip
        self.gadget = gadget
        self.system = system
        self.hands = hands
        self.handled = handled(gadget, reading, hands)
        self.every_ns = gadget.gauge.every.ns if gadget.gauge is not None else 0

    def paths(self, lead: Lead, charge: float) -> Iterator[Found]:
        """The way as paths from power-up, the most comfortable first; none where something on it
        cannot be done from outside.
        """
        if not self._can(lead):
            return
        seen, made = list(_seen(lead)), list(self._made(lead))
        known: set[Found] = set()
        for gap_ns in GAPS:
            differences = [*way_differences(lead.way.steps, gap_ns), *rooms(made),
                           *self._samples(lead)]
            for at in self._times(lead, differences, made):
                acts = self._acts(lead, at, seen, made)
                path = Found(charge=charge, acts=acts, ends_ns=at[-1] + MS, covers=frozenset())
                if path not in known:
                    known.add(path)
                    yield path

    def _times(self, lead: Lead, differences: Sequence[Difference], made: Sequence[_Made]
               ) -> Iterator[list[int]]:  # fmt: skip
        """Times of the instants: all as early as can be; all as late as can be in as long a time;
        and all as early as can be until the last time begins to run, what follows late.
        """
        count = len(lead.way.steps)
        grids = [(number, one.every_ns, one.first_ns) for number, one in made if one.every_ns]
        early = _on_grid(count, differences, grids)
        if early is None:
            return
        yield early
        last = _begins(lead.way.steps)
        fixed = [one for number in range(1, last + 1)
                 for one in ((0, number, early[number]), (number, 0, -early[number]))]
        yield from _late(count, differences, [])
        yield from _late(count, [*differences, *fixed],
                         [one for one in grids if one[0] > last])

    def _samples(self, lead: Lead) -> Iterator[Difference]:
        """A sample of the gauge that is free falls somewhere in the period before it."""
        for number, _ in _sampled(lead):
            yield number, number - 1, -(self.every_ns + 2 * MS)
            if number < len(lead.way.steps):
                yield number + 1, number, -2 * MS

    def _can(self, lead: Lead) -> bool:
        """Whether all that a way needs can be done from outside."""
        asked = {name for step in lead.way.steps for name, _ in step.outcome.choices}
        return (lead.free <= set(self.handled)
                and set(lead.readings.levels) <= {"gauge.measured", "gauge.counted"}
                and all(self._settable(name) for name in asked))

    def _settable(self, name: str) -> bool:
        """Whether an input that is asked at certain moments can be made to say either."""
        stem, _, tail = name.rpartition(".")
        return (bool(self.hands.get(stem)) if tail == "echo"
                else name.partition(".")[0] in self.system.measures)

    def _made(self, lead: Lead) -> Iterator[_Made]:
        """What is brought about for the events that are free in the machine."""
        for number, step in enumerate(lead.way.steps, 1):
            for event in free_in(lead.machine, step):
                if event != SAMPLED:
                    yield number, self.handled[event]

    def _acts(self, lead: Lead, times: Sequence[int], seen: Sequence[_Seen],
              made: Sequence[_Made]) -> tuple[Act, ...]:  # fmt: skip
        acts = list(self._found(lead))
        for step, at in zip(lead.way.steps, times[1:], strict=True):
            acts += self._done(lead, step, at)
        # What is read by a sample that is free is there from shortly before it on, and no earlier.
        acts += [act for number, flags in _sampled(lead)
                 for act in self._measured(flags, lead.readings,
                                           times[number] - self.every_ns + MS)]
        acts += [Act(max(1, times[number] + at), kind, name, value) for number, one in made
                 for at, kind, name, value in one.changes]
        acts += self._by_hand(times, [one for one in seen if one[1].endswith(".echo")])
        acts += self._by_measure(times, [one for one in seen if not one[1].endswith(".echo")])
        return tuple(self._changing(sorted(acts, key=lambda act: act.at_ns)))

    def _changing(self, acts: Sequence[Act]) -> Iterator[Act]:
        """The acts without those that change nothing: a hand that is there already."""
        now: dict[tuple[str, str], float] = {
            ("contact", name): float(rest) for name, rest in self.system.contacts.items()}
        now |= {("hand", name): -1.0 for name in self.hands} | {("usb", "usb"): 0.0}
        for act in acts:
            key = "contact" if act.kind == "held" else act.kind, act.name
            if now.get(key) != act.value:
                now[key] = act.value
                yield act

    def _found(self, lead: Lead) -> Iterator[Act]:
        """What is there at power-up; a contact may close in that very instant."""
        machine, happens = lead.machine, lead.way.start.events
        flags = machine.flag_values(lead.way.start.config)
        for name, holds in flags.items():
            if name.endswith(".closed"):
                contact = name.removesuffix(".closed")
                if holds != self.system.contacts[contact]:
                    kind = "contact" if f"{contact}.edge" in happens else "held"
                    yield Act(0, kind, contact, float(holds))
            elif name == "usb" and holds:
                yield Act(0, "usb", "usb", 1.0)
        if "status.low" in flags:
            yield Act(0, "status", "status", _level_of(flags))
        if _free_samples(machine):
            flags = dict.fromkeys(flags, False)
        yield from self._measured(flags, lead.readings, 0)

    def _measured(self, flags: Mapping[str, bool], readings: Readings, at: int) -> Iterator[Act]:
        for name, levels in readings.levels.items():
            count = sum(not flags[below(name, level)] for level in levels)
            low = levels[count - 1] if count else levels[0] - OUTSIDE_V
            high = levels[count] if count < len(levels) else levels[-1] + OUTSIDE_V
            value = round((low + high) / 2, 6)
            if count and not low <= value < high:
                value = low
            if name == "gauge.counted":
                value = min(max(value, 0.0), 1.0)
            yield Act(at, "measured", name, value)

    def _done(self, lead: Lead, step: Step, at: int) -> list[Act]:
        """What is done from outside in one instant: what ends before what begins."""
        found: list[Act] = []
        after = lead.machine.flag_values(step.outcome.config)
        for first, second in step.chosen:
            if second >= 0:
                continue
            act = lead.machine.acts[first]
            if act.group == "status":
                found.append(Act(at, "status", "status", _level_of(after)))
            elif act.group == "reading" and not _free_samples(lead.machine):
                found += self._measured(after, lead.readings, at)
            elif act.group == "reading":
                pass
            elif act in SUPPLY_ACTS:
                found.append(Act(at, "supply", "supply", float(act is SUPPLY_ACTS[1])))
            elif act.group == "usb":
                found.append(Act(at, "usb", "usb", float(after["usb"])))
            else:
                flag = f"{act.group}.closed"
                found.append(Act(at, "contact", act.group, float(after[flag])))
        return sorted(found, key=lambda act: act.value > 0)

    def _by_hand(self, times: Sequence[int], seen: Sequence[_Seen]) -> Iterator[Act]:
        """Hands that come and go in the middle between the looks that tell."""
        there: dict[str, bool] = {}
        last: dict[str, int] = {}
        for number, name, echo in seen:
            at, sensor = times[number], name.removesuffix(".echo")
            if echo != there.get(sensor, False):
                every = self.gadget.proximity[sensor].every.ns
                moves = max(at - every // 2, (last.get(sensor, 0) + at) // 2, 1)
                yield Act(moves, "hand", sensor, self.hands[sensor] or 0.0 if echo else -1.0)
                there[sensor] = echo
            last[sensor] = at


    def _by_measure(self, times: Sequence[int], seen: Sequence[_Seen]) -> Iterator[Act]:
        """What is measured changes in the middle between the measurements that tell."""
        told: dict[tuple[int, str], list[tuple[float, bool]]] = {}
        for number, name, reached in seen:
            measure, _, level = name.partition(".reached.")
            limit = self.system.measures[measure].all[int(level) - 1]
            told.setdefault((number, measure), []).append((limit, reached))
        last: dict[str, int] = {}
        for (number, measure), limits in told.items():
            at = times[number]
            value = self._between(measure, limits)
            if value is not None:
                every = self.gadget.measures[measure].every.ns
                moves = max(at - every // 2, (last.get(measure, 0) + at) // 2, 1)
                yield Act(moves, "measure", measure, value)
            last[measure] = at

    def _between(self, measure: str, limits: Sequence[tuple[float, bool]]) -> float | None:
        """A value that has reached some limits and not others; None where there is none."""
        return next((value for value in self.system.measures[measure].between()
                     if all((value >= limit) == reached for limit, reached in limits)), None)


def _on_grid(count: int, differences: Sequence[Difference],
             grids: Sequence[tuple[int, int, int]]) -> list[int] | None:  # fmt: skip
    """The earliest times, those of some instants on a grid: (number, period, first)."""
    more: list[Difference] = []
    for _ in range(2 * len(grids) + 1):
        times = earliest(count, [*differences, *more])
        if times is None:
            return None
        off = next(((number, -(first_ns - times[number]) % every_ns)
                    for number, every_ns, first_ns in grids
                    if (times[number] - first_ns) % every_ns), None)
        if off is None:
            return times
        number, beyond_ns = off
        every_ns = next(every for one, every, _ in grids if one == number)
        more.append((number, 0, -(times[number] + every_ns - beyond_ns)))
    return times


def _late(count: int, differences: Sequence[Difference], grids: Sequence[tuple[int, int, int]]
          ) -> Iterator[list[int]]:  # fmt: skip
    """The latest times in as long a time as needed; then those with some instants on a grid."""
    more: list[Difference] = []
    for _ in range(2 * len(grids) + 1):
        late = earliest(count, [(count - j, count - i, w) for i, j, w in (*differences, *more)])
        if late is None:
            return
        times = [late[-1] - one for one in reversed(late)]
        if not more:
            yield times
        off = next(((number, times[number] - (times[number] - first_ns) % every_ns)
                    for number, every_ns, first_ns in grids
                    if (times[number] - first_ns) % every_ns), None)
        if off is None:
            break
        more.append((0, *off))
    if more:
        yield times


def _begins(steps: Sequence[Step]) -> int:
    """The instant in which the last of the times begins to run that end in the last instant."""
    began: dict[int, int] = {}
    for number, step in enumerate(steps[:-1], 1):
        began |= dict.fromkeys(step.outcome.reset, number)
    return max((began.get(clock, 0) for clock in (steps[-1].due if steps else ())), default=0)


def _free_samples(machine: Machine) -> bool:
    return f"({SAMPLED})" in machine.spans


def _sampled(lead: Lead) -> Iterator[tuple[int, Mapping[str, bool]]]:
    """The samples of the gauge that are free, and what they read."""
    machine, config = lead.machine, lead.way.start.config
    for number, step in enumerate(lead.way.steps, 1):
        config, before = step.outcome.config, config
        if SAMPLED in free_in(machine, step):
            yield number, machine.flag_values(before)


def _seen(lead: Lead) -> Iterator[_Seen]:
    """What sensors see, and measures have reached, at the looks on a way."""
    for number, step in enumerate(lead.way.steps, 1):
        for name, kept in step.outcome.choices:
            yield number, name, kept == (1.0,)


def _level_of(flags: Mapping[str, bool]) -> float:
    """The number of the status pin's level."""
    level = "low" if flags["status.low"] else "high" if flags["status.high"] else "released"
    return float(STATUS_LEVELS.index(level))
