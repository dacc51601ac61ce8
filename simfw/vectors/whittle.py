"""From faults that no vector exposes to vectors that do, as far as counted work goes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.behaviour.sequences import steady
from simfw.circuit.circuit import Circuit
from simfw.vectors.acted import Acting
from simfw.vectors.amid import Amid
from simfw.vectors.asking import Asking
from simfw.vectors.contacts import Contacts
from simfw.vectors.dances import Dances
from simfw.vectors.eclipsed import Eclipses
from simfw.vectors.equal import HANDS, NEAR, PROOF, Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import KINDS, Fault
from simfw.vectors.faulty import MOST_OF_ONE
from simfw.vectors.guide import Guide, Ways
from simfw.vectors.hands import Hands
from simfw.vectors.hurried import Hurried
from simfw.vectors.losses import Losses
from simfw.vectors.meetings import Meeting, Meetings
from simfw.vectors.nodes import Found
from simfw.vectors.onward import Onward
from simfw.vectors.phases import Phases
from simfw.vectors.places import Places
from simfw.vectors.possible import all_faults
from simfw.vectors.replay import Replay
from simfw.vectors.sketch import Act, Sketch
from simfw.vectors.strolls import Strolls
from simfw.vectors.telling import Teller
from simfw.vectors.tours import Tours, wishes_of
from simfw.verify.budget import Budget

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["ONWARD", "TOLD", "TURNS", "Exposure", "Whittler"]

S = 1_000_000_000
ROOT = Found(charge=0.5, acts=(), ends_ns=S, covers=frozenset())
MOST_FAULTS = 1200  # in larger gadgets every so many-th is taken
LARGE = 1_600  # faults: with k times as many, all work below is divided by k
MOST_INSTANTS = 220_000  # for all of them
MOST_WORK = 500_000  # units of the search side by side (see `verify/budget.py`), for all of them
LAST = ("expiry", "deaf", "eclipsed", "again", "order", "regions")
COURSES = ("begun", "lasts", "third", "follow", "kept")  # that show in the course of several stays
MOST_DRIVEN = 1_500  # instants in which a fault may come up in the first vectors
MOST_STROLLS = 80
MOST_TOURS = 8  # of one region
ONWARD_EACH, COURSES_EACH = 150, 3  # instants, and courses, for each fault left
GAUGED = frozenset({"gauge", "cell"})
MOST_ASKED, ASKED_EACH = 60_000, 5_000  # instants for what asks for the gauge, in all and for one
FEW = 30  # one in so many faults: with fewer left nobody waits
MOST_ONWARD = 12  # faults for which a way on is looked for
PATIENCE = 2_000  # instants in which a fault may come up in strolls without being told
MOST_STARTS = 3  # paths that a search goes on from, beside power-up
NEAR_EACH = 200  # instants for one moment near to where a fault comes up, beside those paths
TOLD, ONWARD = "told", "onward"
LATE = 6_000  # instants for one fault in the last turn
FIRST = 0.03  # of the usual work: proofs that are cheap come before searches that are dear,
PAYS = 3_000  # as long as no more units than this go into each of them, and into three more
STRIDE = 11  # faults between one and the next in that turn
# How faults are searched for, and with what share of the usual work for one (TOLD: with so many
# instants; ONWARD: in so many for all): a little for each comes first.
TURNS = ((HANDS, 0.02), (TOLD, 1_000), (PROOF, FIRST), (NEAR, 0.17), (HANDS, 0.05),
         (ONWARD, 8_000), (PROOF, 0.1), (TOLD, 3_000), (HANDS, 0.15), (PROOF, 0.7),
         (TOLD, LATE))
# What hardly ever comes up is proved to change nothing with the nearest regions, in so much work.
RARE = ("states", "order", "guard", "source", "anew", "begun")
MOST_NEAR = 150_000  # of the units of `MOST_WORK`
KEPT = 150_000  # of the same units: what is kept for proofs while ways by hand are looked for
MOST_INSIDE = 2  # ways to a difference inside that a search goes on from


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """Which faults are exposed, and by which vector; `same` are those that are proved to do what
    the model does, `left` those that are neither. `heard` are those not exposed that a
    vector shows by an event alone, where events are told.

    `made` is how many faults there are in all: in large gadgets only some are tried, each with the
    usual work divided by `share`. For `given_up` of `left` a vector was too much work.
    """

    exposed: tuple[tuple[Fault, str], ...]
    same: tuple[Fault, ...]
    left: tuple[Fault, ...]
    made: int
    share: int = 1
    heard: tuple[Fault, ...] = ()
    given_up: int = 0

    @property
    def tried(self) -> int:
        """How many faults were tried that are not proved to be none."""
        return len(self.exposed) + len(self.left)

    def lines(self) -> tuple[str, ...]:
        """In words: all, then by kind."""
        lines = [f"faults exposed: {len(self.exposed)} of {self.tried}"
                 + (f" tried, of {self.made} that can be made" if self.made > self.tried
                    + len(self.same) else "")
                 + f"; {len(self.same)} more are proved to change nothing that shows"]
        if self.share > 1:
            lines.append("there are many faults: for those tried no more than one in "
                         f"{self.share} parts of the usual work was done")
        if self.given_up:
            lines.append(f"with {self.given_up} of those not exposed a vector was left after "
                         f"{MOST_OF_ONE:,} instants, in which nothing came round")
        open_ones = sum(any(one is fault for one in self.left) for fault in self.heard)
        if self.heard:
            lines.append(f"faults exposed where events are told: {len(self.exposed) + open_ones} "
                         f"of {self.tried}; {len(self.heard) - open_ones} of those proved show in "
                         "an event")
        for kind, words in KINDS.items():
            done = sum(fault.kind == kind for fault, _ in self.exposed)
            left = sum(fault.kind == kind for fault in self.left)
            if done + left:
                lines.append(f"exposed, {words}: {done} of {done + left}")
        return tuple(lines)


class Whittler:
    """Faults of a gadget, and what is left of them after each vector."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit, paths: Sequence[Found],
                 effort: int = 1) -> None:  # fmt: skip
        self.gadget = gadget
        self.effort = effort
        self.judging = Judge(system, gadget.segments)
        plain = steady(system)
        self.teller = Teller(gadget, plain, circuit, gadget.segments)
        self.ways = Ways(plain)
        every = all_faults(system)
        self.made = len(every)
        step = -(-len(every) // MOST_FAULTS)
        self.share = max(1, self.made // LARGE)
        self.left: list[Fault] = list(every[::step])
        self.order = {id(fault): number for number, fault in enumerate(self.left)}
        self.patience = {id(fault): PATIENCE // self.share for fault in self.left}
        self.same: list[Fault] = []
        self.inside: dict[int, list[Found]] = {}
        self.acting = Acting(gadget, system, self.teller.reading, self.teller.hands)
        self.work = Budget(MOST_WORK * effort // self.share)
        self.prover = Prover(system, gadget.segments, whole=self.work,
                             handled=self.acting.handled)
        self.exposed: list[tuple[Fault, str]] = []
        self.names: list[str] = []
        self.paths = paths
        self.places = Places(plain)
        _note(self.places, Sketch(plain, circuit, gadget.segments), paths)
        self.judged = False
        self.ends: dict[str, list[Fault]] = {}  # the slips in when the time of a row ends, by keys
        for fault in self.left:
            if fault.kind in ("expiry", "deaf"):
                self.ends.setdefault(fault.about, []).append(fault)

    def add(self, name: str, replay: Replay, sure: Sequence[Fault] = (), *, always: bool = False
            ) -> bool:  # fmt: skip
        """One more vector; whether it exposes anything new (once all before have been judged), or
        is there `always`.

        Those that it is made for are `sure` to be tried.
        """
        number = self.judging.add(replay)
        self.names.append(name)
        if not self.judged:
            return False
        found = [fault for fault, _ in self._exposed(number, sure)]
        if not found and not always:
            self.judging.courses.pop()
            self.names.pop()
        self._move([(fault, name) for fault in found])
        return bool(found) or always

    def _exposed(self, number: int, sure: Sequence[Fault] = (), *, met: bool = True
                 ) -> Iterator[tuple[Fault, int]]:  # fmt: skip
        """The faults left that a course exposes, each with when it does (ns)."""
        wanted = {id(fault) for fault in sure}
        for fault in self.left:
            if not met and fault.kind in LAST:
                continue
            if self.patience[id(fault)] > 0 or id(fault) in wanted:
                exposed = self.judging.exposed(fault, [number])
                self.patience[id(fault)] -= self.judging.spent
                if exposed is not None:
                    yield fault, exposed[1]

    def judge(self) -> None:
        """Drive every fault with the vectors so far."""
        found = []
        for fault in self.left:
            exposed = self.judging.exposed(fault, most=MOST_DRIVEN // self.share)
            if exposed is not None:
                found.append((fault, self.names[exposed[0]]))
        self._move(found)
        self.judged = True

    def settled(self, how: str, share: float) -> Iterator[tuple[Fault, Found]]:
        """Search model and fault side by side: what may tell a fault comes, until it is told; those
        that are proved to do what the model does are taken out. `share` of the usual work for one
        goes into each.
        """
        prover = self.prover
        prover.effort = share
        enough = self.work.left() - MOST_NEAR * self.effort // self.share
        kept = KEPT * self.effort // self.share
        cheap, began, proved = share == FIRST, self.work.left(), len(self.same)
        # What is dear to prove comes last.
        faults = sorted(self.left, key=lambda fault: fault.kind in LAST)
        if cheap:  # some of each region early: whether it pays is to be seen
            faults = [fault for first in range(STRIDE) for fault in faults[first::STRIDE]]
        for fault in faults:
            if how == NEAR and (fault.kind not in RARE or self.work.left() < enough):
                continue
            if how == HANDS and self.work.left() < kept:
                break
            if cheap and began - self.work.left() > PAYS * (len(self.same) - proved + 3):
                break
            for found in prover.settle(fault, how) if self._is_left(fault) else ():
                if found is None:
                    self.same.append(fault)
                    self._move([], [fault])
                    break
                paths = list(self.acting.paths(found, ROOT.charge))
                for path in paths:
                    yield fault, path
                    if not self._is_left(fault):
                        break
                if not self._is_left(fault):
                    break
                self.inside.setdefault(id(fault), []).extend(paths[:1])
            if id(fault) in prover.waking and self._is_left(fault):
                self._woken([fault])

    def _woken(self, faults: Sequence[Fault]) -> None:
        """Take out those that a vector so far shows by a wake."""
        self._move([(fault, self.names[found[0]]) for fault in faults
                    if (found := self.judging.woken(fault)) is not None])

    def _is_left(self, fault: Fault) -> bool:
        return any(one is fault for one in self.left)

    def tells(self, fault: Fault, replay: Replay) -> bool:
        """Whether a course tells a fault."""
        number = self.judging.add(replay)
        told = self.judging.exposed(fault, [number]) is not None
        self.judging.courses.pop()
        return told

    def meetings(self) -> Iterator[tuple[Meeting, Sequence[Fault]]]:
        """Times that end as something happens, with the slips in when they end. First with what
        the regions hear themselves; then, for slips that are left, with samples that tell them
        something, and with all that people do.
        """
        teller = self.teller
        made = Meetings(self.gadget, teller.system, teller.circuit, teller.handled, self.places,
                        teller.reading)
        for region, row in made.rows() if self.effort else ():
            for one in made.of(region, row, made.heard(region, row)):
                mine = self.ends.get(row.key, ())
                others = [fault for key in sorted(one.ends - {row.key})
                          for fault in self.ends.get(key, ()) if self._is_left(fault)]
                yield one, [*mine, *others]
        for region in teller.system.regions if self.effort else ():
            for row in region.rows:
                sampled = [fault for slips in self.ends.values() for fault in slips
                           if GAUGED & fault.touched and self._is_left(fault)]
                mine = [fault for fault in self.ends.get(row.key, ())
                        if fault.kind == "deaf" and self._is_left(fault)]
                for one in made.gauged(region, row) if mine or sampled else ():
                    slips = [*mine, *(fault for fault in sampled if fault.about in one.ends)]
                    if slips:
                        yield replace(one, event=""), slips
        for region in teller.system.regions if self.effort else ():
            for row in region.rows:
                mine = [fault for fault in self.ends.get(row.key, ()) if self._is_left(fault)]
                for one in made.of(region, row, made.told(), made.extras(region)) if mine else ():
                    mine = [fault for fault in mine if self._is_left(fault)]
                    if not mine:
                        break
                    yield replace(one, event=""), mine
                    mine = [fault for fault in mine if self._is_left(fault)]
                    later = made.waited(one.path) if mine else None
                    if later is not None:
                        yield replace(one, event="", path=later), mine
        for region in teller.system.regions if self.effort else ():
            for row in region.rows:
                if not row.after_ns or not any(self._is_left(fault) for slips in self.ends.values()
                                               for fault in slips):
                    continue
                for one in made.remembered(region, row, made.told(), made.extras(region)):
                    mine = [fault for key in sorted(one.ends) for fault in self.ends.get(key, ())
                            if self._is_left(fault)]
                    if mine:
                        yield replace(one, event=""), mine

    def _move(self, found: Sequence[tuple[Fault, str]], same: Sequence[Fault] = ()) -> None:
        self.exposed += found
        gone = {id(fault) for fault in (*(fault for fault, _ in found), *same)}
        self.left = [fault for fault in self.left if id(fault) not in gone]

    def news(self, replay: Replay, *, anew: bool = False, met: bool = True
             ) -> list[tuple[Fault, int]]:
        """The faults left that a course exposes, each with when it does (ns); `anew` those too that
        have come up often without being told. Without `met` not those that show where two things
        meet exactly.
        """
        found = list(self._exposed(self.judging.add(replay), self.left if anew else (), met=met))
        self.judging.courses.pop()
        return found

    def strolls(self) -> Iterator[Found]:
        """Long mixed courses (see `strolls`)."""
        every = [(self.teller.reading, value) for value in self.teller.readings(None)]
        strolls = Strolls(self.gadget, self.teller.system, self.teller.circuit,
                          self.gadget.segments, self.teller.hands, every)
        for number in range(MOST_STROLLS * self.effort // self.share):
            course = strolls.course(number, self.places)
            if course is not None and self.left:
                yield course

    def toured(self) -> Iterator[Found]:
        """Walks through the rows of written regions, as long as they tell anything."""
        made = Tours(self.gadget, self.teller.system, self.teller.circuit)
        for region in made.sketch.system.regions:
            for _ in range(MOST_TOURS):
                count = len(self.left)
                wishes = wishes_of(self.judging.system, self.left).get(region.name, [])
                path = made.course(region.name, wishes) if wishes else None
                if path is None:
                    break
                yield path
                if len(self.left) == count:
                    break

    def danced(self) -> Iterator[Found]:
        """What fingers do with the buttons of a chord of which faults are left (see `dances`)."""
        made = Dances(self.gadget, self.teller.system, self.places)
        for chord, part in self.gadget.chords.items():
            mine = {chord, *(f"{name}.gesture" for name in part.buttons)}
            for path in chain(made.held(chord), made.timed(chord), made.at_power_up(chord)):
                if not any(mine & fault.touched for fault in self.left):
                    break
                yield path

    def hurried(self) -> Iterator[Found]:
        """Strokes at an even pace, for the times of which faults are left (see `hurried`)."""
        rows = {row.key: row for region in self.judging.system.every for row in region.rows}
        times = {rows[fault.about].after_ns or 0 for fault in self.left if fault.about in rows}
        for path in Hurried(self.gadget).courses(times - {0}):
            if not self.left:
                return
            yield path

    def driven(self, contacts: Contacts) -> Iterator[Found]:
        """Courses of contacts about power-up, and of hands about looks."""
        teller = self.teller
        hands = Hands(self.gadget, teller.system, teller.circuit)
        for course in (contacts.held(), contacts.moved(), contacts.first(), hands.courses()):
            for path in course:
                if not self.left:
                    return
                yield path
        for name in [fault.twist.met for fault in self.left if fault.kind == "met"]:
            for path in contacts.together(name):
                if all(fault.twist.met != name for fault in self.left):
                    break
                yield path

    def eclipsed(self) -> Iterator[tuple[Fault, Found]]:
        """Courses on which two times end in one instant, for each end that is lost there."""
        teller = self.teller
        made = Eclipses(self.gadget, teller.system, teller.circuit, teller.handled, self.places,
                        teller.reading)
        for fault in [fault for fault in self.left if fault.kind == "eclipsed"]:
            for path in made.together(fault):
                if not self._is_left(fault):
                    break
                yield fault, path

    def gone_over(self, paths: Sequence[Found]) -> Iterator[tuple[Fault, Found]]:
        """Courses on which a row fires three times, for each that is left and does not then, and
        just behind another, for those that are lost there; on which something else is done in the
        middle of a time, or the supply is lost where a region stands that keeps what it should not;
        and on which what comes as a long time ends is heard where it is not to be.
        """
        made = Amid(self.gadget, self.teller.system, self.teller.circuit)
        losses = Losses(self.gadget, self.teller.system, self.teller.circuit, self.places)
        phases = Phases(self.gadget, self.teller.system, self.teller.circuit)
        for fault in list(self.left):
            twist = fault.twist
            courses = (made.of(twist.third, paths) if twist.third
                       else made.behind(twist.behind, twist.lost, paths)
                       if twist.lost and not twist.failed
                       else made.during(fault, paths) if fault.kind == "begun"
                       else losses.of(twist.kept or twist.loses, twist.only)
                       if (twist.kept and not twist.counts) or twist.loses else ())
            for path in chain(courses, phases.of(fault, paths)):
                if not self._is_left(fault):
                    break
                yield fault, path

    def onward(self, most: int) -> Iterator[tuple[bool, Found]]:
        """Courses on which people wait until something happens, and whether two things meet exactly
        on them: for all faults that are left, and for rows that are lost behind others, or fire
        twice only, for each of them. Where next to nothing is left they cost more than they tell.
        """
        if len(self.left) * FEW < len(self.order):
            return
        count = self.effort * sum(fault.kind not in LAST for fault in self.left)
        made = Onward(self.gadget, self.teller.system, self.teller.circuit,
                      min(most, count * ONWARD_EACH) // self.share)
        for path in islice(made.courses(), count * COURSES_EACH // self.share):
            yield False, path
        for path in made.meeting() if self.left else ():
            yield True, path
        gauged = sum(fault.kind not in LAST and not GAUGED.isdisjoint(fault.touched)
                     for fault in self.left)
        asking = Asking(self.gadget, self.teller.system, self.teller.circuit,
                        self.effort * min(MOST_ASKED, gauged * ASKED_EACH) // self.share)
        for path in asking.asked() if gauged else ():
            yield False, path
        wanted = [fault for fault in self.left if fault.twist.third
                  or (fault.twist.lost and not fault.twist.failed)]
        done = 0
        for fault in wanted:
            if self._is_left(fault) and done < MOST_ONWARD * self.effort:
                done += 1
                twist = fault.twist
                for path in (made.thrice(twist.third) if twist.third
                             else made.following(twist.behind, twist.lost)):
                    yield False, path

    def told(self, most: int) -> Iterator[tuple[Fault, Found]]:
        """Stimuli that tell a fault which is left when its turn comes: `most` instants for each."""
        # What people do first, what hardly shows last. What one state alone keeps is looked for
        # when all else has had its turns.
        ready = [fault for fault in self.left if most >= LATE or not fault.twist.only]
        turns = sorted(ready, key=lambda fault: (bool(fault.twist.only), fault.kind in COURSES,
                                                 fault.kind in LAST, self.depth(fault)))
        for fault in turns:
            # Where two times end together is made on purpose (see `eclipsed`), or hardly found.
            if not self._is_left(fault) or fault.kind == "eclipsed":
                continue
            if self.teller.instants >= MOST_INSTANTS * self.effort // self.share:
                return
            plain = replace(fault, system=steady(fault.system))
            guide = Guide(self.teller.system, plain, self.ways)
            starts = self._starts(fault, guide, most // NEAR_EACH)
            path = self.teller.tell(plain, guide, starts, most)
            if path is not None:
                yield fault, path

    def depth(self, fault: Fault) -> int:
        """0 for written regions, 1 for stock regions."""
        return int(not any(self.teller.system.region(name).group == "behaviour"
                           for name in fault.touched))

    def _starts(self, fault: Fault, guide: Guide, near: int) -> list[Found]:
        """Where a search goes on from: power-up, for the gauge at each of its levels too, the
        shortest paths on which the row of the fault fires, and where it may come up soon.
        """
        mine = [path for path in self.paths if f"row {fault.about}" in path.covers]
        mine.sort(key=lambda path: (len(path.acts), path.ends_ns))
        inside = self.inside.get(id(fault), [])
        starts = [*inside[-MOST_INSIDE:], ROOT, *mine[:MOST_STARTS],
                  *self.places.best(guide.before, fault.touched, near)]
        if {"gauge", "cell"} & fault.touched:
            reading = self.teller.reading
            for value in self.teller.readings(fault):
                first = Act(0, "measured", reading, value)
                starts.append(replace(ROOT, acts=(first,)))
        if fault.twist.edge:
            held = Act(0, "held", fault.twist.edge, 1.0)
            starts = [replace(ROOT, acts=(held,))]
        contacts = self.teller.system.contacts
        if fault.twist.unseen in contacts:
            moves = Act(0, "contact", fault.twist.unseen, float(not contacts[fault.twist.unseen]))
            starts = [replace(ROOT, acts=(moves,))]
        if self.gadget.charger is not None:
            usb = Act(0, "usb", "usb", 1.0)
            starts += [replace(start, acts=(*start.acts, usb)) for start in starts
                       if all(act.at_ns == 0 for act in start.acts)]
        return list(dict.fromkeys(starts))

    def exposure(self) -> Exposure:
        """What is exposed so far."""
        self._woken(self.left)
        heard = tuple(fault for fault in (*self.left, *self.same) if self.judging.heard(fault))
        self.exposed.sort(key=lambda one: self.order[id(one[0])])
        return Exposure(exposed=tuple(self.exposed), same=tuple(self.same),
                        left=tuple(self.left), made=self.made, share=self.share,
                        heard=heard, given_up=sum(id(fault) in self.judging.given_up
                                                  for fault in self.left))


def _note(places: Places, sketch: Sketch, paths: Sequence[Found]) -> None:
    """Note where paths come by."""
    for path in paths:
        first = tuple(act for act in path.acts if act.at_ns == 0)
        sketch.start(path.charge, first)
        rest = path.acts[len(first):]
        done = first
        for at in sorted({act.at_ns for act in rest}):
            sketch.go_to(at)
            places.note(sketch, done)
            now = tuple(act for act in rest if act.at_ns == at)
            sketch.act(now)
            done += now
        sketch.go_to(path.ends_ns)
        places.note(sketch, path.acts)
