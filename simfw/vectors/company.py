"""All that people do while another region stands where it stands for long: driven on purpose.

A firmware that takes a condition too much into account (no click while it charges, no double with
the cell flat), or forgets what it stood in when something else happens, does so where two regions
meet that have nothing to do with one another: there a search for what rows say looks for nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from simfw.behaviour.region import Region
from simfw.vectors.courses import BEGINS_NS, Courses
from simfw.vectors.handled import Change
from simfw.vectors.nodes import Found

__all__ = ["Company"]

MS = 1_000_000
MOST_STEPS = 14  # of one course
MOST_EVENTS = 12  # that are done in turn
Told = tuple[str, tuple[Change, ...]]  # an event, and what brings it about
STANDING = ("cell", "charge")  # regions that stand somewhere for long whatever people do


class Company(Courses):
    """The courses of a gadget with a gauge or a charger."""

    def courses(self) -> Iterator[tuple[str, Found]]:
        """For each state of cell and charger: what people do in it, as written regions hear it."""
        for region in self.sketch.system.regions:
            if region.name not in STANDING:
                continue
            told = self._told(region.name)
            for state in region.states if told else ():
                for way in self._ways(region) if state.name != region.starts else ():
                    found = list(self._found(
                        f"what is done in {region.name}.{state.name}",
                        partial(self._all, region.name, state.name, way, told)))
                    yield from found
                    if found:
                        break

    def _ways(self, region: Region) -> list[tuple[Change, ...]]:
        """What brings a region away from where it begins."""
        ways = [self.events[event].changes for row in region.rows for event in row.emit
                if event in self.events]
        if region.name == "charge" and self.sketch.system.status_levels:
            # The pin says of no charge when USB comes.
            level = 2.0 if self.gadget.status_pulled_up else 0.0
            ways.append(((0, "status", "status", level), (MS, "usb", "usb", 1.0)))
        return list(dict.fromkeys(ways))

    def _told(self, region: str) -> list[Told]:
        """What is done, as written regions hear it; USB comes and goes where the cell stands, the
        cell is flat for a while where the charger does.
        """
        heard = {row.on for one in self.sketch.system.regions if one.group == "behaviour"
                 for row in one.rows}
        heard |= {"usb.in", "usb.out"} if region == "cell" and heard else set()
        found = [(event, one.changes) for event, one in self.events.items()
                 if event in heard and one.by not in ("gauge", "status")
                 and (region != "charge" or one.by != "usb")]
        back = self.events.get("cell.back")
        if region == "charge" and back is not None and self.gadget.gauge is not None:
            # The cell is flat, or low, and then no more.
            every = 2 * self.gadget.gauge.every.ns
            later = tuple((every + at, kind, name, value) for at, kind, name, value in back.changes)
            found += [(event, (*one.changes, *later))
                      for event, one in self.events.items()
                      if event in heard and event in ("cell.flat", "cell.low")]
        return found[:MOST_EVENTS]

    def _all(self, region: str, state: str, way: Sequence[Change],
             told: Sequence[Told]) -> bool:  # fmt: skip
        self._start()
        self._bring(way)
        if self.sketch.state(region) != state:
            return False
        written = [one for one in self.sketch.system.regions if one.group == "behaviour"]
        done = dict.fromkeys(range(len(told)), 0)
        seen: set[tuple[tuple[str, ...], int]] = set()
        for _ in range(MOST_STEPS):
            stands = tuple(self.sketch.state(one.name) for one in written)
            hears = {row.on for one, state in zip(written, stands, strict=True)
                     for row in one.rows if state in row.sources}
            # First what is heard there, and what has been done least.
            number = min(done, key=lambda one: ((stands, one) in seen, told[one][0] not in hears,
                                                done[one], one))
            seen.add((stands, number))
            done[number] += 1
            self._bring(told[number][1])
            if not self.sketch.alive:
                return False
        return True

    def _bring(self, changes: Sequence[Change]) -> None:
        """Bring something about, and wait until it is over."""
        first = changes[0][0]
        self._do(*((MS + at - first, kind, name, value) for at, kind, name, value in changes))
        rest = max([BEGINS_NS, *(sensor.clear.ns + 2 * sensor.agree * sensor.every.ns
                                 for sensor in self.gadget.proximity.values())])
        gauge = self.gadget.gauge
        self._wait(max(rest, gauge.every.ns + 2 * MS if gauge is not None and gauge.every.ns
                       <= 5 * BEGINS_NS else 0))
