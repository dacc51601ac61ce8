"""Where the model was at a difference, and which requirement of the specification speaks of it.

The stimuli are played once more; the states before the two times of the difference are noted, and
the rows that fire at them. A row that brings about the report in question is followed to the
sentence of the specification that describes it, so that the number printed is that of the document.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from simfw.behaviour.build import build_system
from simfw.behaviour.hold import HOLD, holding
from simfw.conform.bench import look_at
from simfw.conform.firmware import Difference, time_of
from simfw.conform.traced import followed, numbers_of, requirement_of, steps_to
from simfw.errors import EndlessInstant, UntellableInstant
from simfw.quantity import format_duration
from simfw.report.specification.requirements import OUTPUT, START, Requirement, kept_origin
from simfw.report.specification.subject import Subject, subject_of
from simfw.vectors.around import read_in
from simfw.vectors.build import Rehearsal, replay_scenario, to_scenario
from simfw.vectors.items import HELD
from simfw.vectors.replay import let_go

if TYPE_CHECKING:
    from simfw.behaviour.region import System
    from simfw.engine.simulator import Prepared
    from simfw.vectors.replay import Replay

__all__ = ["FiredRow", "Placed", "Standing", "Stood", "SupplyChange", "placed"]

Standing = Literal["fired", "due", "unmet"]

MOST_NAMED = 4
MOST_SAID = 8  # sentences of the specification
ONWARD_NS = 5 * 10**9  # so far behind a difference the model may do the same later
LETS_GO, TAKES_HOLD = "the firmware lets go of its supply", "the firmware takes hold of it again"
GOES, POWER_UP = "the supply goes", "power-up"


@dataclass(frozen=True, slots=True)
class Stood:
    """A region, the state that it was in just before the difference, and since when (ns).

    `entered` are the requirements by which it had come there, that of the region's own row first,
    then what that followed from in its instant; `stayed` that of the last row by which it then
    stayed where it was.
    """

    region: str
    state: str
    since_ns: int
    entered: tuple[Requirement, ...] = ()
    stayed: Requirement | None = None

    def __str__(self) -> str:
        said = f"since {format_duration(self.since_ns)}"
        if self.entered:
            said += f", by {self.entered[0].number}"
            if self.entered[1:]:
                said += f", which followed from {followed(self.entered[1:])}"
        if self.stayed is not None:
            said += f"; stayed by {self.stayed.number}"
        return f"{self.region}.{self.state} ({said})"


@dataclass(frozen=True, slots=True)
class SupplyChange:
    """What became of the supply on the way to the difference: when (ns), and in words."""

    time_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class FiredRow:
    """A row of the model, its key in the gadget file, and the requirement that describes it.

    It `fired` at `time_ns`, is `due` then, after the difference, or its guard was `unmet` when its
    time ran out or the event was `heard` that it answers (None for a time). `came_of` are the
    requirements of the rows of its instant that it followed from, the nearest first.
    """

    key: str
    region: str
    time_ns: int
    standing: Standing
    requirement: Requirement
    heard: str | None = None
    came_of: tuple[Requirement, ...] = ()

    def __str__(self) -> str:
        at = format_duration(self.time_ns)
        met = "ran out of its time" if self.heard is None else f"heard {self.heard}"
        said = {"fired": "fired", "due": f"is due at {at}",
                "unmet": f"{met} and did not fire: its guard did not hold"}
        then = f", which follows from {followed(self.came_of)}" if self.came_of else ""
        return f"Row {self.key} {said[self.standing]}: {self.requirement.number}{then}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What is known of a difference: where the model was, the rows that fired or were due, and all
    requirements that speak of it, those of the rows first; `bench` says what to look at. `supply`
    tells in order where the firmware let go of its supply, where that went, and each power-up but
    the first. `beside` are requirements of rows that fired in that instant, where `rows` is empty.
    """

    stood: tuple[Stood, ...]
    rows: tuple[FiredRow, ...]
    requirements: tuple[Requirement, ...]
    bench: str
    supply: tuple[SupplyChange, ...] = ()
    beside: tuple[Requirement, ...] = ()

    def lines(self) -> tuple[str, ...]:
        """In words, a line each."""
        lines = []
        if self.stood:
            lines.append("The model was in " + ", ".join(map(str, self.stood)) + ".")
        lines += [str(row) for row in self.rows]
        if self.beside:
            lines.append("Of what bears on it no row fired there or is due; "
                         f"{followed(self.beside)} fired in that instant.")
        elif not self.rows:
            lines.append("No row fired there or is due.")
        lines += [f"  {one.number}: {one.text.replace('`', '')}" for one in self.requirements]
        return (*lines, f"On the bench: {self.bench}")


@dataclass(slots=True)
class _Note:
    """What stood before a time, what fired at it, and which rows a guard held back."""

    states: tuple[str, ...]
    since_ns: tuple[int, ...]
    ends: tuple[tuple[int, str], ...]  # the times that ran: when each ends, and the row's key
    entered: tuple[tuple[str, ...], ...]  # by region: the row that led to its state, what of
    stayed: tuple[str, ...]  # by region: the last row since then by which it stayed
    fired: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


class _Watch(Rehearsal):
    """A model that notes where it stands just before some times, and what fires at them."""

    def __init__(self, prepared: Prepared, times_ns: Sequence[int]) -> None:
        super().__init__(prepared)
        self.times_ns = sorted(set(times_ns))
        self.noted: dict[int, _Note] = {}
        self.refused: list[str] = []
        regions = self.system.regions
        self.rows = {row.key: row for region in regions for row in region.rows}
        self.place_of = {row.key: number for number, region in enumerate(regions)
                         for row in region.rows}  # fmt: skip
        self.came: list[tuple[int, tuple[str, ...]]] = [(-1, ())] * len(regions)
        self.stayed = [""] * len(regions)

    def next_news(self) -> int:
        """Nothing is left out over a time that is asked for."""
        return min([super().next_news(), *(at for at in self.times_ns if at > self.now)])

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.note_up_to(self.now)
        self.refused = []
        super()._instant(raw, power_up=power_up)
        self._trace(self.stepper.fired or [])
        if self.now in self.noted:
            self.noted[self.now].fired += self.stepper.fired or []
            self.noted[self.now].refused += self.refused

    def _told(self, key: str, holds: bool) -> None:
        super()._told(key, holds)
        if not holds:
            self.refused.append(key)

    def _trace(self, fired: Sequence[str]) -> None:
        """Keep by region which row last led to its state, of what, and by which it then stayed."""
        for index, key in enumerate(fired):
            if key not in self.rows:
                continue  # a step of a sequence
            number = self.place_of[key]
            if self.rows[key].to == "same":
                self.stayed[number] = key
            else:
                self.came[number] = self.now, (key, *steps_to(self.rows, fired, index))
                self.stayed[number] = ""

    def note_up_to(self, time_ns: int) -> None:
        """Note what has stood since the last instant for each time up to this one."""
        for at in self.times_ns:
            if at <= time_ns and at not in self.noted:
                ends = tuple((when, key) for when, _, key in self.ends())
                since = tuple(self.stepper.entered_ns)  # of clocks of sequences, too, behind all
                entered = tuple(keys if when == one else () for (when, keys), one
                                in zip(self.came, since, strict=False))  # fmt: skip
                self.noted[at] = _Note(self.stepper.names(), since, ends, entered,
                                       tuple(self.stayed))  # fmt: skip


def placed(prepared: Prepared, found: Difference) -> Placed:
    """What is known of a difference. Raises nothing: what cannot be told is left out."""
    gadget = prepared.gadget
    system = holding(build_system(gadget))
    subject = subject_of(gadget, system)
    report = found.expected if found.expected != "nothing" else found.told
    kind, name = _about(report, system)
    acts_ns = _model_acts(found, kind, name) or _later(prepared, found, kind)
    supply = _supply(found)
    back_ns = [one.time_ns + 1 for one in supply if one.text == POWER_UP][-1:]
    notes = _notes(prepared, found, [found.time_ns, *acts_ns, *back_ns])
    speaks = _speaking(system, kind, name)
    rows: list[FiredRow] = []
    for at in (*acts_ns, found.time_ns):
        if at not in notes or rows:
            continue
        certain = at in acts_ns  # the model does what it is about: some row has brought it about
        rows = [FiredRow(key, _region_of(system, key), at,
                         "due" if at > found.time_ns else "fired",
                         requirement_of(subject, key, name if kind == "event" else ""),
                         came_of=_came_of(subject, notes[at].fired, key))
                for key in _telling(subject, notes[at].fired, kind, name, certain)]  # fmt: skip
    note = notes.get(found.time_ns)
    if note is not None and kind in ("wake", "sleep"):
        speaks = _awake_in(system, note.states) or speaks
    none = all(row.standing == "due" for row in rows)
    if note is not None and (none or found.told.split(" ")[1:2] == [str(found.time_ns)]):
        # What has fired need not be what the firmware does and the model does not.
        held = _held_back(subject, note, found.time_ns, speaks, kind, name)
        rows = [*held, *rows] if none or found.expected == "nothing" else [*rows, *held]
    if note is not None and not rows and found.expected == "nothing":
        rows = [
            FiredRow(key, _region_of(system, key), at, "due", subject.by_key[key])
            for at, key in sorted(note.ends) if at > found.time_ns
            and key in subject.by_key and _region_of(system, key) in speaks
        ]  # fmt: skip
    rows = rows[:MOST_NAMED]
    brought_back = _brought_back(system, notes, back_ns, found, rows)
    regions = list(dict.fromkeys(row.region for row in rows)) or speaks
    regions += brought_back
    regions += sorted(_read_by(system, [row.key for row in rows]))
    led = [] if note is None else [
        note.entered[number][0] for number, region in enumerate(system.regions)
        if region.name in regions and note.entered[number]]  # fmt: skip
    regions += _hearing(system, [*(row.key for row in rows), *led])
    named = [*dict.fromkeys(regions)][: 2 * MOST_NAMED]
    stood = () if note is None else tuple(
        Stood(region.name, note.states[number], note.since_ns[number],
              numbers_of(subject, note.entered[number]),
              subject.by_key.get(note.stayed[number]))
        for number, region in enumerate(system.regions)
        if region.name in named)  # fmt: skip
    memories = {kept_origin(system.region(name)) for name in brought_back}
    kept = [one for one in subject.requirements if one.origin in memories][:MOST_NAMED]
    kept += _of_power_up(subject, found, supply)
    before = {} if note is None else {
        region.name: state for region, state in zip(system.regions, note.states, strict=True)}
    beside = () if rows or note is None else numbers_of(subject, note.fired)
    speaking = [*(row.requirement for row in rows), *kept]
    speaking += [one for one in subject.requirements if _speaks(subject, one, kind, name, rows)]
    speaking = speaking[: MOST_NAMED + len(kept)]
    speaking += [one for row in rows for one in row.came_of]
    speaking += [*beside, *(one for stands in stood if not rows for one in stands.entered)]
    return Placed(
        stood=stood, rows=tuple(rows),
        requirements=tuple(dict.fromkeys(speaking))[: MOST_SAID + len(kept)],
        bench=look_at(subject, found, kind, name, before), supply=supply,
        beside=beside[:MOST_NAMED],
    )  # fmt: skip


def _came_of(subject: Subject, fired: Sequence[str], key: str) -> tuple[Requirement, ...]:
    """The requirements of the rows of an instant that one came of, the nearest first."""
    rows = {row.key: row for region in subject.system.regions for row in region.rows}
    last = len(fired) - 1 - [*reversed(fired)].index(key)
    own = subject.by_key[key]
    return tuple(one for one in numbers_of(subject, steps_to(rows, fired, last)) if one != own)


def _later(prepared: Prepared, found: Difference, kind: str) -> list[int]:
    """When the model does by itself what the firmware did too early, where that is soon: a drive
    that was made short ends just behind the difference.
    """
    drive = found.drive
    words = found.told.split(" ")
    if found.expected != "nothing" or kind not in ("out", "event"):
        return []
    played = Rehearsal(prepared).played(drive.charge, drive.acts, found.time_ns + ONWARD_NS)
    return [] if played is None else next(
        ([report.time_ns] for one in played.unrolled.exchanges for report in one.reports
         if report.time_ns >= found.time_ns
         and report.line.split(" ")[2:] == words[2:] and report.kind == kind), [])  # fmt: skip


def _of_power_up(subject: Subject, found: Difference, supply: Sequence[SupplyChange]
                 ) -> list[Requirement]:  # fmt: skip
    """What is said of the supply that came back after a loss, and of contacts that were closed when
    it came.
    """
    back = any(one.text == POWER_UP for one in supply)
    closed = {f"{act.name}.contact" for act in found.drive.acts if act.kind == "held"}
    return [one for one in subject.requirements
            if (back and one.part == START and not one.keeps)
            or (one.part in closed and HELD in one.items)]  # fmt: skip


def _held_back(subject: Subject, note: _Note, time_ns: int, speaks: Sequence[str], kind: str,
               name: str) -> list[FiredRow]:  # fmt: skip
    """The rows that would have brought a report of an output or an event about, had their guards
    held in this instant: what a firmware does that asks for less.
    """
    if kind not in ("out", "event"):
        return []
    rows = {row.key: row for region in subject.system.regions for row in region.rows}
    tried = [key for key in note.refused
             if key in subject.by_key and _region_of(subject.system, key) in speaks]  # fmt: skip
    return [FiredRow(key, _region_of(subject.system, key), time_ns, "unmet", subject.by_key[key],
                     rows[key].on)
            for key in _telling(subject, tried, kind, name, kind == "out")]  # fmt: skip


def _read_by(system: System, keys: Sequence[str]) -> set[str]:
    """The regions that the guards of these rows read."""
    return {name for region in system.regions for row in region.rows
            if row.key in keys and row.when is not None for name in read_in(system, row.when)}


def _hearing(system: System, keys: Sequence[str]) -> list[str]:
    """The regions that hear what these rows emit."""
    emitted = {event for region in system.regions for row in region.rows if row.key in keys
               for event in row.emit}  # fmt: skip
    return [region.name for region in system.regions
            if any(row.on in emitted for row in region.rows)]  # fmt: skip


def _supply(found: Difference) -> tuple[SupplyChange, ...]:
    """What became of the supply up to the difference, as the model has it."""
    changes: list[SupplyChange] = []
    before = None
    powered = False
    for one in found.drive.replay.unrolled.exchanges:
        word, at = one.lines[-1].split(" ")[0], one.ends_ns
        if word == "power" and at <= found.time_ns:
            if powered:
                changes.append(SupplyChange(at, POWER_UP))
            powered = True
        changes += [SupplyChange(report.time_ns, TAKES_HOLD if report.level else LETS_GO)
                    for report in one.reports
                    if report.name == HOLD and report.time_ns < found.time_ns
                    and (word != "power" or not report.level)]  # fmt: skip
        if let_go(before, one) and at < found.time_ns:
            changes.append(SupplyChange(at, GOES))
        before = one
    return tuple(changes)


def _brought_back(system: System, notes: Mapping[int, _Note], back_ns: Sequence[int],
                  difference: Difference, rows: Sequence[FiredRow]) -> list[str]:  # fmt: skip
    """The regions with something kept that the last power-up after a loss (a time just after it)
    brought back: a firmware that forgets would stand elsewhere. So may one that keeps what is long
    past, where the model's region has not moved since then and the firmware has an output on that
    it has a say on. What is to be resumed bears on it only once the region has left its first
    state, or is about to.
    """
    found_ns, words = difference.time_ns, difference.told.split(" ")
    shown = _having_a_say(system, words[2]) if words[0] == "out" and words[3:] not in (
        [], ["0"]) else []  # fmt: skip

    def as_it_came(number: int, name: str) -> bool:
        moved_ns = notes[found_ns].since_ns[number] + 1 if found_ns in notes else 0
        return name in shown and any(moved_ns <= at for at in back_ns)

    resumed = {row.region for row in rows
               if any(one.key == row.key and one.to == "resume"
                      for one in system.region(row.region).rows)}  # fmt: skip
    found = []
    for number, region in enumerate(system.regions):
        times = back_ns if region.kept == "state" else [found_ns] if region.kept else []
        if back_ns and (any(at in notes and notes[at].states[number] != region.starts
                            for at in times)
                        or (region.kept == "state" and as_it_came(number, region.name))
                        or (region.kept == "resume" and region.name in resumed)):
            found.append(region.name)
    return found


def _about(report: str, system: System) -> tuple[str, str]:
    """The kind of a report and the output or event that it names; empty where it is none."""
    words = report.split(" ")
    if words[0] in ("wake", "sleep"):
        return words[0], ""
    kind, name = (words[0], words[2]) if len(words) > 2 else ("", "")
    if (kind == "out" and _having_a_say(system, name)) or (
            kind == "event" and name in system.events):
        return kind, name
    return "", ""


def _having_a_say(system: System, output: str) -> list[str]:
    """The regions with a say on the level of an output: by a level, a sequence, a dial or a
    factor.
    """
    return [region.name for region in system.regions if output in region.touches]


def _model_acts(found: Difference, kind: str, name: str) -> list[int]:
    """When the model does what it is about: at the time of its report, or else the next time."""
    if found.expected != "nothing":
        at = time_of(found.expected)
        return [at] if at >= 0 else []
    for exchange in found.drive.replay.unrolled.exchanges:
        for report in exchange.reports:
            if report.time_ns >= found.time_ns and (report.kind, report.name) == (kind, name):
                return [report.time_ns]
    return []


def _notes(prepared: Prepared, found: Difference, times_ns: Sequence[int]) -> dict[int, _Note]:
    """Where the model stood before the times: as it was driven, at a standing charge or beside a
    run, whichever of the two tells what the drive tells.
    """
    drive, end = found.drive, max(times_ns) + 1
    known = min(end, drive.ends_ns)
    wanted = _told(drive.replay, known)
    watch = _Watch(prepared, times_ns)
    try:
        played: Replay | None = watch.play(charge=drive.charge, acts=drive.acts, ends_ns=end,
                                           whole=False)  # fmt: skip
    except EndlessInstant:
        return {}
    except UntellableInstant:
        played = None  # at a standing charge; it may be told beside the run
    if played is None or _told(played, known) != wanted:
        scenario = to_scenario(prepared.gadget, drive.charge, drive.acts, drive.ends_ns)
        if scenario is not None:
            watch = _Watch(prepared, times_ns)
            replay_scenario(watch, scenario, whole=False)
    watch.note_up_to(end)
    return watch.noted


def _told(replay: Replay, end_ns: int) -> list[str]:
    return [report.line for one in replay.unrolled.exchanges for report in one.reports
            if report.time_ns < end_ns]  # fmt: skip


def _region_of(system: System, key: str) -> str:
    return next(region.name for region in system.regions for row in region.rows if row.key == key)


def _telling(subject: Subject, fired: Sequence[str], kind: str, name: str, certain: bool
             ) -> list[str]:  # fmt: skip
    """Those of the rows that fired which the report comes of. Where it is `certain` that some have
    brought it about and none is known to, all of them.
    """
    fired = [key for key in dict.fromkeys(fired) if key in subject.by_key]
    rows = {row.key: row for region in subject.system.regions for row in region.rows}
    if kind == "event":
        mine = [key for key in fired if name in rows[key].emit]
    elif kind == "out":
        mine = [key for key in fired if name in subject.by_key[key].pins]
        drives = _having_a_say(subject.system, name)
        mine = mine or [key for key in fired if _region_of(subject.system, key) in drives]
    elif kind and certain:
        waking = _speaking(subject.system, kind, name)
        mine = [key for key in fired if _region_of(subject.system, key) in waking]
    else:
        mine = []
    return mine or (fired if certain else [])


def _awake_in(system: System, states: Sequence[str]) -> list[str]:
    """The regions that keep the controller awake in these states."""
    return [region.name for region, state in zip(system.regions, states, strict=True)
            if region.state(state).awake]  # fmt: skip


def _speaking(system: System, kind: str, name: str) -> list[str]:
    """The regions that what was told is of: that drive it, emit it, keep the controller awake, or
    else all written ones.
    """
    if kind in ("wake", "sleep"):
        found = [region.name for region in system.regions
                 if any(state.awake for state in region.states)]  # fmt: skip
    elif kind == "out":
        found = _having_a_say(system, name)
    elif kind == "event":
        found = [region.name for region in system.regions
                 if any(name in row.emit for row in region.rows)]  # fmt: skip
    else:
        found = []
    return found or [
        region.name for region in system.regions if region.group == "behaviour"]


def _speaks(subject: Subject, one: Requirement, kind: str, name: str, rows: Sequence[FiredRow]
            ) -> bool:  # fmt: skip
    """Whether a requirement speaks of an output (of the values of a dial, too, that it follows), or
    of an event that no row here emits.
    """
    if kind == "out":
        values = one.part in subject.gadget.dials and not one.keys and name in one.pins
        return values or one.part == f"{OUTPUT}{name}"
    if kind != "event" or rows:
        return False
    emitting = {row.key for region in subject.system.regions for row in region.rows
                if name in row.emit}  # fmt: skip
    return bool(emitting & set(one.keys))
