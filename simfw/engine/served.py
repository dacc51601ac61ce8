"""What a repetition of a scenario was asked, and when it first does not do it any more.

Asked is what the first repetition, from a full cell, did: the expectations that it met, and what
each stimulus lit. The window of a stimulus goes on to the next one. The light of the gauge is left
out: it tells the charge, and with less charge it shall show less.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from simfw.circuit.circuit import LoadSet
from simfw.engine.clocks import clock_of
from simfw.engine.observer import Observer, TooMany
from simfw.engine.prepared import Prepared
from simfw.engine.run import Expected
from simfw.engine.supply import emptied_by
from simfw.quantity import format_duration
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["Asked", "Failure", "Watch"]

TENTH = 0.1
EARLY = 0.5  # of the time that a light was lit at first: less is out early

_Amps = tuple[list[float], list[float]]
"""Charges, rising, and the current through the LEDs of a light at each (A)."""
_Lights = list[tuple[str, float, _Amps | None]]
"""The lights that are lit: name, duty, and table (None of a load)."""


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


@dataclass(slots=True)
class _Together:
    """What is on in turn: `parts` are load sets and how long each is on (ns) in `period_ns`.

    `lights` are the names, duties and tables of the lights that are lit in it, `gone_ns` is how
    long it went by.
    """

    parts: Sequence[tuple[LoadSet, int]]
    period_ns: int
    lights: _Lights
    gone_ns: int = 0


class Watch(Observer):
    """Sees what each stimulus lights; with `asked`, when a light falls below a tenth of that.

    `instants` counts the work.
    """

    def __init__(
        self, prepared: Prepared, scenario: Scenario, asked: Asked | None = None,
        like: Watch | None = None, most: float = math.inf,
    ) -> None:
        """`like` has watched a repetition with the same parts.

        TooMany is raised where it takes more than `most` instants.
        """
        gadget = prepared.gadget
        gauge = None if gadget.gauge is None else gadget.gauge.light
        self.emptied_by = emptied_by(gadget)
        self.loads = frozenset(gadget.loads)  # they give no light, and are told in other words
        self._names = {name for name in (*gadget.lights, *gadget.loads) if name != gauge}
        self.shining: Shining = Shining(prepared) if like is None else like.shining
        self._best: dict[tuple[LoadSet, ...], _Lights] = {} if like is None else like._best
        self._asked = asked
        self._starts = stimuli(scenario)
        self._most = most
        self.lit: dict[tuple[int, str], _Lit] = {}
        self.instants = 0
        # By the load set itself that is on alone, or by the times of those that are on in turn: it
        # is looked up at each stretch, and to tell one by what it holds would take longer.
        self._gone: dict[int, _Together] = {}

    @property
    def times_ns(self) -> dict[LoadSet, int]:
        """How long each load set was on (ns), in the order in which they came."""
        times: dict[LoadSet, int] = {}
        for one in self._gone.values():
            count = one.gone_ns // one.period_ns
            for loads, lasts_ns in one.parts:
                times[loads] = times.get(loads, 0) + lasts_ns * count
        return times

    def drove(self, start_ns: int, end_ns: int, times: Sequence[tuple[LoadSet, int]],
              start_charge: float, end_charge: float) -> None:  # fmt: skip
        """Take note of the lights that are lit in a stretch."""
        self.instants += 1
        if self.instants > self._most:
            raise TooMany
        key = id(times[0][0] if len(times) == 1 else times)
        one = self._gone.get(key)
        if one is None:
            # It holds what it is kept by, so that nothing else comes to be in its place.
            one = self._gone[key] = self._together(times)
        one.gone_ns += end_ns - start_ns
        if one.lights:
            window = bisect_right(self._starts, start_ns) - 1
            for name, duty, table in one.lights:
                self._note(window, name, duty, (start_ns, end_ns), (
                    (duty, duty) if table is None
                    else (_amps(table, start_charge), _amps(table, end_charge))))

    def _together(self, times: Sequence[tuple[LoadSet, int]]) -> _Together:
        """Load sets that are on in turn; one that is on alone has no period."""
        key = tuple([loads for loads, _ in times])
        lights = self._best.get(key)
        if lights is None:
            found: dict[str, tuple[float, LoadSet]] = {}
            for loads in key:
                for name, duty, _ in loads.drives:
                    if name in self._names and duty > found.get(name, (0.0, loads))[0]:
                        found[name] = (duty, loads)
            lights = self._best[key] = [
                (name, duty, self.shining.table(name, loads))
                for name, (duty, loads) in found.items()
            ]
        if len(times) == 1:
            return _Together(((times[0][0], 1),), 1, lights)
        return _Together(times, sum([lasts_ns for _, lasts_ns in times]), lights)

    def _note(
        self, window: int, name: str, duty: float, times_ns: tuple[int, int],
        amps: tuple[float, float],
    ) -> None:
        first, last = amps
        start_ns, end_ns = times_ns
        lit = self.lit.get((window, name))
        if lit is None:
            lit = self.lit[window, name] = _Lit(start_ns, end_ns, 0.0, 0.0)
        lit.last_ns = end_ns
        lit.most_a = max(lit.most_a, first, last)
        first, last = first / duty, last / duty
        lit.whole_a = max(lit.whole_a, first, last)
        before = None if self._asked is None else self._asked.lit.get((window, name))
        limit = TENTH * (lit.whole_a if before is None else before.whole_a)
        if lit.dim_ns is None and last < limit:
            share = 0.0 if first <= limit else (first - limit) / (first - last)
            lit.dim_ns = start_ns + round(share * (end_ns - start_ns))


class Shining:
    """What lights give in load sets, for all repetitions with parts that draw the same.

    It is tabulated where the charge clock of the load set is: close enough for any time.
    """

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._lamps = set(prepared.gadget.lights)
        self._known: dict[tuple[str, LoadSet], _Amps] = prepared.clocks.lit

    def table(self, name: str, loads: LoadSet) -> _Amps | None:
        """The current through the LEDs at charges; None of a load, since it has no brightness."""
        if name not in self._lamps:
            return None
        if (name, loads) not in self._known:
            self._tabulate(loads)
        return self._known[name, loads]

    def _tabulate(self, loads: LoadSet) -> None:
        circuit = self._prepared.circuit
        nodes = clock_of(circuit, loads, self._prepared.clocks).nodes
        lit = [name for name, _, _ in loads.drives if name in self._lamps]
        places = nodes.tolist()
        for name, amps in zip(lit, circuit.light_currents_a(lit, loads, nodes), strict=True):
            self._known[name, loads] = (places, amps.tolist())


def _amps(table: _Amps, charge: float) -> float:
    """The current of a table at a charge (A)."""
    nodes, amps = table
    k = min(max(bisect_right(nodes, charge) - 1, 0), len(nodes) - 2)
    share = (charge - nodes[k]) / (nodes[k + 1] - nodes[k])
    return amps[k] + share * (amps[k + 1] - amps[k])


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
    def of(scenario: Scenario, expected: Sequence[Expected], watch: Watch) -> Asked:
        """From the expectations of the first repetition and what was seen in it."""
        met = frozenset(one.key for one in expected if one.met)
        return Asked(watch.lit, met, tuple(stimuli(scenario)), len(expected) - len(met))

    def failure(
        self, expected: Sequence[Expected], empty_at_ns: int | None, watch: Watch
    ) -> Failure | None:
        """The first thing that a repetition did not do."""
        failed = [
            Failure(one.time_ns, f"{one.expression} does not hold at "
                                 f"{format_duration(one.time_ns)}")
            for one in expected if not one.met and one.key in self.met
        ]
        for (window, name), before in self.lit.items():
            at = f"at {format_duration(self.starts[window])}"
            now = watch.lit.get((window, name))
            load = name in watch.loads
            if now is None:
                stays = "off" if load else "dark"
                failed.append(Failure(before.first_ns, f"{name} stays {stays} {at}"))
                continue
            dim_ns = now.first_ns if now.most_a < TENTH * before.most_a else now.dim_ns
            if dim_ns is not None:
                failed.append(Failure(dim_ns, f"{name} gives less than a tenth of its light"))
            if now.last_ns - now.first_ns < EARLY * (before.last_ns - before.first_ns):
                early = f"on {at}, goes off early" if load else f"lit {at}, goes out early"
                failed.append(Failure(now.last_ns, f"{name}, {early}"))
        if empty_at_ns is not None:
            failed.append(Failure(empty_at_ns, watch.emptied_by))
        return min(failed, key=lambda one: one.time_ns, default=None)
