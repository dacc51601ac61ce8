"""What would help: one figure changed at a time, the same users drawn again each time."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simfw.engine.corners import changed, ends_of, worst_and_best
from simfw.errors import DescriptionError
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.sampling import Spread
from simfw.life.store import Store
from simfw.life.user import UserLife, live
from simfw.preferred import is_bought, preferred_ohm
from simfw.quantity import Timing, format_duration, format_si
from simfw.stimuli.pattern import Pattern

__all__ = ["Change", "best_changes", "corners", "extra_lives", "mean_days", "typical_users"]

BEST = 3
FACTOR = 2.0
TYPICAL = 4
LEAST_GAIN = 1e-3  # of the life; less is no gain

_DWELL = re.compile(r"behaviour\..+\.rows\[\d+\]\.after")

# What a designer may choose, by the end of its key, whether it helps larger or smaller, and the
# unit it is written in ("" for a time). A figure is doubled or halved (a resistor takes the next
# value of E24), the capacity grows by half.
_CHOICES: tuple[tuple[str, float, str], ...] = (
    (r"cell\.capacity", 1.5, "C"),
    (r"cell\.self_discharge", 0.5, "/month"),
    (r"cell\.leakage", 0.5, "A"),
    (r"controller\.(awake|asleep)", 0.5, "A"),
    (r"controller\.wake", 0.5, "C"),
    (r"lights\.[^.]+\.resistor", FACTOR, "Ω"),
    (r"lights\.[^.]+\.driver\.(current|quiescent)", 0.5, "A"),
    (r"loads\.[^.]+\.current", 0.5, "A"),
    (r"loads\.[^.]+\.resistance", FACTOR, "Ω"),
    (r"proximity\.[^.]+\.every", FACTOR, ""),
    (r"proximity\.[^.]+\.settle", 0.5, ""),
    (r"proximity\.[^.]+\.receiver\.supply", 0.5, "A"),
    (r"proximity\.[^.]+\.emitter\.resistor", FACTOR, "Ω"),
    (r"gauge\.every", FACTOR, ""),
    (r"buttons\.[^.]+\.sample_every", FACTOR, ""),
    (_DWELL.pattern, 0.5, ""),
)


@dataclass(frozen=True, slots=True)
class Change:
    """A change in words, and the days between charges it would add."""

    change: str
    gain_days: float


def mean_days(
    pattern: Pattern, gadget: Gadget, seed: int, fast: bool, users: Sequence[int], *,
    reference_v: float | None = None, store: Store | None = None,
) -> float:
    """The mean span of a few users with these parts; inf where it never ends."""
    return _mean(_lives(pattern, gadget, seed, fast, users, reference_v, store))


def _lives(
    pattern: Pattern, gadget: Gadget, seed: int, fast: bool, users: Sequence[int],
    reference_v: float | None, store: Store | None,
) -> list[UserLife]:
    """The first span of a few users with these parts."""
    first_span = _first_span(pattern, gadget)
    layout = Layout(first_span, gadget, warmths(first_span)[0])
    if store is None or not layout.same_shape(store.layout):
        store = Store(layout, fast)
    parts = PartTables(store, gadget, reference_v)
    return [live(first_span, store, parts, seed, user, first=True) for user in users]


def _mean(lives: Sequence[UserLife]) -> float:
    days = [math.inf if one.days is None else one.days for one in lives]
    return sum(days) / len(days)


def _first_span(pattern: Pattern, gadget: Gadget) -> Pattern:
    """The pattern until the first span has ended, from full where the cell is charged at all."""
    charge = 1.0 if pattern.plugs else pattern.charge
    return replace(pattern, horizon_ns=1, gadget=gadget, charge=charge)


def best_changes(
    pattern: Pattern, seed: int, fast: bool, users: Sequence[int] = (0,), *,
    typical_days: float | None = None,
) -> tuple[Change, ...]:
    """The three single changes that would add most days between charges.

    Each is tried on the same few `users` with nominal parts, over one span. One span of a few users
    is short or long by chance, with the change as without it; so it is what the change multiplies
    the days by that counts, and the gain is told for somebody whose days are `typical_days` (None:
    as these users have them). A change may cost something else (a weaker light, waves missed): that
    is for the reader to weigh. A dwell is not changed where a state that the gadget came to before
    is never come to with it: what it does there would be done no more.
    """
    gadget = pattern.gadget
    assert gadget is not None
    store = _store(pattern, gadget, fast)
    lives = _lives(pattern, gadget, seed, fast, users, None, store)
    before = _mean(lives)
    if not math.isfinite(before):
        return ()
    stood = _stood_in(lives)
    found = []
    for text, values in _candidates(gadget):
        try:
            lives = _lives_at(pattern, values, seed, fast, users, store)
        except DescriptionError:
            continue  # the figures no longer make a circuit
        if any(map(_DWELL.fullmatch, values)) and not stood <= _stood_in(lives):
            continue
        days = _mean(lives)
        if math.isfinite(days) and days - before > LEAST_GAIN * before:
            found.append(Change(text, (days - before) * _share(before, typical_days)))
    return tuple(sorted(found, key=lambda one: -one.gain_days)[:BEST])


def _share(before: float, typical_days: float | None) -> float:
    return 1.0 if typical_days is None else typical_days / before


def typical_users(strengths: NDArray[np.float64]) -> tuple[int, ...]:
    """A few users who do about as much as most, by what each does (n), on whom changes are tried.

    One in four, up to `TYPICAL`.
    """
    nearest = np.argsort(np.abs(strengths - np.median(strengths)), kind="stable")
    return tuple(sorted(nearest[: _typical_count(len(strengths))].tolist()))


def _typical_count(users: int) -> int:
    return max(1, min(TYPICAL, users // 4))


def extra_lives(pattern: Pattern, users: int) -> int:
    """How many lives `best_changes` and `corners` live, each one span long."""
    gadget = pattern.gadget
    assert gadget is not None
    keys = len(Spread(gadget).keys)
    designs = 1 + sum(1 for _ in _candidates(gadget)) + (2 * keys + 3 if keys else 0)
    return _typical_count(users) * designs


def _store(pattern: Pattern, gadget: Gadget, fast: bool) -> Store:
    first_span = _first_span(pattern, gadget)
    return Store(Layout(first_span, gadget, warmths(first_span)[0]), fast)


def _candidates(gadget: Gadget) -> Iterator[tuple[str, dict[str, float]]]:
    """Each single change in words, and the figure that it changes."""
    for key, quantity in quantities(gadget).items():
        for ending, factor, unit in _CHOICES:
            if re.fullmatch(ending, key) is None:
                continue
            if isinstance(quantity, Timing):
                if quantity.ns == 0:
                    continue
                new = round(quantity.ns * factor)
                text = f"{format_duration(quantity.ns)} -> {format_duration(new)}"
                yield f"{key}: {text}", {key: new}
            elif quantity.value > 0.0:
                value = quantity.value * factor
                if is_bought(key):
                    value = preferred_ohm(value)
                text = f"{_figure(quantity.value, unit)} -> {_figure(value, unit)}"
                yield f"{key}: {text}", {key: value}


def _figure(value: float, unit: str) -> str:
    if unit == "C":
        return format_si(value / 3600.0, "Ah")
    if unit == "/month":
        return f"{100.0 * value:.3g} %/month"
    return format_si(value, unit)


def corners(
    pattern: Pattern, seed: int, fast: bool, users: Sequence[int] = (0,), *,
    typical_days: float | None = None,
) -> tuple[float, float] | None:
    """The days with every figure at its worse and at its better end, for the same few `users`.

    Which end is better is found for each figure alone. `typical_days` as for `best_changes`. None
    where no figure has a range, or where nominal parts last for ever.
    """
    gadget = pattern.gadget
    assert gadget is not None
    ends = ends_of(gadget)
    if not ends:
        return None
    store = _store(pattern, gadget, fast)
    worst, best = worst_and_best(
        ends, lambda values: _at(pattern, values, seed, fast, users, store)
    )
    before = mean_days(pattern, gadget, seed, fast, users, store=store)
    if not math.isfinite(before):
        return None
    share = _share(before, typical_days)
    low, high = (share * _at(pattern, values, seed, fast, users, store)
                 for values in (worst, best))  # fmt: skip
    return low, high


def _at(
    pattern: Pattern, values: dict[str, float], seed: int, fast: bool, users: Sequence[int],
    store: Store,
) -> float:
    return _mean(_lives_at(pattern, values, seed, fast, users, store))


def _lives_at(
    pattern: Pattern, values: dict[str, float], seed: int, fast: bool, users: Sequence[int],
    store: Store,
) -> list[UserLife]:
    assert pattern.gadget is not None
    gadget, reference_v = changed(pattern.gadget, values)
    return _lives(pattern, gadget, seed, fast, users, reference_v, store)


def _stood_in(lives: Sequence[UserLife]) -> set[int]:
    """The states, by their numbers, in which any of them spent time."""
    return {number for one in lives for number, ns in enumerate(one.spent_ns) if ns}

