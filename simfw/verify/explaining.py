"""Why a replay first differs: what led to it, and which single change would remove it.

The difference is looked at from the outside: every plausible single change of the gadget file (a
timing, a row, a level, a threshold) is made in turn, the stretch around the difference is run
again, and the changes under which it goes away are tried on the whole recording. What remains is a
short list of suspects, the one that explains most first. It is evidence, not proof: two changes
that look alike from outside cannot be told apart.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from simfw.engine.snapshot import Snapshot
from simfw.errors import SimfwError
from simfw.gadget.fields import Level
from simfw.gadget.model import Behaviour, Gadget, Row
from simfw.gadget.quantities import with_values
from simfw.quantity import format_duration
from simfw.stimuli.recording.signals import Observed
from simfw.stimuli.scenario import Press, Step, Wave
from simfw.verify.alignment import Pair
from simfw.verify.prediction import Model
from simfw.verify.replay import Replayed, SignalVerdict, compare
from simfw.verify.tracing import quantity_key

__all__ = ["Candidate", "Divergence", "Suspect", "explain"]

MOST_TRIED: Final = 400
MOST_CHECKED: Final = 8
MOST_SHOWN: Final = 3
INPUTS_SHOWN: Final = 4
STIMULI_BEFORE: Final = 3
AFTER_NS: Final = 1_500_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A row that could have fired in the model's state: its key, what it waits for, its effect."""

    key: str
    waits_for: str
    to: str
    guard: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A single change that removes the difference.

    `key` is its place in the gadget file and `change` says it in words; `timing` tells whether it
    is a timing. `left` counts the disagreements that remain with it on the whole recording.
    """

    key: str
    change: str
    timing: bool
    left: int
    gadget: Gadget


@dataclass(frozen=True, slots=True, kw_only=True)
class Divergence:
    """The first disagreement and what can be said about it."""

    signal: str
    pair: Pair | None
    starts_recorded: float | None
    starts_model: float | None
    time_ns: float
    inputs: tuple[Step, ...]
    states: Mapping[str, str]
    fired: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    suspects: tuple[Suspect, ...]
    tried: int

    @property
    def timing(self) -> Suspect | None:
        """The one timing whose change removes the difference, None if there is none."""
        return next((suspect for suspect in self.suspects if suspect.timing), None)


@dataclass(frozen=True, slots=True)
class _Change:
    key: str
    change: str
    timing: bool
    gadget: Gadget


def explain(replayed: Replayed, gadget: Gadget, model: Model) -> Divergence | None:
    """Look into the first disagreement; None where everything agrees."""
    found = replayed.first
    if found is None:
        return None
    verdict, pair = found
    time_ns = 0.0 if pair is None else pair.time_ns
    states = replayed.predicted.states_at(time_ns)
    cause = None
    if pair is not None and pair.model is not None:
        cause = replayed.predicted.cause(pair.model)
    search = _Search(replayed, gadget, model, verdict, pair, time_ns, states,
                     () if cause is None else cause.fired)
    suspects = search.suspects()
    inputs = [step for step in replayed.observed.steps
              if step.at_ns <= time_ns + replayed.options.tolerance_ns]
    return Divergence(
        signal=verdict.signal, pair=pair, starts_recorded=verdict.starts_recorded,
        starts_model=verdict.starts_model, time_ns=time_ns, inputs=tuple(inputs[-INPUTS_SHOWN:]),
        states=states, fired=search.fired, candidates=_candidates(model, states, verdict.signal),
        suspects=suspects, tried=search.tried)


def _candidates(model: Model, states: Mapping[str, str], signal: str) -> tuple[Candidate, ...]:
    """The written rows of the present states, those that could move this output first."""
    regions = model.prepared.system.regions
    order = list(model.drivers[signal])
    found = []
    for number in dict.fromkeys(order):
        region = regions[number]
        if region.group != "behaviour":
            continue
        for row in region.rows:
            if states.get(region.name) in row.sources:
                waits = (f"on {row.on}" if row.on is not None
                         else f"after {format_duration(row.after_ns or 0)}")
                found.append(Candidate(key=row.key, waits_for=waits, to=row.to,
                                       guard=row.when_text))
    return tuple(found)


class _Search:
    """Single changes, tried one after the other."""

    def __init__(
        self, replayed: Replayed, gadget: Gadget, model: Model, verdict: SignalVerdict,
        pair: Pair | None, time_ns: float, states: Mapping[str, str], fired: tuple[str, ...],
    ) -> None:
        self.replayed, self.gadget, self.model = replayed, gadget, model
        self.verdict, self.pair, self.time_ns, self.states = verdict, pair, time_ns, states
        self.fired = fired
        self.factor = replayed.clock.factor
        self.tolerance = replayed.options.tolerance_ns
        self.observed: Observed = replayed.observed
        self.tried = 0
        self.since = self._snapshot()
        self.until = self._until()

    def _snapshot(self) -> tuple[Snapshot, int] | None:
        """Where to go on from: a little before the last stimuli that come before the difference."""
        before = [step.at_ns for step in self.observed.steps if step.at_ns <= self.time_ns]
        if len(before) <= STIMULI_BEFORE:
            return None
        at = before[-STIMULI_BEFORE] - 1_000_000
        if at <= 0:
            return None
        return self.model.snapshot_at(self.replayed.begin, self.factor, at), at

    def _until(self) -> float:
        later = sorted(pair.time_ns for one in self.replayed.verdicts
                       for pair in one.disagreements)
        last = later[min(3, len(later) - 1)] if later else self.time_ns
        return max(self.time_ns, min(last, self.time_ns + 3 * AFTER_NS)) + AFTER_NS

    # -- trying ----------------------------------------------------------------------------------

    def suspects(self) -> tuple[Suspect, ...]:
        """The changes that remove the difference, the best first.

        The likelier kinds of change are tried first; once one of them explains everything, the
        less likely kinds are left alone.
        """
        found: dict[str, tuple[int, int, int, int, Suspect]] = {}
        number = 0
        for changes in self._groups():
            removing: list[tuple[float, int, _Change]] = []
            for change in changes:
                if self.tried >= MOST_TRIED:
                    break
                number += 1
                reached = self._reaches(change.gadget)
                if reached is not None and reached > self.time_ns + self.tolerance:
                    removing.append((-reached, number, change))
            removing.sort(key=lambda item: item[:2])
            for _, order, change in removing[:MOST_CHECKED]:
                remains = self._left(change.gadget)
                if remains is None or remains[0] >= self.replayed.mismatches:
                    continue
                left, off = remains
                suspect = Suspect(key=change.key, change=change.change, timing=change.timing,
                                  left=left, gadget=change.gadget)
                rank = (left, 0 if change.timing else 1, off, order, suspect)
                if change.key not in found or rank[:4] < found[change.key][:4]:
                    found[change.key] = rank
            if any(rank[0] == 0 for rank in found.values()):
                break
        ranked = sorted(found.values(), key=lambda rank: rank[:4])
        return tuple(rank[4] for rank in ranked)[:MOST_SHOWN]

    def _reaches(self, gadget: Gadget) -> float | None:
        """The time of the first disagreement near the difference with this gadget."""
        self.tried += 1
        try:
            model = Model(gadget, self.observed, like=self.model)
            since = self.since
            if since is not None and not _same_shape(model, self.model):
                since = None
            predicted = model.predict(self.replayed.begin, self.factor, until_ns=self.until,
                                      since=since, beyond_ns=self.tolerance)
        except (SimfwError, KeyError, IndexError):
            return None
        start = 0 if since is None else since[1]
        first = self.until
        for one in compare(self.observed, predicted, self.tolerance, self.until, start):
            if not one.start_agrees:
                return 0.0
            first = min([first, *(pair.time_ns for pair in one.disagreements)])
        return first

    def _left(self, gadget: Gadget) -> tuple[int, int] | None:
        """How many disagreements the whole recording has with this gadget.

        And how far its other edges are off on average, in steps of a twentieth of the tolerance: of
        two timings that explain as much, the one that fits better comes first.
        """
        self.tried += 1
        try:
            model = Model(gadget, self.observed, like=self.model)
            predicted = model.predict(self.replayed.begin, self.factor, beyond_ns=self.tolerance)
        except SimfwError:
            return None
        predicted = model.with_slack(predicted, 0.0)
        verdicts = compare(self.observed, predicted, self.tolerance)
        off = [abs(pair.off_ns) for one in verdicts for pair in one.pairs
               if pair.kind == "matched" and pair.off_ns is not None]
        return (sum(len(one.disagreements) + (not one.start_agrees) for one in verdicts),
                round(20 * sum(off) / len(off) / max(self.tolerance, 1)) if off else 0)

    # -- the changes -----------------------------------------------------------------------------

    def _groups(self) -> Iterator[Iterator[_Change]]:
        yield itertools.chain(self._measured_timings(), self._levels())
        yield self._threshold_timings()
        fired = set(self.fired) | self._recent()
        could = self._could()
        before = [step for step in self.observed.steps if step.at_ns <= self.time_ns]
        if before and isinstance(before[-1], Wave):  # then the sensor comes before the rows
            yield self._counts()
        yield self._rows(fired)
        yield self._rows(could - fired)
        yield itertools.chain(self._counts(), self._gauge())
        yield self._rows({row.key for region in self.model.prepared.system.regions
                          for row in region.rows} - could - fired)
        yield itertools.chain(self._other_timings(), self._additions())

    def _timed(self, key: str, value_ns: float) -> _Change | None:
        old = self.model.timings.get(key)
        new = round(value_ns)
        if old is None or new < 0 or new == round(old):
            return None
        try:
            gadget = with_values(self.gadget, {key: new})
        except (KeyError, ValueError):
            return None
        return _Change(key, f"{format_duration(round(old))} -> {_rough(new, self.tolerance)}", True,
                       gadget)

    def _measured_timings(self) -> Iterator[_Change]:
        """A timing that the time of the model's edge rests on, by as much as the edge is off."""
        pair = self.pair
        if pair is None or pair.model is None or pair.off_ns is None:
            return
        origin = self.replayed.predicted.origins[self.verdict.signal][pair.model.number]
        weights = sorted(((count, key) for key, count in origin.counts.items()
                          if count > 0 and key in self.model.timings),
                         key=lambda item: -self.model.timings[item[1]])
        for count, key in weights:
            change = self._timed(
                key, self.model.timings[key] + pair.off_ns / self.factor / count)
            if change is not None:
                yield change

    def _threshold_timings(self) -> Iterator[_Change]:
        """Values between the lengths of presses and gaps, and between entry and the edge."""
        gadget = self.gadget
        yield from self._held_timings()
        presses: dict[str, list[Press]] = {}
        for step in self.observed.steps:
            if isinstance(step, Press):
                presses.setdefault(step.button, []).append(step)
        for name, button in gadget.buttons.items():
            made = presses.get(name, [])
            lengths = sorted({step.for_ns / self.factor for step in made})
            gaps = sorted({(after.at_ns - before.at_ns - before.for_ns) / self.factor
                           for before, after in itertools.pairwise(made)})
            held = [(button.hold_key(name, word), timing, lengths)
                    for word, timing in button.hold_lengths]
            for key, timing, values in (
                    *held, *((f"buttons.{name}.{part}", getattr(button, part), values)
                             for part, values in (("double", gaps), ("second_hold", lengths),
                                                  ("debounce", lengths), ("debounce", gaps),
                                                  ("debounce_release", gaps)))):
                if timing is None:
                    continue
                for value in _between(values, timing.ns):
                    change = self._timed(key, value)
                    if change is not None:
                        yield change

    def _held_timings(self) -> Iterator[_Change]:
        """A dwell of a present state that would end just where the recording shows an edge."""
        pair = self.pair
        at = self.time_ns if pair is None or pair.recorded is None else pair.recorded.time_ns
        entered = self._entered()
        seen = set()
        for region in self.model.prepared.system.regions:
            for row in region.rows:
                key = quantity_key(row)
                if row.after_ns and self.states[region.name] in row.sources and key not in seen:
                    seen.add(key)
                    change = self._timed(key, at / self.factor - entered[region.name])
                    if change is not None:
                        yield change

    def _entered(self) -> dict[str, float]:
        """When each region entered the state it is in just before the difference."""
        run = self.replayed.predicted.traced.run
        at = self.time_ns / self.factor + run.start_ns - self.replayed.predicted.shift_ns
        entered = dict.fromkeys(run.regions, 0.0)
        previous: tuple[str, ...] | None = None
        for interval in run.intervals:
            if interval.start_ns >= at:
                break
            if interval.states != previous:
                for name, now, was in zip(run.regions, interval.states,
                                          previous or interval.states, strict=True):
                    if now != was:
                        entered[name] = float(interval.start_ns - run.start_ns)
                previous = interval.states
        return entered

    def _other_timings(self) -> Iterator[_Change]:
        """Every other timing, shorter and longer."""
        for key, old in self.model.timings.items():
            for share in (0.5, 0.75, 0.9, 1.1, 1.33, 2.0, 4.0):
                change = self._timed(key, old * share)
                if change is not None:
                    yield change

    def _behaviour(self, region: str, **update: object) -> Gadget:
        changed = self.gadget.behaviour[region].model_copy(update=update)
        return self.gadget.model_copy(
            update={"behaviour": {**self.gadget.behaviour, region: changed}})

    def _levels(self) -> Iterator[_Change]:
        """Another level of the output in a state that the model is in after the difference."""
        pair = self.pair
        if pair is None:
            wanted, after = self.verdict.starts_recorded, self.states
        elif pair.recorded is not None:
            wanted = pair.recorded.level
            after = self.replayed.predicted.states_at(self.time_ns + self.tolerance + 1e6)
        else:
            return
        if wanted is None:
            return
        output, kind = self.model.names[self.verdict.signal]
        if kind > 0:
            return
        level = (Level(duty=wanted, text=f"{100 * wanted:.4g} %") if kind < 0
                 else Level(duty=float(wanted > 0), segments=int(wanted), text=str(int(wanted))))
        for region, behaviour in self.gadget.behaviour.items():
            state = after[region]
            levels = dict(behaviour.states[state])
            old = levels.get(output)
            if old is None and wanted == 0:
                continue
            levels[output] = level
            yield _Change(
                f"behaviour.{region}.states.{state}.{output}",
                f"{'off' if old is None else old.text} -> {level.text}", False,
                self._behaviour(region, states={**behaviour.states, state: levels}))
        for region, behaviour in self.gadget.behaviour.items():
            for start in behaviour.states if pair is None else ():
                if start != behaviour.starts:
                    yield _Change(f"behaviour.{region}.starts", f"{behaviour.starts} -> {start}",
                                  False, self._behaviour(region, starts=start))
            points = behaviour.resume_points
            for point in points[1:]:
                rest = tuple(other for other in points if other != point)
                yield _Change(f"behaviour.{region}.resume_points",
                              f"{points[0]} first -> {point} first", False,
                              self._behaviour(region, resume_points=(point, *rest)))

    def _rows(self, keys: set[str]) -> Iterator[_Change]:
        """Changes of one of these rows."""
        for region, behaviour in self.gadget.behaviour.items():
            for number, row in enumerate(behaviour.rows):
                key = f"behaviour.{region}.rows[{number}]"
                if keys & {key, *(f"{key}.on[{place}]" for place in range(len(row.on)))}:
                    yield from self._row(region, behaviour, number, row, key)

    def _could(self) -> set[str]:
        """The rows of the states that the model is in just before the difference."""
        return {row.key for region in self.model.prepared.system.regions for row in region.rows
                if self.states[region.name] in row.sources}

    def _recent(self) -> set[str]:
        """Rows that fired in the model since the last stimulus before the difference."""
        steps = [step.at_ns for step in self.observed.steps if step.at_ns <= self.time_ns]
        since = (steps[-1] if steps else 0) / self.factor
        until = (self.time_ns + self.tolerance) / self.factor
        return {key for time, cause in self.replayed.predicted.traced.causes.items()
                if since <= time + self.replayed.predicted.shift_ns <= until
                for key in cause.fired}

    def _row(self, region: str, behaviour: Behaviour, number: int, row: Row,
             key: str) -> Iterator[_Change]:
        rows = behaviour.rows

        def with_row(new: Row | None) -> Gadget:
            kept = () if new is None else (new,)
            return self._behaviour(region, rows=(*rows[:number], *kept, *rows[number + 1 :]))

        yield _Change(key, "this row is not there", False, with_row(None))
        targets = [*behaviour.states, "same", *(["resume"] if behaviour.resume_points else [])]
        for target in targets:
            if target != row.to:
                yield _Change(key, f"to {row.to} -> {target}", False,
                              with_row(row.model_copy(update={"to": target})))
        if row.when is not None:
            yield _Change(key, f"without its guard ({row.when})", False,
                          with_row(row.model_copy(update={"when": None})))
        for place, heard in enumerate(row.on):
            for event in self._events(heard):
                if event not in row.on:
                    yield _Change(key, f"on {heard} -> {event}", False, with_row(row.model_copy(
                        update={"on": (*row.on[:place], event, *row.on[place + 1 :])})))
        if len(row.from_) > 1 or any("*" in source for source in row.from_):
            state = self.states[region]
            sources = tuple(one for one in self._sources(region, key) if one != state)
            if sources:
                yield _Change(key, f"not from {state}", False,
                              with_row(row.model_copy(update={"from_": sources})))
        else:
            for state in dict.fromkeys((self.states[region],)):
                if state not in row.from_:
                    yield _Change(key, f"from {state} too", False, with_row(
                        row.model_copy(update={"from_": (*row.from_, state)})))
        if row.emit:
            yield _Change(key, "emits nothing", False,
                          with_row(row.model_copy(update={"emit": ()})))

    def _sources(self, region: str, key: str) -> tuple[str, ...]:
        for row in self.model.prepared.system.region(region).rows:
            if row.key in (key, f"{key}.on[0]"):
                return row.sources
        return ()

    def _events(self, event: str) -> Sequence[str]:
        """Other events of the same part, then those of parts of the same kind."""
        part = event.partition(".")[0]
        events = self.model.prepared.system.events
        same = [name for name in events if name.startswith(f"{part}.") and name != event]
        kind = next((names for names in (self.gadget.buttons, self.gadget.proximity)
                     if part in names), {})
        others = [name for other in kind if other != part
                  for name in events if name.startswith(f"{other}.")]
        return [*same, *others]

    def _counts(self) -> Iterator[_Change]:
        """Whole numbers of sensors and buttons, and conditions of sensors and gauge."""
        gadget = self.gadget
        for name, sensor in gadget.proximity.items():
            for count in (sensor.agree - 1, sensor.agree + 1, sensor.agree + 2):
                if count >= 1:
                    changed = sensor.model_copy(update={"agree": count})
                    yield _Change(f"proximity.{name}.agree", f"{sensor.agree} -> {count}", False,
                                  gadget.model_copy(update={"proximity": {**gadget.proximity,
                                                                          name: changed}}))
            for part in ("every", "clear", "settle"):
                for share in (0.5, 0.75, 1.33, 2.0):
                    key = f"proximity.{name}.{part}"
                    change = self._timed(key, self.model.timings[key] * share)
                    if change is not None:
                        yield change
            if sensor.enabled is not None:
                changed = sensor.model_copy(update={"enabled": None})
                yield _Change(f"proximity.{name}.enabled", "always", False, gadget.model_copy(
                    update={"proximity": {**gadget.proximity, name: changed}}))
        for name, button in gadget.buttons.items():
            if button.style == "sample":
                for count in (button.samples - 1, button.samples + 1, button.samples + 2):
                    if count >= 1:
                        pressed = button.model_copy(update={"samples": count})
                        yield _Change(f"buttons.{name}.samples", f"{button.samples} -> {count}",
                                      False, gadget.model_copy(update={
                                          "buttons": {**gadget.buttons, name: pressed}}))

    def _gauge(self) -> Iterator[_Change]:
        """Thresholds of the gauge, moved to the voltage that the model had at the recorded edge, or
        where it counts charge by some points of its capacity figure.
        """
        gauge = self.gadget.gauge
        if gauge is None or self.verdict.signal not in (gauge.light or "",):
            return
        run = self.replayed.predicted.traced.run
        at = self.time_ns / self.factor + run.start_ns
        counts = gauge.method == "counting"
        near = [] if counts else [
            interval.voltage_v for interval in run.intervals if interval.start_ns <= at][-3:]
        marks = [(f"gauge.thresholds[{k}]", figure.value)
                 for k, figure in enumerate(gauge.thresholds)]
        for key, old in marks:
            for level in dict.fromkeys([*near, *(old + step for step in
                                                 (-0.1, -0.05, -0.02, 0.02, 0.05, 0.1))]):
                if abs(level - old) > 1e-4 and abs(level - old) < 0.3 and (
                    not counts or 0.0 < level < 1.0
                ):
                    told = (f"{old * 100:g} % -> about {level * 100:.3g} %" if counts
                            else f"{old:g} V -> about {level:.3g} V")
                    yield _Change(key, told, False, with_values(self.gadget, {key: level}))
        if gauge.show is not None:
            changed = gauge.model_copy(update={"show": None})
            yield _Change("gauge.show", "always", False,
                          self.gadget.model_copy(update={"gauge": changed}))

    def _additions(self) -> Iterator[_Change]:
        """A row that the file does not have, on an event near the difference."""
        events = self._near_events()
        for region, behaviour in self.gadget.behaviour.items():
            state = self.states[region]
            for event in events:
                for target in behaviour.states:
                    if target == state:
                        continue
                    row = Row.model_validate({"on": event, "from": state, "to": target})
                    yield _Change(
                        f"behaviour.{region}.rows", f"one more row: on {event} from {state} to "
                        f"{target}", False, self._behaviour(region, rows=(row, *behaviour.rows)))

    def _near_events(self) -> list[str]:
        run = self.replayed.predicted.traced.run
        at = self.time_ns / self.factor - self.replayed.predicted.shift_ns + run.start_ns
        window = 2 * self.tolerance / self.factor
        return list(dict.fromkeys(event.name for event in run.events
                                  if abs(event.time_ns - at) <= window))


def _same_shape(one: Model, other: Model) -> bool:
    """Whether a snapshot of one model can be resumed in the other."""
    def shape(model: Model) -> list[tuple[str, tuple[str, ...]]]:
        return [(region.name, tuple(state.name for state in region.states))
                for region in model.prepared.system.regions]

    return shape(one) == shape(other)


def _between(values: Sequence[float], old: float) -> list[float]:
    """Middles between neighbouring values, and a little outside both ends, nearest to `old` first.

    A threshold that is passed by some and not by others lies in one of these gaps.
    """
    marks = [0.0, *values, *(value * 1.5 for value in values[-1:])]
    middles = {(low + high) / 2 for low, high in itertools.pairwise(marks)}
    return sorted(middles, key=lambda value: abs(value - old))


def _rough(time_ns: int, grain_ns: float) -> str:
    """A time in words, no finer than it can be known."""
    grain = 1
    while grain * 100 <= grain_ns:
        grain *= 10
    return format_duration(max(grain, round(time_ns / grain) * grain))
