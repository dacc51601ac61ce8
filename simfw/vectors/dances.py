"""What fingers do with chords: made, let go of one by one, made again while some are still held.

A chord lasts until all of its buttons are let go of, and what is pressed meanwhile is no click. A
firmware that forgets one of these shows it where a button is let go of and pressed again while the
others stay. What a chord does is not always seen: a lock that is open already is opened. So its
time is gone through anew from each moment at which the chord leads a written region on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, islice

from simfw.behaviour.region import System
from simfw.gadget.model import Gadget
from simfw.vectors.closing import settle_ns
from simfw.vectors.drills import courses_of
from simfw.vectors.nodes import Found
from simfw.vectors.places import Places
from simfw.vectors.sketch import Act

__all__ = ["Dances"]

MS = 1_000_000
BEGINS_NS = 1000 * MS
MOST_COURSES = 40  # of one chord, from one moment
ROUNDS = 2  # of the same: what a chord turns over stands as before then


class Dances:
    """Makes such courses for one chord after the other."""

    def __init__(self, gadget: Gadget, system: System, places: Places) -> None:
        self.gadget = gadget
        self.system = system
        self.places = places

    def held(self, chord: str) -> Iterator[Found]:
        """One course for each button of a chord: the others are held, or it is, meanwhile."""
        names = self.gadget.chords[chord].buttons
        for last in names:
            acts: list[Act] = []
            now = BEGINS_NS
            others = [name for name in names if name != last]
            for _ in range(ROUNDS):
                tap = ((last, 0),), ((last, 1),)
                for moves in (tuple((name, 1) for name in names), *tap, *tap,
                              *(tuple((name, on) for name in others) for on in (0, 1, 0)),
                              ((last, 0),)):
                    acts += [Act(now, "contact", name, float(on)) for name, on in moves]
                    now += self._rest_ns(chord)
                alone, now = self._alone(chord, now)
                acts += alone
            yield Found(charge=0.5, acts=tuple(acts), ends_ns=now, covers=frozenset())

    def at_power_up(self, chord: str) -> Iterator[Found]:
        """For each button of a chord: closed at power-up, the others close at once behind it. And
        when the first time of all begins.
        """
        names = self.gadget.chords[chord].buttons
        for first in names:
            acts = [Act(0, "held", first, 1.0)]
            acts += [Act(MS, "contact", name, 1.0) for name in names if name != first]
            now = MS + self._rest_ns(chord)
            acts += [Act(now, "contact", name, 0.0) for name in names]
            alone, ends_ns = self._alone(chord, now + self._rest_ns(chord))
            yield Found(charge=0.5, acts=(*acts, *alone), ends_ns=ends_ns, covers=frozenset())
        for moves, now in self._begun(chord, BEGINS_NS):
            alone, ends_ns = self._alone(chord, now)
            yield Found(charge=0.5, acts=(*moves, *alone), ends_ns=ends_ns, covers=frozenset())

    def timed(self, chord: str) -> Iterator[Found]:
        """The time of a chord, course by course, from where each written row waits for the chord
        that it leads on.
        """
        event = f"{chord}.chord"
        for start in self._starts(event):
            begins = start.ends_ns + BEGINS_NS
            lets_go = tuple(Act(start.ends_ns + MS, "contact", name, 0.0)
                            for name, on in self._closed(start).items() if on)
            courses = chain(self._begun(chord, begins), courses_of(self.gadget, chord, begins))
            for acts, ends_ns in islice(courses, MOST_COURSES):
                alone, then_ns = self._alone(chord, ends_ns)
                yield Found(charge=start.charge, acts=(*start.acts, *lets_go, *acts, *alone),
                            ends_ns=then_ns, covers=frozenset())

    def _alone(self, chord: str, now: int) -> tuple[list[Act], int]:
        """Each button tapped alone: what a chord has turned over, or left pressed, shows then."""
        acts = []
        for name in self.gadget.chords[chord].buttons:
            for on in (1.0, 0.0):
                acts.append(Act(now, "contact", name, on))
                now += self._rest_ns(chord)
            now += self.gadget.chords[chord].within.ns
        return acts, now

    def _begun(self, chord: str, start_ns: int) -> Iterator[tuple[list[Act], int]]:
        """When the time of a chord begins: all but one come as it has nearly run; one is let go of
        and comes again, and the others in the time from then on; it is let go of as another comes,
        and comes again with the rest in the time from then on; of three and more, one begins it,
        another comes shortly before its end, and the rest behind that, but soon after the other.
        """
        names, within = self.gadget.chords[chord].buttons, self.gadget.chords[chord].within.ns
        for first in names:
            others = [name for name in names if name != first]
            again = 2 * settle_ns(self.gadget, first) + 2 * MS
            late = within - within // 200
            yield self._settled([(0, first, 1), *((late, name, 1) for name in others)], start_ns)
            yield self._settled([(0, first, 1), (again // 2, first, 0), (again, first, 1), *(
                (within + again // 2, name, 1) for name in others)], start_ns)
            quick = max(self.gadget.buttons[first].settles_ns(closing=on) for on in (False, True))
            if quick < within:
                crossed = max(quick, 3 * within // 5)
                anew = max(crossed + quick, 6 * within // 5)
                for second in others:
                    rest = [(anew, name, 1) for name in names if name != second]
                    yield self._settled([(0, first, 1), (crossed, first, 0), (crossed, second, 1),
                                         *rest], start_ns)  # fmt: skip
            for second in others if len(others) > 1 else ():
                yield self._settled([(0, first, 1), (within - within // 5, second, 1), *(
                    (within + within // 5, name, 1) for name in others if name != second)],
                    start_ns)  # fmt: skip

    def _settled(self, moves: Sequence[tuple[int, str, int]], start_ns: int
                 ) -> tuple[list[Act], int]:
        """Buttons that have settled so long after a start, and are then let go of."""
        names = dict.fromkeys(name for _, name, _ in moves)
        longest = max(settle_ns(self.gadget, name) for name in names)
        acts = [Act(start_ns + longest + at - self.gadget.buttons[name].settles_ns(closing=on > 0),
                    "contact", name, float(on)) for at, name, on in moves]
        ends = start_ns + 2 * longest + max(at for at, *_ in moves) + 20 * MS
        acts += [Act(ends, "contact", name, 0.0) for name in names]
        return sorted(acts, key=lambda act: act.at_ns), ends + longest + BEGINS_NS

    def _starts(self, event: str) -> Iterator[Found]:
        hearing = [(region.name, row) for region in self.system.regions
                   if region.group == "behaviour" for row in region.rows
                   if row.on == event and row.to != "same"]

        def away(states: Mapping[str, str]) -> int:
            return sum(states[name] not in row.sources for name, row in hearing)

        touched = frozenset(name for name, _ in hearing)
        yield from self.places.best(away, touched, 1) if hearing else ()

    def _closed(self, path: Found) -> dict[str, bool]:
        """The buttons that are held, or are not, at the end of a path."""
        return {act.name: act.value > 0 for act in path.acts
                if act.kind in ("contact", "held") and act.name in self.gadget.buttons}

    def _rest_ns(self, chord: str) -> int:
        """After how long each change of a button of a chord has settled."""
        return 11 * MS + max(settle_ns(self.gadget, name)
                             for name in self.gadget.chords[chord].buttons)
