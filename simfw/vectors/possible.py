"""Every fault that can be made in a system: one slip of each kind wherever it can be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice, pairwise

from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Inside,
    Not,
    to_text,
)
from simfw.behaviour.hold import HOLD
from simfw.behaviour.region import Condition, Drive, Region, Row, Sequence, State, System
from simfw.vectors.around import read_in
from simfw.vectors.at_power import COUNTING, MOST_STATES, AtPower, counted
from simfw.vectors.compared import parts_of, slips_of
from simfw.vectors.eclipsed import eclipses
from simfw.vectors.faults import Fault, Twist
from simfw.vectors.items import may_be_cut, repeats

__all__ = ["all_faults"]

LONGER = 10  # per cent
STEP = 100  # a time is made longer and shorter by one part in so many
RETRIES = 40  # how often a guard that failed is asked again
RETRY_NS = 100_000_000
PRESSED = ("buttons", "chords")  # what fingers do
LONG_NS = 100_000_000  # times in which something else is done by the way
MOST_FOLLOWING = 120
MOST_STEPS = 4  # of a sequence, that are made longer and dimmer one by one


def _slipped(played: Sequence) -> Iterator[tuple[str, Sequence]]:
    """The sequence with one slip in it, in words: step by step, or a line as a whole."""
    def with_step(number: int, lasts_ns: int, drive: Drive) -> Sequence:
        return replace(played, steps=(*played.steps[:number], (lasts_ns, drive),
                                      *played.steps[number + 1 :]))  # fmt: skip

    if played.line:
        yield "its line is gone along 10 % slower", replace(played, steps=tuple(
            (lasts_ns + lasts_ns * LONGER // 100, drive) for lasts_ns, drive in played.steps))
        yield "its line is half as high", replace(played, steps=tuple(
            (lasts_ns, _halved(drive)) for lasts_ns, drive in played.steps))
    for number, (lasts_ns, drive) in enumerate(() if played.line else played.steps[:MOST_STEPS]):
        if len(played.steps) > 1:
            longer = lasts_ns + lasts_ns * LONGER // 100
            yield f"its step {number + 1} is 10 % longer", with_step(number, longer, drive)
        if _halved(drive) != drive:
            yield f"its step {number + 1} has half its level", with_step(
                number, lasts_ns, _halved(drive))
    if played.times is not None:
        yield "it repeats once more", replace(played, times=played.times + 1)


def _halved(drive: Drive) -> Drive:
    if drive.segments is None:
        return Drive(drive.duty / 2)
    return replace(drive, segments=drive.segments // 2)


def all_faults(system: System) -> tuple[Fault, ...]:
    """Every fault of the `KINDS` that can be made in `system`, in a fixed order."""
    return tuple(_Maker(system).make())


class _Maker(AtPower):
    def __init__(self, system: System) -> None:
        super().__init__(system)
        self.heard = {row.on for region in system.regions for row in region.rows}
        written = {row.on for region in system.regions if region.group == "behaviour"
                   for row in region.rows}
        emitted = {event for region in system.regions for row in region.rows for event in row.emit}
        self.emitted = [event for event in system.events if event in emitted]
        pressed = {event for region in system.regions if region.group in PRESSED
                   for row in region.rows for event in row.emit}
        self.takes_ns = {event: row.after_ns or 0 for region in system.regions
                         for row in region.rows for event in row.emit}
        self.told = [event for event in self.emitted if event in written & pressed]
        self.follows: dict[str, frozenset[str]] = {}  # by region: see `_following`

    def make(self) -> Iterator[Fault]:
        for region in self.system.regions:
            for number, row in enumerate(region.rows):
                if not repeats(region, row):
                    yield from self.of_row(region, number, row)
            yield from self.of_dial(region)
            yield from self.of_memory(region)
            yield from self.of_states(region)
            yield from self.of_show(region)
            yield from self.of_supply(region)
            yield from self.of_courses(region)
        yield from self.of_regions()
        yield from self.of_conditions()
        yield from self.of_power_up()
        yield from self.of_echoes()
        yield from self.of_edges()
        yield from eclipses(self.system)

    # -- rows --------------------------------------------------------------------------------------

    def of_row(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        def one(kind: str, words: str, *rows: Row) -> Fault:
            return self.rows(kind, region, number, words, *rows)

        own = region.group == "behaviour"
        rivals = [later for later in range(number + 1, len(region.rows))
                  if _compete(row, region.rows[later])]
        yield one("row", "never fires")
        if row.to != "same" and (row.emit or rivals):
            yield one("stay", "stays instead of going on", replace(row, to="same"))
        if own and row.to not in ("same", "resume") and len(region.states) > 2:
            names = [state.name for state in region.states]
            other = next((name for name in _from(names, row.to) if name not in row.sources), "")
            if other not in ("", row.to):
                yield one("target", f"goes to {other}", replace(row, to=other))
        if region.group in COUNTING and row.to != "same":
            names = [state.name for state in region.states]
            at = names.index(row.to)
            for other in dict.fromkeys((*names[max(0, at - 1) : at], *names[at + 1 : at + 2],
                                        region.starts)):
                if other != row.to and other not in row.sources:
                    yield one("target", f"goes to {other}", replace(row, to=other))
            yield from self.of_counts(region, number, row)
        if (own or region.group in COUNTING) and len(row.sources) > 1:
            for source in row.sources:
                left = tuple(name for name in row.sources if name != source)
                yield one("source", f"does not hear it in {source}" if row.on else
                          f"does not end in {source}", replace(row, sources=left))  # fmt: skip
        if own and row.on is not None:
            answered = {source for one in region.rows if one.on == row.on for source in one.sources}
            more = tuple(state.name for state in region.states if state.name not in answered)
            if more:
                yield one("wider", f"fires in {', '.join(more)} too", row,
                          replace(row, sources=more, key=f"{row.key}+1"))  # fmt: skip
        for words, changed in self.insides(row) if own else ():
            yield one("states", words, replace(row, when=changed, when_text=words))
        for words, kind, guard in self.guards(row):
            yield one(kind, words, replace(row, when=guard, when_text=words))
        for event in row.emit:
            if event in self.heard:
                left = tuple(name for name in row.emit if name != event)
                yield one("emit", f"does not emit {event}", replace(row, emit=left))
        if row.after_ns:
            yield from self.of_time(region, number, row)
        if row.to == "resume":
            for point in region.resume_points[:1]:
                yield one("resume", f"begins with {point} instead of resuming",
                          replace(row, to=point))  # fmt: skip
        elif row.to in region.resume_points and len(region.resume_points) > 1:
            yield one("resume", "resumes instead", replace(row, to="resume"))
        yield from self.of_played(region, number, row)
        if row.on is not None:
            yield from self.of_clock(region, number, row)
            if region.group in COUNTING:
                yield from self.of_cut(region, number, row)
        if rivals:
            later = rivals[0]
            order = list(region.rows)
            order.insert(later, order.pop(number))
            yield self.region("order", row.key, f"is tried after {region.rows[later].key}",
                              replace(region, rows=tuple(order)))  # fmt: skip

    def of_counts(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        """A count that does not begin anew but goes back by one, or ends, from one state only; and
        what goes on to the next from one state only.
        """
        names = [state.name for state in region.states]
        for source in filter(counted, row.sources if len(row.sources) > 1 else ()):
            left = tuple(name for name in row.sources if name != source)
            for other in dict.fromkeys((names[names.index(source) - 1], region.starts)):
                if other not in (row.to, source):
                    yield self.rows(
                        "target", region, number, f"goes from {source} to {other}",
                        replace(row, sources=left),
                        replace(row, sources=(source,), to=other, key=f"{row.key}+1"))  # fmt: skip
        counts = any(map(counted, names)) and len(row.sources) > 1
        for source in row.sources if counts and row.emit == () else ():
            left = tuple(name for name in row.sources if name != source)
            other = next((name for name in names[names.index(source) + 1:]
                          if not counted(name) and name != row.to), "")
            if other:
                yield self.rows(
                    "target", region, number, f"goes on from {source} to {other}",
                    replace(row, sources=left),
                    replace(row, sources=(source,), to=other, key=f"{row.key}+1"))  # fmt: skip

    def of_cut(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        """A time that is cut off, and of which all the same is told what its end would tell."""
        for source in row.sources:
            told = [one for one in region.rows
                    if one.after_ns and source in one.sources and set(one.emit) - set(row.emit)]
            if told and row.to != "same":
                rows = [replace(row, sources=(source,), key=f"{row.key}+{k}",
                                when=_both(row.when, one.when), emit=(*one.emit, *row.emit))
                        for k, one in enumerate(told, 1)]
                yield self.rows("emit", region, number, f"tells of {source} as if its time had "
                                "ended", *rows, row)  # fmt: skip

    def guards(self, row: Row) -> Iterator[tuple[str, str, Expression | None]]:
        """What may go wrong with a guard: in words, the kind, and what stands there then."""
        when = row.when
        if when is None or isinstance(when, Constant):
            return
        yield "its guard is dropped", "guard", None
        if isinstance(when, All | Any):
            for number, part in enumerate(when.parts):
                left = (*when.parts[:number], *when.parts[number + 1 :])
                yield (f"`{to_text(part)}` is dropped", "guard",
                       left[0] if len(left) == 1 else type(when)(left))  # fmt: skip
        yield "its guard is turned round", "turned", Not(when)
        for compare, changed in parts_of(when, Compare):
            for kind, words, other in slips_of(compare):
                yield words, kind, changed(other)

    def of_dial(self, region: Region) -> Iterator[Fault]:
        """The guard of a written row of a dial, in which a state more, or one less, is asked for:
        it is one guard for all rows that come of it, one for each position and event.
        """
        if region.group != "dials":
            return
        written: dict[tuple[str, Expression | None], Row] = {}
        for row in region.rows:
            written.setdefault((row.key.split("#")[0], row.when), row)
        for (key, when), row in written.items():
            for words, changed in self.insides(row):
                rows = tuple(replace(one, when=changed, when_text=words)
                             if (one.key.split("#")[0], one.when) == (key, when) else one
                             for one in region.rows)  # fmt: skip
                yield self.region("states", row.key, words, replace(region, rows=rows))

    def insides(self, row: Row) -> Iterator[tuple[str, Expression]]:
        """A guard of a written row in which a state more, or one less, is asked for."""
        if row.when is None:
            return
        for inside, changed in parts_of(row.when, Inside):
            states = [state.name for state in self.system.region(inside.region).states]
            for name in states if len(states) <= MOST_STATES else ():
                there = name in inside.states
                other = inside.states - {name} if there else inside.states | {name}
                if other and len(other) < len(states):
                    words = f"{inside.region} in {name} is {'not ' if there else ''}taken for it"
                    yield words, changed(Inside(inside.region, other))

    def of_time(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        after = row.after_ns or 0
        for kind, by, words in (
            ("time", after * LONGER // 100, "10 % longer"),
            ("time", -(after * LONGER // 100), "10 % shorter"),
            ("step", max(1, after // STEP), "a step longer"),
            ("step", -max(1, after // STEP), "a step shorter"),
        ):
            if by and after + by > 0:
                # Rows of one state with one time stand together; they keep one time.
                changed = tuple(replace(one, after_ns=after + by)
                                if one.after_ns == after and set(one.sources) & set(row.sources)
                                else one for one in region.rows)  # fmt: skip
                first = next(one for one in region.rows if one.after_ns == after
                             and set(one.sources) & set(row.sources))  # fmt: skip
                if first is row:
                    yield self.region(kind, row.key, f"its time is {words}",
                                      replace(region, rows=changed))  # fmt: skip
        only = frozenset([region.name])
        yield self.twisted("expiry", row.key, "its time ends before all else in that instant", only,
                           Twist(first=row.key))  # fmt: skip
        yield self.twisted("expiry", row.key, "its time ends after all else in that instant", only,
                           Twist(after=row.key))  # fmt: skip
        unheard = self.unheard(region, row)
        if unheard:
            yield self.twisted(
                "deaf", row.key, "what else comes in the instant in which its time ends is lost",
                only, Twist(deaf=row.key, unheard=unheard))  # fmt: skip
        if row.when is not None and not isinstance(row.when, Constant):
            more = tuple(replace(row, after_ns=after + k * RETRY_NS, key=f"{row.key}+{k}")
                         for k in range(1, RETRIES))  # fmt: skip
            yield self.rows("again", region, number, "its guard is asked again", row, *more)

    def unheard(self, region: Region, row: Row) -> frozenset[str]:
        """The rows that a region may still hear in the instant in which a time of it ends, but for
        those that follow from what it does then: a firmware that does one thing in each turn of
        its loop may lose the others. What comes from outside comes before any time ends.
        """
        if region.group not in ("behaviour", *PRESSED):
            return frozenset()
        if region.name not in self.follows:
            self.follows[region.name] = (
                _following(self.system, region) | set(self.system.raw_events))
        follows = self.follows[region.name]
        stands = {*region.entered_by(row), *(row.sources if row.to == "same" else ())}
        while more := {to for one in region.rows if (one.after_ns == 0 or one.on in follows)
                       and not stands.isdisjoint(one.sources)
                       for to in region.entered_by(one)} - stands:
            stands |= more
        return frozenset(
            one.key for one in region.rows if one.on is not None and one.on not in follows
            and not stands.isdisjoint(one.sources) and (one.to != "same" or one.emit))

    def of_clock(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        if row.to == "same":
            if any(_timed(region, source) for source in row.sources):
                yield self.rows("anew", region, number, "begins the time anew", *_entering(row))
            return
        if row.to in row.sources:
            left = tuple(name for name in row.sources if name != row.to)
            stays = replace(row, sources=(row.to,), to="same")
            yield self.rows("anew", region, number, "does not begin the time anew",
                            *([stays, replace(row, sources=left, key=f"{row.key}+1")]
                              if left else [stays]))  # fmt: skip
        if any(_timed(region, state) for state in region.entered_by(row)):
            yield self.twisted("clock", row.key, "the time of the new state does not begin anew",
                               frozenset([region.name]), Twist(keeps=row.key))  # fmt: skip
            for other in _clocks(region):
                if not set(region.entered_by(row)).isdisjoint(other.sources):
                    yield self.twisted(
                        "clock", row.key, f"the time of {other.key} does not begin anew",
                        frozenset([region.name]), Twist(keeps=row.key, alone=other.key))

    def of_played(self, region: Region, number: int, row: Row) -> Iterator[Fault]:
        """A sequence and the time of its state, of which one alone begins anew."""
        only = frozenset([region.name])
        plays = {state.name: state.sequences for state in region.states if state.sequences}
        mine = [source for source in row.sources if source in plays]
        if not mine or row.key.startswith("sequences."):  # that tells of their end alone
            return
        if row.to == "same":
            yield self.twisted("played", row.key, "what is played begins anew, and no time", only,
                               Twist(replays=row.key))  # fmt: skip
            if any(_timed(region, source) for source in mine):
                parts = _entering(row)
                begun = self.rows("played", region, number,
                                  "the time begins anew, and nothing that is played", *parts)
                yield replace(begun, twist=Twist(plays_on=frozenset(one.key for one in parts)))
        elif any(plays[source].get(output) == played for source in mine
                 for name in region.entered_by(row) if name in plays
                 for output, played in plays[name].items()):
            yield self.twisted("played", row.key, "what is played goes on, and begins not anew",
                               only, Twist(plays_on=frozenset([row.key])))  # fmt: skip

    # -- memory, states, what is shown -------------------------------------------------------------

    def of_memory(self, region: Region) -> Iterator[Fault]:
        if not any(row.to == "resume" for row in region.rows):
            return
        for point in region.resume_points[1:]:
            left = tuple(name for name in region.resume_points if name != point)
            yield self.region("memory", region.name, f"{point} is not remembered",
                              replace(region, resume_points=left))  # fmt: skip

    def of_states(self, region: Region) -> Iterator[Fault]:
        def one(kind: str, state: State, words: str, changed: State) -> Fault:
            states = tuple(changed if other is state else other for other in region.states)
            return self.region(kind, f"{region.name}.{state.name}", words,
                               replace(region, states=states))  # fmt: skip

        passing = {source for row in region.rows if row.after_ns == 0 and row.when is None
                   for source in row.sources}  # fmt: skip
        for state in region.states:
            # What is left in the instant in which it is entered is driven for no time.
            driven = {} if state.name in passing else state.outputs
            for name, drive in driven.items():
                # What a dial gives is made less in its positions.
                less = (replace(drive, dial=None) if drive.dial is not None
                        else _halved(drive))
                if drive.dial is not None:
                    yield one("drive", state, f"{name} has always its largest level",
                              replace(state, outputs={**state.outputs, name: less}))  # fmt: skip
                elif less != drive:
                    if name != HOLD:  # which is on or off
                        yield one("drive", state, f"{name} has half its level",
                                  replace(state, outputs={**state.outputs, name: less}))
                    left = {key: value for key, value in state.outputs.items() if key != name}
                    yield one("drive", state, f"{name} is left off", replace(state, outputs=left))
            for name, played in state.sequences.items() if state.name not in passing else ():
                left_off = {key: other for key, other in state.sequences.items() if key != name}
                yield one("sequence", state, f"{name} is left off",
                          replace(state, sequences=left_off))  # fmt: skip
                for words, slipped in _slipped(played):
                    yield one("sequence", state, f"{name}: {words}", replace(
                        state, sequences={**state.sequences, name: slipped}))  # fmt: skip
            if state.position is not None and state.position.outputs:
                given = state.position.drive
                less = _halved(given)
                if less != given:
                    yield one("drive", state, "it gives half its level", replace(
                        state, position=replace(state.position, drive=less)))  # fmt: skip
            for name in state.dial_scales:
                left_out = {key: dial for key, dial in state.dial_scales.items() if key != name}
                yield one("drive", state, f"{name} is not scaled",
                          replace(state, dial_scales=left_out))  # fmt: skip
            if state.unpowered and state.name not in passing:
                kept_on = {key: value for key, value in state.scales.items() if key != HOLD}
                drives = ({**state.outputs, HOLD: Drive(1.0)} if kept_on == state.scales
                          else state.outputs)
                yield one("drive", state, "does not let go of its supply",
                          replace(state, outputs=drives, scales=kept_on))
            for name, factor in state.scales.items():
                if name == HOLD:
                    continue
                other = factor / 2 if factor > 0 else 1.0
                yield one("drive", state, f"{name} is scaled by {other:g} and not by {factor:g}",
                          replace(state, scales={**state.scales, name: other}))  # fmt: skip
            if state.takes_out:
                yield one("drive", state, "puts no segment out", replace(state, takes_out={}))
            if state.awake and not (state.name in passing and _next(region, state.name).awake):
                # With all states through which it is reached in one instant.
                asleep = {state.name} | {name for name in passing
                                         if _next(region, name).name == state.name}
                states = tuple(replace(other, awake=other.awake and other.name not in asleep)
                               for other in region.states)
                yield self.region("awake", f"{region.name}.{state.name}", "does not keep awake",
                                  replace(region, states=states))  # fmt: skip

    def of_show(self, region: Region) -> Iterator[Fault]:
        if region.show is None or isinstance(region.show, Constant):
            return
        yield self.region("show", region.name, "shown always", replace(region, show=None))
        yield self.region("show", region.name, "never shown",
                          replace(region, show=Constant(False)))  # fmt: skip
        if isinstance(region.show, Any):
            for number, part in enumerate(region.show.parts):
                left = (*region.show.parts[:number], *region.show.parts[number + 1 :])
                show = left[0] if len(left) == 1 else Any(left)
                yield self.region("show", region.name, f"not shown for `{to_text(part)}`",
                                  replace(region, show=show))  # fmt: skip

    def of_courses(self, region: Region) -> Iterator[Fault]:
        """What shows only in the course of several stays."""
        only = frozenset([region.name])
        own = region.group == "behaviour"
        timed = {state for row in region.rows if row.after_ns for state in row.sources}
        stem = region.name.partition(".")[0]
        heard = {(row.on, state) for row in region.rows for state in row.sources}
        mine = {row.on for row in region.rows} & set(self.system.internal_events)
        raw = f"{stem}.edge"
        # A contact that moves without settling, an echo or a miss that changes nothing.
        stock = [raw] if raw in self.system.raw_events else [
            name for name in self.system.internal_events
            if name in mine and name.endswith((".hit", ".miss"))]
        if region.group in COUNTING and any((row.after_ns or 0) >= LONG_NS for row in region.rows):
            # What fingers do meanwhile with something else; what takes longer than that is not.
            longest = max(row.after_ns or 0 for row in region.rows)
            stock += [event for event in self.told if event.partition(".")[0] != stem
                      and self.takes_ns[event] < longest]
        for event in self.system.events if own else stock:
            more = tuple(
                Row(key=f"{region.name}+{event}", sources=(state.name,), to=state.name, on=event)
                for state in region.states if state.name in timed
                and (event, state.name) not in heard)  # fmt: skip
            if more:
                yield self.region("begun", region.name, f"its times begin anew at {event}",
                                  replace(region, rows=(*region.rows, *more)))  # fmt: skip
            for clock in _clocks(region):
                sources = tuple(name for name in clock.sources if (event, name) not in heard)
                one = Row(key=f"{region.name}+{event}", sources=sources, to="same", on=event)
                if sources:
                    begun = self.region("begun", clock.key, f"its time begins anew at {event}",
                                        replace(region, rows=(*region.rows, one)))
                    yield replace(begun, twist=Twist(begun=one.key, alone=clock.key))
        remembers = own and len(region.resume_points) > 1 and any(
            row.to == "resume" for row in region.rows)
        for event in self.emitted if remembers else ():
            if all(row.on != event for row in region.rows):
                for words, when in self.hearing(region, event):
                    one = Row(key=f"{region.name}+{event}", to="same", on=event, when=when,
                              sources=tuple(state.name for state in region.states))
                    changed = self.region("memory", region.name, f"{words} empties the memory",
                                          replace(region, rows=(*region.rows, one)))
                    yield replace(changed, twist=Twist(forgets=one.key))
        for clock in _clocks(region):
            if may_be_cut(region, clock):
                for words, once in (("an earlier", False), ("the first", True)):
                    yield self.twisted(
                        "lasts", clock.key, f"its end of {words} stay still counts, and no other",
                        only, Twist(lasts=clock.key, alone=clock.key, once=once))  # fmt: skip
        for row in region.rows:
            if (row.after_ns and region.group in ("behaviour", *COUNTING)
                    and may_be_cut(region, row)):
                for words, once in (("an earlier", False), ("the first", True)):
                    yield self.twisted("lasts", row.key, f"the end of {words} stay still counts",
                                       only, Twist(lasts=row.key, once=once))  # fmt: skip
            if own and len(region.resume_points) > 1 and any(
                    one.to == "resume" for one in region.rows):
                if row.to not in ("same", "resume", *region.resume_points):
                    yield self.twisted("memory", row.key, "empties the memory", only,
                                       Twist(forgets=row.key))  # fmt: skip
                elif row.to in region.resume_points:
                    yield self.twisted("memory", row.key, f"{row.to} is not remembered after it",
                                       only, Twist(unnoted=row.key))  # fmt: skip
            if own:
                yield self.twisted("third", row.key, "fires twice and never again", only,
                                   Twist(third=row.key))  # fmt: skip
        if own:
            yield from self.of_followers(region)

    def hearing(self, region: Region, event: str) -> Iterator[tuple[str, Expression | None]]:
        """What others do at an event: in words, and where they stand as a region hears of it."""
        regions = self.system.regions
        rows = [(other, row) for other in regions[regions.index(region) + 1:]
                if other.group == "behaviour" for row in other.rows if row.on == event]
        for other, row in rows:
            yield f"{row.key} at {event}", Inside(other.name, frozenset(row.sources))
        if not rows:
            yield event, None

    def of_followers(self, region: Region) -> Iterator[Fault]:
        """A row that is lost behind another one of its region."""
        only = frozenset([region.name])
        pairs = list(islice(((first, then) for first in region.rows for then in region.rows
                             if set(region.entered_by(first) if first.to != "same"
                                    else first.sources) & set(then.sources)), MOST_FOLLOWING + 1))
        for first, then in pairs if len(pairs) <= MOST_FOLLOWING else ():
            yield self.twisted("follow", then.key, f"is lost behind {first.key}", only,
                               Twist(behind=first.key, lost=then.key))  # fmt: skip
        for first in region.rows:
            if first.after_ns and first.when is not None and not isinstance(first.when, Constant):
                for then in region.rows:
                    if then is not first and set(then.sources) & set(first.sources):
                        yield self.twisted("follow", then.key,
                                           f"is lost where the guard of {first.key} has failed",
                                           only, Twist(behind=first.key, lost=then.key,
                                                       failed=True))  # fmt: skip

    def of_echoes(self) -> Iterator[Fault]:
        for region in self.system.regions:
            sensor, _, tail = region.name.rpartition(".")
            if tail == "look" and region.group == "proximity":
                only = frozenset([region.name])
                yield self.twisted("echo", sensor, "an echo between two looks is kept", only,
                                   Twist(latched=sensor))  # fmt: skip
                yield self.twisted("echo", sensor, "is read when the burst begins", only,
                                   Twist(early=sensor))  # fmt: skip

    def of_edges(self) -> Iterator[Fault]:
        """An edge of one contact that is lost as another one moves."""
        edges = [event for event in self.system.raw_events
                 if event.removesuffix(".edge") in self.system.contacts]
        for event in edges if len(edges) > 1 else ():
            hearing = frozenset(region.name for region in self.system.regions
                                if any(row.on == event for row in region.rows))
            name = event.removesuffix(".edge")
            if hearing:
                yield self.twisted(
                    "met", name, "its edge is lost where another contact moves in the same instant",
                    hearing, Twist(met=name))  # fmt: skip

    # -- what lies between regions -----------------------------------------------------------------

    def of_regions(self) -> Iterator[Fault]:
        regions = self.system.regions
        users: dict[str, set[str]] = {}
        for region in regions:
            for state in region.states:
                for name in state.outputs:
                    users.setdefault(name, set()).add(region.name)
        shared = frozenset().union(*(mine for mine in users.values() if len(mine) > 1))
        if shared:
            yield self.twisted("larger", "outputs", "the last of two regions wins", shared,
                               Twist(last=True))  # fmt: skip
        everything = frozenset(region.name for region in regions)
        for number, (first, second) in enumerate(pairwise(regions)):
            both = {row.on for row in first.rows} & {row.on for row in second.rows} - {None}
            if both and (self.reads(first, second) or self.reads(second, first)):
                order = (*regions[:number], second, first, *regions[number + 2 :])
                yield Fault("regions", first.name, f"takes its turn after {second.name}",
                            replace(self.system, regions=order), everything)  # fmt: skip

    def reads(self, region: Region, other: Region) -> bool:
        """Whether a region depends on where another is, on what that drives, or makes."""
        emitted = {event for row in other.rows for event in row.emit}
        return any(row.on in emitted for row in region.rows) or any(
            row.when is not None and other.name in read_in(self.system, row.when)
            for row in region.rows)

    def of_conditions(self) -> Iterator[Fault]:
        for number, condition in enumerate(self.system.conditions):
            hearing = frozenset(
                region.name for region in self.system.regions for row in region.rows
                if row.on in (condition.rises, condition.falls))  # fmt: skip
            slips: list[tuple[str, Expression]] = [
                ("turned round", Not(condition.when)), ("never seen", Constant(False)),
                *self.parts(condition)]
            for words, when in slips:
                changed = replace(condition, when=when)
                conditions = (*self.system.conditions[:number], changed,
                              *self.system.conditions[number + 1 :])  # fmt: skip
                yield Fault("condition", condition.key, words,
                            replace(self.system, conditions=conditions), hearing)  # fmt: skip

    def parts(self, condition: Condition) -> Iterator[tuple[str, Expression]]:
        if isinstance(condition.when, All | Any):
            parts = condition.when.parts
            for number, part in enumerate(parts):
                left = (*parts[:number], *parts[number + 1 :])
                yield (f"`{to_text(part)}` is dropped",
                       left[0] if len(left) == 1 else type(condition.when)(left))  # fmt: skip

def _following(system: System, region: Region) -> frozenset[str]:
    """The events that may follow, in the same instant, from what a region does."""
    moved, found = {region.name}, {event for row in region.rows for event in row.emit}
    while True:
        told = {event for one in system.conditions if not moved.isdisjoint(read_in(
            system, one.when)) for event in (one.rises, one.falls)}
        hear = [one for one in system.regions for row in one.rows if row.on in found | told]
        told |= {event for one in hear for row in one.rows for event in row.emit}
        names = {one.name for one in hear}
        if told <= found and names <= moved:
            return frozenset(found)
        found, moved = found | told, moved | names


def _entering(row: Row) -> tuple[Row, ...]:
    """A row that keeps the state, as rows that enter it anew."""
    return tuple(replace(row, sources=(source,), to=source,
                         key=row.key if k == 0 else f"{row.key}+{k}")
                 for k, source in enumerate(row.sources))  # fmt: skip


def _next(region: Region, name: str) -> State:
    """The state that a passing state leads to."""
    row = next(row for row in region.rows
               if row.after_ns == 0 and row.when is None and name in row.sources)  # fmt: skip
    return region.state(row.to if row.to not in ("same", "resume") else name)


def _compete(first: Row, second: Row) -> bool:
    return (first.on == second.on and first.after_ns == second.after_ns
            and bool(set(first.sources) & set(second.sources)))  # fmt: skip


def _both(one: Expression | None, other: Expression | None) -> Expression | None:
    """The guard that holds where both do."""
    parts = tuple(part for part in (one, other) if part is not None)
    return All(parts) if len(parts) > 1 else parts[0] if parts else None


def _clocks(region: Region) -> Iterator[Row]:
    """The rows whose times a firmware may count by clocks of their own: there are others in the
    same state. Of those that end together the first.
    """
    timed = [row for row in region.rows if row.after_ns]
    for number, row in enumerate(timed):
        mine = set(row.sources)
        beside = [other for other in timed if not mine.isdisjoint(other.sources)]
        if any(other.after_ns != row.after_ns for other in beside) and not any(
                other.after_ns == row.after_ns and not mine.isdisjoint(other.sources)
                for other in timed[:number]):
            yield row


def _from(names: list[str], name: str) -> list[str]:
    """Names after `name`, round to it; those before a source as the last resort."""
    at = names.index(name)
    return [*names[at + 1 :], *names[:at], name]


def _timed(region: Region, state: str) -> bool:
    return any(row.after_ns and state in row.sources for row in region.rows)


