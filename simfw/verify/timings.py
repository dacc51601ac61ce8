"""Which timings of the gadget file a recording bears out, and what to record for the others.

Each matched edge rests on a chain of dwells; what it is off by is charged to the longest of them,
so every timing that some edge hangs on gets a spread of measured values. Thresholds of presses
(hold, double, debounce) also get a bracket from the presses on either side of them.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from simfw.behaviour.region import Region, Row
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import Timing, format_duration
from simfw.stimuli.scenario import Press
from simfw.verify.prediction import Model
from simfw.verify.replay import Replayed
from simfw.verify.tracing import quantity_key

__all__ = ["Measured", "TimingReport", "ToRecord", "timing_report"]

Finding = Literal["consistent", "contradicts", "not exercised"]
FLOOR = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One timing: as written, as measured (ns, in the controller's own time), and the finding.

    `middle_ns` is the median, `low_ns` and `high_ns` the spread; without a median they are the
    bracket that presses put around a threshold. `count` edges or presses went into it.
    """

    key: str
    written: str
    written_ns: int
    middle_ns: float | None
    low_ns: float | None
    high_ns: float | None
    count: int
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


def timing_report(replayed: Replayed, gadget: Gadget, model: Model) -> TimingReport:
    """Measure every timing of the gadget file against the recording."""
    values = _measured(replayed, model)
    brackets = _brackets(replayed, gadget)
    found = []
    tolerance = replayed.options.tolerance_ns
    idle = {f"buttons.{name}.sample_every" for name, button in gadget.buttons.items()
            if button.style != "sample"}
    for key, quantity in quantities(gadget).items():
        if not isinstance(quantity, Timing) or key.startswith("rules") or key in idle:
            continue
        measured = sorted(values.get(key, []))
        bracket = brackets.get(key)
        if measured:
            middle = measured[len(measured) // 2]
            consistent = quantity.low_ns - tolerance <= middle <= quantity.high_ns + tolerance
            found.append(Measured(
                key=key, written=quantity.text or format_duration(quantity.ns),
                written_ns=quantity.ns, middle_ns=middle, low_ns=measured[0],
                high_ns=measured[-1], count=len(measured),
                finding="consistent" if consistent else "contradicts"))
        elif bracket is not None:
            low, high, count = bracket
            consistent = (low or 0) - tolerance <= quantity.ns <= (high or 1 << 62) + tolerance
            found.append(Measured(
                key=key, written=quantity.text or format_duration(quantity.ns),
                written_ns=quantity.ns, middle_ns=None, low_ns=low, high_ns=high, count=count,
                finding="consistent" if consistent else "contradicts"))
        else:
            found.append(Measured(
                key=key, written=quantity.text or format_duration(quantity.ns),
                written_ns=quantity.ns, middle_ns=None, low_ns=None, high_ns=None, count=0,
                finding="not exercised"))
    return TimingReport(timings=tuple(found), to_record=tuple(_to_record(replayed, model, found)))


def _measured(replayed: Replayed, model: Model) -> dict[str, list[float]]:
    """Measured values per timing, from edges that both sides have at the same level."""
    values: dict[str, list[float]] = {}
    factor = replayed.clock.factor
    for one in replayed.verdicts:
        origins = replayed.predicted.origins[one.signal]
        for pair in one.pairs:
            if pair.off_ns is None or pair.kind == "level" or pair.model is None:
                continue
            counts = origins[pair.model.number].counts
            known = {key: count for key, count in counts.items()
                     if count > FLOOR / 2 and key in model.timings and key not in model.sampled}
            if not known or any(key in model.sampled for key in counts):
                continue
            key = max(known, key=lambda name: known[name] * model.timings[name])
            if model.timings[key] == 0:
                continue
            values.setdefault(key, []).append(
                model.timings[key] + pair.off_ns / factor / known[key])
    return values


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
        slack = 2.0 * button.debounce.ns + 1e6
        if button.hold is not None:
            above = [length for length, at in lengths
                     if happened(f"{name}.hold", at, at + length + slack)]
            below = [length for length, at in lengths
                     if length > slack and not happened(f"{name}.hold", at, at + length + slack)]
            _bracket(found, f"buttons.{name}.hold", below, above)
        # A press that has others close by is part of a bounce and says nothing by itself.
        starts = [at for _, at in lengths]
        alone = [(length, at) for length, at in lengths
                 if not any(0 < abs(at - other) < slack + length for other in starts)]
        passed = [length for length, at in alone
                  if happened(f"{name}.press", at, at + length + slack)]
        short = [length for length, at in alone
                 if not happened(f"{name}.press", at, at + length + slack)]
        if short:
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
    seen = {one.key for one in timings if one.finding != "not exercised"}
    fired = replayed.predicted.traced.fired
    for region in model.prepared.system.regions:
        if region.group == "behaviour":
            for row in region.rows:
                key = quantity_key(row) if row.after_ns is not None else row.key
                if row.key not in fired and key not in seen:
                    path = _path(model, region, row)
                    found.append(ToRecord(key=row.key, sequence=path))
    for one in timings:
        section, _, rest = one.key.partition(".")
        if one.finding != "not exercised" or section == "behaviour":
            continue
        name, _, part = rest.rpartition(".")
        sequence = _stock_sequence(section, name, part, one)
        if sequence:
            found.append(ToRecord(key=one.key, sequence=sequence))
    return found


def _stock_sequence(section: str, name: str, part: str, one: Measured) -> str:
    length = one.written_ns / 1e6
    if section == "buttons":
        return {
            "debounce": f"press {name} for 1 s where an output answers at once; then presses "
                        f"shorter than {length:.4g} ms",
            "hold": f"press {name} for {0.9 * length:.4g} ms, then for {1.1 * length:.4g} ms",
            "double": f"press {name} twice, {0.9 * length:.4g} ms apart, then "
                      f"{1.1 * length:.4g} ms apart",
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
    steps: list[str] = [_in_words(model, row)]
    while (link := came[state]) is not None:
        state, step = link
        steps.append(_in_words(model, step))
    return f"from {region.name}.{region.starts}: " + ", then ".join(reversed(steps))


def _in_words(model: Model, row: Row) -> str:
    guard = f" (while {row.when_text})" if row.when_text else ""
    if row.after_ns is not None:
        return f"wait {format_duration(row.after_ns)}{guard}"
    part, _, event = (row.on or "").rpartition(".")
    button = model.gadget.buttons.get(part)
    if button is not None:
        hold = "" if button.hold is None else f" {format_duration(button.hold.ns)} and longer"
        words = {"click": f"press {part} briefly", "press": f"press {part}",
                 "release": f"release {part}", "hold": f"hold {part}{hold}",
                 "double": f"press {part} twice in a row"}
        return words.get(event, f"{part}.{event}") + guard
    if part in model.gadget.proximity:
        return {"wave": f"wave before {part}", "near": f"bring a hand before {part}",
                "far": f"take the hand from {part}"}.get(event, f"{part}.{event}") + guard
    words = {"usb.in": "plug USB in", "usb.out": "unplug USB", "charge.completed":
             "charge until it is complete", "cell.low": "run the cell down until it is low",
             "cell.flat": "run the cell down until it is flat"}
    return words.get(row.on or "", f"let {row.on} happen") + guard
