"""What a gadget would have shown in an observation, by an exact run, as margins."""

from __future__ import annotations

import contextlib
import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.rules import BoundRule
from simfw.behaviour.tree import Expression, Not
from simfw.benchlog.margin import FAR, Asked, Margin, asked_of, between, truth
from simfw.benchlog.model import (
    HAND_NS,
    LOOSE_NS,
    PRESS_NS,
    Do,
    ModeReading,
    Observation,
    PinSeen,
    See,
    Until,
    Wait,
)
from simfw.benchlog.recorded import compared
from simfw.benchlog.world import start_ends
from simfw.engine.modes import mean_current
from simfw.engine.observer import Observer
from simfw.engine.plant import Plant
from simfw.engine.prepared import Prepared
from simfw.engine.resume import snapshot
from simfw.engine.simulation import Simulation
from simfw.engine.snapshot import Snapshot
from simfw.stimuli.scenario import Expect, Press, Scenario, Step, Temperature

__all__ = ["Work", "observe", "start_charge"]

_LIMIT = 4  # times what was seen: what has not come by then does not come
_MORE_NS = 60_000_000_000
_TINY_V = 0.02  # a tolerance of a voltage with one end
_TINY = 0.02  # and of a share
_SIGMAS = 3.0
_RUN = 20  # units of work of a run, beside its instants
_DRAWS = 24  # of one length that falls by chance; of several twice as many together


@dataclass(slots=True)
class Work:
    """Units of work that were done: an instant of a run is one, a run itself `_RUN`. More than
    `most` are not begun: TooMany is raised then.
    """

    units: int = 0
    most: float = math.inf


def observe(
    prepared: Prepared, seen: Observation, local: Mapping[str, float], *, near: bool = False,
    met: set[tuple[str, str]] | None = None, work: Work | None = None,
) -> tuple[Margin, ...]:
    """The margins of one observation; as many, in the same order, for every gadget.

    `local` holds where within its own ranges the observation lies (0..1 each). `near`: of a sight
    that is not met, how far away in time it is. With steps, region and state of all that were stood
    in are added to `met`. What was done for it is added to `work`; raises TooMany where that would
    be more than it may be.
    """
    work = Work() if work is None else work
    charge = start_charge(prepared, seen, local.get("start", 0.5))
    if seen.reading is not None or seen.recorded is not None:
        work.units += _RUN
    if seen.reading is not None:
        return (_reading(prepared, seen.reading, charge),)
    if seen.recorded is not None:
        return compared(prepared, seen.recorded, charge)
    if seen.count is not None:
        return (_counted(prepared, seen, local, charge, met, work),)
    return _Bench(prepared, seen, local, charge, near, met, work).margins()


def start_charge(prepared: Prepared, seen: Observation, share: float) -> float:
    """The charge (0..1) with which it begins, `share` of the way between the ends."""
    low, high = start_ends(seen.start, prepared)
    return low + share * (high - low)


def _reading(prepared: Prepared, reading: ModeReading, charge: float) -> Margin:
    found = mean_current(prepared, reading.states, charge=charge, held=reading.held,
                         stock=reading.stock)
    amps = found.current_a
    if amps is not None and reading.node == "usb":
        amps = found.charger_a
    elif amps is not None and reading.usb:
        amps = abs(amps - found.charger_a)
    return replace(between(amps, reading.low_a, reading.high_a, "A"), step=found.bars or 0)


def _counted(
    prepared: Prepared, seen: Observation, local: Mapping[str, float], charge: float,
    states: set[tuple[str, str]] | None, work: Work,
) -> Margin:
    """How often it is seen, against how often it was, by the ratio of likelihoods.

    Of `n` times it was seen `k`; the model sees it with the share `p` of what hands may do, all
    lengths within their ranges alike. z is the root of 2 ln(L(k / n) / L(p)) with the sign of
    p - k / n: for the truth it is close to normal (S. S. Wilks, Ann. Math. Statist. 9, 1938, 60;
    from memory), so that three of it hold 99.7 %.
    """
    assert seen.count is not None
    met, times = seen.count
    draws = _draws(len(seen.chances))
    hits = sum(
        all(one.off <= 1.0 for one in _Bench(
            prepared, seen, {**local, **dict(zip(seen.chances, draw, strict=True))}, charge, False,
            states, work,
        ).margins())
        for draw in draws
    )
    share = hits / len(draws)
    least = 0.5 / len(draws)  # a share of a few draws is no surer than that

    def log_likelihood(p: float) -> float:
        p = min(max(p, least), 1.0 - least)
        return met * math.log(p) + (times - met) * math.log(1.0 - p)

    best = log_likelihood(met / times)
    root = math.sqrt(max(0.0, 2.0 * (best - log_likelihood(share))))
    return Margin(z=math.copysign(root, share - met / times), low=-_SIGMAS, high=_SIGMAS,
                  value=share, unit="share")


@cache
def _draws(size: int) -> tuple[tuple[float, ...], ...]:
    """Shares (0..1) of each range: the middles of equal parts, or points of a Halton sequence."""
    if size == 1:
        return tuple(((n + 0.5) / _DRAWS,) for n in range(_DRAWS))
    from scipy.stats import qmc

    points = qmc.Halton(size, scramble=False).random(2 * _DRAWS + 1)[1:]
    return tuple(tuple(float(x) for x in point) for point in points)


class _Reached(Exception):
    """What is waited for has come."""


class _Watch(Observer):
    """Ends a run when its rule breaks."""

    simulation: Simulation | None = None

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """Look whether it has."""
        del time_ns, states, happened
        assert self.simulation is not None
        if self.simulation.monitors[0].broken is not None:
            raise _Reached


class _Bench:
    """One observation on one gadget."""

    def __init__(
        self, prepared: Prepared, seen: Observation, local: Mapping[str, float], charge: float,
        near: bool, met: set[tuple[str, str]] | None, work: Work,
    ) -> None:
        self.prepared, self.seen, self.local, self.near = prepared, seen, local, near
        self.charge, self.met, self.work = charge, met, work
        self.saved: Snapshot | None = None
        self.at = 0  # how far it has been simulated
        self.now = 0
        self.counted = 0
        self.begun = 0  # the last stimulus
        self.before: tuple[Snapshot | None, int, list[Step]] = (None, 0, [])
        self.steps: list[Step] = []  # stimuli from `at` on
        self.lost = False
        # All simulations of it share one plant, which watches all that is asked of it.
        watched = [self._expression(step.text) for step in seen.steps
                   if isinstance(step, Until | See)]
        self.plant = Plant(prepared, watched)

    def margins(self) -> tuple[Margin, ...]:
        found: list[Margin] = []
        if self.seen.temperature_c is not None:
            self.steps.append(Temperature(at_ns=0, temperature_c=self.seen.temperature_c))
        for n, step in enumerate(self.seen.steps):
            match step:
                case Wait(low_ns=low, high_ns=high, ns=ns):
                    share = self.local.get(f"wait {n}")
                    self.now += ns if share is None else round(low + share * (high - low))
                case Do():
                    self._go(self.now)
                    self.begun = self.counted = self.now
                    self.steps.append(self._fallen(step.at(self.now), f"press {n}"))
                    self.before = (self.saved, self.at, list(self.steps))
                case Until():
                    found.append(self._until(step, last=n == len(self.seen.steps) - 1))
                case See():
                    found += self._see(step)
                case PinSeen(reads=reads):
                    self._go(self.now + 1)
                    found.append(truth(not self.lost and self._status() == reads, FAR))
        return tuple(found)

    def _fallen(self, step: Step, name: str) -> Step:
        """A press of which nobody says how long, as long as it falls this time."""
        share = self.local.get(name)
        if share is None or not isinstance(step, Press):
            return step
        return replace(step, for_ns=PRESS_NS + round((2.0 * share - 1.0) * LOOSE_NS))

    # -- runs ------------------------------------------------------------------------------------

    def _simulation(
        self, until_ns: int, extra: Sequence[Step] = (), *, prepared: Prepared | None = None,
        watch: _Watch | None = None, origin: tuple[Snapshot | None, int, list[Step]] | None = None,
    ) -> Simulation:
        saved, at, steps = (self.saved, self.at, self.steps) if origin is None else origin
        moved = tuple(_moved(step, at) for step in [*steps, *extra])
        scenario = Scenario(
            gadget_path=Path(), charge=self.charge, lasts_ns=until_ns - at, steps=moved)
        made = Simulation(
            prepared or self.prepared, scenario, 0, True, False,
            () if watch is None else (watch,), saved, self.plant, log=False)
        if watch is not None:
            watch.simulation = made
        return made

    def _go(self, until_ns: int, extra: Sequence[Step] = ()) -> Simulation | None:
        """Simulate as far as `until_ns`, without what comes then."""
        if until_ns <= self.at or self.lost:
            return None
        made = self._simulation(until_ns, extra)
        self._play(made)
        self.saved, self.at, self.steps = snapshot(made), until_ns, []
        return made

    def _play(self, made: Simulation) -> None:
        """Run to the end; note what a run has met, and how much work it was."""
        made.limit = int(min(max(1, self.work.most - self.work.units), made.limit))
        try:
            made.go()
        finally:
            self.work.units += _RUN + made.steps
            if self.met is not None:
                self.met |= self.plant.met()

    def _status(self) -> str | None:
        saved = self.saved
        charger = self.prepared.circuit.charger
        if saved is None or charger is None:
            return None
        return charger.status(saved.charger, saved.usb)

    def _becomes(
        self, what: Expression, end_ns: int,
        origin: tuple[Snapshot | None, int, list[Step]] | None = None,
    ) -> int | None:
        """When `what` next becomes true, up to `end_ns`; it has to be false before."""
        start = self.at if origin is None else origin[1]
        if end_ns <= start:
            return None
        first = self._breaks(what, end_ns, origin)
        if first is None or first > start:
            return first
        # It holds already: when it no longer does, and from there on again.
        over = self._breaks(Not(what), end_ns, origin)
        if over is None or over + 1 >= end_ns:
            return None
        on = self._simulation(over + 1, origin=origin)
        self._play(on)
        return self._breaks(what, end_ns, (snapshot(on), over + 1, []))

    def _breaks(
        self, what: Expression, end_ns: int,
        origin: tuple[Snapshot | None, int, list[Step]] | None,
    ) -> int | None:
        """When `what` first holds."""
        marked = copy.copy(self.prepared)
        marked.rules = (BoundRule(key="", name="", kind="never", statement=what),)
        if origin is None:
            origin = self.saved, self.at, self.steps
        saved = origin[0]
        if saved is not None:  # the rule is another one: it begins here
            saved = _with_rule(saved)
        watch = _Watch()
        made = self._simulation(end_ns, prepared=marked, watch=watch,
                                origin=(saved, origin[1], origin[2]))
        with contextlib.suppress(_Reached):
            self._play(made)
        broken = made.monitors[0].broken
        return None if broken is None else broken[0]

    # -- what was seen ---------------------------------------------------------------------------

    def _expression(self, text: str) -> Expression:
        return parse_expression(text, self.prepared.system.names)

    def _until(self, step: Until, *, last: bool) -> Margin:
        low, high = step.low_ns * 1e-9, step.high_ns * 1e-9
        if self.lost:
            return between(None, low, high, "s")
        self._go(self.now)
        limit = self.counted + _LIMIT * step.high_ns + _MORE_NS
        when = self._becomes(self._expression(step.text), limit)
        if when is None:
            self.lost = True
            return between(None, low, high, "s")
        took_s = (when - self.counted) * 1e-9
        if last:  # nobody asks how all stands then
            return between(took_s, low, high, "s")
        self._go(when)
        self.now = self.counted = when
        self.before = (self.saved, self.at, [])
        return between(took_s, low, high, "s")

    def _see(self, step: See) -> list[Margin]:
        asked, more = asked_of(step.text)
        if self.lost:
            return [*(Margin(z=math.nan, low=0.0, high=0.0) for _ in asked), truth(False, FAR)]
        expect = Expect(at_ns=self.now, text=step.text)
        self.now = max(self.now, self.at)
        made = self._go(self.now + 1, (Expect(at_ns=self.now, text=expect.text),))
        assert made is not None
        met = made.expected[-1].met
        margins = [self._asked(one, made) for one in asked]
        if met:
            # The run decides: a gauge with hysteresis shows what its voltage alone does not tell.
            margins = [_clipped(one) for one in margins]
            return [*margins, truth(True)]
        worst = max((one.off for one in margins), default=0.0)
        if worst > 1.0:  # that says it already, and smoothly
            return [*margins, truth(True)]
        off = FAR if more or not asked else 1.2
        if more and self.near:
            off = self._away(self._expression(step.text))
        return [*margins, truth(off <= 1.0, off)]

    def _away(self, what: Expression) -> float:
        """How far a sight that is not met lies away in time, in tolerances of a hand."""
        hand = HAND_NS if self.seen.by_hand else 1_000_000
        seen_ns = self.at - 1
        span = max(seen_ns - self.begun, _MORE_NS)
        gaps = []
        later = self._becomes(what, self.at + span)
        if later is not None:
            gaps.append(later - seen_ns)
        earlier = self._becomes(Not(what), self.at, self.before)
        if earlier is not None:
            gaps.append(seen_ns - earlier)
        return min((gap / hand for gap in gaps), default=math.inf)

    def _asked(self, asked: Asked, made: Simulation) -> Margin:
        plant = made.plant
        volts = made.phase.clock.voltage(plant.charge)
        if asked.quantity == "cell.charge":
            return _level(plant.charge, asked.low, asked.high, _TINY, "share")
        if asked.quantity == "cell.voltage":
            return _level(volts, asked.low, asked.high, _TINY_V, "V")
        gauge = self.prepared.gadget.gauge
        bars = () if gauge is None else gauge.thresholds
        low, high = (_bar(bars, number) for number in (asked.low, asked.high))
        if plant.count is not None:
            return _level(plant.count.share, low, high, _TINY, "share")
        # In true volts: what the controller reads goes in steps.
        true_v = self.prepared.circuit.true_v_for
        low, high = (true_v(one) if math.isfinite(one) else one for one in (low, high))
        return _level(volts, low, high, _TINY_V, "V")


def _bar(bars: Sequence[object], number: float) -> float:
    """The level from which on so many bars show."""
    if number <= 0:
        return -math.inf
    if number > len(bars):
        return math.inf
    return float(bars[int(number) - 1].value)  # type: ignore[attr-defined]


def _level(value: float, low: float, high: float, scale: float, unit: str) -> Margin:
    """A level that was seen between two others, in halves of what lies between them."""
    if math.isfinite(low) and math.isfinite(high) and high > low:
        half = 0.5 * (high - low)
        z = (value - 0.5 * (low + high)) / half
        return Margin(z=z, low=-1.0, high=1.0, value=value, unit=unit)  # type: ignore[arg-type]
    if math.isfinite(low):
        z, low, high = (value - low) / scale, 0.0, math.inf
    elif math.isfinite(high):
        z, low, high = (value - high) / scale, -math.inf, 0.0
    else:
        z, low, high = 0.0, -1.0, 1.0
    return Margin(z=z, low=low, high=high, value=value, unit=unit)  # type: ignore[arg-type]


def _clipped(one: Margin) -> Margin:
    """The same where a run says that it agrees."""
    if one.off <= 1.0:
        return one
    z = min(max(one.z, one.low), one.high)
    return Margin(z=z, low=one.low, high=one.high, scale=one.scale, value=one.value, unit=one.unit)


def _moved(step: Step, by_ns: int) -> Step:
    return replace(step, at_ns=step.at_ns - by_ns)


def _with_rule(saved: Snapshot) -> Snapshot:
    """The same with another rule, which begins here."""
    return replace(saved, rules=((None, (), None, False),))
