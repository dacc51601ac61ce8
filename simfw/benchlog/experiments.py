"""`next`: what to look at next, and what each explanation that is left predicts of it.

The library of circuit experiments is made from the gadget: the current of each state, the status
pin, a charge that is timed, a run-down to a bar, the drawer. Handlings that tell rivals apart come
from `side_by_side`. What an experiment tells is counted in bits: of its outcome, with the
combinations that are left weighing the same and the figures of each spread over what they predict,
less what the meter and the hand blur (C. E. Shannon, "A mathematical theory of communication",
1948).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np

from simfw.benchlog.bench import observe
from simfw.benchlog.model import (
    CLOCK,
    PRESS_NS,
    BenchLog,
    BenchStep,
    Do,
    Kit,
    ModeReading,
    Observation,
    PinSeen,
    See,
    StartCharge,
    Until,
    Wait,
)
from simfw.benchlog.narrowing import Narrowed, RivalResult
from simfw.benchlog.policy import begin_with
from simfw.benchlog.side_by_side import Handling, shown_after, told_apart
from simfw.benchlog.world import World, rows_ignore
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.quantity import format_rough_time
from simfw.stimuli.scenario import Press, Usb

__all__ = ["Experiment", "NextResult", "Prediction", "Proof", "Untold", "next_experiments"]

Proof = Literal["all", "rows"]
"""What of two gadgets is proved to be the same: `all` that can be seen or measured; `rows`: what
is driven, whatever hands do, as long as both read the same of the cell."""

_S = 1_000_000_000
_DAY_NS = 86_400 * _S
_LONGEST_NS = 100 * 3600 * _S
_METER = 0.02  # of a reading
_METER_A = 0.5e-6
_METER_V = 0.01  # with the moment missed by a little: common practice, no source
_LOOKED_S = 300.0  # how often one looks at bars or at a charge
_CLOSE_S = 60.0  # and near the end, where all predictions lie within half an hour
_WITHIN_S = 1800.0
_EVERY, _LOOKED = "every 5 minutes", 'looked = "5 min"'
_CLOCK = 0.1
_GADGETS = 6  # of each explanation that are asked
_MODES = 12
_DAYS = (14, 60)
_PAIRS = 12  # of explanations that are stepped side by side
_PROOFS = 24  # of pairs that nothing tells apart, that are searched for a proof
_FINE = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """What one explanation predicts: from `low` to `high` (s or A), or one of some sights."""

    combination: tuple[int, ...]
    low: float | None = None
    high: float | None = None
    sights: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Experiment:
    """Something to look at.

    `minutes` is how long it takes, waiting included; `unit` of what is read (`s`, `A`; "" for a
    sight); `blur` how well it is read (s or A at the middle). `bits` is what it tells.
    """

    name: str
    kind: str
    hands: str
    minutes: float
    kit: tuple[Kit, ...]
    unit: str
    blur: float
    bits: float
    predictions: tuple[Prediction, ...]
    entry: str = ""
    handling: Handling | None = None

    @property
    def worth(self) -> float:
        """Bits per minute."""
        return self.bits / max(self.minutes, 0.1)

    def tells(self, one: tuple[int, ...], other: tuple[int, ...]) -> bool:
        """Whether no outcome is predicted by both of two explanations."""
        first, second = (
            next(p for p in self.predictions if p.combination == which) for which in (one, other)
        )
        if set(first.sights) & set(second.sights):
            return False
        if None in (first.low, second.low) or first.high is None or second.high is None:
            return True
        assert first.low is not None
        assert second.low is not None
        return (first.high + self.blur < second.low - self.blur
                or second.high + self.blur < first.low - self.blur)


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold:
    """Two explanations that no usable experiment surely tells apart.

    `would_tell` are the names of experiments that would, with more kit or time. `proof` is what is
    proved to be the same of both; None where nothing is: then `tried` experiments of the library,
    handlings side by side among them, have an outcome that both predict.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    would_tell: tuple[str, ...]
    proof: Proof | None
    tried: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NextResult:
    """What to look at next, most bits per minute first, and what cannot be told apart.

    Where another one first tells explanations apart in less time in the end, it stands before all
    that tell any apart; `expected_minutes` is what that takes on average, 0 where nothing does.
    `looks` counts handlings that were tried side by side.
    """

    narrowed: Narrowed
    kit: tuple[Kit, ...]
    minutes: float | None
    experiments: tuple[Experiment, ...]
    expected_minutes: float
    not_tellable: tuple[Untold, ...]
    looks: int
    runs: int


@dataclass(slots=True)
class _Left:
    """One explanation that is left, with some of the gadgets it may be."""

    rival: RivalResult
    world: World
    gadgets: list[Prepared] = field(default_factory=list)


def next_experiments(
    found: Narrowed, *, kit: Sequence[Kit] | None = None, minutes: float | None = None,
    same: Callable[[Gadget, Gadget], Proof | None] | None = None,
) -> NextResult:
    """What to look at next, by what is left of a bench log.

    `kit` is what lies on the bench, else what the log says; `minutes` is the longest that an
    experiment may take. `same` tells what is proved to be the same of two gadgets that nothing
    tells apart (`simfw.report.sameness.proved_same`); without it nothing is proved.
    """
    log = found.log
    own = tuple(log.kit if kit is None else kit)
    left = [_left(log, rival) for rival in found.possible]
    looks: dict[_Pair, int] = {}
    runs = 0
    everything: list[Experiment] = []
    if left:
        for template in _library(left[0].world.gadget):
            one = _predicted(template, left, log)
            runs += len(left) * _GADGETS
            alike = [e for e in everything if one is not None and e.kind == one.kind == "current"
                     and e.predictions == one.predictions]
            if one is not None and not alike:  # states that tick are one mode
                everything.append(one)
        handlings, looks = _handlings(left, minutes)
        everything += handlings
    usable = [
        one for one in everything
        if set(one.kit) <= set(own) and (minutes is None or one.minutes <= minutes)
    ]
    told = sorted(
        (one for one in usable if one.bits >= 0.05), key=lambda one: (-one.worth, one.name))
    left_over = [one.rival.combination for one in left]
    plan = begin_with(told, left_over)
    if plan is not None:
        place = next(n for n, one in enumerate(told)
                     if any(one.tells(a, b) for a, b in combinations(left_over, 2)))
        told.remove(plan.first)
        told.insert(place, plan.first)
    return NextResult(
        narrowed=found, kit=own, minutes=minutes, experiments=tuple(told),
        expected_minutes=0.0 if plan is None else plan.minutes,
        not_tellable=tuple(_not_tellable(log, left, usable, everything, looks, same)),
        looks=sum(looks.values()), runs=runs,
    )


def _left(log: BenchLog, rival: RivalResult) -> _Left:
    world = World(log.gadgets[rival.combination])
    points: list[dict[str, float]] = list(rival.fitting)
    if not points:  # open: nothing is known but the ranges
        points = [{one.key: one.at(share) for one in log.unknowns} for share in (0.1, 0.5, 0.9)]
    step = max(1, len(points) // _GADGETS)
    some = points[::step][:_GADGETS]
    found = _Left(rival, world)
    for values in some:
        found.gadgets.append(World(world.gadget).prepared(values))
    return found


# -- circuit -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Template:
    """An experiment before anything is predicted: an observation that is open on all sides."""

    name: str
    kind: str
    hands: str
    kit: tuple[Kit, ...]
    seen: Observation
    unit: str
    entry: str
    minutes: float | None = None  # None: what it takes, and 5 minutes
    sights: tuple[str, ...] = ()
    otherwise: str = "nothing of it"


def _library(gadget: Gadget) -> list[_Template]:
    found = list(_currents(gadget))
    gauge = gadget.gauge
    bars = 0 if gauge is None else len(gauge.thresholds)
    if gadget.charger is not None:
        found += [_pin(), _pin(full=True), _charge()]
    button = next(iter(gadget.buttons), None)
    shown = gauge is not None and gauge.light is not None
    if bars and shown and button is not None:
        do = Do(step=Press(at_ns=0, button=button, for_ns=PRESS_NS))
        text = f"gauge == {bars - 1}"
        found.append(_Template(
            name=f"full cell, press {button}: until {bars - 1} bars",
            kind="run-down", kit=("eyes", "stopwatch"), unit="s",
            hands=f"Charge it until it is full. Press {button}, start the stopwatch, look "
                  f"{_EVERY}, stop when {bars - 1} bars show.",
            seen=Observation(name="run-down", steps=(do, _until(text))),
            entry=f'start = "full"\nsteps = [{{ press = "{button}" }}, '
                  f'{{ until = "{text}", took = "...", {_LOOKED} }}]',
        ))
        found.append(_Template(
            name=f"full cell, press {button}: voltage when {bars - 1} bars show",
            kind="voltage", kit=("eyes", "multimeter"), unit="V",
            hands=f"Charge it until it is full. Hold the meter to the cell, press {button}, and "
                  f"read the voltage at the moment when {bars - 1} bars show.",
            seen=Observation(name="voltage", steps=(
                do, _until(text), See(text="cell.voltage >= 0"))),
            entry=f'start = "full"\nsteps = [{{ press = "{button}" }}, '
                  f'{{ until = "{text}", took = "..." }}, '
                  '{ see = "cell.voltage > ... and cell.voltage < ..." }]',
        ))
        sights = tuple(f"gauge == {k}" for k in range(bars + 1))
        for days in _DAYS:
            wait = Wait(ns=days * _DAY_NS, low_ns=days * _DAY_NS, high_ns=days * _DAY_NS)
            look: tuple[BenchStep, ...] = (
                wait, do, Wait(ns=5 * _S, low_ns=5 * _S, high_ns=5 * _S))
            found.append(_Template(
                name=f"drawer, {days} days", kind="shelf", kit=("eyes",), unit="",
                minutes=days * 1440.0, sights=sights,
                hands=f"Charge it until it is full and leave it alone for {days} days. Press "
                      f"{button} and count the bars.",
                seen=Observation(name="drawer", steps=(*look, *(See(text=s) for s in sights))),
                entry=f'start = "full"\nsteps = [{{ wait = "{days} days" }}, {{ press = "{button}"'
                      ' }, { wait = "5 s" }, { see = "gauge == ..." }]',
            ))
    return found


def _currents(gadget: Gadget) -> list[_Template]:
    found: list[_Template] = []
    for region, one in gadget.behaviour.items():
        if not any(one.states.values()):
            continue  # nothing is drawn by it
        for state in one.states:
            if len(found) >= _MODES:
                return found
            mode = f"{region}.{state}"
            found.append(_Template(
                name=f"meter, {mode}", kind="current", kit=("multimeter",), unit="A", minutes=2.0,
                hands=f"Put the meter in line with the cell, bring it to {mode}, read the mean "
                      "current with the cell 70 % to 90 % full.",
                seen=Observation(
                    name=mode, start=StartCharge("share", 0.7, 0.9),
                    reading=ModeReading(states=((region, state),), low_a=1e-12, high_a=100.0)),
                entry=f'mode = "{mode}"\ncharge = "70 % .. 90 %"\nreading = "... mA ± ... mA"',
            ))
    return found


def _pin(*, full: bool = False) -> _Template:
    sights = ("low", "high")
    share = 1.0 if full else 0.5
    return _Template(
        name=f"status pin {'after a full charge' if full else 'while charging'}",
        kind="pin", kit=("multimeter",), unit="", minutes=3.0,
        sights=sights, otherwise="floating",
        hands=f"With the cell {'charged until it is full' if full else 'about half full'}, plug "
              "USB in and measure the charger's status pin "
              "against ground, then with a resistor of 100 kΩ to the supply beside it: one that "
              "moves with the resistor floats.",
        seen=Observation(
            name="pin", start=StartCharge("share", share, share),
            steps=(Do(step=Usb(at_ns=0, present=True)),
                   Wait(ns=60 * _S, low_ns=60 * _S, high_ns=60 * _S),
                   *(PinSeen(reads=one) for one in ("low", "high")))),
        entry=f'start = "{100 * share:.0f} %"\n'
              'steps = [{ usb = true }, { wait = "1 min" }]\n'
              'pin = "charger.status"\nreads = "..."',
    )


def _charge() -> _Template:
    return _Template(
        name="charge, timed", kind="charge", kit=("eyes", "stopwatch"), unit="s",
        hands="Run it down until it goes off by itself. Plug USB in, start the stopwatch, look "
              f"{_EVERY}, stop when it says that it is full. Watch it: a cell that gets hot "
              "or swells is no longer to be charged.",
        seen=Observation(
            name="charge", start=StartCharge("cut-off"),
            steps=(Do(step=Usb(at_ns=0, present=True)), _until("charge.complete"))),
        entry='start = "cut-off"\nsteps = [{ usb = true }, { until = "charge.complete", '
              f'took = "...", {_LOOKED} }}]',
    )


def _until(text: str) -> Until:
    return Until(text=text, ns=_LONGEST_NS // 2, low_ns=1, high_ns=_LONGEST_NS)


def _predicted(template: _Template, left: Sequence[_Left], log: BenchLog) -> Experiment | None:
    """The experiment with what each explanation predicts; None where some cannot do it."""
    predictions = []
    outcomes: list[list[float | str | None]] = []
    for one in left:
        values: list[float | str | None] = []
        for prepared in one.gadgets:
            try:
                values += _asked(template, prepared)
            except (StopIteration, KeyError):
                return None
        outcomes.append(values)
        predictions.append(_prediction(one.rival.combination, values))
    numbers = [v for vs in outcomes for v in vs if isinstance(v, float)]
    minutes = template.minutes
    if minutes is None and template.unit == "V":
        came = [observe(one.gadgets[0], template.seen, {})[0].value for one in left]
        minutes = max((s for s in came if s is not None), default=_LONGEST_NS * 1e-9) / 60.0 + 5.0
    if minutes is None:
        minutes = (max(numbers) / 60.0 if numbers else _LONGEST_NS * 1e-9 / 60.0) + 5.0
    blur, hands, entry = 0.0, template.hands, template.entry
    if template.unit == "A" and numbers:
        blur = _METER * float(np.median(numbers)) + _METER_A
    elif template.unit == "V":
        blur = _METER_V
    elif template.unit == "s" and numbers:
        looked_s = _LOOKED_S
        if max(numbers) - min(numbers) <= _WITHIN_S:
            looked_s = _CLOSE_S
            begun_s = min(numbers) - 2.0 * _LOOKED_S
            hands = hands.replace(_EVERY, "every minute" if begun_s <= 0.0 else (
                f"{_EVERY}, from {format_rough_time(begun_s, 2)} on every minute"))
            entry = entry.replace(_LOOKED, 'looked = "1 min"')
        blur = 0.5 * looked_s
        if CLOCK not in {one.key for one in log.unknowns} and template.kind == "dwell":
            blur += _CLOCK * float(np.median(numbers))
    return Experiment(
        name=template.name, kind=template.kind, hands=hands, minutes=minutes,
        kit=template.kit, unit=template.unit, blur=blur, bits=bits_of(outcomes, blur),
        predictions=tuple(predictions), entry=entry,
    )


def _asked(template: _Template, prepared: Prepared) -> list[float | str | None]:
    """What one gadget would show."""
    seen = template.seen
    if template.sights:
        margins = observe(prepared, seen, {})
        each = len(margins) // len(template.sights)
        for n, sight in enumerate(template.sights):
            if all(one.off <= 1.0 for one in margins[n * each : (n + 1) * each]):
                return [sight]
        return [template.otherwise]
    if seen.reading is not None and seen.start.loose:
        return [observe(prepared, seen, {"start": share})[0].value for share in (0.0, 1.0)]
    # A voltage is read after what one waits for has come.
    return [observe(prepared, seen, {})[1 if template.unit == "V" else 0].value]


def _prediction(
    combination: tuple[int, ...], values: Sequence[float | str | None]
) -> Prediction:
    numbers = [v for v in values if isinstance(v, float)]
    words = tuple(dict.fromkeys(
        v if isinstance(v, str) else "never" for v in values if not isinstance(v, float)))
    return Prediction(
        combination=combination, low=min(numbers, default=None), high=max(numbers, default=None),
        sights=words,
    )


def bits_of(outcomes: Sequence[Sequence[float | str | None]], blur: float) -> float:
    """What an outcome tells (bits): its entropy less that of the blur (half width `blur`).

    `outcomes` of each explanation; explanations weigh the same. Numbers are spread evenly between
    the least and the greatest, in ratio where these differ fourfold; words are what they are.
    """
    weight = 1.0 / max(len(outcomes), 1)
    words: dict[str, float] = {}
    spans: list[tuple[float, float, float]] = []
    for values in outcomes:
        if not values:
            continue
        numbers = [v for v in values if isinstance(v, float)]
        share = weight / len(values)
        for v in values:
            if not isinstance(v, float):
                word = v or "never"
                words[word] = words.get(word, 0.0) + share
        if numbers:
            spans.append((min(numbers), max(numbers), share * len(numbers)))
    bits = -sum(p * math.log2(p) for p in words.values() if p > 0)
    total = sum(p for _, _, p in spans)
    if not spans or blur <= 0:
        return max(0.0, bits)
    low = min(a for a, _, _ in spans) - blur
    high = max(b for _, b, _ in spans) + blur
    grid = np.linspace(low, high, _FINE)
    if low > 0 and high > 4 * low:
        grid = np.geomspace(low, high, _FINE)
    middle, width = 0.5 * (grid[1:] + grid[:-1]), np.diff(grid)
    density = np.zeros(len(middle))
    for a, b, p in spans:
        # A number even between a and b, read with an error even within the blur.
        if b - a > 1e-9 * max(abs(a), abs(b)):
            share_of = (np.clip(middle + blur, a, b) - np.clip(middle - blur, a, b)) / (b - a)
            density += p * share_of / (2.0 * blur)
        else:
            density += p * (np.abs(middle - a) <= blur) / (2.0 * blur)
    inside = density > 0
    held = float((density * width)[inside].sum())
    if held > 0:
        density *= total / held
        spread = -float((density * width * np.log2(np.maximum(density, 1e-300)))[inside].sum())
        bits += spread - total * math.log2(2.0 * blur)
    return max(0.0, bits)


# -- behaviour ---------------------------------------------------------------------------------


_Pair = tuple[tuple[int, ...], tuple[int, ...]]


def _handlings(
    left: Sequence[_Left], minutes: float | None
) -> tuple[list[Experiment], dict[_Pair, int]]:
    """Handlings that show a difference between explanations, each told for all of them.

    With how many were tried, by the pairs for which they were.
    """
    found: dict[Handling, Experiment] = {}
    looks: dict[_Pair, int] = {}
    most_s = 4 * 3600.0 if minutes is None else 60.0 * minutes
    for a, b in list(combinations(left, 2))[:_PAIRS]:
        if a.gadgets[0].system == b.gadgets[0].system:
            continue  # the rows are the same: only the circuit can tell
        told, tried = told_apart(a.gadgets[0], b.gadgets[0], most_s=most_s)
        looks[a.rival.combination, b.rival.combination] = tried
        if told is None or told.handling in found:
            continue
        outcomes: list[list[float | str | None]] = [
            [shown_after(prepared, told.handling) for prepared in one.gadgets] for one in left
        ]
        lasts = told.lasts_ns / 60e9 + 0.5
        found[told.handling] = Experiment(
            name=told.handling.words, kind="handling", kit=("eyes",), unit="", blur=0.0,
            hands=f"With the cell about 80 % full: {told.handling.words}. What is lit?",
            minutes=lasts, bits=bits_of(outcomes, 0.0), handling=told.handling,
            predictions=tuple(
                _prediction(one.rival.combination, values)
                for one, values in zip(left, outcomes, strict=True)),
            entry=_handling_entry(told.handling),
        )
    return list(found.values()), looks


def _handling_entry(handling: Handling) -> str:
    from simfw.quantity import format_duration

    lines = []
    for kind, name, ns in handling.actions:
        match kind:
            case "press":
                lines += [f'{{ press = "{name}" }}', '{ wait = "1500 ms" }']
            case "hold":
                lines += [f'{{ press = "{name}", for = "{format_duration(ns)}" }}',
                          f'{{ wait = "{format_duration(ns + _S)}" }}']
            case "double":
                lines += [f'{{ press = "{name}", for = "100 ms" }}', '{ wait = "250 ms" }',
                          f'{{ press = "{name}", for = "100 ms" }}', '{ wait = "1500 ms" }']
            case "wave":
                lines += [f'{{ wave = "{name}", distance = "8 cm", for = "400 ms" }}',
                          '{ wait = "2 s" }']
            case "toggle":
                lines += [f'{{ toggle = "{name}", to = "{"on" if ns else "off"}" }}',
                          '{ wait = "1500 ms" }']
            case "usb":
                lines += [f"{{ usb = {'true' if ns else 'false'} }}", '{ wait = "3 s" }']
            case _:
                lines.append(f'{{ wait = "{format_duration(ns)}" }}')
    lines.append('{ see = "..." }')
    return f'start = "80 %"\nsteps = [{", ".join(lines)}]'


# -- what cannot be told -----------------------------------------------------------------------


def _not_tellable(
    log: BenchLog, left: Sequence[_Left], usable: Sequence[Experiment],
    everything: Sequence[Experiment], looks: Mapping[_Pair, int],
    same: Callable[[Gadget, Gadget], Proof | None] | None,
) -> Iterator[Untold]:
    """Pairs of explanations that no usable experiment surely tells apart."""
    proofs = 0
    # A proof is for the times of the file, and for all that are in the same ratios.
    fixed = all(one.key == CLOCK or rows_ignore(one.key) for one in log.unknowns)
    for a, b in combinations([one.rival.combination for one in left], 2):
        if any(one.tells(a, b) for one in usable):
            continue
        would = tuple(one.name for one in everything if one not in usable and one.tells(a, b))
        proof = None
        if same is not None and fixed and not would and proofs < _PROOFS:
            proofs += 1
            proof = same(log.gadgets[a], log.gadgets[b])
        yield Untold(first=a, second=b, would_tell=would, proof=proof,
                     tried=len(everything) - len(would) + looks.get((a, b), 0))
