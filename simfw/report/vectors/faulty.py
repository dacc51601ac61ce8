"""A firmware that holds a fault, in Python: driven with the lines of a vector like any other.

`Faulty` is the stepper with a slip in how the rows are walked; `Driven` puts it behind the messages
that a firmware gets, and tells when its reports part from those of the model.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simfw.behaviour.outputs import merged
from simfw.behaviour.region import STATUS_LEVELS, Drive, Region, System
from simfw.behaviour.table import IDLE, Stepper, World
from simfw.errors import EndlessInstant
from simfw.report.vectors.faults import NONE, Fault, Twist
from simfw.report.vectors.pace import Pace, periods_of
from simfw.report.vectors.replay import Replay

__all__ = ["Bench", "Driven", "Faulty", "Script", "script_of"]

PPM = 1_000_000


class Faulty(Stepper):
    """A stepper with a slip. While it takes ended times too early, `looking_back` is set: its world
    then answers with the inputs as they were before the instant.
    """

    def __init__(self, system: System, world: World, twist: Twist = NONE) -> None:
        super().__init__(system, world)
        self.looking_back = False
        self._apart, self._apart_key = -1, ""
        self._hears = [{self.event_ids[row.on] for row in region.rows if row.on is not None}
                       for region in self.regions]
        self.slip(twist)

    def slip(self, twist: Twist) -> None:
        """From now on the slip is this."""
        self.twist = twist
        self._apart_key = twist.first or twist.after
        self._apart = next((number for number, region in enumerate(self.system.regions)
                            for row in region.rows if row.key == self._apart_key), -1)

    def run_instant(self, now_ns: int, raw_events: Iterable[str] = (), *, power_up: bool = False
                    ) -> list[int]:
        """One instant; with a slip, a time that ends comes before, or after, all else."""
        raw = list(raw_events)
        apart = self._apart
        if apart < 0 or power_up or self.dues[apart] > now_ns or not self._ends(apart):
            return super().run_instant(now_ns, raw, power_up=power_up)
        own = [apart]
        others = [number for number in range(len(self.dues)) if number != apart]
        if self.twist.first:
            self.looking_back = True
            public = self._part(now_ns, [], others)
            self.looking_back = False
            moved, woke = self.moved, self.woke
            public += super().run_instant(now_ns, raw)
        else:
            public = self._part(now_ns, raw, own)
            moved, woke = self.moved, self.woke
            if self.dues[apart] <= now_ns:
                public += super().run_instant(now_ns)
        self.moved |= moved
        self.woke |= woke
        return public

    def _ends(self, number: int) -> bool:
        """Whether it is the row of the slip whose time ends next in its region."""
        group = self.dwells[number][self.states[number]][self.spent[number]]
        return any(row.key == self._apart_key for row in group[1])

    def _part(self, now_ns: int, raw: list[str], wait: Sequence[int]) -> list[int]:
        """An instant in which the times of some regions do not end yet."""
        due, serials = list(self.dues), list(self.stays)
        for number in wait:
            self.dues[number] = IDLE
        public = super().run_instant(now_ns, raw)
        for number in wait:
            if self.stays[number] == serials[number]:
                self.dues[number] = due[number]
        return public

    def hold(self, number: int, region: Region) -> None:
        """From now on region `number` is another with the same states: other rows, other memory."""
        by_event, self.dwells[number] = self._compile_rows(number, region.rows)
        for event in {*by_event, *self._hears[number]}:
            kept = [entry for entry in self._heard[event] if entry[0] != number]
            if event in by_event:
                kept.append((number, by_event[event]))
            self._heard[event] = sorted(kept, key=lambda entry: entry[0])
        self._hears[number] = set(by_event)
        ids = {name: k for k, name in enumerate(self.state_names[number])}
        self._resume_points[number] = frozenset(ids[name] for name in region.resume_points)
        self._resume_first[number] = ids[region.resume_points[0]] if region.resume_points else -1

    def _fire(self, number: int, row: Any, now_ns: int, queue: deque[Any]) -> None:
        began, serial = self.entered_ns[number], self.stays[number]
        super()._fire(number, row, now_ns, queue)
        if row.key != self.twist.keeps or self.stays[number] == serial:
            return
        self.entered_ns[number] = began
        groups = self.dwells[number][self.states[number]]
        while (index := self.spent[number]) < len(groups) and began + groups[index][0] <= now_ns:
            self._expire(number, queue)
        index = self.spent[number]
        self.dues[number] = began + groups[index][0] if index < len(groups) else IDLE


@dataclass(frozen=True, slots=True)
class _Message:
    """One message to a firmware: `kind` is "power", "until", "step" or "off"."""

    kind: str
    time_ns: int
    inputs: tuple[tuple[str, int], ...]
    values: tuple[tuple[str, int], ...]
    moved: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Whole periods that a replay leaves out: the first began at `begins` and ended at `after`.

    `inner` are those within the first period.
    """

    begins: int
    after: int
    up_to: int
    inner: tuple[_Stretch, ...]


def _stretches(repeats: Iterable[tuple[int, int, int]]) -> tuple[_Stretch, ...]:
    """The stretches of (after, up to, period), the outer ones only."""
    found: list[_Stretch] = []
    for after, up_to, period in sorted(repeats, key=lambda one: one[1]):
        begins = after - period
        inner = tuple(one for one in found if one.begins >= begins)
        found = [one for one in found if one.begins < begins]
        found.append(_Stretch(begins, after, up_to, inner))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Script:
    """A vector as a firmware meets it: messages, and what it has to report of each kind.

    `outs` are (time, name, level), `wakes` (time, "wake" or "sleep"), `events` (time, name);
    `left_out` (after, up to) and `stretches` are what the replay leaves out.
    """

    messages: tuple[_Message, ...]
    outs: tuple[tuple[int, str, int], ...]
    wakes: tuple[tuple[int, str], ...]
    events: tuple[tuple[int, str], ...]
    left_out: tuple[tuple[int, int], ...]
    stretches: tuple[_Stretch, ...]

    def leaves_out(self, time_ns: int) -> bool:
        """Whether a time lies in a stretch that is left out."""
        place = bisect_left(self.left_out, time_ns, key=lambda stretch: stretch[1])
        return place < len(self.left_out) and self.left_out[place][0] < time_ns


def script_of(replay: Replay, system: System) -> Script:
    """The script of a replay."""
    inputs = {event.removesuffix(".edge") for event in system.raw_events}
    messages = []
    for exchange in replay.exchanges:
        *sets, last = exchange.lines
        pairs = [(words[1], int(words[2])) for words in (line.split(" ") for line in sets)]
        kind, at, *moved = last.split(" ")
        messages.append(_Message(kind, int(at), tuple(p for p in pairs if p[0] in inputs),
                                 tuple(p for p in pairs if p[0] not in inputs), tuple(moved)))
    reports = replay.reports
    return Script(
        tuple(messages),
        tuple((one.time_ns, one.name, one.level) for one in reports if one.kind == "out"),
        tuple((one.time_ns, one.kind) for one in reports if one.kind in ("wake", "sleep")),
        tuple((one.time_ns, one.name) for one in reports if one.kind == "event"),
        tuple(sorted(replay.left_out)),
        _stretches(replay.repeats()),
    )


class _PartedError(Exception):
    """The firmware has reported something else than the model."""


class Driven(Pace):
    """A firmware with a fault behind the messages of a vector. It is its own `World`.

    `asks` are the kinds of report that are compared: "out", "wake", "event".
    """

    def __init__(self, system: System, segments: Mapping[str, int], twist: Twist = NONE,
                 asks: Sequence[str] = ("out",)) -> None:
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
        self.outputs = list(dict.fromkeys(name for region in system.regions
                                          for state in region.states for name in state.drives))
        self._shows = [None if region.show is None else self.stepper.bind(region.show)
                       for region in self.regions]
        self._plain = [region.show is None for region in self.regions]
        self._known: dict[tuple[object, ...], dict[str, int]] = {}
        self._gating = False
        self.awake = False

    # -- the world ---------------------------------------------------------------------------------

    def flag(self, name: str) -> bool:
        """An input as it was set last."""
        levels = self.before if self.stepper.looking_back else self.levels
        stem, _, tail = name.rpartition(".")
        if tail == "closed":
            return bool(levels.get(stem, 0)) and stem not in self.closed
        if tail == "echo" or name.partition(".")[0] in self.system.measures:
            return bool(self.values.get(name, 0))
        if name == "usb":
            return bool(levels.get("usb", 0))
        return STATUS_LEVELS[levels.get("status", 0)] == name.removeprefix("status.")

    def quantity(self, name: str) -> float:
        """The level 0..1 of a light or load."""
        drive = self._drives(gated=not self._gating).get(name)
        if drive is None:
            return 0.0
        return drive.duty if drive.segments is None else drive.segments / self.segments[name]

    def below(self, quantity: str, level: float) -> bool:
        """Whether a number is below a level; one that was never told is below none."""
        value = self.values.get(quantity)
        return value is not None and value < -(-round(level * PPM * 1000) // 1000)

    # -- outputs -----------------------------------------------------------------------------------

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

    def parts(self, script: Script) -> int | None:
        """When its reports part from those of the model, in ns; None where they never do."""
        self.script = script
        self.places = {"out": 0, "wake": 0, "event": 0}
        self.wanted: Mapping[str, Sequence[tuple[Any, ...]]] = {
            "out": script.outs, "wake": script.wakes, "event": script.events}
        self.told: dict[str, int] = {}
        self.levels, self.before, self.values, self.closed = {}, {}, {}, set()
        self.awake = False
        try:
            for message in script.messages:
                self._hear(message)
        except _PartedError:
            return self.now
        except EndlessInstant:
            return self.now
        missing = [self.wanted[kind][self.places[kind]][0] for kind in self.asks
                   if self.places[kind] < len(self.wanted[kind])]
        return min(missing, default=None)

    def _hear(self, message: _Message) -> None:
        self.values.update(message.values)
        if message.kind == "until":
            self._go(message.time_ns)
            return
        before = dict(self.levels)
        if message.kind == "power":
            self.levels.update(message.inputs)
            self._power(message)
        elif message.kind == "step":
            self._go(message.time_ns)
            self.before = before
            self.levels.update(message.inputs)
            raw = [f"{name}.edge" for name, _ in message.inputs]
            self.closed -= {name for name, _ in message.inputs}
            self._instant([event for event in raw if event in self.stepper.event_ids])
        else:
            self.levels.update(message.inputs)

    def _power(self, message: _Message) -> None:
        twist = self.twist
        self.now = message.time_ns
        raw = [f"{name}.edge" for name in message.moved]
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

    def _through(self, then: int, stretches: Sequence[_Stretch]) -> None:
        """Let time go on; leave out what the model leaves out, where it is as before."""
        place = bisect_left(stretches, self.now, key=lambda stretch: stretch.begins)
        for stretch in stretches[place:]:
            if stretch.begins >= then:
                break
            self._advance(stretch.begins + 1, ())
            self.now = stretch.begins
            due, states = self.stepper.due(), tuple(self.stepper.states)
            self._through(stretch.after + 1, stretch.inner)
            self.now = stretch.after
            if not self._repeat(stretch, due, states):
                self._advance(stretch.up_to + 1, self.periods_ns)
        self._advance(then, ())
        self.now = then

    def _repeat(self, stretch: _Stretch, due: Sequence[int], states: tuple[int, ...]) -> bool:
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

    def _all_told(self, then: int) -> None:
        """Raise where something that was due before `then` has not been reported."""
        for kind in self.asks:
            wanted, place = self.wanted[kind], self.places[kind]
            if place < len(wanted) and wanted[place][0] < then:
                self.now = wanted[place][0]
                raise _PartedError

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        stepper = self.stepper
        version = stepper.version
        happened = stepper.run_instant(self.now, raw, power_up=power_up)
        if self.script.leaves_out(self.now):
            self.told = dict(self.shown())
            return
        if "event" in self.asks:
            for number in happened:
                self._tell("event", (self.now, stepper.event_names[number]))
        if version != stepper.version or any(show is not None for show in self._shows):
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

    def _tell(self, kind: str, report: tuple[Any, ...]) -> None:
        if kind not in self.asks:
            return
        wanted, place = self.wanted[kind], self.places[kind]
        if place >= len(wanted) or wanted[place] != report:
            raise _PartedError
        self.places[kind] = place + 1


class Bench:
    """Firmwares that hold one fault after another: what they share is made once."""

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        self.system = system
        self.segments = segments
        self._sound: dict[tuple[str, ...], Driven] = {}
        self._numbers = {region.name: number for number, region in enumerate(system.regions)}
        self._held: tuple[Driven, int] | None = None

    def hold(self, fault: Fault, asks: tuple[str, ...]) -> Driven:
        """The firmware that holds this fault, until the next is asked for."""
        if self._held is not None:
            before, changed = self._held
            before.stepper.hold(changed, self.system.regions[changed])
            self._held = None
        number = self._only_rows(fault)
        if number is None:
            return Driven(fault.system, self.segments, fault.twist, asks)
        firmware = self._sound.get(asks) or Driven(self.system, self.segments, NONE, asks)
        self._sound[asks] = firmware
        firmware.stepper.slip(fault.twist)
        firmware.twist = fault.twist
        if fault.system is not self.system:
            firmware.stepper.hold(number, fault.system.regions[number])
            self._held = firmware, number
        return firmware

    def _only_rows(self, fault: Fault) -> int | None:
        """The region in which rows and memory alone are changed; None for another kind of fault."""
        if fault.system is self.system:
            return 0 if not fault.twist.last else None
        if fault.kind in ("drive", "sequence", "show", "awake", "regions", "condition"):
            return None
        (name,) = fault.touched
        return self._numbers[name]

