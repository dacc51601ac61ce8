"""Faults about power-up, and about what is kept over a loss of the supply.

Here is also how a fault is put together: `possible` makes all others so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.sequences import clocks_of
from simfw.vectors.faults import Fault, Twist

__all__ = ["COUNTING", "MOST_STATES", "AtPower", "counted"]

COUNTING = ("buttons", "chords", "toggles", "proximity", "charge")  # regions that count or settle
MOST_STATES = 12  # of a region, each of which is mistaken for another
MOST_ALONE = 6  # states of a region, each of which is kept, or lost, alone


def counted(state: str) -> bool:
    """Whether a state is one of a count."""
    return state.rpartition(".")[2].isdigit()


class AtPower:
    """Makes the faults of a system that show at power-up."""

    def __init__(self, system: System) -> None:
        self.system = system

    # -- how a fault is put together ---------------------------------------------------------------

    def region(self, kind: str, about: str, words: str, changed: Region) -> Fault:
        """A region replaced by another."""
        regions = tuple(changed if one.name == changed.name else one
                        for one in self.system.regions)  # fmt: skip
        clocks = clocks_of(regions) if self.system.clocks else ()
        return Fault(kind, about, words, replace(self.system, regions=regions, clocks=clocks),
                     frozenset([changed.name]))  # fmt: skip

    def rows(self, kind: str, region: Region, number: int, words: str, *rows: Row) -> Fault:
        """Row `number` replaced by others."""
        changed = (*region.rows[:number], *rows, *region.rows[number + 1 :])
        return self.region(kind, region.rows[number].key, words, replace(region, rows=changed))

    def twisted(self, kind: str, about: str, words: str, regions: frozenset[str], twist: Twist
                ) -> Fault:  # fmt: skip
        """The system as it is, with a slip in how its rows are walked."""
        return Fault(kind, about, words, self.system, regions, twist)

    # -- the supply -------------------------------------------------------------------------------

    def of_supply(self, region: Region) -> Iterator[Fault]:
        """What is there after power-up, and after a loss of the supply."""
        only = frozenset([region.name])
        if len(region.states) > 1 and region.kept is None:
            yield self.twisted("kept", region.name, "its state is kept over a loss of the supply",
                               only, Twist(kept=region.name))  # fmt: skip
        if region.kept is None and region.group in COUNTING and any(
                counted(state.name) for state in region.states):
            yield self.twisted("kept", region.name, "its count is kept over a loss of the supply",
                               only, Twist(kept=region.name, counts="any"))  # fmt: skip
            stems = dict.fromkeys(state.name.rpartition(".")[0] for state in region.states
                                  if counted(state.name))
            for stem in stems if len(stems) > 1 else ():
                if stem:
                    yield self.twisted(
                        "kept", region.name, f"its count in {stem} is kept over a loss of the "
                        "supply", only, Twist(kept=region.name, counts=stem))  # fmt: skip
        if (region.kept is None and len(region.resume_points) > 1
                and any(row.to == "resume" for row in region.rows)):
            yield self.twisted("kept", region.name, "its memory is kept over a loss of the supply",
                               only, Twist(remembers=region.name))  # fmt: skip
        yield from self.of_one_state(region)
        if region.kept is not None and len(region.states) > 1:
            yield self.region("unkept", region.name, "what it keeps is lost with the supply",
                              replace(region, kept=None))
        if region.group == "gauge" or len(region.states) > MOST_STATES:
            return
        passing = {name for row in region.rows if row.after_ns == 0 for name in row.sources}
        for state in region.states:
            if state.name != region.starts and state.name not in passing:
                yield self.region("starts", region.name, f"begins in {state.name}",
                                  replace(region, starts=state.name))  # fmt: skip

    def of_one_state(self, region: Region) -> Iterator[Fault]:
        """One of several states that alone is kept over a loss of the supply, or alone is not."""
        passing = {name for row in region.rows if row.after_ns == 0 for name in row.sources}
        states = [state for state in region.states if state.name != region.starts
                  and state.name not in passing and not state.unpowered]
        if (len(states) < 2 or len(region.states) > MOST_STATES or region.kept == "resume"
                or region.group not in ("dials", "behaviour")):
            return
        only = frozenset([region.name])
        for state in states[:MOST_ALONE]:
            about = f"{region.name}.{state.name}"
            if region.kept is None:
                yield self.twisted("kept", about, "this state alone is kept over a loss of the "
                                   "supply", only, Twist(kept=region.name, only=state.name))
            else:
                yield self.twisted("unkept", about, "this state alone is lost with the supply",
                                   only, Twist(loses=region.name, only=state.name))

    def of_power_up(self) -> Iterator[Fault]:
        """What is found at the pins taken otherwise."""
        for event in self.system.raw_events:
            name = event.removesuffix(".edge")
            hearing = frozenset(
                region.name for region in self.system.regions
                if any(row.on == event for row in region.rows))  # fmt: skip
            if name in ("usb", "status"):
                yield self.twisted("power-up", name, "not looked at", hearing, Twist(unseen=name))
                continue
            reading = hearing | {
                region.name for region in self.system.regions for row in region.rows
                if row.when is not None
                and f"{name}.closed" in names_in(row.when).flags}  # fmt: skip
            if hearing:
                yield self.twisted("power-up", name, "closed already, taken for an edge", reading,
                                   Twist(edge=name))  # fmt: skip
                yield self.twisted("power-up", name, "moves in that instant, and is not noticed",
                                   hearing, Twist(unseen=name))  # fmt: skip
            if reading - hearing:  # what hears the edges alone looks at no contact before one
                yield self.twisted("power-up", name, "closed already, taken for open", reading,
                                   Twist(opened=name))  # fmt: skip
