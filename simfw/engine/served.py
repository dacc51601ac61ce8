"""What a repetition of a scenario was asked, and when it first does not do it any more.

Asked is what the first repetition, from a full cell, did: the expectations that it met, and what
each stimulus lit. The window of a stimulus goes on to the next one. The light of the gauge is left
out: it tells the charge, and with less charge it shall show less.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from simfw.circuit.circuit import LoadSet
from simfw.engine.observer import Observer
from simfw.engine.prepared import Prepared
from simfw.engine.run import Interval, Run
from simfw.quantity import format_duration
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["Asked", "Failure", "Watch"]

TENTH = 0.1
EARLY = 0.5  # of the time that a light was lit at first: less is out early


@dataclass(frozen=True, slots=True)
class Failure:
    """When in a repetition (ns) it first did not do what was asked, and what that was."""

    time_ns: int
    why: str


@dataclass(slots=True)
class _Lit:
    """One light in one window: when it was first and last lit (ns), and the most it gave (A).

    `whole_a` is the most it would have given fully on: what the cell and not the firmware makes of
    it. `dim_ns` is when that first fell below a tenth.
    """

    first_ns: int
    last_ns: int
    most_a: float
    whole_a: float
    dim_ns: int | None = None


class Watch(Observer):
    """Sees what each stimulus lights; with `asked`, when a light falls below a tenth of that.

    `instants` counts the work; `times_ns` tells how long each load set was on.
    """

    def __init__(
        self, prepared: Prepared, scenario: Scenario, asked: Asked | None = None
    ) -> None:
        gadget = prepared.gadget
        gauge = None if gadget.gauge is None else gadget.gauge.light
        self._circuit = prepared.circuit
        self._names = {name for name in (*gadget.lights, *gadget.loads) if name != gauge}
        self._lamps = set(gadget.lights)
        self._asked = asked
        self._starts = stimuli(scenario)
        self._known: dict[tuple[str, LoadSet, float], float] = {}
        self.lit: dict[tuple[int, str], _Lit] = {}
        self.instants = 0
        self.times_ns: dict[LoadSet, int] = {}

    def interval(self, interval: Interval) -> None:
        """Take note of the lights that are lit in it."""
        self.instants += 1
        for part in interval.parts:
            lasts_ns = part.lasts_ns * interval.cycles
            self.times_ns[part.loads] = self.times_ns.get(part.loads, 0) + lasts_ns
        if not interval.parts:
            lasts_ns = interval.end_ns - interval.start_ns
            self.times_ns[interval.loads] = self.times_ns.get(interval.loads, 0) + lasts_ns
        window = bisect_right(self._starts, interval.start_ns) - 1
        best: dict[str, tuple[float, LoadSet]] = {}
        for loads in {part.loads: None for part in interval.parts} or (interval.loads,):
            for name, duty, _ in loads.drives:
                if name in self._names and duty > best.get(name, (0.0, loads))[0]:
                    best[name] = (duty, loads)
        for name, (duty, loads) in best.items():
            self._note(window, name, duty, loads, interval)

    def _note(
        self, window: int, name: str, duty: float, loads: LoadSet, interval: Interval
    ) -> None:
        first, last = (
            self._amps(name, duty, loads, charge)
            for charge in (interval.start_charge, interval.end_charge)
        )
        lit = self.lit.setdefault(
            (window, name), _Lit(interval.start_ns, interval.end_ns, 0.0, 0.0)
        )
        lit.last_ns = interval.end_ns
        lit.most_a = max(lit.most_a, first, last)
        first, last = first / duty, last / duty
        lit.whole_a = max(lit.whole_a, first, last)
        before = None if self._asked is None else self._asked.lit.get((window, name))
        limit = TENTH * (lit.whole_a if before is None else before.whole_a)
        if lit.dim_ns is None and last < limit:
            share = 0.0 if first <= limit else (first - limit) / (first - last)
            lit.dim_ns = interval.start_ns + round(share * (interval.end_ns - interval.start_ns))

    def _amps(self, name: str, duty: float, loads: LoadSet, charge: float) -> float:
        """The current through the LEDs (A); of a load its level, since it has no brightness."""
        if name not in self._lamps:
            return duty
        key = (name, loads, round(charge, 4))
        if key not in self._known:
            self._known[key] = float(self._circuit.light_current_a(name, loads, charge)[0])
        return self._known[key]


def stimuli(scenario: Scenario) -> list[int]:
    """The times at which windows begin: 0, and each stimulus."""
    return sorted({0, *(step.at_ns for step in scenario.steps if not isinstance(step, Expect))})


@dataclass(slots=True)
class Asked:
    """What the first repetition did."""

    lit: dict[tuple[int, str], _Lit] = field(default_factory=dict)
    met: frozenset[str] = frozenset()
    starts: tuple[int, ...] = (0,)
    unmet: int = 0

    @staticmethod
    def of(run: Run, watch: Watch) -> Asked:
        """From the first repetition and what was seen in it."""
        met = frozenset(one.key for one in run.expectations if one.met)
        return Asked(watch.lit, met, tuple(stimuli(run.scenario)),
                     len(run.expectations) - len(met))

    def failure(self, run: Run, watch: Watch) -> Failure | None:
        """The first thing that a repetition did not do."""
        failed = [
            Failure(one.time_ns, f"{one.expression} does not hold at "
                                 f"{format_duration(one.time_ns)}")
            for one in run.expectations if not one.met and one.key in self.met
        ]
        for (window, name), before in self.lit.items():
            at = f"at {format_duration(self.starts[window])}"
            now = watch.lit.get((window, name))
            if now is None:
                failed.append(Failure(before.first_ns, f"{name} stays dark {at}"))
                continue
            dim_ns = now.first_ns if now.most_a < TENTH * before.most_a else now.dim_ns
            if dim_ns is not None:
                failed.append(Failure(dim_ns, f"{name} gives less than a tenth of its light"))
            if now.last_ns - now.first_ns < EARLY * (before.last_ns - before.first_ns):
                failed.append(Failure(now.last_ns, f"{name}, lit {at}, goes out early"))
        if run.empty_at_ns is not None:
            failed.append(Failure(run.empty_at_ns, "the protection opens"))
        return min(failed, key=lambda one: one.time_ns, default=None)
