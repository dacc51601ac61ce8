"""`next`: what to look at next, and what each explanation that is left predicts of it.

The library of circuit experiments is made from the gadget: the current of each state, the status
pin, a charge that is timed, a run-down to a bar, the drawer. Handlings that tell rivals apart come
from `side_by_side`. What an experiment tells is counted in bits: of its outcome, with the
combinations that are left weighing the same and the figures of each spread over what they predict,
less what the meter and the hand blur (C. E. Shannon, "A mathematical theory of communication",
1948).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np

from simfw.benchlog.bench import observe
from simfw.benchlog.library import EVERY, LONGEST_NS, LOOKED, Template, library
from simfw.benchlog.model import (
    CLOCK,
    BenchLog,
    Kit,
    Observation,
)
from simfw.benchlog.narrowed import Narrowed, RivalResult
from simfw.benchlog.policy import begin_with
from simfw.benchlog.side_by_side import Handling, shown_after, told_apart
from simfw.benchlog.world import World
from simfw.engine.corners import rows_ignore
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.quantity import format_rough_time

__all__ = ["Experiment", "NextResult", "Prediction", "Proof", "Untold", "next_experiments"]

Proof = Literal["all", "rows"]
"""What of two gadgets is proved to be the same: `all` that can be seen or measured; `rows`: what
is driven, whatever hands do, as long as both read the same of the cell."""

_S = 1_000_000_000
_METER = 0.02  # of a reading
_METER_A = 0.5e-6
_METER_V = 0.01  # with the moment missed by a little: common practice, no source
_LOOKED_S = 300.0  # how often one looks at bars or at a charge
_CLOSE_S = 60.0  # and near the end, where all predictions lie within half an hour
_WITHIN_S = 1800.0
_CLOCK = 0.1
_GADGETS = 6  # of each explanation that are asked
_PAIRS = 12  # of explanations that are stepped side by side
_PROOFS = 24  # of pairs that nothing tells apart, that are searched for a proof
_FINE = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """What one explanation predicts: from `low` to `high` (s or A), or one of some sights."""

    combination: tuple[int, ...]
    low: float | None = None
    high: float | None = None
    sights: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Experiment:
    """Something to look at.

    `minutes` is how long it takes, waiting included; `unit` of what is read (`s`, `A`; "" for a
    sight); `blur` how well it is read (s or A at the middle). `bits` is what it tells.
    """

    name: str
    kind: str
    hands: str
    minutes: float
    kit: tuple[Kit, ...]
    unit: str
    blur: float
    bits: float
    predictions: tuple[Prediction, ...]
    entry: str = ""
    handling: Handling | None = None

    @property
    def worth(self) -> float:
        """Bits per minute."""
        return self.bits / max(self.minutes, 0.1)

    def tells(self, one: tuple[int, ...], other: tuple[int, ...]) -> bool:
        """Whether no outcome is predicted by both of two explanations."""
        first, second = (
            next(p for p in self.predictions if p.combination == which) for which in (one, other)
        )
        if set(first.sights) & set(second.sights):
            return False
        if None in (first.low, second.low) or first.high is None or second.high is None:
            return True
        assert first.low is not None
        assert second.low is not None
        return (first.high + self.blur < second.low - self.blur
                or second.high + self.blur < first.low - self.blur)


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold:
    """Two explanations that no usable experiment surely tells apart.

    `would_tell` are the names of experiments that would, with more kit or time. `proof` is what is
    proved to be the same of both; None where nothing is: then `tried` experiments of the library,
    handlings side by side among them, have an outcome that both predict.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    would_tell: tuple[str, ...]
    proof: Proof | None
    tried: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NextResult:
    """What to look at next, most bits per minute first, and what cannot be told apart.

    Where another one first tells explanations apart in less time in the end, it stands before all
    that tell any apart; `expected_minutes` is what that takes on average, 0 where nothing does.
    `looks` counts handlings that were tried side by side.
    """

    narrowed: Narrowed
    kit: tuple[Kit, ...]
    minutes: float | None
    experiments: tuple[Experiment, ...]
    expected_minutes: float
    not_tellable: tuple[Untold, ...]
    looks: int
    runs: int


@dataclass(slots=True)
class _Left:
    """One explanation that is left, with some of the gadgets it may be."""

    rival: RivalResult
    world: World
    gadgets: list[Prepared] = field(default_factory=list)
    figures: list[dict[str, float]] = field(default_factory=list)

    def as_seen(self, seen: Observation) -> list[Prepared]:
        """The gadgets as an observation has them: with a bench supply where it says so."""
        if not seen.supply:
            return self.gadgets
        return [World(self.world.gadget).prepared(self.world.supplied(one))
                for one in self.figures]


def next_experiments(
    found: Narrowed, *, kit: Sequence[Kit] | None = None, minutes: float | None = None,
    same: Callable[[Gadget, Gadget], Proof | None] | None = None,
) -> NextResult:
    """What to look at next, by what is left of a bench log.

    `kit` is what lies on the bench, else what the log says; `minutes` is the longest that an
    experiment may take. `same` tells what is proved to be the same of two gadgets that nothing
    tells apart (`simfw.report.sameness.proved_same`); without it nothing is proved.
    """
    log = found.log
    own = tuple(log.kit if kit is None else kit)
    left = [_left(log, rival) for rival in found.possible]
    looks: dict[_Pair, int] = {}
    runs = 0
    everything: list[Experiment] = []
    if left:
        for template in library(left[0].gadgets[0]):
            one = _predicted(template, left, log)
            runs += len(left) * _GADGETS
            alike = [e for e in everything if one is not None and e.kind == one.kind == "current"
                     and e.predictions == one.predictions]
            if one is not None and not alike:  # states that tick are one mode
                everything.append(one)
        handlings, looks = _handlings(left, minutes)
        everything += handlings
    usable = [
        one for one in everything
        if set(one.kit) <= set(own) and (minutes is None or one.minutes <= minutes)
    ]
    told = sorted(
        (one for one in usable if one.bits >= 0.05), key=lambda one: (-one.worth, one.name))
    left_over = [one.rival.combination for one in left]
    plan = begin_with(told, left_over)
    if plan is not None:
        place = next(n for n, one in enumerate(told)
                     if any(one.tells(a, b) for a, b in combinations(left_over, 2)))
        told.remove(plan.first)
        told.insert(place, plan.first)
    return NextResult(
        narrowed=found, kit=own, minutes=minutes, experiments=tuple(told),
        expected_minutes=0.0 if plan is None else plan.minutes,
        not_tellable=tuple(_not_tellable(log, left, usable, everything, looks, same)),
        looks=sum(looks.values()), runs=runs,
    )


def _left(log: BenchLog, rival: RivalResult) -> _Left:
    world = World(log.gadgets[rival.combination])
    points: list[dict[str, float]] = list(rival.fitting)
    if not points:  # open: nothing is known but the ranges
        points = [{one.key: one.at(share) for one in log.unknowns} for share in (0.1, 0.5, 0.9)]
    step = max(1, len(points) // _GADGETS)
    some = points[::step][:_GADGETS]
    found = _Left(rival, world)
    for values in some:
        found.gadgets.append(World(world.gadget).prepared(values))
        found.figures.append(values)
    return found


# -- circuit -----------------------------------------------------------------------------------


def _predicted(template: Template, left: Sequence[_Left], log: BenchLog) -> Experiment | None:
    """The experiment with what each explanation predicts; None where some cannot do it."""
    predictions = []
    outcomes: list[list[float | str | None]] = []
    for one in left:
        values: list[float | str | None] = []
        for prepared in one.as_seen(template.seen):
            try:
                values += _asked(template, prepared)
            except (StopIteration, KeyError):
                return None
        outcomes.append(values)
        predictions.append(_prediction(one.rival.combination, values))
    numbers = [v for vs in outcomes for v in vs if isinstance(v, float)]
    minutes = template.minutes
    if minutes is None and template.kind == "voltage":
        came = [observe(one.gadgets[0], template.seen, {})[0].value for one in left]
        minutes = max((s for s in came if s is not None), default=LONGEST_NS * 1e-9) / 60.0 + 5.0
    if minutes is None:
        minutes = (max(numbers) / 60.0 if numbers else LONGEST_NS * 1e-9 / 60.0) + 5.0
    blur, hands, entry = 0.0, template.hands, template.entry
    if template.unit == "A" and numbers:
        blur = _METER * float(np.median(numbers)) + _METER_A
    elif template.unit == "V":
        blur = _METER_V
    elif template.blur is not None and numbers:
        blur = template.blur[0] * float(np.median(numbers)) + template.blur[1]
    elif template.unit == "s" and numbers:
        looked_s = _LOOKED_S
        if max(numbers) - min(numbers) <= _WITHIN_S:
            looked_s = _CLOSE_S
            begun_s = min(numbers) - 2.0 * _LOOKED_S
            hands = hands.replace(EVERY, "every minute" if begun_s <= 0.0 else (
                f"{EVERY}, from {format_rough_time(begun_s, 2)} on every minute"))
            entry = entry.replace(LOOKED, 'looked = "1 min"')
        blur = 0.5 * looked_s
    if template.kind == "dwell" and numbers and CLOCK not in {one.key for one in log.unknowns}:
        blur += _CLOCK * float(np.median(numbers))
    return Experiment(
        name=template.name, kind=template.kind, hands=hands, minutes=minutes,
        kit=template.kit, unit=template.unit, blur=blur, bits=bits_of(outcomes, blur),
        predictions=tuple(predictions), entry=entry,
    )


def _asked(template: Template, prepared: Prepared) -> list[float | str | None]:
    """What one gadget would show."""
    seen = template.seen
    if template.sights:
        margins = observe(prepared, seen, {})
        each = len(margins) // len(template.sights)
        for n, sight in enumerate(template.sights):
            if all(one.off <= 1.0 for one in margins[n * each : (n + 1) * each]):
                return [sight]
        return [template.otherwise]
    if seen.reading is not None and seen.start.loose:
        return [observe(prepared, seen, {"start": share})[0].value for share in (0.0, 1.0)]
    return [observe(prepared, seen, {})[template.margin].value]


def _prediction(
    combination: tuple[int, ...], values: Sequence[float | str | None]
) -> Prediction:
    numbers = [v for v in values if isinstance(v, float)]
    words = tuple(dict.fromkeys(
        v if isinstance(v, str) else "never" for v in values if not isinstance(v, float)))
    return Prediction(
        combination=combination, low=min(numbers, default=None), high=max(numbers, default=None),
        sights=words,
    )


def bits_of(outcomes: Sequence[Sequence[float | str | None]], blur: float) -> float:
    """What an outcome tells (bits): its entropy less that of the blur (half width `blur`).

    `outcomes` of each explanation; explanations weigh the same. Numbers are spread evenly between
    the least and the greatest, in ratio where these differ fourfold; words are what they are.
    """
    weight = 1.0 / max(len(outcomes), 1)
    words: dict[str, float] = {}
    spans: list[tuple[float, float, float]] = []
    for values in outcomes:
        if not values:
            continue
        numbers = [v for v in values if isinstance(v, float)]
        share = weight / len(values)
        for v in values:
            if not isinstance(v, float):
                word = v or "never"
                words[word] = words.get(word, 0.0) + share
        if numbers:
            spans.append((min(numbers), max(numbers), share * len(numbers)))
    bits = -sum(p * math.log2(p) for p in words.values() if p > 0)
    total = sum(p for _, _, p in spans)
    if not spans or blur <= 0:
        return max(0.0, bits)
    low = min(a for a, _, _ in spans) - blur
    high = max(b for _, b, _ in spans) + blur
    grid = np.linspace(low, high, _FINE)
    if low > 0 and high > 4 * low:
        grid = np.geomspace(low, high, _FINE)
    middle, width = 0.5 * (grid[1:] + grid[:-1]), np.diff(grid)
    density = np.zeros(len(middle))
    for a, b, p in spans:
        # A number even between a and b, read with an error even within the blur.
        if b - a > 1e-9 * max(abs(a), abs(b)):
            share_of = (np.clip(middle + blur, a, b) - np.clip(middle - blur, a, b)) / (b - a)
            density += p * share_of / (2.0 * blur)
        else:
            density += p * (np.abs(middle - a) <= blur) / (2.0 * blur)
    inside = density > 0
    held = float((density * width)[inside].sum())
    if held > 0:
        density *= total / held
        spread = -float((density * width * np.log2(np.maximum(density, 1e-300)))[inside].sum())
        bits += spread - total * math.log2(2.0 * blur)
    return max(0.0, bits)


# -- behaviour ---------------------------------------------------------------------------------


_Pair = tuple[tuple[int, ...], tuple[int, ...]]


def _handlings(
    left: Sequence[_Left], minutes: float | None
) -> tuple[list[Experiment], dict[_Pair, int]]:
    """Handlings that show a difference between explanations, each told for all of them.

    With how many were tried, by the pairs for which they were.
    """
    found: dict[Handling, Experiment] = {}
    looks: dict[_Pair, int] = {}
    most_s = 4 * 3600.0 if minutes is None else 60.0 * minutes
    for a, b in list(combinations(left, 2))[:_PAIRS]:
        if a.gadgets[0].system == b.gadgets[0].system:
            continue  # the rows are the same: only the circuit can tell
        told, tried = told_apart(a.gadgets[0], b.gadgets[0], most_s=most_s)
        looks[a.rival.combination, b.rival.combination] = tried
        if told is None or told.handling in found:
            continue
        outcomes: list[list[float | str | None]] = [
            [shown_after(prepared, told.handling) for prepared in one.gadgets] for one in left
        ]
        lasts = told.lasts_ns / 60e9 + 0.5
        # A heater or a motor is not lit.
        seen = "on" if a.gadgets[0].gadget.loads else "lit"
        found[told.handling] = Experiment(
            name=told.handling.words, kind="handling", kit=("eyes",), unit="", blur=0.0,
            hands=f"With the cell about 80 % full: {told.handling.words}. What is {seen}?",
            minutes=lasts, bits=bits_of(outcomes, 0.0), handling=told.handling,
            predictions=tuple(
                _prediction(one.rival.combination, values)
                for one, values in zip(left, outcomes, strict=True)),
            entry=_handling_entry(told.handling),
        )
    return list(found.values()), looks


def _handling_entry(handling: Handling) -> str:
    lines = list(handling.lines)
    lines.append('{ see = "..." }')
    return f'start = "80 %"\nsteps = [{", ".join(lines)}]'


# -- what cannot be told -----------------------------------------------------------------------


def _not_tellable(
    log: BenchLog, left: Sequence[_Left], usable: Sequence[Experiment],
    everything: Sequence[Experiment], looks: Mapping[_Pair, int],
    same: Callable[[Gadget, Gadget], Proof | None] | None,
) -> Iterator[Untold]:
    """Pairs of explanations that no usable experiment surely tells apart."""
    proofs = 0
    # A proof is for the times of the file, and for all that are in the same ratios: not with a
    # time that the clock has no part in.
    clocked = all(one.controller is None or one.controller.hold_up is None
                  for one in log.gadgets.values())
    fixed = all(rows_ignore(one.key) or (one.key == CLOCK and clocked) for one in log.unknowns)
    for a, b in combinations([one.rival.combination for one in left], 2):
        if any(one.tells(a, b) for one in usable):
            continue
        would = tuple(one.name for one in everything if one not in usable and one.tells(a, b))
        proof = None
        if same is not None and fixed and not would and proofs < _PROOFS:
            proofs += 1
            proof = same(log.gadgets[a], log.gadgets[b])
        yield Untold(first=a, second=b, would_tell=would, proof=proof,
                     tried=len(everything) - len(would) + looks.get((a, b), 0))
