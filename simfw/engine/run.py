"""What a simulation yields: a `Run`, a frozen record that reports, plots and checks read."""

from __future__ import annotations

from dataclasses import dataclass, field

from simfw.circuit.charger import StatusLevel
from simfw.circuit.circuit import LoadSet
from simfw.engine.snapshot import Snapshot
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario

__all__ = [
    "ConsumerUse",
    "Expected",
    "Guess",
    "Interval",
    "Occurred",
    "Part",
    "RuleVerdict",
    "Run",
    "StateUse",
]


@dataclass(frozen=True, slots=True)
class Occurred:
    """An event: when, and its name. Only events of stock regions and rows; no internal ticks."""

    time_ns: int
    name: str


@dataclass(frozen=True, slots=True)
class ConsumerUse:
    """The charge one consumer drew in the run (C, >= 0)."""

    name: str
    charge_c: float


@dataclass(frozen=True, slots=True)
class StateUse:
    """How long a region was in a state, and what the whole gadget drew meanwhile (C)."""

    region: str
    state: str
    time_ns: int
    charge_c: float


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch of a folded cycle: how long it lasts, its load set and its levels."""

    lasts_ns: int
    loads: LoadSet
    levels: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A stretch of time with one load set, or a folded block of equal cycles.

    `states` holds the state of each region in the order of `Run.regions`, at the start of the
    stretch. `consumers_a` are mean currents (A) in the order of `Run.consumers`, `charger_a` is the
    charger's mean output: their sum is what moved the charge from `start_charge` to `end_charge`.
    The charge of a `wake` is in the block of cycles that it lies in; at the start of a plain
    stretch it is in none. `voltage_v` is the terminal voltage (lowest PWM phase) at the start, of
    folded cycles the lowest of one; `start_charge` and `end_charge` are 0..1. `bars` is the gauge's
    level, None without a gauge. `levels` holds the level 0..1 of each light and load in the order
    of `Run.outputs`.
    `cycles` is 0 for a plain stretch, else how many whole cycles were folded into it; `parts` are
    then the stretches of one cycle, from the start of the interval on.
    """

    start_ns: int
    end_ns: int
    states: tuple[str, ...]
    loads: LoadSet
    consumers_a: tuple[float, ...]
    charger_a: float
    voltage_v: float
    start_charge: float
    end_charge: float
    bars: int | None
    levels: tuple[float, ...]
    cycles: int = 0
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """An expectation of the scenario and whether it was met. `why` tells what stood instead."""

    key: str
    time_ns: int
    expression: str
    met: bool
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVerdict:
    """A rule and whether it held; `time_ns` and `why` tell where and how it first broke."""

    name: str
    held: bool
    time_ns: int | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptUse:
    """What of a region is kept over a power loss ("state" or "resume"), and how often that was
    written: every change is one.
    """

    region: str
    what: str
    writes: int


@dataclass(frozen=True, slots=True)
class Guess:
    """A quantity of the gadget file that is marked as a guess."""

    key: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The result of simulating one scenario over [start, end).

    Charges are in coulomb, charge states 0..1. `charger_charge_c` is what the charger put out.
    Balance: sum of consumers - charger = capacity * (start_charge - end_charge).
    `fed` is what lights that USB or the charger lights took from the charger's supply, beside that.
    `empty_at_ns` is when the protection first opened. `end_status` is the level of the charger's
    status pin in the state settled at the end, None without a charger. `kept` tells what was
    written to survive a power loss. `final` resumes the run elsewhere. `work` counts the stretches
    that were gone through one by one, 0 where nothing was folded.
    """

    gadget: Gadget
    scenario: Scenario
    seed: int
    start_ns: int
    end_ns: int
    regions: tuple[str, ...]
    outputs: tuple[str, ...]
    consumers: tuple[ConsumerUse, ...]
    states: tuple[StateUse, ...]
    events: tuple[Occurred, ...]
    intervals: tuple[Interval, ...]
    expectations: tuple[Expected, ...]
    rules: tuple[RuleVerdict, ...]
    guesses: tuple[Guess, ...]
    charger_charge_c: float
    capacity_c: float
    start_charge: float
    end_charge: float
    end_voltage_v: float
    end_open_circuit_v: float
    empty_at_ns: int | None
    final: Snapshot
    end_status: StatusLevel | None = None
    fed: tuple[ConsumerUse, ...] = ()
    kept: tuple[KeptUse, ...] = ()
    work: int = field(default=0, compare=False)

    @property
    def duration_ns(self) -> int:
        """How long the run lasted (ns)."""
        return self.end_ns - self.start_ns

    @property
    def charge_used_c(self) -> float:
        """The charge all consumers drew, whoever supplied it (C)."""
        return float(sum(use.charge_c for use in self.consumers))

    @property
    def average_current_a(self) -> float:
        """`charge_used_c` over the duration (A)."""
        return self.charge_used_c / (self.duration_ns * 1e-9)
