"""What counts as "something": an event that a report would show, or a written region's row outside
a cycle that repeats.

A blinker goes round for as long as it is left alone, and each turn is news to nobody, unless it
emits an event. Which rows go round is read off the rows themselves: those of a written region that
lead, by dwells and by events that only such rows emit, from a state back to it. So it is the same
wherever a course stands, and whatever was learned before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from simfw.behaviour.region import Drive, Region, Row, System

__all__ = ["Repeating", "value_text"]


class Repeating:
    """Which state changes of one system go round by themselves."""

    def __init__(self, system: System) -> None:
        self._dials = [(number, region) for number, region in enumerate(system.regions)
                       if region.group == "dials"]
        self._values = {region.name: {state.name: value_text(state.position.drive)
                                      for state in region.states if state.position is not None}
                        for _, region in self._dials}
        self._written = [(number, region) for number, region in enumerate(system.regions)
                         if region.group == "behaviour"]
        emitters: dict[str, set[str]] = {}
        for region in system.regions:
            for row in region.rows:
                for event in row.emit:
                    emitters.setdefault(event, set()).add(row.key)
        turning: set[str] = set()
        self._rounds: dict[str, dict[str, int]] = {}
        while True:
            # An event of which only turning rows tell may turn others in their turn.
            events = frozenset(event for event, keys in emitters.items() if keys <= turning)
            found: set[str] = set()
            for _, region in self._written:
                rows = [row for row in region.rows
                        if row.on is None or row.on in events]
                rounds = self._rounds[region.name] = _rounds(region, rows)
                found |= {row.key for row in rows if _turns(region, row, rounds)}
            if found == turning:
                break
            turning = found

    @property
    def written(self) -> Sequence[tuple[int, str]]:
        """The written regions: their place among all, and their name."""
        return [(number, region.name) for number, region in self._written]

    @property
    def dials(self) -> Sequence[tuple[int, str]]:
        """The dials: their place among all regions, and their name. A state is a position."""
        return [(number, region.name) for number, region in self._dials]

    @property
    def told(self) -> Sequence[tuple[int, str]]:
        """What stands in the gadget file, dials and regions, in the order of the regions."""
        return [*self.dials, *self.written]

    def rests(self, region: str, state: str) -> bool:
        """Whether a written region stays in a state until something happens."""
        return state not in self._rounds[region]

    def label(self, region: str, state: str) -> str:
        """What a stretch in a state is called: all states of a round that goes round there; of a
        dial its position with the value there.
        """
        if region in self._values:
            return f"{state} ({self._values[region][state]})"
        rounds = self._rounds[region]
        if state not in rounds:
            return state
        return " / ".join(name for name, number in rounds.items() if number == rounds[state])

    def tells(self, before: Sequence[str], after: Sequence[str], happened: Collection[str]) -> bool:
        """Whether an instant was something: the states of all regions before and after it, and its
        events.
        """
        return bool(happened) or any(self.moved(region.name, before[number], after[number])
            for number, region in self._written
        )

    def moved(self, region: str, before: str, after: str) -> bool:
        """Whether a region has come from one state to another otherwise than by going round."""
        if before == after:
            return False
        rounds = self._rounds[region]
        return before not in rounds or rounds[before] != rounds.get(after)


def value_text(drive: Drive) -> str:
    """What a dial gives at a position, in words."""
    return str(drive.segments) if drive.segments is not None else f"{100 * drive.duty:.3g} %"


def _targets(region: Region, row: Row) -> Iterator[tuple[str, str]]:
    for source in row.sources:
        for target in region.entered_by(row) or (source,):
            yield source, target


def _turns(region: Region, row: Row, rounds: dict[str, int]) -> bool:
    """Whether a row never leads out of a round that it is in."""
    return all(source in rounds and rounds[source] == rounds.get(target)
               for source, target in _targets(region, row))


def _rounds(region: Region, rows: Sequence[Row]) -> dict[str, int]:
    """The states from which these rows lead back to the same state, by the number of the round."""
    leads: dict[str, set[str]] = {state.name: set() for state in region.states}
    for row in rows:
        for source, target in _targets(region, row):
            if row.to != "same":
                leads[source].add(target)
    reach: dict[str, set[str]] = {}
    for name in leads:
        seen: set[str] = set()
        ahead = list(leads[name])
        while ahead:
            one = ahead.pop()
            if one not in seen:
                seen.add(one)
                ahead += leads[one]
        reach[name] = seen
    rounds: dict[str, int] = {}
    for name in leads:
        if name in reach[name] and name not in rounds:
            number = len(rounds)
            for other in leads:
                if other in reach[name] and name in reach[other]:
                    rounds[other] = number
    return rounds
