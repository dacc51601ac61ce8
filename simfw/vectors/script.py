"""A vector as a firmware meets it, and as a sound one goes through it: what comes up, and when."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from simfw.behaviour.region import System
from simfw.vectors.replay import Replay

__all__ = ["LOST", "POWER", "Course", "Mark", "Message", "Script", "Stretch", "cut", "ending",
           "happening", "script_of", "standing"]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Message:
    """One message to a firmware: `kind` is "power", "until", "step" or "off"."""

    kind: str
    time_ns: int
    inputs: tuple[tuple[str, int], ...]
    values: tuple[tuple[str, int], ...]
    moved: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Whole periods that a replay leaves out: the first began at `begins` and ended at `after`.

    `inner` are those within the first period.
    """

    begins: int
    after: int
    up_to: int
    inner: tuple[Stretch, ...]


def _stretches(repeats: Iterable[tuple[int, int, int]]) -> tuple[Stretch, ...]:
    """The stretches of (after, up to, period), the outer ones only."""
    found: list[Stretch] = []
    for after, up_to, period in sorted(repeats, key=lambda one: one[1]):
        begins = after - period
        inner = tuple(one for one in found if one.begins >= begins)
        found = [one for one in found if one.begins < begins]
        found.append(Stretch(begins, after, up_to, inner))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Script:
    """A vector as a firmware meets it: messages, and what it has to report of each kind.

    `outs` are (time, name, level), `wakes` (time, "wake" or "sleep"), `events` (time, name);
    `left_out` (after, up to; `left_ends` are the latter) and `stretches` are what the replay leaves
    out.
    """

    messages: tuple[Message, ...]
    outs: tuple[tuple[int, str, int], ...]
    wakes: tuple[tuple[int, str], ...]
    events: tuple[tuple[int, str], ...]
    left_out: tuple[tuple[int, int], ...]
    left_ends: tuple[int, ...]
    stretches: tuple[Stretch, ...]

    def leaves_out(self, time_ns: int) -> bool:
        """Whether a time lies in a stretch that is left out."""
        if not self.left_out:
            return False
        place = bisect_left(self.left_ends, time_ns)
        return place < len(self.left_out) and self.left_out[place][0] < time_ns


def script_of(replay: Replay, system: System) -> Script:
    """The script of a replay."""
    inputs = {event.removesuffix(".edge") for event in system.raw_events}
    messages = []
    for exchange in replay.exchanges:
        *sets, last = exchange.lines
        pairs = [(words[1], int(words[2])) for words in (line.split(" ") for line in sets)]
        kind, at, *moved = last.split(" ")
        messages.append(Message(kind, int(at), tuple(p for p in pairs if p[0] in inputs),
                                 tuple(p for p in pairs if p[0] not in inputs), tuple(moved)))
    reports, left_out = replay.reports, tuple(sorted(replay.left_out))
    return Script(
        tuple(messages),
        tuple((one.time_ns, one.name, one.level) for one in reports if one.kind == "out"),
        tuple((one.time_ns, one.kind) for one in reports if one.kind in ("wake", "sleep")),
        tuple((one.time_ns, one.name) for one in reports if one.kind == "event"),
        left_out, tuple(up_to for _, up_to in left_out),
        _stretches(replay.repeats()),
    )


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a firmware stands between two messages."""

    now: int
    states: tuple[int, ...]
    entered_ns: tuple[int, ...]
    spent: tuple[int, ...]
    dues: tuple[int, ...]
    memory: tuple[int, ...]
    conditions: tuple[bool, ...]
    levels: dict[str, int]
    values: dict[str, int]
    told: dict[str, int]
    places: dict[str, int]
    awake: bool
    stood: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class Course:
    """A vector as a sound firmware goes through it: where it stands before each message, and in
    which messages what comes up: a row is asked or fires (its key), a region stands in a state
    (`standing`), or its time ends there (`ending`).
    """

    script: Script
    marks: tuple[Mark, ...]
    comes_up: Mapping[object, Sequence[int]]

    def touched(self, what: Iterable[object]) -> list[int]:
        """The messages in which any of these comes up."""
        return sorted({number for one in what for number in self.comes_up.get(one, ())})


def standing(region: str, state: str) -> object:
    """What comes up while a region stands in a state."""
    return "in", region, state


def ending(region: str, state: str) -> object:
    """What comes up where a time of a region ends in a state while something else happens."""
    return "ends", region, state


def happening(event: str) -> object:
    """What comes up where an event happens."""
    return "event", event


def cut(region: str) -> object:
    """What comes up where a region leaves a state before its time has ended."""
    return "cut", region


POWER = ("power",)  # what comes up where the supply comes
LOST = ("lost",)  # where it is taken away
