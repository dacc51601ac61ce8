"""Which timings of the gadget file a recording bears out, and what to record for the others.

How a timing is measured stands in `spans`. Where the recording cannot tell several apart, each is
told with the others. Thresholds of presses (hold, double, debounce) also get a bracket from the
presses on either side of them.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from simfw.behaviour.region import Region, Row
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import Timing, format_duration
from simfw.stimuli.scenario import Press
from simfw.verify.explaining import Divergence
from simfw.verify.prediction import Model
from simfw.verify.replay import Replayed
from simfw.verify.spans import Values, measured, resolution_ns
from simfw.verify.tracing import quantity_key

__all__ = ["Measured", "TimingReport", "ToRecord", "timing_report"]

Finding = Literal["consistent", "contradicts", "doubtful", "not measured", "not exercised"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One timing: as written, as measured (ns, in the controller's own time), and the finding.

    `middle_ns` is the median, `low_ns` and `high_ns` the spread with what the recorder does not
    tell apart; without a median they are the bracket that presses put around a threshold. `count`
    is how often it was measured, or the presses of a bracket. `beside` are the timings that could
    not be told apart from it: its value then takes them to be as written.
    """

    key: str
    written: str
    written_ns: int
    middle_ns: float | None = None
    low_ns: float | None = None
    high_ns: float | None = None
    count: int = 0
    beside: tuple[str, ...] = ()
    finding: Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class ToRecord:
    """A timing or row that the recording does not exercise, and what to do to exercise it."""

    key: str
    sequence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingReport:
    """All timings in file order, and what to record next."""

    timings: tuple[Measured, ...]
    to_record: tuple[ToRecord, ...]


def timing_report(replayed: Replayed, gadget: Gadget, model: Model,
                  divergence: Divergence | None = None) -> TimingReport:
    """Measure every timing of the gadget file against the recording.

    `divergence` is what was found about the first difference: where no change of a timing removes
    it, edges that do not match say nothing about timings.
    """
    trusted = divergence is None or divergence.timing is not None
    values = measured(replayed.observed, replayed.predicted, replayed.verdicts, model,
                      replayed.options.tolerance_ns, trusted=trusted)
    brackets = _brackets(replayed, gadget)
    fired = replayed.predicted.traced.fired
    ran = {quantity_key(row) for region in model.prepared.system.regions for row in region.rows
           if row.after_ns is not None and row.key in fired}
    idle = {f"buttons.{name}.{part}" for name, button in gadget.buttons.items()
            for part in button.unused}
    found = []
    for key, quantity in quantities(gadget).items():
        if not isinstance(quantity, Timing) or key.startswith("rules") or key in idle:
            continue
        plain = Measured(key=key, written=quantity.text or format_duration(quantity.ns),
                         written_ns=quantity.ns,
                         finding="not measured" if key in ran else "not exercised")
        if key in values:
            found.append(_judged(plain, quantity, values[key], replayed))
        elif key in brackets:
            low, high, count = brackets[key]
            tolerance = replayed.options.tolerance_ns
            consistent = (low or 0) - tolerance <= quantity.ns <= (high or 1 << 62) + tolerance
            found.append(replace(plain, low_ns=low, high_ns=high, count=count,
                                 finding="consistent" if consistent else "contradicts"))
        else:
            found.append(plain)
    return TimingReport(timings=tuple(found), to_record=tuple(_to_record(replayed, model, found)))


# Judging --------------------------------------------------------------------------------------


def _judged(plain: Measured, quantity: Timing, values: Values, replayed: Replayed) -> Measured:
    """The finding about a timing that was measured.

    What it is off by adds up along a chain, so where the outputs disagree even a small error counts
    as often as the timing went into an edge that does not match.
    """
    tolerance = replayed.options.tolerance_ns
    step_ns = resolution_ns(replayed.observed)
    # What is shorter than the recorder tells apart is no time at all.
    found = sorted(0.0 if abs(one) < step_ns else one for one in values.found_ns)
    middle = found[len(found) // 2]
    off = max(quantity.low_ns - middle, middle - quantity.high_ns, 0.0)
    # The middle half of the values, and what the recorder tells apart, are no error.
    quarter = len(found) // 4
    clear = off > step_ns and not (found[quarter] - step_ns <= quantity.ns
                                   <= found[-1 - quarter] + step_ns)
    longest = max((count for count in _disagreeing(replayed, plain.key)), default=1.0)
    wrong = off > tolerance or (clear and off * longest > tolerance) or middle < -step_ns
    finding: Finding = "consistent"
    if wrong:
        finding = "doubtful" if values.beside else "contradicts"
    # Two moments that are known to a step each lie up to a step nearer, or further apart. A step of
    # 1 ns is none: times are counted in these.
    slack = step_ns if step_ns > 1.0 else 0.0
    low = found[0] - slack if found[0] < 0.0 else max(0.0, found[0] - slack)
    return replace(plain, middle_ns=middle, low_ns=low, high_ns=found[-1] + slack,
                   count=len(found), beside=values.beside, finding=finding)


def _disagreeing(replayed: Replayed, key: str) -> Iterator[float]:
    """How often a timing went into each edge of the model that does not match."""
    for one in replayed.verdicts:
        for pair in one.disagreements:
            if pair.model is not None:
                yield replayed.predicted.origins[one.signal][pair.model.number].counts.get(key, 0.0)


# Thresholds ----------------------------------------------------------------------------------


def _brackets(
    replayed: Replayed, gadget: Gadget
) -> dict[str, tuple[float | None, float | None, int]]:
    """Thresholds between presses that did and presses that did not pass them.

    Which did is what the model says, so a bracket counts only while the outputs agree.
    """
    found: dict[str, tuple[float | None, float | None, int]] = {}
    if replayed.mismatches:
        return found
    run = replayed.predicted.traced.run
    factor = replayed.clock.factor
    times: dict[str, list[int]] = {}
    for event in run.events:
        times.setdefault(event.name, []).append(event.time_ns - run.start_ns)

    def happened(name: str, since: float, until: float) -> bool:
        return any(since <= time <= until for time in times.get(name, ()))

    for name, button in gadget.buttons.items():
        presses = [step for step in replayed.observed.steps
                   if isinstance(step, Press) and step.button == name]
        lengths = [(step.for_ns / factor, step.at_ns / factor) for step in presses]
        slack = 2.0 * button.settling_ns + 1e6
        for word, _ in button.hold_lengths:
            above = [length for length, at in lengths
                     if happened(f"{name}.{word}", at, at + length + slack)]
            below = [length for length, at in lengths
                     if length > slack and not happened(f"{name}.{word}", at, at + length + slack)]
            _bracket(found, button.hold_key(name, word), below, above)
        # A press that has others close by is part of a bounce and says nothing by itself.
        starts = [at for _, at in lengths]
        alone = [(length, at) for length, at in lengths
                 if not any(0 < abs(at - other) < slack + length for other in starts)]
        passed = [length for length, at in alone
                  if happened(f"{name}.press", at, at + length + slack)]
        short = [length for length, at in alone
                 if not happened(f"{name}.press", at, at + length + slack)]
        # Where the first edge counts, how long a press is says nothing of the time after it.
        if short and button.style != "first-edge":
            _bracket(found, f"buttons.{name}.debounce", short, passed)
        if button.double is not None:
            gaps = [((after.at_ns - before.at_ns - before.for_ns) / factor, after.at_ns / factor)
                    for before, after in itertools.pairwise(presses)]
            gaps = [(gap, at) for gap, at in gaps if gap > slack]
            doubles = [gap for gap, at in gaps if happened(f"{name}.double", at, at + slack)]
            singles = [gap for gap, at in gaps if not happened(f"{name}.double", at, at + slack)]
            if doubles:
                _bracket(found, f"buttons.{name}.double", doubles, singles)
    return found


def _bracket(found: dict[str, tuple[float | None, float | None, int]], key: str,
             below: Sequence[float], above: Sequence[float]) -> None:
    low, high = max(below, default=None), min(above, default=None)
    if high is not None or (low is not None and below):
        found[key] = (low, high, len(below) + len(above))


# What to record next -------------------------------------------------------------------------


def _to_record(replayed: Replayed, model: Model, timings: Sequence[Measured]) -> list[ToRecord]:
    """Written rows that never fired, and timings without a measurement."""
    found: list[ToRecord] = []
    silent = ("not exercised", "not measured")
    seen = {one.key for one in timings if one.finding not in silent}
    fired = replayed.predicted.traced.fired
    for region in model.prepared.system.regions:
        if region.group == "behaviour":
            for row in region.rows:
                key = quantity_key(row) if row.after_ns is not None else row.key
                if row.key not in fired and key not in seen:
                    path = _path(model, region, row)
                    found.append(ToRecord(key=row.key.partition("#")[0], sequence=path))
    for one in timings:
        section, _, rest = one.key.partition(".")
        if one.finding not in silent or section == "behaviour":
            continue
        # The name of a hold stands behind `holds`.
        name, _, part = rest.partition(".") if section == "buttons" else rest.rpartition(".")
        button = model.prepared.gadget.buttons.get(name) if section == "buttons" else None
        first_edge = button is not None and button.style == "first-edge"
        sequence = _stock_sequence(section, name, part, one, first_edge=first_edge)
        if sequence:
            found.append(ToRecord(key=one.key, sequence=sequence))
    return found


def _stock_sequence(
    section: str, name: str, part: str, one: Measured, *, first_edge: bool
) -> str:
    length = one.written_ns / 1e6
    if section == "buttons":
        if part == "debounce" and not length:
            return ""  # every edge counts: there is nothing to be shorter than
        if part == "debounce" and first_edge:
            return (f"press {name} for {0.5 * length:.4g} ms where an output answers when it is "
                    "let go")
        if part.startswith("holds."):
            part = "hold"
        return {
            "debounce": f"press {name} for 1 s where an output answers at once; then presses "
                        f"shorter than {length:.4g} ms",
            "hold": f"press {name} for {0.9 * length:.4g} ms, then for {1.1 * length:.4g} ms",
            "double": f"press {name} twice, {0.9 * length:.4g} ms apart, then "
                      f"{1.1 * length:.4g} ms apart",
            "second_hold": f"press {name} twice in a row, the second time for "
                           f"{0.9 * length:.4g} ms, then for {1.1 * length:.4g} ms",
            "repeat": f"hold {name} for some of its repeats",
        }.get(part, "")
    if section == "chords":
        return f"press the buttons of {name} {0.9 * length:.4g} ms apart, then {1.1 * length:.4g}" \
               " ms apart"
    if section == "proximity":
        return {
            "every": f"record the emitter of {name} for some seconds (map it as {name}.emitter)",
            "settle": f"record the receiver supply and the emitter of {name}",
            "clear": f"wave twice before {name}, {0.9 * length:.4g} ms apart, then "
                     f"{1.2 * length:.4g} ms apart",
        }.get(part, "")
    if section == "gauge":
        if part == "blink":
            return "record the bars while the cell charges"
        return "record the bars while the cell's voltage passes a threshold"
    return ""


def _path(model: Model, region: Region, row: Row) -> str:
    """The events that lead from the start state of the region to this row, and then the row."""
    came: dict[str, tuple[str, Row] | None] = {region.starts: None}
    queue = deque([region.starts])
    while queue:
        state = queue.popleft()
        if state in row.sources:
            break
        for step in region.rows:
            target = region.resume_points[0] if step.to == "resume" else step.to
            if state in step.sources and target not in came and target != "same":
                came[target] = (state, step)
                queue.append(target)
    else:
        return f"nothing leads to {region.name}.{row.sources[0]}"
    steps: list[str] = [_in_words(model, region, row, state)]
    while (link := came[state]) is not None:
        state, step = link
        steps.append(_in_words(model, region, step, state))
    return f"from {region.name}.{region.starts}: " + ", then ".join(reversed(steps))


def _in_words(model: Model, region: Region, row: Row, state: str) -> str:
    asked = [row.when_text] if row.when_text else []
    if row.after_ns is not None:
        # A dwell of the same state that is due first must not lead away.
        asked += [f"not ({other.when_text})" for other in region.rows
                  if other.after_ns is not None and other.after_ns < row.after_ns
                  and state in other.sources and other.when_text and other.to != "same"]
    if len(asked) > 1 and " or " in row.when_text:
        asked[0] = f"({row.when_text})"
    guard = f" (while {' and '.join(asked)})" if asked else ""
    if row.after_ns is not None:
        return f"wait {format_duration(row.after_ns)}{guard}"
    part, _, event = (row.on or "").rpartition(".")
    button = model.gadget.buttons.get(part)
    if button is not None:
        words = {"click": f"press {part} briefly", "press": f"press {part}",
                 "release": f"release {part}", "double": f"press {part} twice in a row",
                 "repeat": f"go on holding {part}",
                 "second_hold": f"press {part} twice in a row and hold it"}
        words |= {f"clicks{count}": f"press {part} {count} times in a row"
                  for count in range(3, button.most_clicks + 1)}
        words |= {word: f"hold {part} {format_duration(timing.ns)} and longer"
                  for word, timing in button.hold_lengths}
        return words.get(event, f"{part}.{event}") + guard
    if part in model.gadget.proximity:
        return {"wave": f"wave before {part}", "near": f"bring a hand before {part}",
                "far": f"take the hand from {part}"}.get(event, f"{part}.{event}") + guard
    words = {"usb.in": "plug USB in", "usb.out": "unplug USB", "charge.completed":
             "charge until it is complete", "cell.low": "run the cell down until it is low",
             "cell.flat": "run the cell down until it is flat"}
    return words.get(row.on or "", f"let {row.on} happen") + guard
