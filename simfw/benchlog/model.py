"""A bench log as frozen values: figures not known well, rival answers, what was seen.

Times are nanoseconds, everything else SI. Ranges are (low, high), both ends included.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from simfw.gadget.model import Gadget
from simfw.quantity import RATIO, Dimension
from simfw.stimuli.pattern import Pattern
from simfw.stimuli.recording.signals import Observed
from simfw.stimuli.steps import Press, Step, Usb

__all__ = [
    "CLOCK",
    "HAND_NS",
    "KIT",
    "LOOSE_NS",
    "PRESS_NS",
    "Answer",
    "BenchLog",
    "BenchStep",
    "Do",
    "Kit",
    "ModeReading",
    "Observation",
    "PinSeen",
    "Question",
    "Recorded",
    "See",
    "StartCharge",
    "Unknown",
    "Until",
    "Wait",
    "differ_in",
]

CLOCK = "clock"
"""The unknown that is no key of the gadget file: the factor of all times of the controller."""

HAND_NS = 300_000_000
"""How far off a person's times are, either way: reaction and the stopwatch's button."""

PRESS_NS = 150_000_000
LOOSE_NS = 100_000_000
"""A press of which nobody says how long it was: 150 ms, and up to 100 ms more or less."""

Kit = Literal["eyes", "stopwatch", "multimeter", "analyser", "oscilloscope", "bench supply"]
KIT: tuple[Kit, ...] = (
    "eyes", "stopwatch", "multimeter", "analyser", "oscilloscope", "bench supply")

Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """A figure of which only a range is known. `guess`: the gadget file says so, not the log."""

    key: str
    low: float
    high: float
    dimension: Dimension = RATIO
    guess: bool = False

    @property
    def ratio(self) -> bool:
        """Whether its values lie evenly in ratio, since the ends differ fourfold or more."""
        return self.low > 0 and self.high >= 4 * self.low

    def at(self, share: float) -> float:
        """The value at a share (0..1) of the way from the low end to the high one."""
        if self.ratio:
            return self.low * math.exp(share * math.log(self.high / self.low))
        return self.low + share * (self.high - self.low)

    def share(self, value: float) -> float:
        """Where a value lies between the ends (0..1 inside)."""
        if self.ratio:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer to a question: keys of the gadget file that change, or another gadget file."""

    name: str
    change: dict[str, Any] = field(default_factory=dict)
    file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question with its rival answers."""

    name: str
    asks: str = ""
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class StartCharge:
    """The charge with which an observation begins: a share, a voltage at rest, or a word.

    `low` and `high` are shares (0..1) or volts. Words mean: `full` charge 1, `cut-off` where the
    protection opens with no load, `last bar` any charge that shows one bar at rest, `any` all.
    """

    kind: Literal["share", "volts", "full", "cut-off", "last bar", "any"] = "full"
    low: float = 1.0
    high: float = 1.0

    @property
    def loose(self) -> bool:
        """Whether more than one charge is possible."""
        return self.kind in ("last bar", "any") or self.low < self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Do:
    """A stimulus of a scenario, at time 0. `loose`: a press of which nobody says how long."""

    step: Step
    loose: bool = False

    def at(self, at_ns: int) -> Step:
        """The same at another time."""
        return replace(self.step, at_ns=at_ns)

    @property
    def slack_ns(self) -> int:
        """How much later or earlier what it does may come for not knowing its length."""
        return LOOSE_NS if self.loose and isinstance(self.step, Press) else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Time that goes by from the start of the step before."""

    ns: int
    low_ns: int
    high_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Until:
    """An expression becomes true `low_ns` to `high_ns` after what it is counted from.

    Hand, tolerance and how often one looked are in these ends already.
    """

    text: str
    ns: int
    low_ns: int
    high_ns: int
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class See:
    """An expression holds."""

    text: str
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PinSeen:
    """The status pin of the charger has a level."""

    reads: Literal["low", "high", "floating"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeReading:
    """A mean current of one mode: between `low_a` and `high_a` at the node.

    `stock` are the states of stock regions that were named, `held` what hands hold for them.
    """

    states: tuple[tuple[str, str], ...]
    low_a: float
    high_a: float
    node: Literal["cell", "usb"] = "cell"
    stock: tuple[tuple[str, str], ...] = ()
    held: tuple[Step, ...] = ()

    @property
    def usb(self) -> bool:
        """Whether USB is plugged in meanwhile."""
        return any(isinstance(step, Usb) and step.present for step in self.held)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What a recording holds, whose edges may be off by `tolerance_ns`.

    `start` names states of regions when it begins, as its map does.
    """

    observed: Observed = field(repr=False)
    tolerance_ns: int
    start: Mapping[str, str] = field(default_factory=dict)


BenchStep = Do | Wait | Until | See | PinSeen


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Something that was seen. Exactly one of `steps`, `reading` and `recorded` stands.

    `count` is (how often it was seen, of how many times) where chance has a part in it. `supply`:
    a bench supply of the voltage of `start` stood in place of the cell.
    """

    name: str
    key: str = ""
    start: StartCharge = StartCharge()
    steps: tuple[BenchStep, ...] = ()
    reading: ModeReading | None = None
    recorded: Recorded | None = None
    count: tuple[int, int] | None = None
    temperature_c: float | None = None
    by_hand: bool = True
    doubt: bool = False
    supply: bool = False

    @property
    def local(self) -> tuple[str, ...]:
        """What of it alone is known as a range only: the start and each loose wait."""
        found = ["start"] if self.start.loose else []
        if self.count is None:
            found += [name for name in self.chances if name.startswith("wait")]
        return tuple(found)

    @property
    def chances(self) -> tuple[str, ...]:
        """What comes out otherwise each time it is done: loose waits, and presses as they fall."""
        return tuple(
            f"{'wait' if isinstance(step, Wait) else 'press'} {n}"
            for n, step in enumerate(self.steps)
            if (isinstance(step, Wait) and step.low_ns < step.high_ns)
            or (isinstance(step, Do) and step.slack_ns)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchLog:
    """A bench log. `gadgets` are those of the combinations of answers, in the order of the file.

    `pattern`: the habits of who uses the gadget, for days between charges.
    """

    title: str
    file: str
    gadget_path: Path
    kit: tuple[Kit, ...]
    unknowns: tuple[Unknown, ...]
    questions: tuple[Question, ...]
    observations: tuple[Observation, ...]
    gadgets: dict[tuple[int, ...], Gadget] = field(repr=False)
    pattern: Pattern | None = field(default=None, repr=False)

    @property
    def combinations(self) -> tuple[tuple[int, ...], ...]:
        """Each combination of answers: the number of the answer to each question."""
        return tuple(self.gadgets)

    def answers(self, combination: tuple[int, ...]) -> dict[str, str]:
        """The names of the answers, by question."""
        return {
            question.name: question.answers[number].name
            for question, number in zip(self.questions, combination, strict=True)
        }


_SAID = frozenset({"head", "rules", "readings", "file", "digest"})  # no gadget does these


def differ_in(one: Gadget, other: Gadget) -> set[str]:
    """The parts of a gadget file in which two gadgets differ, but for what is only said of them:
    who they are, what is asked and what was read of them, and from which file they come.
    """
    return {name for name in Gadget.model_fields
            if name not in _SAID and getattr(one, name) != getattr(other, name)}
