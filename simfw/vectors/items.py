"""What test vectors are to cover: rows, guard outcomes, both sides of every time.

Items are plain texts: `power alone`, `power usb` and `power held` (power-up with nothing, with USB,
with a contact closed), `row KEY` (it fired), `guard KEY true` and `guard KEY false` (its guard was
asked and said so), `late KEY` (its time ran out in the stay), `early KEY` (the stay was ended by
something else in the last part of that time) and `after KEY` (something else followed within the
same part after it), `limit KEY true` and `limit KEY false` (its guard compares what the gauge
reads, and said so within 10 mV or 1 % of the limit), `first KEY true` and `first KEY false`
(likewise at power-up, with the reading set by a bench, which then sets the other side), `drive
REGION:STATE` (the instant came to rest in a state that drives something, with its gate open),
`scale REGION:STATE OUTPUT REGION:STATE` (the first state scaled what the second drives),
`resume KEY STATE` (it went back there), `goes REGION:STATE` (the firmware let go of its supply
there), `back NAME` (the contact, or USB, brought that back), and `pair KEY KEY` (two rows of one
region fired one after the other: the switch coverage of T. S. Chow, IEEE Trans. Software Eng.
SE-4(3), 1978, cited from memory). A fault of one row often shows only in the next. Pairs grow with
the square of the rows, so they are asked for in small gadgets only; in very large ones `early` and
`after` are asked for of some times only (see `sides`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from itertools import islice

from simfw.behaviour.expression import Constant, Flag, levels_in
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import Region, Row, System

__all__ = ["CLOSE", "HELD", "READINGS", "UV", "Kinds", "all_items", "count_kinds", "drill_items",
           "first_at", "key_of", "limits_of", "may_be_cut", "may_follow", "reached_states",
           "repeats", "scaled_levels", "sides"]  # fmt: skip

UV = 1_000_000  # in a volt
NO_CONTACT = ("usb.edge", "status.edge")
HELD = "power held"  # a contact that is closed before power-up
MOST_PAIRS = 400
MOST_SIDES = 80  # times whose two sides are asked for: of more, those of every so many-th
LEAST_NS = 1_000_000
READINGS = ("gauge.measured", "gauge.counted")  # what a gauge goes by: volts, or a count
CLOSE = 8  # the last 1/8 of a time counts as its early side, as much after it as just after
Kinds = tuple[tuple[str, str], ...]
KINDS: Kinds = (
    ("power", "power-ups"),
    ("row", "rows fired"),
    ("guard", "guard outcomes"),
    ("early", "times ended early"),
    ("late", "times run out"),
    ("after", "changes just after a time"),
    ("limit", "limits of the gauge from near"),
    ("first", "first readings of the gauge from near"),
    ("drive", "states that drive"),
    ("scale", "levels that are scaled"),
    ("resume", "states resumed"),
    ("goes", "states that let go of the supply"),
    ("back", "what brings it back"),
    ("alone", "rows that nothing follows in their instant"),
    ("again", "unseen ends of times, twice"),
    ("pair", "pairs of rows (some may be impossible)"),
)


@cache
def first_at(level: float, unit: int) -> int:
    """The first whole number of units, as the line protocol tells them, not below a level."""
    return -(-round(level * unit * 1000) // 1000)


def key_of(item: str) -> str:
    """The row that an item is about."""
    return item.split(" ")[1]


def may_be_cut(region: Region, row: Row) -> bool:
    """Whether anything but its own end can end the stay that a timed row counts."""
    return any(
        other.on is not None and other.to != "same" and set(other.sources) & set(row.sources)
        for other in region.rows
    )


def may_follow(region: Region, row: Row) -> bool:
    """Whether an event may be heard just after the time of a timed row has run out.

    What follows a time of less than 1 ms that closely cannot be aimed at.
    """
    return (row.after_ns or 0) >= LEAST_NS and any(
        other.on is not None and row.to in other.sources for other in region.rows
    )


def repeats(region: Region, row: Row) -> bool:
    """Whether a row of a dial does in one more position what another does nearer to the start."""
    if region.group != "dials":
        return False
    alike = (row.key.partition("#")[0], row.on, row.emit)
    start = int(region.starts)
    first = min((one for one in region.rows
                 if (one.key.partition("#")[0], one.on, one.emit) == alike),
                key=lambda one: abs(int(one.sources[0]) - start))  # fmt: skip
    return row is not first


def _of(region: Region, row: Row) -> Iterator[str]:
    yield f"row {row.key}"
    if repeats(region, row):
        return  # its guard is the same in every position
    if row.when is not None and not isinstance(row.when, Constant):
        yield f"guard {row.key} true"
        # USB that comes and goes in one instant is no stimulus: ends come before beginnings.
        if row.on != "usb.edge" or row.when != Flag("usb"):
            yield f"guard {row.key} false"
        if limits_of(row):
            yield f"limit {row.key} true"
            yield f"limit {row.key} false"
    if row.after_ns:
        yield f"late {row.key}"
        if may_be_cut(region, row):
            yield f"early {row.key}"
        if may_follow(region, row):
            yield f"after {row.key}"


def limits_of(row: Row) -> tuple[float, ...]:
    """The levels that the guard of a row compares the gauge's reading with (V, or a share)."""
    if row.when is None:
        return ()
    return tuple(level for name in READINGS for level in levels_in(row.when, name))


def _passed_first(region: Region) -> set[str]:
    """The states that a region passes through in the instant of power-up."""
    passed = {region.starts}
    while True:
        more = {row.to for row in region.rows if row.after_ns == 0 and passed & set(row.sources)}
        if more <= passed:
            return passed
        passed |= more


def reached_states(region: Region) -> frozenset[str]:
    """The states that rows lead to from the first one, whatever events and guards say.

    What is resumed is a resume point that was reached before, or the first of them.
    """
    reached = {region.starts}
    while True:
        fired = [row for row in region.rows if reached & set(row.sources)]
        more = {row.to for row in fired} - {"same", "resume"}
        if any(row.to == "resume" for row in fired):
            more |= set(region.resume_points[:1])
        if more <= reached:
            return frozenset(reached)
        reached |= more


def _pairs(region: Region) -> Iterator[str]:
    """Two rows that may follow one another, in regions that people and time move."""
    if region.group in ("charge", "gauge", "dials"):
        return
    for first in region.rows:
        ends = first.sources if first.to == "same" else region.entered_by(first)
        for second in region.rows:
            if set(ends) & set(second.sources):
                yield f"pair {first.key} {second.key}"


def sides(system: System) -> tuple[int, frozenset[str]]:
    """The rows whose times are to be met from both sides, and of how many every one is such a row.

    A side takes a vector of its own for nearly every row.
    """
    timed = [row.key for region in system.regions for row in region.rows
             if row.after_ns and not repeats(region, row)]
    step = max(1, -(-len(timed) // MOST_SIDES))
    return step, frozenset(timed[::step])


def all_items(system: System) -> tuple[str, ...]:
    """Everything that the rows of `system` ask for, in their order."""
    _, both_sides = sides(system)
    found = ["power alone"]
    if "usb.edge" in system.raw_events:
        found.append("power usb")
    if any(name.endswith(".edge") and name not in NO_CONTACT for name in system.raw_events):
        found.append(HELD)
    for region in system.regions:
        passed = _passed_first(region)
        for row in region.rows:
            found += [item for item in _of(region, row) if row.key in both_sides
                      or not item.startswith(("early ", "after "))]
            if limits_of(row) and row.after_ns == 0 and passed & set(row.sources):
                found += [f"first {row.key} true", f"first {row.key} false"]
            if row.to == "resume":
                found += [f"resume {row.key} {point}" for point in region.resume_points]
        passing = {state for row in region.rows if row.after_ns == 0 for state in row.sources}
        found += [f"drive {region.name}:{state.name}" for state in region.states
                  if state.touches and state.name not in passing]  # fmt: skip
        found += [f"goes {region.name}:{state.name}" for state in region.states
                  if state.unpowered and state.name not in passing]
    found += [f"back {name}" for name in system.powered_by if may_let_go(system)]
    scaled = [item for _, _, item in scaled_levels(system)]
    found += scaled if len(scaled) <= MOST_PAIRS else []
    every = (pair for region in system.regions for pair in _pairs(region))
    pairs = list(islice(every, MOST_PAIRS + 1))  # of more none is asked for
    return (*found, *(pairs if len(pairs) <= MOST_PAIRS else ()))


Place = tuple[int, int]


def scaled_levels(system: System) -> Iterator[tuple[Place, Place, str]]:
    """A state that scales an output and one of another region that drives it (each by region and
    state number), and the item of both together.
    """
    regions = system.regions
    for place, region in enumerate(regions):
        for number, state in enumerate(region.states):
            for output in (*state.scales, *state.dial_scales):
                for other_place, other in enumerate(regions):
                    if other_place == place or other.group != "behaviour":
                        continue
                    for other_number, driving in enumerate(other.states):
                        if output in driving.outputs:
                            yield ((place, number), (other_place, other_number),
                                   f"scale {region.name}:{state.name} {output} "
                                   f"{other.name}:{driving.name}")  # fmt: skip


def drill_items(system: System) -> tuple[str, ...]:
    """The items `alone KEY` and `again KEY` of the rows that need them."""
    own = [region for region in system.regions if region.group == "behaviour"]
    together = {row.emit for region in system.regions for row in region.rows if len(row.emit) > 1}
    return (
        *(f"alone {row.key}" for region in own for row in region.rows
          if any(_hidden(region, row, emit) for emit in together)),
        *(f"again {row.key}" for region in own for row in region.rows if _unseen(region, row)),
    )  # fmt: skip


def _hidden(region: Region, row: Row, emit: Sequence[str]) -> bool:
    """Whether a later event of those emitted together leads on from where a row has led to."""
    if row.on not in emit:
        return False
    later = emit[emit.index(row.on) + 1 :]
    return any(other.on in later and row.to in other.sources for other in region.rows)


def _unseen(region: Region, row: Row) -> bool:
    """Whether the end of a time changes nothing at the outputs."""
    states = {state.name: state for state in region.states}
    if not row.after_ns or row.to not in states or row.to in row.sources:
        return False
    there = states[row.to]
    return all((states[source].outputs, states[source].scales, states[source].dial_scales,
                states[source].awake)
               == (there.outputs, there.scales, there.dial_scales, there.awake)
               for source in row.sources)  # fmt: skip


def count_kinds(covered: Iterable[str], wanted: Iterable[str]) -> tuple[tuple[str, int, int], ...]:
    """For each kind of item: its name, how many are covered, and of how many."""
    covered, wanted = set(covered), list(wanted)
    counts = []
    for kind, name in KINDS:
        mine = [item for item in wanted if item.startswith(f"{kind} ")]
        if mine:
            counts.append((name, sum(item in covered for item in mine), len(mine)))
    return tuple(counts)
