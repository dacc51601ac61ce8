"""What narrowing finds, as frozen values: intervals, contradictions, what each rests on."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.benchlog.model import BenchLog
from simfw.benchlog.search import State
from simfw.gadget.figures import Origin
from simfw.quantity import Dimension

__all__ = [
    "Contradiction",
    "Guessed",
    "Interval",
    "Meaning",
    "Narrowed",
    "RivalResult",
    "Suspect",
    "Suspects",
    "Together",
    "Unnoticed",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """What is left of one unknown (SI; ns for a time).

    `low` .. `high` holds the truth as far as the search tells; a run that fits everything reached
    `low_reached` and `high_reached`. `low_by`, `high_by` name the observations that hold the ends;
    empty where the range of the log does.
    """

    key: str
    low: float
    high: float
    low_reached: float
    high_reached: float
    low_by: tuple[str, ...] = ()
    high_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Figures that trade off: `sum`, `ratio` or `product` of two, better known than either."""

    kind: str
    keys: tuple[str, str]
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Observations that no figures fit together: off by `off` tolerances at the least.

    `minimal`: exact runs fit each set that lacks one of them. `never` are those of them that came
    in no run at all: what was waited for, or the mode that was read.
    """

    observations: tuple[str, ...]
    off: float
    minimal: bool
    never: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unnoticed:
    """An observation that could be misread unnoticed: all from `low` to `high` would be believed.

    In `unit`, over all figures that fit the others.
    """

    observation: str
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Guessed:
    """A guess of the gadget file: what 10 % more of it moves, in tolerances of `observation`."""

    key: str
    moves: float
    observation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A figure that the gadget file takes as known: at `value` in place of `written`, everything
    else as it says, a run fits everything (SI; ns for a time). `origin` tells how it is known.
    """

    key: str
    written: float
    value: float
    origin: Origin
    dimension: Dimension


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspects:
    """Where nothing fits: which one figure of the gadget file could be wrong, in the combination
    that comes nearest. So many bear on what contradicts and were `asked` about; `whole`: all were.
    """

    combination: tuple[int, ...]
    figures: tuple[Suspect, ...]
    asked: int
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What the figures that are left mean: a time (s) over gadgets that fit; None: no end."""

    what: str
    low_s: float | None
    high_s: float | None
    gadgets: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RivalResult:
    """One combination of answers.

    `off` is how far the worst observation is off at the least (tolerances). `contradictions` are
    those sets that exclude it, smallest first. `fitting` are figures that fit, those of the ends.
    `not_looked_at` are observations for which the work did not do: what would else be possible is
    open then, and its intervals rest on the others. `guesses_not_tried` are those of which 10 %
    more would have taken too much work.
    """

    combination: tuple[int, ...]
    answers: dict[str, str]
    state: State
    off: float
    runs: int
    whole: bool
    not_looked_at: tuple[str, ...] = ()
    intervals: tuple[Interval, ...] = ()
    together: tuple[Together, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    unnoticed: tuple[Unnoticed, ...] = ()
    guesses: tuple[Guessed, ...] = ()
    guesses_not_tried: tuple[str, ...] = ()
    meanings: tuple[Meaning, ...] = ()
    decided_by: dict[str, tuple[str, ...]]
    fitting: tuple[dict[str, float], ...] = ()
    fitting_local: tuple[dict[tuple[int, str], float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Narrowed:
    """What is left of a bench log.

    `intervals` are over all combinations that are not excluded. `contradictions` hold in every
    combination. `left_out` tells, where nothing fits, which combinations could fit without one
    observation, `suspects` (None if `brief`) which figure that is taken as known could be wrong.
    `untouched` are the unknowns on which nothing observed bears.
    """

    log: BenchLog
    seed: int
    rivals: tuple[RivalResult, ...]
    intervals: tuple[Interval, ...]
    contradictions: tuple[Contradiction, ...]
    left_out: dict[str, tuple[tuple[int, ...], ...]]
    untouched: tuple[str, ...]
    runs: int
    suspects: Suspects | None = None

    @property
    def possible(self) -> tuple[RivalResult, ...]:
        """The combinations that are not excluded."""
        return tuple(one for one in self.rivals if one.state != "excluded")

    @property
    def nearest(self) -> RivalResult | None:
        """Where nothing fits: the combination whose worst observation is least off."""
        return None if self.possible else min(self.rivals, key=lambda one: one.off)
