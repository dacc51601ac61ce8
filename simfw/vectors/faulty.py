"""A firmware that holds a fault, in Python: driven with the lines of a vector like any other.

`Driven` puts a stepper with a slip behind the messages that a firmware gets, and tells when its
reports part from those of the model.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from simfw.behaviour.expression import reads_world
from simfw.behaviour.outputs import merged
from simfw.behaviour.region import STATUS_LEVELS, Drive, System
from simfw.behaviour.stock import BURST
from simfw.behaviour.table import IDLE
from simfw.errors import EndlessInstant
from simfw.vectors.faults import NONE, Fault, Twist
from simfw.vectors.items import first_at
from simfw.vectors.pace import NEVER, Pace, periods_of
from simfw.vectors.script import (
    LOST,
    POWER,
    Course,
    Mark,
    Message,
    Script,
    Stretch,
    cut,
    ending,
    happening,
    standing,
)
from simfw.vectors.twisted import Faulty

__all__ = ["MOST_OF_ONE", "Bench", "Driven", "Sound"]

PPM = 1_000_000
MOST_OF_ONE = 100_000  # instants of one vector that are gone through with one fault
MOST_KEPT = 64  # other systems that are kept, with firmwares or what they drive
MOST_PERIODS = 4  # after which whoever goes through a stretch is to repeat itself


def _later(due: int, by_ns: int) -> int:
    return due if due == IDLE else due + by_ns


_Key = TypeVar("_Key")
_What = TypeVar("_What")


def _kept(kept: dict[_Key, _What], key: _Key, make: Callable[[], _What]) -> _What:
    """What is kept under a key, made where it is not: of what is made the last ones are kept."""
    if key not in kept:
        if len(kept) >= MOST_KEPT:
            del kept[next(iter(kept))]
        kept[key] = make()
    return kept[key]


class _PartedError(Exception):
    """The firmware has reported something else than the model."""


class _GivenUpError(Exception):
    """The firmware has gone through as many instants of a vector as it is given."""


class Driven(Pace):
    """A firmware with a fault behind the messages of a vector. It is its own `World`.

    `asks` are the kinds of report that are compared: "out", "wake", "event".
    """

    # What ticks otherwise than the model seldom comes round with the periods of the model.
    most_vain, most_plain = 50, 500

    def __init__(self, system: System, segments: Mapping[str, int], twist: Twist = NONE,
                 asks: Sequence[str] = ("out",), outputs: Sequence[str] = ()) -> None:
        self.twist = twist
        self.system = system
        self.segments = segments
        self.asks = frozenset(asks)
        self.levels: dict[str, int] = {}
        self.before: dict[str, int] = {}
        self.closed: set[str] = set()  # contacts that are taken for open until they move
        self.values: dict[str, int] = {}
        self.stepper: Faulty = Faulty(system, self, twist)
        super().__init__(self.stepper, periods_of(system))
        self.regions = system.every
        self._first = tuple(outputs)
        self.outputs = self._driven()
        self._shows = [None if region.show is None else self.stepper.bind(region.show)
                       for region in self.regions]
        self._plain = [region.show is None for region in self.regions]
        self._gated = not all(self._plain)
        # Where states alone decide what shows, it is the same until one of them changes.
        self._steady = not any(reads_world(region.show) for region in self.regions
                               if region.show is not None)
        self._anew = True  # what it drives may be another since it was last looked at
        self._lets_go = self.stepper.may_let_go
        self._own: dict[tuple[object, ...], dict[str, int]] = {}
        # What other systems drive, by their ids: each is kept with its own.
        self._others: dict[int, tuple[System, dict[tuple[object, ...], dict[str, int]]]] = {}
        self._known = self._own
        self._gating = False
        self.awake = self.latched = self.before_burst = self.asked = False
        self.instants = 0
        self.most = NEVER  # the instant after which a vector is given up
        self.gave_up = False

    # -- the world ---------------------------------------------------------------------------------

    def flag(self, name: str) -> bool:
        """An input as it was set last."""
        levels = self.before if self.stepper.looking_back else self.levels
        stem, _, tail = name.rpartition(".")
        if tail == "closed":
            return bool(levels.get(stem, 0)) and stem not in self.closed
        if tail == "echo" and stem in (self.twist.latched, self.twist.early):
            return self._echo_slipped(stem, bool(self.values.get(name, 0)))
        if tail == "echo" or name.partition(".")[0] in self.system.measures:
            return bool(self.values.get(name, 0))
        if name == "usb":
            return bool(levels.get("usb", 0))
        return STATUS_LEVELS[levels.get("status", 0)] == name.removeprefix("status.")

    def _echo_slipped(self, sensor: str, echo: bool) -> bool:
        if sensor == self.twist.early:
            return self.before_burst
        self.asked = True
        return echo or self.latched

    def quantity(self, name: str) -> float:
        """The level 0..1 of a light or load."""
        drive = self._drives(gated=not self._gating).get(name)
        if drive is None:
            return 0.0
        return drive.duty if drive.segments is None else drive.segments / self.segments[name]

    def below(self, quantity: str, level: float) -> bool:
        """Whether a number is below a level; one that was never told is below none."""
        value = self.values.get(quantity)
        return value is not None and value < first_at(level, PPM)

    # -- outputs -----------------------------------------------------------------------------------

    def _driven(self) -> list[str]:
        """All outputs: what changes in one instant is told in this order, as the model tells it."""
        return list(dict.fromkeys((*self._first, *(
            name for region in self.regions if not region.follows
            for state in region.states for name in state.drives))))

    def give(self, system: System) -> None:
        """From now on its states drive what those of this system do; all else is as it was."""
        self.regions = system.every
        self.outputs = self._driven()
        if system is self.system:
            self._known = self._own
        else:
            _, self._known = _kept(self._others, id(system), lambda: (system, {}))
        self._anew = True

    def _drives(self, *, gated: bool) -> dict[str, Drive]:
        shown = self._plain
        if gated:
            self._gating = True
            shown = [show is None or show() for show in self._shows]
            self._gating = False
        standing = [(region.group, region.states[state], shows) for region, state, shows
                    in zip(self.regions, self.stepper.states, shown, strict=True)]
        if not self.twist.last:
            return merged(standing)
        drives: dict[str, Drive] = {}
        turned = [(group, state, False) for group, state, _ in standing if state.position]
        for one in standing:
            drives |= merged([*turned, one])
        return drives

    def shown(self) -> dict[str, int]:
        """The level of each output that is on: parts per million of duty, or lit segments."""
        self._gating = True
        key = (tuple(self.stepper.states), *[show() for show in self._shows if show is not None])
        self._gating = False
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = {
                name: round(drive.duty * PPM) if drive.segments is None else drive.segments
                for name, drive in self._drives(gated=True).items()}
        return found

    # -- driving -----------------------------------------------------------------------------------

    def parts(self, course: Course, touched: Iterable[int]) -> int | None:
        """When its reports part from those of the model, in ns; None where they never do.

        It is driven from where the model stands before each message of `touched`, in which alone
        the fault can come up, until it stands where the model does. `gave_up` tells whether the
        vector was too much work.
        """
        self._begin(course.script)
        self.most, self.gave_up = self.instants + MOST_OF_ONE, False
        messages, marks = course.script.messages, course.marks
        powered = next((n for n, one in enumerate(messages) if one.kind == "power"), 0)
        done = 0
        try:
            for first in touched:
                if first < done:
                    continue
                if first > powered:
                    self._stand(marks[first])
                    done = first
                else:  # before it has ever had supply it stands in its own first states
                    self._begin(course.script)
                    self.stepper.clear()
                    self.stepper.halt(0)
                    done = 0
                while done < len(messages):
                    self._hear(messages[done])
                    done += 1
                    if first < done < len(messages) and self._stands(marks[done]):
                        break
                else:
                    return min((self.wanted[kind][self.places[kind]][0] for kind in self.asks
                                if self.places[kind] < len(self.wanted[kind])), default=None)
        except (_PartedError, EndlessInstant):
            return self.now
        except _GivenUpError:
            self.gave_up = True
        return None

    def _begin(self, script: Script) -> None:
        self.script, self.now = script, 0
        self.places = {"out": 0, "wake": 0, "event": 0}
        self.wanted: Mapping[str, Sequence[tuple[Any, ...]]] = {
            "out": script.outs, "wake": script.wakes, "event": script.events}
        self.told: dict[str, int] = {}
        self._open: tuple[Stretch, Sequence[int], tuple[int, ...]] | None = None
        self.levels, self.before, self.values, self.closed = {}, {}, {}, set()
        self.awake = self.latched = self.before_burst = self.asked = False
        self._anew = True

    def _mark(self) -> Mark:
        stepper = self.stepper
        return Mark(self.now, tuple(stepper.states), tuple(stepper.entered_ns),
                     tuple(stepper.spent), tuple(stepper.dues), tuple(stepper.memory),
                     tuple(stepper.condition_values), dict(self.levels), dict(self.values),
                     dict(self.told), dict(self.places), self.awake, stepper.stood())

    def _stand(self, mark: Mark) -> None:
        stepper = self.stepper
        stepper.clear()
        stepper.version += 1
        stepper.states[:] = mark.states
        stepper.entered_ns[:] = mark.entered_ns
        stepper.spent[:] = mark.spent
        stepper.dues[:] = mark.dues
        stepper.memory[:] = mark.memory
        stepper.condition_values[:] = mark.conditions
        if stepper.may_let_go:
            stepper.stand_again(mark.stood)
        self.now, self.awake, self.closed = mark.now, mark.awake, set()
        self.levels, self.values = dict(mark.levels), dict(mark.values)
        self.before = self.levels
        self.told, self.places = dict(mark.told), dict(mark.places)
        self._open = None
        self.latched = self.before_burst = self.asked = False
        self._anew = True

    def _stands(self, mark: Mark) -> bool:
        """Whether it stands where a mark was made, and goes on alike."""
        stepper = self.stepper
        return (tuple(stepper.dues) == mark.dues and tuple(stepper.states) == mark.states
                and tuple(stepper.entered_ns) == mark.entered_ns
                and tuple(stepper.spent) == mark.spent and tuple(stepper.memory) == mark.memory
                and tuple(stepper.condition_values) == mark.conditions
                and (not self._lets_go or stepper.stood() == mark.stood)
                and self.told == mark.told and not self.closed and self._open is None
                and ("wake" not in self.asks or self.awake == mark.awake)
                and not stepper.strayed and not self.latched and not self.before_burst
                and all(self.places[kind] == mark.places[kind] for kind in self.asks))

    def _hear(self, message: Message) -> None:
        self.values.update(message.values)
        if self.twist.latched and (f"{self.twist.latched}.echo", 1) in message.values:
            self.latched = True
        self.before = self.levels  # but for the instant of a step nothing changes in it
        if message.kind == "until":
            self._go(message.time_ns)
            return
        if message.kind == "power":
            self.levels.update(message.inputs)
            self._power(message)
        elif message.kind == "step":
            self._go(message.time_ns)
            self.before = dict(self.levels)
            self.levels.update(message.inputs)
            moved = {name for name, _ in message.inputs}
            lost = self.twist.met if len(moved & self.system.contacts.keys()) > 1 else ""
            raw = [f"{name}.edge" for name, _ in message.inputs if name != lost]
            self.closed -= {name for name, _ in message.inputs}
            self._instant([event for event in raw if event in self.stepper.event_ids])
        else:
            self._go(message.time_ns)
            self.levels.update(message.inputs)
            if self.stepper.may_let_go:
                self.stepper.freeze()  # what an instant has done that let go of it is kept
            else:
                self.stepper.halt(message.time_ns)
            self.told, self.awake = {}, False

    def _power(self, message: Message) -> None:
        twist = self.twist
        self.now = message.time_ns
        raw = [f"{name}.edge" for name in message.moved if name != twist.unseen]
        if self.levels.get(twist.edge) and twist.edge not in message.moved:
            raw.append(f"{twist.edge}.edge")
        if twist.opened and twist.opened not in message.moved:
            self.closed = {twist.opened}
        raw += [f"{name}.edge" for name in ("usb", "status")
                if self.levels.get(name) and name != twist.unseen]
        self._instant([event for event in raw if event in self.stepper.event_ids], power_up=True)

    def _go(self, then: int) -> None:
        """Let time go on; raises where a report that was due by then has not been made."""
        self._through(then, self.script.stretches)
        self._all_told(then)

    def _through(self, then: int, stretches: Sequence[Stretch]) -> None:
        """Let time go on; leave out what the model leaves out, where it is as before."""
        if self._open is not None and stretches is self.script.stretches:
            stretch, due, states = self._open
            if stretch.after < then:
                self._open = None
                self._rest_of(stretch, due, states)
        place = bisect_left(stretches, self.now, key=lambda stretch: stretch.begins)
        if self._open is None and place and stretches is self.script.stretches:
            self._amid(stretches[place - 1], then)
        for stretch in stretches[place:] if self._open is None else ():
            if stretch.begins >= then:
                break
            self._advance(stretch.begins + 1, ())
            self.now = stretch.begins
            due, states = self.stepper.due(), tuple(self.stepper.states)
            if stretch.after >= then:  # a message comes within its first period
                self._open = stretch, due, states
                break
            self._rest_of(stretch, due, states)
        self._advance(then, ())
        self.now = then

    def _rest_of(self, stretch: Stretch, due: Sequence[int], states: tuple[int, ...]) -> None:
        """The first period of a stretch, from now on, and what repeats it."""
        self._through(stretch.after + 1, stretch.inner)
        self.now = stretch.after
        if not self._repeat(stretch, due, states):
            self._advance(stretch.up_to + 1, self.periods_ns)

    def _repeat(self, stretch: Stretch, due: Sequence[int], states: tuple[int, ...]) -> bool:
        """Leave out what is left of a stretch, if its first period has ended as it began."""
        stepper, period = self.stepper, stretch.after - stretch.begins
        quick = [number for number, when in enumerate(due) if when <= stretch.after]
        now = stepper.due()
        if tuple(stepper.states) != states or any(
                when != now[number] - (period if number in quick else 0)
                for number, when in enumerate(due)):
            return False
        limit = min([stretch.up_to + 1, *(when for number, when in enumerate(now)
                                          if number not in quick)])
        skipped = (limit - 1 - stretch.after) // period * period
        if skipped > 0:
            self.now += skipped
            stepper.shift(skipped, quick)
        return self.now == stretch.up_to

    def _amid(self, stretch: Stretch, then: int) -> None:
        """Go on from amid a stretch, of which nothing has been left out. As soon as a period has
        ended as it began all others do; their instants count, but are not gone through.
        """
        period, start = stretch.after - stretch.begins, max(self.now, stretch.after)
        place = bisect_left(self.script.left_ends, start + 1)
        if place == len(self.script.left_out) or self.script.left_out[place][0] > start:
            return
        limit = min(then, self.script.left_ends[place] + 1)
        if limit - start < 3 * period:
            return
        self._advance(start + 1, ())
        for _ in range(MOST_PERIODS):
            before, count = self._amid_now(), self.instants
            start += period
            if limit - start < period:
                return
            self._advance(start + 1, ())
            now = self._amid_now()
            if now[0] != before[0] or self.stepper.strayed:
                continue
            pairs = list(zip(before[1], now[1], strict=True))
            moved = [number for number, (one, other) in enumerate(pairs) if one != other]
            if any(pairs[number][1] != (pairs[number][0][0] + period, _later(
                    pairs[number][0][1], period)) for number in moved):
                continue
            fixed = [due for number, (_, due) in enumerate(now[1]) if number not in moved]
            periods = (min(limit, *fixed, NEVER) - 1 - start) // period
            if periods > 0:
                self.now = start + periods * period
                self.stepper.shift(periods * period, moved)
                self.instants += periods * (self.instants - count)
            return

    def _amid_now(self) -> tuple[tuple[object, ...], list[tuple[int, int]]]:
        """All that decides how it goes on where nothing is told: what stays, and by region when its
        stay began and when that ends.
        """
        stepper = self.stepper
        return ((tuple(stepper.states), tuple(stepper.spent), tuple(stepper.memory),
                 tuple(stepper.condition_values), stepper.hidden, stepper.stood(), self.told,
                 self.latched, self.before_burst, self.asked),
                list(zip(stepper.entered_ns, stepper.dues, strict=True)))

    def _whole(self) -> tuple[object, ...]:
        """With what the slip and the echo remember, and what has been told."""
        return (*super()._whole(), self.stepper.hidden, self.stepper.stood(), self.latched,
                self.before_burst, self.asked, self.awake, dict(self.told),
                tuple(self.places.values()))

    def _stays(self) -> int:
        """Before when a stretch ends in which nothing is told."""
        place = bisect_left(self.script.left_ends, self.now + 1)
        if place == len(self.script.left_out) or self.script.left_out[place][0] > self.now:
            return NEVER
        return self.script.left_ends[place] + 1

    def _all_told(self, then: int) -> None:
        """Raise where something that was due before `then` has not been reported."""
        for kind in self.asks:
            wanted, place = self.wanted[kind], self.places[kind]
            if place < len(wanted) and wanted[place][0] < then:
                self.now = wanted[place][0]
                raise _PartedError

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.instants += 1
        if self.instants > self.most:
            raise _GivenUpError
        stepper = self.stepper
        version, anew = stepper.version, self._anew
        self._anew = False
        if self._lets_go:
            stepper.settled(self.now)
        happened = stepper.run_instant(self.now, raw, power_up=power_up)
        if self.twist.latched or self.twist.early:
            self._note_echo()
        if self.script.leaves_out(self.now):
            self.told = dict(self.shown())
            return
        if "event" in self.asks:
            for number in happened:
                self._tell("event", (self.now, stepper.event_names[number]))
        if version != stepper.version or (self._gated and (anew or not self._steady)):
            shown = self.shown()
            if shown != self.told:
                for name in self.outputs:
                    level = shown.get(name, 0)
                    if level != self.told.get(name, 0):
                        self._tell("out", (self.now, name, level))
                self.told = shown
        if "wake" in self.asks:
            awake = any(table[state] for table, state
                        in zip(stepper.awake, stepper.states, strict=True))
            if not self.awake and (awake or stepper.woke):
                self._tell("wake", (self.now, "wake"))
            if not awake and (self.awake or stepper.woke or power_up):
                self._tell("wake", (self.now, "sleep"))
            self.awake = awake

    def _note_echo(self) -> None:
        """The echo that was kept is read once; what an early reader sees is that of the instant in
        which the burst begins, whatever comes while it lasts.
        """
        if self.asked:
            self.asked = self.latched = False
        early, stepper = self.twist.early, self.stepper
        if early:
            look = stepper.region_names.index(f"{early}.look")
            if stepper.state_names[look][stepper.states[look]] != BURST:
                self.before_burst = False
            elif stepper.entered_ns[look] == self.now:
                self.before_burst = bool(self.values.get(f"{early}.echo", 0))

    def _tell(self, kind: str, report: tuple[Any, ...]) -> None:
        if kind not in self.asks:
            return
        wanted, place = self.wanted[kind], self.places[kind]
        if place >= len(wanted) or wanted[place] != report:
            raise _PartedError
        self.places[kind] = place + 1


class Sound(Driven):
    """A firmware without a fault; it makes courses of scripts."""

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        super().__init__(system, segments, NONE, ("out", "wake", "event"))
        self.up: set[object] = set()
        self.stepping = False
        self.stepper.watch(lambda key, _: self.up.add(key))
        self._follows = {
            row.key: (*map(happening, row.emit),
                      *([cut(region.name)] if row.on is not None and row.to != "same" else []))
            for region in self.regions for row in region.rows}
        self._watched = [(happening(one.rises), happening(one.falls)) for one in system.conditions]
        self._in = [[standing(region.name, state.name) for state in region.states]
                    for region in self.regions]
        self._at_end = [[ending(region.name, state.name) for state in region.states]
                        for region in self.regions]

    def course(self, script: Script) -> Course:
        """The course of a script."""
        self._begin(script)
        self.stepper.clear()  # nothing is kept from the script before
        self.stepper.halt(0)
        marks: list[Mark] = []
        found: dict[object, list[int]] = {}
        for number, message in enumerate(script.messages):
            marks.append(self._mark())
            self.up = set()
            self._note_states()
            if message.kind == "power":
                self.up.add(POWER)
            if message.kind == "off":
                self.up.add(LOST)
            self._hear(message)
            for one in self.up:
                found.setdefault(one, []).append(number)
        return Course(script, tuple(marks), found)

    def _note_states(self) -> None:
        self.up.update(names[state] for names, state
                       in zip(self._in, self.stepper.states, strict=True))

    def _hear(self, message: Message) -> None:
        self.stepping = False
        super()._hear(message)

    def _go(self, then: int) -> None:
        self.stepping = False
        super()._go(then)
        self.stepping = True  # what is left of a step is the instant itself

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        stepper = self.stepper
        ends = [number for number, due in enumerate(stepper.dues) if due <= self.now]
        # A time that ends alone in its instant can end neither before nor after anything.
        if self.stepping or len(ends) > 1:
            self.up.update(self._at_end[number][stepper.states[number]] for number in ends)
        fired: list[str] = []
        stepper.fired = fired
        version = stepper.version
        conditions = tuple(stepper.condition_values)
        super()._instant(raw, power_up=power_up)
        self.up.update(fired)
        self.up.update(map(happening, raw))
        for key in fired:
            self.up.update(self._follows[key])
        for values, names in zip(zip(conditions, stepper.condition_values, strict=True),
                                 self._watched, strict=True):
            if values[0] != values[1]:
                self.up.update(names)
        if version != stepper.version:
            self._note_states()

    def _tell(self, kind: str, report: tuple[Any, ...]) -> None:
        """What it cannot know of the cell may make it tell otherwise than the model."""
        wanted, place = self.wanted[kind], self.places[kind]
        if place < len(wanted) and wanted[place] == report:
            self.places[kind] = place + 1

    def _all_told(self, then: int) -> None:
        """What is missing is not asked for here."""


class Bench:
    """Firmwares that hold one fault after another: what they share is made once."""

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        self.system = system
        self.segments = segments
        self._sound: dict[tuple[str, ...], Driven] = {}
        self._numbers = {region.name: number for number, region in enumerate(system.regions)}
        self._held: tuple[Driven, int] | None = None
        self._given: Driven | None = None
        self._made: dict[tuple[int, tuple[str, ...]], tuple[Fault, Driven]] = {}
        self._outputs = Driven(system, segments).outputs

    def hold(self, fault: Fault, asks: tuple[str, ...]) -> Driven:
        """The firmware that holds this fault, until the next is asked for."""
        number = self._only_rows(fault)
        drives = fault.kind == "drive"
        firmware = self._sound.get(asks)
        holds = number is not None and fault.system is not self.system
        if self._held is not None and (not holds or self._held != (firmware, number)):
            # What is changed next is not what was changed last, which is put right.
            before, changed = self._held
            before.stepper.hold(changed, self.system.regions[changed])
            self._held = None
        if self._given is not None:
            self._given.give(self.system)
            self._given = None
        if number is None and not drives:
            return self._firmware(fault, asks)
        if firmware is None:
            firmware = self._sound[asks] = Driven(self.system, self.segments, NONE, asks,
                                                  self._outputs)
        firmware.stepper.slip(fault.twist)
        firmware.twist = fault.twist
        if drives:
            firmware.give(fault.system)
            self._given = firmware
        elif number is not None and holds:
            firmware.stepper.hold(number, fault.system.regions[number])
            self._held = firmware, number
        return firmware

    def _firmware(self, fault: Fault, asks: tuple[str, ...]) -> Driven:
        """A firmware made for this fault, which is asked for again with the next vector."""
        # A fault that is kept keeps its id.
        _, firmware = _kept(self._made, (id(fault), asks), lambda: (
            fault, Driven(fault.system, self.segments, fault.twist, asks, self._outputs)))
        firmware.stepper.clear()
        return firmware

    def _only_rows(self, fault: Fault) -> int | None:
        """The region in which rows and memory alone are changed; None for another kind of fault."""
        if fault.system is self.system:
            return 0 if not fault.twist.last else None
        if fault.kind in ("drive", "show", "awake", "regions", "condition", "starts",
                          "sequence", "unkept"):
            return None
        (name,) = fault.touched
        return self._numbers[name]

