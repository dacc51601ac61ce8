"""Replay: feed a recording's inputs to the model and compare the outputs edge by edge.

The controller's clock is not the recorder's, so one clock factor is fitted (`clock_fit`): stimuli
come when they were recorded, dwells are stretched. A recording that begins in the middle of things
does not tell the state it begins in, so the states whose outputs look like the recorded ones are
tried, and how long the state had been held already is fitted with them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from simfw.behaviour.outputs import ways
from simfw.behaviour.region import Group, State
from simfw.engine.snapshot import Snapshot
from simfw.errors import UsageError, hint
from simfw.gadget.model import Gadget
from simfw.stimuli.recording.signals import Observed
from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Press
from simfw.verify.alignment import Edge, Pair, align
from simfw.verify.clock_fit import ClockFit, Sample, fit_clock
from simfw.verify.prediction import Begin, Model, Predicted
from simfw.verify.spans import measured, median, resolution_ns
from simfw.verify.tracing import START

__all__ = ["Begin", "Options", "Replayed", "SignalVerdict", "begin_of", "compare",
           "replay"]

MOST_STARTS: Final = 24
MOST_CODES: Final = 60
MOST_COMBINATIONS: Final = 20_000
CHARGES: Final = (0.95, 0.75, 0.55, 0.35, 0.15, 0.06)
ASSUMED_CHARGE: Final = 0.8
LEVEL: Final = 0.01
WORTH: Final = 0.3  # a factor other than 1 has to leave no more than this of the disagreements


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How to compare. `tolerance_ns` is how far an edge may be off.

    `start` names states of regions at the beginning, `charge` the cell's charge (0..1); None lets
    them be found. `factor` fixes the clock factor; None fits it.
    """

    tolerance_ns: int = 20_000_000
    start: Mapping[str, str] = field(default_factory=dict)
    charge: float | None = None
    factor: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalVerdict:
    """One output: its pairs by time, and how its level at the beginning compares.

    `undecided` counts edges of the model that are too near the end of the recording to be missed.
    """

    signal: str
    pairs: tuple[Pair, ...]
    starts_recorded: float | None
    starts_model: float | None
    start_agrees: bool
    undecided: int = 0

    @property
    def verdict(self) -> str:
        """`matched`, or the kind of the first disagreement."""
        if not self.start_agrees:
            return "level"
        return next((pair.kind for pair in self.pairs if pair.kind != "matched"), "matched")

    @property
    def disagreements(self) -> tuple[Pair, ...]:
        """The pairs that do not match."""
        return tuple(pair for pair in self.pairs if pair.kind != "matched")

    @property
    def worst_ns(self) -> float:
        """How far the matched edges are off at most."""
        return max((abs(pair.off_ns) for pair in self.pairs
                    if pair.kind == "matched" and pair.off_ns is not None), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """The result of a replay. `also` are other beginnings that fit as well; `said` is in words."""

    observed: Observed
    options: Options
    begin: Begin
    also: tuple[Begin, ...]
    clock: ClockFit
    predicted: Predicted
    verdicts: tuple[SignalVerdict, ...]
    said: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether every output matches and the clock factor is not at a bound."""
        return (all(one.verdict == "matched" for one in self.verdicts)
                and not self.clock.failed)

    @property
    def mismatches(self) -> int:
        """Disagreements of all outputs together."""
        return sum(len(one.disagreements) + (not one.start_agrees) for one in self.verdicts)

    @property
    def first(self) -> tuple[SignalVerdict, Pair | None] | None:
        """The earliest disagreement; the pair is None for a level that differs from the start."""
        for one in self.verdicts:
            if not one.start_agrees:
                return one, None
        found = [(pair.time_ns, number, pair) for number, one in enumerate(self.verdicts)
                 for pair in one.disagreements]
        if not found:
            return None
        _, number, pair = min(found, key=lambda item: item[:2])
        return self.verdicts[number], pair


def begin_of(replayed: Replayed, gadget: Gadget) -> Snapshot | None:
    """Where a run stands that begins as the recording does; None: at power-up."""
    if not replayed.begin.states:
        return None
    return Model(gadget, replayed.observed).snapshot(replayed.begin, 1.0)


# Comparing -----------------------------------------------------------------------------------


def equal_levels(within: float) -> Callable[[float, float], bool]:
    """Whether two levels (0..1) count as one, up to `within`; only off is equal to off."""
    def equal(one: float, other: float) -> bool:
        return abs(one - other) <= within + 1e-9 and (one == 0.0) == (other == 0.0)

    return equal


def recorded_edges(track: Track) -> tuple[Edge, ...]:
    """A recorded track as edges."""
    before = [track.start, *track.levels][: len(track.levels)]
    return tuple(Edge(float(time), level, was, 0.0, number) for number, (time, level, was) in
                 enumerate(zip(track.times_ns, track.levels, before, strict=True)))


def compare(observed: Observed, predicted: Predicted, tolerance_ns: float,
            until_ns: float | None = None, since_ns: float = 0.0) -> tuple[SignalVerdict, ...]:
    """Compare every recorded output with the model's, from `since_ns` to `until_ns`.

    `predicted` should go on beyond the end by the tolerance. An edge of the model that lies nearer
    to the end than that need not be in the recording: it is left undecided unless it is there.
    """
    verdicts = []
    end_ns = observed.end_ns if until_ns is None else min(until_ns, observed.end_ns)
    for name, track in observed.outputs.items():
        equal = equal_levels(within_of(observed, name))
        edges = recorded_edges(track)
        recorded = [edge for edge in edges if since_ns <= edge.time_ns <= end_ns]
        begins = track.start
        for edge in edges if since_ns else ():
            if edge.time_ns < since_ns:
                begins = edge.level
        pairs, undecided = [], 0
        for pair in align(recorded, predicted.edges[name], tolerance_ns, equal):
            missed = pair.model if pair.recorded is None else None
            if missed is not None and missed.time_ns >= end_ns - tolerance_ns - missed.slack_ns:
                undecided += missed.time_ns < end_ns
            else:
                pairs.append(pair)
        starts = predicted.starts[name]
        agrees = begins is None or starts is None or equal(begins, starts)
        verdicts.append(SignalVerdict(
            signal=name, pairs=tuple(pairs), starts_recorded=begins, starts_model=starts,
            start_agrees=agrees, undecided=undecided))
    return tuple(verdicts)


def within_of(observed: Observed, name: str) -> float:
    """How far levels of this output may be off."""
    signal = observed.signals[name]
    if signal.kind in ("segments", "segment", "infrared"):
        return 0.0
    return observed.within.get(name, LEVEL)


def samples_of(observed: Observed, model: Model, predicted: Predicted) -> list[Sample]:
    """The model's edges with the recorded edges each could be, for the fit of the clock."""
    samples: list[Sample] = []
    for name, edges in predicted.edges.items():
        if name not in observed.outputs:
            continue
        track = observed.outputs[name]
        equal = equal_levels(within_of(observed, name))
        times = np.array(track.times_ns, dtype=np.float64)
        same: dict[float, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
        for edge, origin in zip(edges, predicted.origins[name], strict=True):
            if any(key in model.sampled for key in origin.counts):
                continue  # waits for a sample, whose phase the recording does not fix
            if edge.level not in same:
                fits = [equal(level, edge.level) for level in track.levels]
                same[edge.level] = times[np.array(fits, dtype=bool)] if fits else times
            timing = max((key for key in origin.counts if key != START),
                         key=lambda key: _weight(model, key, origin.counts), default="")
            samples.append(Sample(edge.time_ns, origin.dwells_ns, timing, same[edge.level]))
    return samples


def _weight(model: Model, key: str, counts: Mapping[str, float]) -> float:
    found = model.timings.get(key)
    return 0.0 if found is None else abs(counts[key]) * found


# The whole -----------------------------------------------------------------------------------


def replay(observed: Observed, gadget: Gadget, options: Options | None = None,
           model: Model | None = None) -> Replayed:
    """Replay a recording and compare. Raises `UsageError` for states the gadget does not have.

    Codes that the map gives no button are tried with the buttons that have no code; the result's
    `observed` holds what was fed in the end.
    """
    options = Options() if options is None else options
    model = Model(gadget, observed) if model is None else model
    best = _replay(observed, model, options)
    codes = list(observed.open_codes)
    if not codes or not observed.spare_buttons:
        return best
    tried = 0
    for buttons in itertools.product((None, *observed.spare_buttons), repeat=len(codes)):
        given = {code: button for code, button in zip(codes, buttons, strict=True) if button}
        if not given or tried >= MOST_CODES:
            continue
        tried += 1
        fed = with_codes(observed, given)
        settled = replace(options, start=best.begin.states, charge=best.begin.charge)
        found = _replay(fed, Model(gadget, fed, like=model), settled)
        if found.mismatches < best.mismatches:
            named = ", ".join(f"{code} as {button}" for code, button in given.items())
            best = replace(found, said=(*found.said, f"codes without a button were tried: {named} "
                                        "fits best; if that is right, add it to the map"))
    return best


def with_codes(observed: Observed, buttons: Mapping[str, str]) -> Observed:
    """The same recording with these codes taken for presses of these buttons."""
    presses = [Press(at_ns=at, button=button, for_ns=lasts) for code, button in buttons.items()
               for at, lasts in observed.open_codes[code]]
    steps = sorted((*observed.steps, *presses), key=lambda step: step.at_ns)
    return replace(observed, steps=tuple(steps))


def _replay(observed: Observed, model: Model, options: Options) -> Replayed:
    charge, said = _charge(observed, options)
    begins, told = _begins(observed, model, options, ASSUMED_CHARGE if charge is None else charge)
    said += told
    tried = [_fitted(observed, model, options, begin) for begin in begins]
    best = min(tried, key=lambda one: one.mismatches)
    also = [one.begin for one in tried if one is not best and one.mismatches == best.mismatches]
    if charge is None and not model.reads_cell:
        said.append("start charge not recorded: nothing that is compared depends on it")
    elif charge is None:
        best, told = _try_charges(observed, model, options, best)
        said += told
    if len(begins) > 1:
        fits = "fits best" if best.mismatches else "fits"
        said.append(f"start state not recorded: {len(begins)} tried, {best.begin} {fits}"
                    + (f"; {len(also)} more fit as well" if also else ""))
    return replace(best, also=tuple(also), said=tuple(said))


def _charge(observed: Observed, options: Options) -> tuple[float | None, list[str]]:
    if options.charge is not None:
        return options.charge, []
    noted = observed.recording.notes.get("charge")
    if noted is None:
        return None, []
    charge = observed.recording.charge
    if charge is None:
        return None, [f"the recording notes a charge that is no number from 0 to 1: {noted[:40]}"]
    return charge, [f"start charge {100 * charge:.4g} % from the recording"]


def _try_charges(observed: Observed, model: Model, options: Options,
                 best: Replayed) -> tuple[Replayed, list[str]]:
    """Look whether the charge matters, and take the one that fits."""
    found = {best.begin.charge: best}
    for charge in CHARGES:
        begin = replace(best.begin, charge=charge)
        found[charge] = _judged(observed, model, options, begin, best.clock)
    counts = {charge: one.mismatches for charge, one in found.items()}
    least = min(counts.values())
    if all(count == least for count in counts.values()):
        return best, [f"start charge not recorded: {100 * best.begin.charge:.0f} % assumed, and no "
                      "recorded output depends on it"]
    fitting = sorted(charge for charge, count in counts.items() if count == least)
    chosen = (best.begin.charge if best.begin.charge in fitting
              else fitting[len(fitting) // 2])
    shown = ", ".join(f"{100 * charge:.0f} %" for charge in fitting)
    return found[chosen], [f"start charge not recorded: of those tried {shown} fit best; "
                           f"{100 * chosen:.0f} % is taken"]


def _begins(observed: Observed, model: Model, options: Options,
            charge: float) -> tuple[list[Begin], list[str]]:
    """The beginnings to try, the plainest first."""
    powered = Begin(charge=charge)
    system = model.prepared.system
    turned = {dial for region in system.regions for state in region.states for dial in state.dials}
    # Dials come first: all that stands where they start is tried before other positions.
    regions = [region for region in system.regions if region.group == "behaviour" or (
        region.group == "dials" and (region.name in turned or region.name in options.start))]
    names = {region.name: [state.name for state in region.states] for region in regions}
    for region, state in options.start.items():
        if region not in names:
            raise UsageError(_no_such("region", region, names))
        if state not in names[region]:
            raise UsageError(_no_such(f"state of {region}", state, names[region]))
    if "recorded by" in observed.recording.notes and not options.start:
        return [powered], []
    choices = [[options.start[region.name]] if region.name in options.start
               else [region.starts, *(n for n in names[region.name] if n != region.starts)]
               for region in regions]
    count = 1
    for choice in choices:
        count *= len(choice)
    if count > MOST_COMBINATIONS:
        return [powered], [f"start state not recorded: {count} combinations are too many to try; "
                           "power-up is taken"]
    starts = {name: track.start for name, track in observed.outputs.items()
              if track.start is not None}
    found: list[Begin] = []
    for states in itertools.product(*choices):
        chosen = dict(zip((region.name for region in regions), states, strict=True))
        if all(_looks_like(model, observed, chosen, name, level) for name, level in starts.items()):
            found.append(Begin(charge=charge, states=chosen))
    if not options.start:
        usual = {region.name: region.starts for region in regions}
        found = [begin for begin in found
                 if begin.states != usual or model.longest_lead(usual)]
        if all(_looks_like(model, observed, usual, name, level)
               for name, level in starts.items()) or not found:
            found.insert(0, powered)
    elif not found:
        chosen = {region.name: options.start.get(region.name, region.starts) for region in regions}
        found = [Begin(charge=charge, states=chosen)]
    said = []
    if len(found) > MOST_STARTS:
        said.append(f"{len(found)} start states look alike; the first {MOST_STARTS} are tried "
                    "(--start narrows it)")
    return found[:MOST_STARTS], said


def _no_such(what: str, name: str, names: Sequence[str] | Mapping[str, object]) -> str:
    return (f'--start: no such {what}: "{name}". Allowed: {", ".join(names)}.'
            + hint(name, names))


def _looks_like(model: Model, observed: Observed, states: Mapping[str, str], name: str,
                level: float) -> bool:
    """Whether these states give the output this level, as far as states alone tell."""
    output, kind = model.names[name]
    standing: list[tuple[Group, State, bool]] = []
    for region in model.prepared.system.regions:
        if region.group == "behaviour":
            standing.append((region.group, region.state(states[region.name]), True))
        elif region.group == "dials":
            where = states.get(region.name, region.starts)
            standing.append((region.group, region.state(where), True))
        elif any(output in state.drives for state in region.states):
            return True
    equal = equal_levels(max(within_of(observed, name), 0.03 if kind < 0 else 0.0))
    for drive in ways(standing, output):
        shown = 0.0
        if drive is not None:
            value = drive.duty if drive.segments is None or kind < 0 else float(drive.segments)
            shown = float(value >= kind) if kind > 0 else value
        if equal(shown, level):
            return True
    return False


def _fitted(observed: Observed, model: Model, options: Options, begin: Begin) -> Replayed:
    """Fit clock factor and lead for one beginning, and compare.

    A factor other than 1 has to explain most of what disagrees without it: a single changed timing
    must not bend the clock.
    """
    factor = 1.0 if options.factor is None else options.factor
    predicted = model.predict(begin, factor, beyond_ns=options.tolerance_ns)
    lead_limit = model.longest_lead(begin.states) if begin.states else 0
    for _ in range(2 if lead_limit else 0):
        lead = _lead(observed, options, predicted, begin.lead_ns, lead_limit)
        if lead == begin.lead_ns:
            break
        begin = replace(begin, lead_ns=lead)
        predicted = model.predict(begin, factor, beyond_ns=options.tolerance_ns)
    plain = _judged(observed, model, options, begin, ClockFit(factor=factor), predicted)
    if options.factor is not None:
        return plain
    for _ in range(4):
        clock = fit_clock(samples_of(observed, model, predicted), options.tolerance_ns, factor,
                          resolution_ns(observed))
        if abs(clock.factor - factor) < 1e-7:
            break
        factor = clock.factor
        predicted = model.predict(begin, factor, beyond_ns=options.tolerance_ns)
        if lead_limit:
            begin = replace(begin, lead_ns=_lead(observed, options, predicted, begin.lead_ns,
                                                 lead_limit))
            predicted = model.predict(begin, factor, beyond_ns=options.tolerance_ns)
    fitted = _judged(observed, model, options, begin, replace(clock, factor=factor), predicted)
    if fitted.mismatches > WORTH * plain.mismatches or _one_timing(fitted, model):
        return plain
    return fitted


def _one_timing(fitted: Replayed, model: Model) -> bool:
    """Whether one changed timing and the clock as written say more than the fitted clock.

    Each has one free number, so what they leave unexplained of all timings can be compared.
    """
    factor, tolerance = fitted.clock.factor, fitted.options.tolerance_ns
    found = measured(fitted.observed, fitted.predicted, fitted.verdicts, model, tolerance)
    sizes = [(model.timings[key], factor * median(values.found_ns))
             for key, values in found.items() if not values.beside]
    clock_off = sum(abs(real - factor * written) for written, real in sizes)
    others = sorted(abs(real - written) for written, real in sizes)[:-1]
    unclear = max(tolerance / 4, 2 * resolution_ns(fitted.observed))
    return clock_off > unclear and sum(others) <= WORTH * clock_off


def _judged(observed: Observed, model: Model, options: Options, begin: Begin,
            clock: ClockFit, predicted: Predicted | None = None) -> Replayed:
    if predicted is None:
        predicted = model.predict(begin, clock.factor, beyond_ns=options.tolerance_ns)
    exact = options.factor is not None or (_own(observed) and abs(clock.factor - 1.0) < 1e-9)
    predicted = model.with_slack(predicted, 0.0 if exact else clock.doubt)
    return Replayed(
        observed=observed, options=options, begin=begin, also=(), clock=clock, predicted=predicted,
        verdicts=compare(observed, predicted, options.tolerance_ns))


def _own(observed: Observed) -> bool:
    """Whether the recording is a simulated run, whose clock is exactly the written one."""
    return observed.recording.notes.get("clock") == "exact"


def _lead(observed: Observed, options: Options, predicted: Predicted, lead: int,
          limit: int) -> int:
    """How long the start state had been held: the value under which most edges fit."""
    shifts: list[float] = []
    pool: list[tuple[float, np.ndarray[tuple[int], np.dtype[np.float64]]]] = []
    for name, edges in predicted.edges.items():
        if name not in observed.outputs:
            continue
        track = observed.outputs[name]
        equal = equal_levels(within_of(observed, name))
        for edge, origin in zip(edges, predicted.origins[name], strict=True):
            if START not in origin.counts:
                continue
            times = np.array([time for time, level in
                              zip(track.times_ns, track.levels, strict=True)
                              if equal(level, edge.level)], dtype=np.float64)
            if not len(times):
                continue
            pool.append((edge.time_ns, times))
            if len(shifts) < 400:
                shifts += [float(time - edge.time_ns) for time in times[:20]]
    # A later edge than predicted means that the state had been held for less time.
    allowed = [shift for shift in shifts if 0 <= lead - shift <= limit]
    if not allowed or not pool:
        return lead

    def off(shift: float) -> list[float]:
        return [float(min(times - (at + shift), key=abs)) for at, times in pool]

    pool = pool[:200]
    best = max(allowed, key=lambda shift: (
        sum(abs(one) <= options.tolerance_ns for one in off(shift)),
        -sum(min(abs(one), options.tolerance_ns) for one in off(shift))))
    inside = [one for one in off(best) if abs(one) <= options.tolerance_ns]
    best += float(np.median(np.array(inside))) if inside else 0.0
    return int(min(max(lead - best, 0), limit))
