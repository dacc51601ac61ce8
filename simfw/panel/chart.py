"""The course as the page draws it: lanes of inputs, states, levels of lights, current, charge."""

from __future__ import annotations

from bisect import bisect_right
from typing import Any

from simfw.bench.course import stays_of
from simfw.bench.repeating import Repeating
from simfw.engine.clocks import clock_of
from simfw.engine.prepared import Prepared
from simfw.engine.run import Interval, Run
from simfw.stimuli.inputs import lanes_of

__all__ = ["COLUMNS", "MOST_STAYS", "chart_of"]

COLUMNS = 480
"""Columns of a picture."""

MOST_STAYS = 400
"""Stretches of one lane that are told; with more, short ones are joined."""

Span = tuple[int, int]


def chart_of(
    run: Run, prepared: Prepared, repeating: Repeating, start_ns: int, end_ns: int,
    columns: int = COLUMNS,
) -> dict[str, Any]:
    """A part of a run, [start_ns, end_ns), as JSON values.

    `current` holds the least, mean and most (A) that all consumers drew in each of as many equal
    `columns`, `lights` the mean level (0..1) of each light and load (of one that USB lights the
    share of time), `charge` (0..1) and `voltage` (V) of the cell at its beginning.
    """
    end_ns = max(end_ns, start_ns + 1)
    step_ns = max(1, -(-(end_ns - start_ns) // columns))
    count = -(-(end_ns - start_ns) // step_ns)
    drawn = _Columns(prepared, run, start_ns, step_ns, count)
    for interval in _within(run, start_ns, end_ns):
        drawn.add(interval, end_ns)
    lanes = {
        name: _joined(cut(spans, start_ns, end_ns), step_ns)
        for name, spans in lanes_of(run.scenario.steps, run.end_ns).items()
    }
    stays = {
        name: [
            {"from": max(stay.start_ns, start_ns), "to": min(stay.end_ns, end_ns),
             "state": stay.state}
            for stay in stays if stay.start_ns < end_ns and stay.end_ns > start_ns
        ][-MOST_STAYS:]
        for name, stays in stays_of(run, repeating).items()
    }
    return {
        "start_ns": start_ns,
        "end_ns": end_ns,
        "step_ns": step_ns,
        "lanes": {name: [list(span) for span in spans] for name, spans in lanes.items()},
        "states": stays,
        "lights": {name: [round(level, 4) for level in levels]
                   for name, levels in zip(
                       (*run.outputs, *prepared.circuit.fed), drawn.lights, strict=True)},
        "current": [[_short(one) for one in column] for column in drawn.currents()],
        "charge": [_short(one, 6) for one in drawn.charge],
        "voltage": [_short(one, 5) for one in drawn.voltage],
    }


def _short(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else float(f"{value:.{digits}g}")


def cut(spans: list[Span], start_ns: int, end_ns: int) -> list[Span]:
    """What of `spans` lies in [start_ns, end_ns)."""
    return [(max(begins, start_ns), min(ends, end_ns)) for begins, ends in spans
            if begins < end_ns and max(ends, begins + 1) > start_ns]


def _joined(spans: list[Span], step_ns: int) -> list[Span]:
    """The same, those nearer than a column joined where there are too many."""
    if len(spans) <= MOST_STAYS:
        return spans
    found: list[Span] = []
    for begins, ends in spans:
        if found and begins - found[-1][1] < step_ns:
            found[-1] = (found[-1][0], ends)
        else:
            found.append((begins, ends))
    return found[-MOST_STAYS:]


def _within(run: Run, start_ns: int, end_ns: int) -> list[Interval]:
    first = max(0, bisect_right(run.intervals, start_ns, key=lambda one: one.start_ns) - 1)
    last = bisect_right(run.intervals, end_ns, key=lambda one: one.start_ns)
    return [one for one in run.intervals[first:last] if one.end_ns > start_ns]


class _Columns:
    """Means and ends of what was drawn and lit, column by column."""

    def __init__(
        self, prepared: Prepared, run: Run, start_ns: int, step_ns: int, count: int
    ) -> None:
        self._prepared, self._start_ns, self._step_ns = prepared, start_ns, step_ns
        self._weight = [0] * count
        self._sum = [0.0] * count
        self._ends: list[tuple[float, float] | None] = [None] * count
        self.lights = [[0.0] * count for _ in (*run.outputs, *prepared.circuit.fed)]
        self.charge: list[float | None] = [None] * count
        self.voltage: list[float | None] = [None] * count

    def add(self, interval: Interval, end_ns: int) -> None:
        """Enter an interval, which need not begin or end with a column."""
        begins = max(interval.start_ns, self._start_ns)
        ends = min(interval.end_ns, end_ns)
        if ends <= begins:
            return
        mean_a = sum(interval.consumers_a)
        least_a, most_a = self._ends_of(interval, mean_a)
        first = (begins - self._start_ns) // self._step_ns
        last = (ends - 1 - self._start_ns) // self._step_ns
        levels = [*_mean_levels(interval), *self._fed(interval)]
        whole = interval.end_ns - interval.start_ns
        for column in range(first, last + 1):
            left = self._start_ns + column * self._step_ns
            lasted = min(ends, left + self._step_ns) - max(begins, left)
            self._weight[column] += lasted
            self._sum[column] += lasted * mean_a
            known = self._ends[column]
            self._ends[column] = (least_a, most_a) if known is None else (
                min(known[0], least_a), max(known[1], most_a))
            for place, level in enumerate(levels):
                self.lights[place][column] += level * lasted / self._step_ns
            if self.charge[column] is None:
                share = (max(begins, left) - interval.start_ns) / whole
                self.charge[column] = interval.start_charge + share * (
                    interval.end_charge - interval.start_charge)
                self.voltage[column] = interval.voltage_v

    def _fed(self, interval: Interval) -> list[float]:
        """Which lights USB or the charger lights; the supply stays as it is in an interval."""
        circuit = self._prepared.circuit
        if not circuit.fed:
            return []
        fed_a = circuit.fed_a(interval.loads.charger, [interval.charger_a])[:, 0]
        return [float(current_a > 0.0) for current_a in fed_a.tolist()]

    def _ends_of(self, interval: Interval, mean_a: float) -> tuple[float, float]:
        if not interval.parts:
            return mean_a, mean_a
        drawn = [
            sum(clock_of(self._prepared.circuit, loads, self._prepared.clocks)
                .currents(interval.start_charge)[0])
            for loads in {part.loads for part in interval.parts if part.lasts_ns}
        ]
        return min(drawn, default=mean_a), max(drawn, default=mean_a)

    def currents(self) -> list[tuple[float | None, float | None, float | None]]:
        """Least, mean and most of each column (A); None where nothing ran."""
        return [
            (None, None, None) if ends is None or not weight
            else (ends[0], total / weight, ends[1])
            for weight, total, ends in zip(self._weight, self._sum, self._ends, strict=True)
        ]


def _mean_levels(interval: Interval) -> list[float]:
    if not interval.parts:
        return list(interval.levels)
    whole = sum(part.lasts_ns for part in interval.parts)
    return [
        sum(part.levels[place] * part.lasts_ns for part in interval.parts) / whole
        for place in range(len(interval.levels))
    ]
