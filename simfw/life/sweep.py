"""Sweeps: one or two figures of the gadget varied, the same users each time, and what is best."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from simfw.behaviour.build import check
from simfw.circuit.circuit import Circuit
from simfw.engine.corners import REFERENCE, changed
from simfw.errors import DescriptionError, QuantityError, UsageError, hint
from simfw.gadget.dimensions import dimension_of, value_text
from simfw.gadget.electrical import electrical_problems
from simfw.gadget.firmware import firmware_problems
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import Whole, quantities, whole_numbers
from simfw.gadget.wiring import wiring_problems
from simfw.life.effort import worth_compiling
from simfw.life.life import is_certain, spread_of
from simfw.life.study import Keeper, Progress, gather
from simfw.life.workers import Workers
from simfw.preferred import Series, is_bought, preferred_ohm
from simfw.quantity import (
    TIME,
    Dimension,
    Figure,
    Timing,
    format_duration,
    read_number,
)
from simfw.stimuli.pattern import Pattern

__all__ = ["Point", "Sweep", "Vary", "pareto", "read_vary", "sweep"]

POINTS = 7
MOST_POINTS = 200
_VARY = re.compile(r"(?P<key>[^=]+)=(?P<low>.+?)\.\.(?P<high>[^:]+)(?::(?P<count>\d+))?")


@dataclass(frozen=True, slots=True)
class Vary:
    """A figure by its key, and the values it takes (SI, ns for a time) with their texts."""

    key: str
    values: tuple[float, ...]
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One design of a sweep.

    `percentiles` are P10, P50, P90 of the days between charges, None where no span ended.
    `response_s` is the mean time from hand to wave, where the gadget has a sensor: half a look
    period and the further looks that must agree. `best`: no other design is better in everything.
    `within_share` as in `Life`.
    """

    values: tuple[float, ...]
    texts: tuple[str, ...]
    percentiles: tuple[float, float, float] | None
    error_days: float | None
    missed_wave_share: float | None
    response_s: float | None
    best: bool = False
    within_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The designs of a sweep, in the order of the values."""

    pattern: Pattern
    users: int
    seed: int
    keys: tuple[str, ...]
    points: tuple[Point, ...]


def read_vary(text: str, gadget: Gadget, *, series: Series = "E24") -> Vary:
    """Read "KEY=FROM..TO" or "KEY=FROM..TO:N"; the values lie evenly, both ends included.

    Times and resistances that span a factor of four or more lie evenly in ratio. Resistors between
    the ends take the next value of `series`, each once. Raises UsageError.
    """
    found = _VARY.fullmatch(text.strip())
    if found is None:
        raise UsageError(
            f'--vary "{text}" cannot be read. Write KEY=FROM..TO or KEY=FROM..TO:N, '
            'for example --vary "proximity.wave.every=50 ms..500 ms:6".'
        )
    key = found["key"].strip()
    known = quantities(gadget)
    whole = whole_numbers(gadget)
    if key in whole:
        return _whole(key, whole[key], found)
    if key not in known:
        raise UsageError(f'--vary: the gadget has no figure "{key}".'
                         + hint(key, [*known, *whole]))
    quantity = known[key]
    dimension = TIME if isinstance(quantity, Timing) else _dimension(gadget, key, quantity)
    try:
        low, high = (read_number(found[end].strip(), dimension) for end in ("low", "high"))
    except QuantityError as error:
        raise UsageError(f"--vary {key}: {error}") from None
    count = int(found["count"] or POINTS)
    if not 2 <= count <= MOST_POINTS or low >= high:
        raise UsageError(
            f"--vary {key}: two or more values, at most {MOST_POINTS}, the smaller end first."
        )
    if low > 0 and high >= 4 * low:
        values = [low * (high / low) ** (n / (count - 1)) for n in range(count)]
    else:
        values = [low + (high - low) * n / (count - 1) for n in range(count)]
    if isinstance(quantity, Timing):
        # Rounded to three digits, so that the texts are those of round figures.
        values = [float(_rounded(value)) for value in values]
        return Vary(key, tuple(values), tuple(format_duration(round(value)) for value in values))
    if is_bought(key):
        within = [preferred_ohm(value, series) for value in values[1:-1]]
        values = [low, *dict.fromkeys(value for value in within if low < value < high), high]
    texts = [value_text(value, dimension) for value in values]
    return Vary(key, tuple(values), tuple(texts))


def _whole(key: str, now: Whole, found: re.Match[str]) -> Vary:
    """A whole number takes every value between the ends, or N of them."""
    least = 1 if now.least is None else now.least
    ends = [found[end].strip() for end in ("low", "high")]
    allowed = f"from {least} on" if now.most is None else f"from {least} to {now.most}"
    if not all(end.isascii() and end.isdigit() for end in ends):
        raise UsageError(f"--vary {key}: this is a whole number. Allowed: {allowed}.")
    low, high = int(ends[0]), int(ends[1])
    if not least <= low < high or (now.most is not None and high > now.most):
        raise UsageError(f"--vary {key}: two numbers {allowed}, the smaller one first.")
    count = int(found["count"] or min(POINTS, high - low + 1))
    if not 2 <= count <= min(MOST_POINTS, high - low + 1):
        raise UsageError(f"--vary {key}: there are {high - low + 1} values between the ends; take "
                         f"two or more of them, at most {MOST_POINTS}.")
    values = [round(low + (high - low) * n / (count - 1)) for n in range(count)]
    return Vary(key, tuple(float(value) for value in values), tuple(map(str, values)))


def _rounded(ns: float) -> int:
    digits = max(0, math.floor(math.log10(ns)) - 2) if ns >= 1 else 0
    return round(round(ns), -digits)


def _dimension(gadget: Gadget, key: str, figure: Figure) -> Dimension:
    found = dimension_of(gadget, key, figure)
    if found is None:
        raise UsageError(f'--vary: it cannot be told what "{figure.text}" measures.')
    return found


def sweep(
    pattern: Pattern,
    varied: Sequence[Vary],
    *,
    users: int = 100,
    seed: int = 0,
    workers: Workers | None = None,
    kept: Keeper | None = None,
    progress: Progress | None = None,
) -> Sweep:
    """Simulate the pattern's users with every combination of the varied figures.

    `workers` and `kept` as in `life`; `progress(done, users)` counts the users of all designs.
    Raises UsageError where a combination makes no gadget, before anything is simulated.
    """
    combinations = list(product(*(zip(vary.values, vary.texts, strict=True) for vary in varied)))
    keys = tuple(vary.key for vary in varied)
    designs = [dict(zip(keys, (value for value, _ in chosen), strict=True))
               for chosen in combinations]
    for values, chosen in zip(designs, combinations, strict=True):
        _check(pattern, values, ", ".join(text for _, text in chosen))
    fast = worth_compiling(pattern, users * len(designs), study=False)
    points = []
    for number, (values, chosen) in enumerate(zip(designs, combinations, strict=True)):
        one = _with(pattern, values)
        certain = is_certain(one)
        # Where nothing is drawn, all users are one.
        lived = 1 if certain else users
        totals = gather(one, lived, seed, fast=fast, workers=workers, kept=kept, design=number,
                        progress=_shifted(progress, number * lived, len(designs) * lived))
        spread = spread_of(totals.days, certain, charged=pattern.plugs)
        assert one.gadget is not None
        points.append(
            Point(
                values=tuple(values.values()),
                texts=tuple(text for _, text in chosen),
                percentiles=spread.percentiles,
                error_days=spread.error,
                missed_wave_share=totals.missed_wave_share,
                response_s=_response_s(one.gadget),
                within_share=totals.within_share,
            )
        )
    return Sweep(pattern=pattern, users=users, seed=seed, keys=keys, points=pareto(points))


def _with(pattern: Pattern, values: Mapping[str, float]) -> Pattern:
    assert pattern.gadget is not None
    return replace(pattern, gadget=changed(pattern.gadget, values)[0])


def _check(pattern: Pattern, values: Mapping[str, float], texts: str) -> None:
    if REFERENCE in values:
        raise UsageError("--vary controller.reference: what the firmware takes its reference "
                         "for is no part that can be chosen; vary gauge.thresholds instead.")
    gadget = _with(pattern, values).gadget
    assert gadget is not None
    # What a file is checked for when it is read: the figures have changed since.
    found = [electrical_problems(gadget), wiring_problems(gadget), firmware_problems(gadget),
             check(gadget)]
    problems = [problem for part in found for problem in part]
    if not problems:
        try:
            Circuit(gadget)
        except DescriptionError as error:
            problems = list(error.problems)
    if problems:
        told = " ".join(str(problem) for problem in problems)
        raise UsageError(f"--vary: with {texts} the figures make no gadget. {told}")


def _shifted(progress: Progress | None, before: int, total: int) -> Progress | None:
    if progress is None:
        return None
    return lambda done, _: progress(before + done, total)


def _response_s(gadget: Gadget) -> float | None:
    """Mean time from a hand to the wave event, for a hand that stays (s)."""
    if not gadget.proximity:
        return None
    sensor = next(iter(gadget.proximity.values()))
    # A hand comes at any phase and is judged at the end of a burst, once each period.
    return sensor.every.ns * 1e-9 * (sensor.agree - 0.5)


def pareto(points: Sequence[Point]) -> tuple[Point, ...]:
    """Mark the designs that no other one beats: more days, fewer waves missed, faster answer."""

    def better(one: Point, other: Point) -> bool:
        pairs = [(_goals(one)[n], _goals(other)[n]) for n in range(3)]
        return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)

    return tuple(
        replace(point, best=point.percentiles is not None
                and not any(better(other, point) for other in points))
        for point in points
    )


def _goals(point: Point) -> tuple[float, float, float]:
    """What is to be small."""
    days = -math.inf if point.percentiles is None else point.percentiles[1]
    return (-days, point.missed_wave_share or 0.0, point.response_s or 0.0)
