"""Whether a fault can be seen at all: model and fault searched side by side for a difference.

Around what the fault changes a few regions are taken, twice. Everything else is left free: events
from other regions may come at any time, readings may change at any time. If nothing that leaves
these regions (an event that others hear, a state that others read, an output, a waking of the
controller) ever differs, the fault does what the model does. Where it may differ, more regions are
taken in: those that notice it, and those that make the events that the difference hangs on. What is
left then, an output that differs with nothing free in it but inputs, is a way to tell the fault
(`Lead`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from itertools import product

from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Inside,
    Not,
    Quantity,
    names_in,
)
from simfw.behaviour.region import Region, System
from simfw.engine.supply import found_at_pins
from simfw.vectors.abreast import PARTED, WOKEN, Leaving
from simfw.vectors.ages import never_together
from simfw.vectors.around import (
    Readings,
    alike,
    asked_by,
    free_in,
    hearing,
    inputs_of,
    made_odd,
    parts_within,
    read_in,
    source_of,
    toggle_of,
)
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import NONE, Fault
from simfw.vectors.first import leading_on, may_not_end, moved_at_first
from simfw.vectors.handled import Handled
from simfw.vectors.in_step import goes_in_step
from simfw.vectors.often import Often
from simfw.vectors.orders import Ways, changes_nothing
from simfw.vectors.pair import MARK, Borne, Paired, borne_at_first, borne_next, joined, reach
from simfw.vectors.played_out import over_in_time
from simfw.vectors.playing import Playing, still
from simfw.vectors.said import says_the_same
from simfw.vectors.slipped import MEMORY, Slip, Twisted, slip_of
from simfw.vectors.unlooked import not_looked_at
from simfw.verify.abstraction import SUPPLY_ACTS
from simfw.verify.budget import Budget
from simfw.verify.explore import Way, explore
from simfw.verify.machine import Endless, Machine, Monitor, Outcome, Span
from simfw.verify.terms import SUPPLY

__all__ = ["HANDS", "NEAR", "PROOF", "Lead", "Prover"]

# What the search does not follow.
UNPROVED = ("power-up", "echo", "unkept", "played", "met")
WORK = 60_000  # units of the search side by side (see `verify/budget.py`), for one fault
EXACT = 0.2  # of that, for a search with all times, where one without finds a difference
LEAST = 5_000  # units for such a search, at least
DIFFER = 0  # the monitor of a difference that is looked for; that of a waking comes behind it
MOST_STATES = 6_000
MOST_GROWN = 8  # how often more regions are taken in
MOST_INPUTS = 6  # of which every combination is tried at power-up


@dataclass(frozen=True, slots=True, eq=False)
class Lead:
    """A way on which model and fault come to differ. `free` are the events on it that come from
    regions which are not in the machine. It is `sure` where an output differs, and not only what
    one region gives to an output that others drive, too, or when the controller wakes; `wakes`
    tells that it is that alone: no output ever differs.
    """

    machine: Machine
    way: Way
    readings: Readings
    free: frozenset[str]
    sure: bool = True
    wakes: bool = False


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of some regions: whether what is `leaving` them may differ, the events `seen`,
    or the `outputs`, or what of the regions others drive, too (`parts`), or whether others are
    `shown`; of a slip that is not followed, whether it ever could come up. It is `sure` where no
    others have a say on what of them is asked for.

    `system` holds them, those of `both` twice; `watched` are the conditions that they hear.
    """

    both: Paired | None
    system: System
    watched: set[str]
    slip: Slip | None
    leaving: Leaving | None = None
    seen: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    parts: tuple[Expression, ...] = ()
    shown: tuple[Expression, ...] = ()
    sure: bool = True

    @property
    def nothing(self) -> bool:
        """Whether nothing can differ."""
        leaving = self.leaving
        return leaving is not None and not (
            leaving.compares or self.seen or self.outputs or self.parts or self.shown)

    def differ(self, read: Sequence[tuple[Expression, Expression]], leaves: bool, fails: bool
               ) -> Expression:
        """Whether anything differs after an instant, where `read` is what others read of both;
        what `leaves` them is compared meanwhile. If the supply `fails` nothing does.
        """
        if self.both is None:
            lasts = self.slip is not None and self.slip.lasts_ns
            return Inside(MEMORY, frozenset({"2" if lasts else "1"}))
        found: list[Expression] = [PARTED] if leaves else []
        found += [Not(alike(made_odd(event), made_odd(event + MARK))) for event in self.seen]
        found += [Not(alike(one, other)) for one, other in read]
        found += [Compare(Quantity(name), "!=", Quantity(name + MARK)) for name in self.outputs]
        found += (*self.parts, *self.shown)
        return All((Flag(SUPPLY), Any(tuple(found)))) if fails else Any(tuple(found))


PROOF, NEAR, HANDS = "proof", "near", "hands"  # how a fault is searched for
UNREAD = "unread"  # what others read cannot be followed
_Found = Lead | frozenset[str] | bool | str | None  # False: nothing differs; None: not finished
_Known = frozenset[str] | bool | str | None  # the same; of what differs what is free in it

_Search = tuple[_Known, float, str]  # with how much work, and how it was searched


class Prover:
    """Searches for one fault after another; `effort` times the usual work for each, and no more
    than `whole` in all. `handled` are events that hands can bring about, and how. When the
    controller wakes is compared, too, unless `wakes` is False. What was found of a fault is kept:
    it lives as long as the prover.
    """

    def __init__(self, system: System, segments: Mapping[str, int], effort: float = 1,
                 whole: Budget | None = None,
                 handled: Mapping[str, Handled] | None = None, *, wakes: bool = True) -> None:
        self.playing = Playing(system)
        self.written = system
        self._gone = Ways(system)
        self.system = self.playing.of(system)
        self.wakes = wakes
        self.whole = whole
        self.effort = effort
        self.segments = segments
        self.handled = handled or {}
        self.observed = drives_nothing(system)
        self.read = frozenset(name for one in asked_by(system.regions, system.conditions)
                              for name in names_in(one).quantities)
        self._often = Often(system)
        self._drivers: dict[str, frozenset[str]] = {}
        self._rows: dict[int, tuple[Fault, bool]] = {}  # by fault, whether its rows tell that
        # By fault: the regions searched, and what was found.
        self._known: dict[int, tuple[Fault, dict[frozenset[str], _Search]]] = {}
        self._wholes: dict[str, Fault] = {}  # by region: all its states are kept
        self.waking: set[int] = set()  # those of which no output differs, but it may wake
        # By region, states and length of a time, and whether it ends first: of slips in when.
        self._shared: dict[tuple[object, ...], dict[frozenset[str], _Search]] = {}

    def drivers(self, output: str) -> frozenset[str]:
        """The regions with a say on an output."""
        found = self._drivers.get(output)
        if found is None:
            found = self._drivers[output] = frozenset(
                region.name for region in self.system.regions if output in region.touches)
        return found

    def same(self, fault: Fault) -> bool:
        """Whether it is proved that the fault does what the model does."""
        return any(found is None for found in self.settle(fault))

    def settle(self, fault: Fault, how: str = PROOF) -> Iterator[Lead | None]:
        """What is found of a fault within the work for one: ways on which it may show, and as the
        last one None where it is proved to do what the model does.

        `how` is PROOF: regions are taken in until nothing is free but inputs; NEAR: only the
        nearest are; HANDS: what hands can bring about may stay free.
        """
        twist = fault.twist
        if twist.only:
            if how == PROOF and twist.kept and (
                    not_looked_at(self.written, fault) or self._all_alike(fault)):
                yield None
            return
        if id(fault) not in self._rows:
            self._rows[id(fault)] = fault, (
                changes_nothing(self.written, fault, self._gone)
                or says_the_same(self.written, fault)
                or not_looked_at(self.written, fault) or goes_in_step(self.written, fault)
                or over_in_time(self.written, fault) or never_together(self.written, fault))
        if self._rows[id(fault)][1]:
            yield None
            return
        if fault.kind in UNPROVED or twist.last or twist.counts:
            return
        # The fault is kept with it: its id is no other's meanwhile.
        _, known = self._known.setdefault(id(fault), (fault, self._searches(fault)))
        # What was not finished with less work is searched again, so is how a difference is made.
        for core in [core for core, (found, effort, by) in known.items()
                     if (found is None and effort < self.effort)
                     or (isinstance(found, frozenset) and how == HANDS != by)]:
            del known[core]
        if not known and self.whole is not None and self.whole.over():
            return  # no more can be found of it: to say around which regions takes long, too
        mine, fault = id(fault), _in_tables(fault)
        fault = replace(fault, system=self.playing.of(fault.system))
        budget = Budget(int(WORK * self.effort), whole=self.whole)
        by_hand = frozenset(self.handled if how == HANDS else ())
        outwards = (True,) if how == HANDS else (False, True)
        grown = 1 if how == NEAR else MOST_GROWN
        for core in _in_turn(*(self._cores(fault, by_hand, one, known, grown)
                               for one in outwards)):
            if core in known:
                if known[core][0] is False:
                    yield None
                    return
                continue
            found = None if budget.over() else self._differs(
                set(core), fault, budget, at_any_time=how != HANDS, whole=how != HANDS)
            known[core] = (found.free if isinstance(found, Lead) else found), self.effort, how
            if found is False:
                yield None
                return
            if isinstance(found, Lead) and found.wakes:
                self.waking.add(mine)
            if isinstance(found, Lead) and found.sure and found.free <= by_hand:
                yield found

    def _all_alike(self, fault: Fault) -> bool:
        """Whether it changes nothing if every state of a region is kept over a loss of the supply:
        then it does not where one alone is. Where the others are not kept, all begins as at the
        first power-up, as long as nothing else is kept.
        """
        if any(region.kept is not None for region in self.written.regions):
            return False
        name = fault.twist.kept
        if name not in self._wholes:
            self._wholes[name] = replace(fault, twist=replace(fault.twist, only=""))
        return self.same(self._wholes[name])

    def _searches(self, fault: Fault) -> dict[frozenset[str], _Search]:
        """What was found of a slip: rows that wait for one time in the same states share it."""
        twist = fault.twist
        key = twist.first or twist.after
        if not key:
            return {}
        (name,) = fault.touched
        row = next(one for one in self.system.region(name).rows if one.key == key)
        return self._shared.setdefault(
            (name, frozenset(row.sources), row.after_ns, bool(twist.first)), {})

    def _cores(self, fault: Fault, by_hand: frozenset[str], outwards: bool,
               known: Mapping[frozenset[str], _Search], grown: int
               ) -> Iterator[frozenset[str]]:  # fmt: skip
        """The regions to take, more and more of them: first those that the difference hangs on, or
        with `outwards` those that notice it. Events in `by_hand` may stay free.
        """
        core = {*fault.touched, *self._beside(fault)}
        borne = borne_at_first(self.system, fault)
        slip = slip_of(fault)
        notices = slip is None or slip.follows
        if outwards and not by_hand and (fault.twist.first or fault.twist.after):
            yield from self._near(fault, known)
            if any(found is False for found, *_ in known.values()):
                return
        for _ in range(grown):
            bare = self._closed(core, fault)
            core = self._closed(core, fault, shown=True)
            if bare != core:
                yield frozenset(bare)
                if known[frozenset(bare)][0] is False:
                    return
            yield frozenset(core)
            found = known[frozenset(core)][0]
            if found is None or found is False:
                return
            if notices:
                borne = self._noticed(borne, core, fault, further=not outwards)
            noticing = (not outwards and borne.course - core) or borne.regions - core
            free = found if isinstance(found, frozenset) else frozenset[str]()
            making = self._making(free - by_hand, fault) - core
            more = (noticing or making) if outwards else (making or noticing)
            if not more and found is not UNREAD and (fault.twist.first or fault.twist.after):
                # What they tell in that instant counts as a difference if others hear it.
                more = hearing(self.system, (
                    row for name in core & borne.regions
                    for row in self.system.region(name).rows)) - core
            if not more and not by_hand:  # what is not done on that way may come all the same
                more = self._making({row.on for name in core for row in self.system.region(
                    name).rows if row.on is not None}, fault) - core
            if not more:
                return
            if not outwards and more is making:  # what makes one of the events may be enough
                for event in sorted(free - by_hand):
                    one = frozenset(self._closed(core | self._making({event}, fault), fault,
                                                 shown=True))
                    if one != core and not making <= one:
                        yield one
                        if known[one][0] is False:
                            return
            core = core | more

    def _near(self, fault: Fault, known: Mapping[frozenset[str], _Search]
              ) -> Iterator[frozenset[str]]:  # fmt: skip
        """Of a time that ends first, or last, in its instant: who hears its end, and then who makes
        what the difference hangs on.
        """
        ends = {fault.twist.first, fault.twist.after}
        near = fault.touched | hearing(self.system, (
            row for name in fault.touched for row in self.system.region(name).rows
            if row.key in ends))
        for _ in range(2):
            core = frozenset(self._closed(set(near), fault, shown=True))
            yield core
            found = known[core][0]
            if not isinstance(found, frozenset) or not found:
                return
            near = core | self._making(found, fault)

    def _beside(self, fault: Fault) -> set[str]:
        """The region whose time eclipses another, if that is what the fault is about."""
        twist = fault.twist
        return {region.name for region in self.system.regions
                if fault.kind == "eclipsed" and any(row.key == twist.behind
                                                    for row in region.rows)}

    def _noticed(self, borne: Borne, core: Set[str], fault: Fault, *, further: bool) -> Borne:
        """With those that notice it; with `further`, what is in the core already notices first."""
        while True:
            more = borne_next(self.system, fault, replace(
                borne, regions=borne.regions & core, course=borne.course & core))
            if not further or more == borne or not more.regions <= core:
                return more
            borne = more

    def _making(self, events: Set[str], fault: Fault) -> set[str]:
        """The regions that make some events, those too that make conditions come true."""
        found = {region.name for system in (self.system, fault.system) for region in system.regions
                 if any(not events.isdisjoint(row.emit) for row in region.rows)}
        return found.union(*(read_in(self.system, one.when) for one in self.system.conditions
                             if one.rises in events or one.falls in events))

    def _read_with(self, fault: Fault) -> frozenset[str]:
        """The quantities that are read anywhere, by the model or by what the fault makes of it."""
        changed = [*map(fault.system.region, sorted(fault.touched))]
        return self.read.union(*(names_in(one).quantities
                                 for one in asked_by(changed, fault.system.conditions)))

    def _closed(self, core: set[str], fault: Fault, *, shown: bool = False) -> set[str]:
        """With all regions that guards in it read, and those that decide what is `shown`."""
        asked_for = self._read_with(fault)
        while True:
            rows = [row for name in core for system in (self.system, fault.system)
                    for row in system.region(name).rows]
            read = {name for row in rows if row.when is not None
                    for name in read_in(self.system, row.when)}
            read |= {name for region in core if (show := self.system.region(region).show)
                     for name in read_in(self.system, show)
                     if shown or not asked_for.isdisjoint(self.system.region(region).touches)}
            if read <= core:
                return core
            core = core | read

    def _bare(self, core: Set[str]) -> frozenset[str]:
        """The regions of the core of which it is not known when they are shown."""
        return frozenset(name for name in core if (show := self.system.region(name).show)
                         and not read_in(self.system, show) <= core)

    def _differs(self, core: set[str], fault: Fault, budget: Budget, *, at_any_time: bool = False,
                 whole: bool = True) -> _Found:  # fmt: skip
        """Whether anything that leaves the regions may differ; None where that is not finished.

        `whole` is with all that others may do in the middle of an instant, and with all contacts
        that move in that of power-up: a proof needs that.

        With `at_any_time` it is first tried whether nothing does even if the times of what stands
        there once end at any time, and readings change from one moment to the next: far fewer
        moments are then to be told apart.
        """
        asked = self._asked(core, fault)
        if asked is None:
            return UNREAD
        regions = [system.region(name) for name in core for system in (self.system, fault.system)]
        if asked.nothing and not may_not_end(regions):
            return False
        # USB and the status pin give one edge each in the instant of power-up: as they are found.
        contacts = [f"{name}.edge" for name in self.system.contacts]
        edges = leading_on(regions, contacts)
        heard = {row.on for region in regions for row in region.rows}
        moves = list(moved_at_first([*edges, *(
            event for event in contacts if event in heard and event not in edges)], edges))

        def once(within: Budget, *, loose: bool) -> _Found:
            found: _Found = None
            free = False
            # A way that differs mostly does so whatever others do in the middle of an instant.
            # A `loose` search is there for proofs, and gives none.
            for amid in ((True,) if loose else (False, True)) if whole else (False,):
                made = self._machine(core, fault, asked, loose=loose, amid=amid,
                                     moves=moves if whole or not edges else [[]])
                free = made is not None and bool(made[0].outside)
                found = None if made is None else self._searched(
                    *made, within, (False,) if loose else (True, False), freely=whole,
                    sure=(asked.sure or not asked.parts) and not loose)
                if found is not False or not free:
                    break
            if found is False and not whole and (free or edges):
                return None
            return found

        if at_any_time:
            found = once(budget, loose=True)
            if not isinstance(found, Lead) or found.free:
                return found
            budget = Budget(max(LEAST, int(EXACT * WORK * self.effort)), whole=budget)
        return once(budget, loose=False)

    def _searched(self, machine: Twisted, starts: list[Outcome], readings: Readings,
                  budget: Budget, turns: Sequence[bool], *, sure: bool, freely: bool) -> _Found:
        woken: Lead | None = None
        for apart in turns:
            search = explore(machine, starts, budget=budget, apart=apart,
                             freely=freely, beside=machine.apart,
                             limit=int(MOST_STATES * self.effort), until=DIFFER)
            for number, way in sorted(search.broken.items()):
                used = frozenset(event for step in way.steps for event in free_in(machine, step))
                lead = Lead(machine, way, readings, used, sure=sure and number == DIFFER,
                            wakes=number != DIFFER)
                if number == DIFFER:
                    return lead
                woken = woken or lead
            if not search.finished or search.endless:
                return None
        return woken or False

    def _asked(self, core: set[str], fault: Fault) -> _Asked | None:
        """What is asked of the regions; None where something is read together with regions that
        are not in yet, or cannot be followed.
        """
        system = self.system
        watched = {one.key for one in system.conditions
                   if read_in(system, one.when) <= core
                   and any(row.on in (one.rises, one.falls) for name in core
                           for row in system.region(name).rows)}
        slip = slip_of(fault)
        if slip is not None and not slip.follows:
            return _Asked(None, fault.system, watched, slip)  # with the row of the slip, if any
        plays = any(state.sequences for name in core for state in system.region(name).states)
        if plays and not self.playing.outputs.isdisjoint(self._read_with(fault)):
            return None  # the steps of sequences are not followed here
        # What the fault cannot bear on stands there once.
        borne = reach(system, fault)
        doubled, conditions = core & borne.regions, watched & borne.conditions
        both = joined(system, fault, doubled, conditions)
        made = {event for name in doubled for one in (system, fault.system)
                for row in one.region(name).rows for event in row.emit}
        made |= {event for one in system.conditions if one.key in conditions
                 for event in (one.rises, one.falls)}
        outside = [region for region in system.regions if region.name not in core]
        bare = self._bare(core)
        if any(system.region(name).show != fault.system.region(name).show for name in bare):
            return None
        heard = {row.on for region in outside for row in region.rows}
        if self.observed:  # events are told in their order: in one instant, too
            heard |= set(system.events)
        read = [row.when for region in outside for row in region.rows if row.when is not None]
        read += [one.when for one in system.conditions if one.key not in watched]
        showing: list[Expression] = []  # what decides that others are shown, at rest
        asked_for = self._read_with(fault)
        for region in [*outside, *map(system.region, sorted(bare))]:
            if region.show is not None:
                (showing if asked_for.isdisjoint(region.touches) else read).append(region.show)

        def within(leaf: Expression) -> bool:
            return set() < read_in(system, leaf) <= core

        def follow(expressions: Iterable[Expression]) -> list[Expression] | None:
            found = [part for part in dict.fromkeys(
                part for one in expressions for part in parts_within(one, within))
                if read_in(system, part) & doubled]
            return found if all(read_in(system, part) <= core for part in found) else None

        followed, shown = follow(read), follow(showing)
        if followed is None or shown is None:
            return None
        pairs = [(part, both.copied(part)) for part in followed]
        asks = {name for part in followed for name in read_in(system, part) & doubled}
        outputs = () if self.observed else both.outputs
        beyond = [name for name in outputs if not self.drivers(name) <= core - bare]
        sure = not beyond  # what is played stands at no level: what each region gives is compared
        beyond += [name for name in outputs if name in self.playing.outputs]
        if beyond and fault.kind == "regions":
            return None
        parts = [self._used(name, one, core, doubled, fault)
                 for name in sorted(doubled) if any(name in self.drivers(one) for one in beyond)
                 if (one := _gives_other(system.region(name), fault.system.region(name), both,
                                         shown=name not in bare)) is not None]
        outputs = tuple(name for name in outputs if name not in beyond)
        return _Asked(both, both.system, watched, slip,
                      Leaving(frozenset(made), frozenset(made & heard), tuple(pairs),
                              frozenset(asks), wakes=self.wakes and any(
                                  state.awake for name in doubled for one in (system, fault.system)
                                  for state in one.region(name).states),
                              swapped=frozenset(
                                  one.name for one, other in zip(
                                      system.regions, fault.system.regions, strict=True)
                                  if one.name != other.name),
                              plays=self.playing.told(made)),
                      tuple(sorted(made & set(system.events))) if self.observed else (), outputs,
                      tuple(parts), () if self.observed else tuple(
                          Not(alike(part, both.copied(part))) for part in shown), sure=sure)

    def _used(self, name: str, differs: Expression, core: Set[str], doubled: Set[str], fault: Fault
              ) -> Expression:  # fmt: skip
        """Whether what a region gives `differs`; for a dial only where a state goes by it, as far
        as that can be seen.
        """
        users: dict[str, set[str]] = {}
        for system in (self.system, fault.system):
            for region in system.regions:
                states = {state.name for state in region.states if name in state.dials}
                if states:
                    users.setdefault(region.name, set()).update(states)
        if not users or not users.keys() <= core:
            return differs
        return All((differs, Any(tuple(
            Inside(user + mark, frozenset(states)) for user, states in users.items()
            for mark in (("", MARK) if user in doubled else ("",))))))

    def _machine(self, core: set[str], fault: Fault, asked: _Asked, *, loose: bool, amid: bool,
                 moves: Sequence[Sequence[str]]) -> tuple[Twisted, list[Outcome], Readings] | None:
        """The regions, twice where the fault bears on them, all else free, and every power-up;
        None where that is too much. A `loose` one keeps no times of what stands there once, and
        readings are free in it, too. At power-up contacts make any of the `moves`. With `amid` what
        is free may come in the middle of any instant, too. An input moves once in an instant at
        most, as the line protocol promises.
        """
        system = asked.system
        bare = self._bare(core)
        regions = [replace(region, show=None) if region.name.removesuffix(MARK) in bare else region
                   for region in system.regions if region.name.removesuffix(MARK) in core]
        conditions = [one for one in system.conditions
                      if one.key.removesuffix(MARK) in asked.watched]
        counters = [toggle_of(event) for name in asked.seen for event in (name, name + MARK)]
        heard = {row.on for region in regions for row in region.rows if row.on is not None}
        raw = sorted(heard & set(self.system.raw_events))
        # Others may make them, whoever in here does, too; model and copy hear those alike.
        outside = {event for region in self.system.every if region.name not in core
                   for row in region.rows for event in row.emit}
        outside |= {event for one in self.system.conditions if one.key not in asked.watched
                    for event in (one.rises, one.falls)}
        free = sorted({event.removesuffix(MARK) for event in heard} & outside)
        readings = Readings(asked_by(regions, conditions))
        free_values = readings.values() if loose else {}
        if loose:
            readings = Readings([])
        regions = [readings.region(still(region)) for region in regions]
        flags, acts = inputs_of(self.system, raw, regions, readings)
        inputs = [name for name in flags if name not in readings.flags]
        if len(inputs) > MOST_INPUTS:
            return None
        # What survives a loss of the supply shows only after one.
        fails = any(region.kept is not None for region in regions)
        if fails:
            flags, acts = [*flags, SUPPLY], [*acts, *SUPPLY_ACTS]
        marked = {*system.events, *system.internal_events}
        pairs, leaving = [], asked.leaving
        doubled = {name for name in core if any(one.name == name + MARK for one in regions)}
        if leaving is not None:
            pairs = [(readings.expression(one), readings.expression(other))
                     for one, other in leaving.read]
            leaving = replace(leaving, read=tuple(pairs))
            leaving = leaving if leaving.compares else None
        if leaving is None and amid and free:
            leaving = Leaving(frozenset(), frozenset(), (), frozenset())
        apart = fault.twist.first or fault.twist.after
        sources = [source_of(event, [event, *({event + MARK} & marked)]) for event in free]
        spans = {f"({event})": Span(0, None) for event in free}
        meets = self._beside(fault)
        if loose:
            spans |= {row.key: Span(0, None) for region in regions
                      if not region.name.endswith(MARK) and region.name not in doubled | meets
                      and (asked.slip is None or region.name != asked.slip.region)
                      for row in region.rows if row.after_ns}
        machine = Twisted(
            [*sources, *regions, *counters], slip=asked.slip, leaving=leaving,
            between=tuple(self._often.telling(free, core)) if amid else (),
            turns=self._often.turns,
            apart=apart + MARK if apart else "", first=bool(fault.twist.first),
            eclipsed=fault.twist.eclipsed and fault.twist.eclipsed + MARK,
            missed=fault.twist.missed,
            behind=fault.twist.behind + (MARK if meets <= doubled else "") if meets else "",
            conditions=[replace(one, when=readings.expression(one.when)) for one in conditions],
            acts=acts, flags=flags, spans=spans, values=free_values,
            monitors=[Monitor(name="differ", kind="never",
                              when=asked.differ(pairs, leaving is not None, fails)),
                      *([Monitor(name="wakes", kind="never",
                                 when=All((Flag(SUPPLY), WOKEN)) if fails else WOKEN)]
                        if leaving is not None and leaving.wakes else ())],
            segments={**self.segments,
                      **{name + MARK: count for name, count in self.segments.items()}},
            outside=[region.name for region in sources], measures=self.system.measures)
        pulled_up = self.system.status_levels and "released" not in self.system.status_levels
        starts: list[Outcome] = []
        try:
            for levels in product((False, True), repeat=len(inputs)):
                now = {**dict(zip(inputs, levels, strict=True)), SUPPLY: True}
                low, high = now.get("status.low"), now.get("status.high")
                if (low and high) or (pulled_up and low is False and high is False):
                    continue
                happens = found_at_pins(now.get, raw)
                for reading in reversed(readings.settings()):  # a full cell first
                    values = [{**now, **reading}[name] for name in flags]
                    for moved in moves:
                        starts += machine.starts(values, [*moved, *happens])
        except Endless:
            return None
        return machine, starts, readings


def _in_turn(*lines: Iterator[frozenset[str]]) -> Iterator[frozenset[str]]:
    """One of each by turns: what is small comes first."""
    left = list(lines)
    while left:
        for line in list(left):
            core = next(line, None)
            if core is None:
                left.remove(line)
            else:
                yield core


def _gives_other(region: Region, changed: Region, both: Paired, *, shown: bool
                 ) -> Expression | None:  # fmt: skip
    """Whether a region and its copy stand in states that give an output something else, or (with
    `shown`) only one of them is shown; None where that cannot be.
    """
    kinds: list[tuple[object, tuple[set[str], set[str]]]] = []
    for side, whose in enumerate((region, changed)):
        for state in whose.states:
            mine = next((names for kind, names in kinds if kind == state.gives), None)
            if mine is None:
                mine = set(), set()
                kinds.append((state.gives, mine))
            mine[side].add(state.name)
    found: list[Expression] = []
    if len(kinds) > 1:
        found = [Not(alike(Inside(region.name, frozenset(here)),
                           Inside(region.name + MARK, frozenset(there))))
                 for _, (here, there) in kinds]
    if shown and (region.show is not None or changed.show is not None):
        own, copied = (Constant(True) if show is None else show
                         for show in (region.show, changed.show))
        found.append(Not(alike(own, both.copied(copied))))
    return Any(tuple(found)) if found else None


def _in_tables(fault: Fault) -> Fault:
    """What is kept over a loss of the supply, as the language says it.

    A slip keeps a state that lets go of the supply, too, which the language never does.
    """
    kept, remembers = fault.twist.kept, fault.twist.remembers
    if not kept and not remembers:
        return fault

    def keeping(region: Region) -> Region:
        if not kept:
            return replace(region, kept="resume")
        return replace(region, kept="state", states=tuple(
            replace(state, unpowered=False) for state in region.states))

    regions = tuple(keeping(region) if region.name in fault.touched else region
                    for region in fault.system.regions)
    return replace(fault, system=replace(fault.system, regions=regions), twist=NONE)
