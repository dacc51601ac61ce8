"""Strategies: expressions, systems of regions, gadget files, and what happens to them.

Small numbers throughout, so that equal times, shadowed rows, loops and returns to a state are
common rather than rare.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from hypothesis import strategies as st

from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Happened,
    Names,
    Not,
    Number,
    Quantity,
    to_text,
)
from simfw.behaviour.region import Condition, Drive, Region, Row, State, System

T = TypeVar("T")
RAW = ("knob.edge", "door.edge")
FLAGS = ("wet", "warm")
LIGHTS = ("lamp", "ring")
SIGNS = ("<", "<=", ">", ">=", "==", "!=")
DWELLS_NS = (0, 1, 2, 3, 5, 8)


# Drawn by hand from ready-made strategies: building a strategy for every drawn row takes longer
# than everything that is tested with it.
_BOOLEAN = st.booleans()
_UP_TO = [st.integers(0, most) for most in range(200)]


def _pick(draw: st.DrawFn, choices: Sequence[T]) -> T:
    return choices[draw(_UP_TO[len(choices) - 1])]


def _some(draw: st.DrawFn, choices: Sequence[T], *, least: int = 0, most: int = 2) -> list[T]:
    """Between `least` and `most` of the choices, in their order."""
    count = least + draw(_UP_TO[min(most, len(choices)) - least])
    found = [_pick(draw, range(len(choices))) for _ in range(count)]
    return [choices[k] for k in sorted(set(found))]


# -- expressions -----------------------------------------------------------------------------------


def comparison(draw: st.DrawFn, names: Names) -> Compare:
    """A comparison that a file may hold."""
    quantity = _pick(draw, names.quantities)
    signs = SIGNS[:4] if quantity.startswith(("cell.", "gauge.")) else SIGNS
    if quantity == "gauge":
        value = float(draw(_UP_TO[names.bars or 0]))
    elif quantity in ("cell.voltage", "gauge.measured"):
        value = _pick(draw, (2.0, 3.0, 3.25, 1e-7, -1.0))
    else:
        value = _pick(draw, (0.0, 0.25, 0.5, 1.0))
    sign, left, right = _pick(draw, signs), Quantity(quantity), Number(value)
    if quantity in names.levels and draw(_BOOLEAN):
        return Compare(left, sign, Quantity(_pick(draw, names.levels)))
    return Compare(left, sign, right) if draw(_BOOLEAN) else Compare(right, sign, left)


def _expression(
    draw: st.DrawFn, names: Names, states: Sequence[str], events: Sequence[str], depth: int
) -> Expression:
    kind = draw(_UP_TO[7 if depth else 4])
    if kind == 0 and states:
        inside = names.inside(_pick(draw, states))
        assert inside is not None
        return inside
    if kind == 1 and names.flags:
        return Flag(_pick(draw, names.flags))
    if kind == 2:
        return comparison(draw, names)
    if kind == 3 and events:
        return Happened(_pick(draw, events))
    if kind <= 4:
        return Constant(draw(_BOOLEAN))
    if kind == 5:
        return Not(_expression(draw, names, states, events, depth - 1))
    parts = tuple(
        _expression(draw, names, states, events, depth - 1) for _ in range(2 + draw(_UP_TO[1]))
    )
    return All(parts) if kind == 6 else Any(parts)


@st.composite
def expressions(
    draw: st.DrawFn, names: Names, *, events_allowed: bool = False, depth: int = 3
) -> Expression:
    """Trees as parsing makes them; where events are allowed, a name of both means the event."""
    return draw_expression(draw, names, events_allowed=events_allowed, depth=depth)


def draw_expression(
    draw: st.DrawFn, names: Names, *, events_allowed: bool = False, depth: int = 1
) -> Expression:
    """The same, inside another strategy."""
    events = names.events if events_allowed else ()
    states = [
        name for name in names.known() if names.inside(name) is not None and name not in events
    ]
    return _expression(draw, names, states, events, depth)


# -- systems ---------------------------------------------------------------------------------------

_STATES = ("dark", "lit.full", "lit.half", "locked")
_EMITTED = ("ping", "pong", "lamp.done")


@st.composite
def systems(draw: st.DrawFn, *, regions: int = 4, rows: int = 7) -> System:
    """One to four regions that hear outside events and each other; loops are possible."""
    states = {
        f"r{k}": _STATES[: 2 + draw(_UP_TO[2])] for k in range(1 + draw(_UP_TO[regions - 1]))
    }
    names = Names(regions=states, flags=FLAGS, levels=LIGHTS, events=_EMITTED)
    watched = draw(_UP_TO[2])
    internal = tuple(f"{way}.{k}" for k in range(watched) for way in ("rise", "fall"))
    heard = (*RAW, *_EMITTED, *internal)
    return System(
        regions=tuple(_region(draw, name, names, heard, rows) for name in states),
        conditions=tuple(
            Condition(key=f"watch.{k}", when=draw_expression(draw, names), rises=f"rise.{k}",
                      falls=f"fall.{k}")
            for k in range(watched)
        ),
        events=_EMITTED,
        internal_events=internal,
        raw_events=RAW,
        names=names,
    )  # fmt: skip


def _region(
    draw: st.DrawFn, name: str, names: Names, heard: tuple[str, ...], most: int
) -> Region:
    states = names.regions[name]
    points = tuple(_some(draw, states, most=3))
    targets = (*states, "same", *(["resume"] * bool(points)))
    rows = []
    for index in range(1 + draw(_UP_TO[most - 1])):
        when = draw_expression(draw, names) if draw(_BOOLEAN) else None
        on = _pick(draw, heard) if draw(_BOOLEAN) else None
        rows.append(
            Row(
                key=f"behaviour.{name}.rows[{index}]",
                sources=tuple(_some(draw, states, least=1, most=len(states))),
                to=_pick(draw, targets),
                on=on,
                after_ns=None if on is not None else _pick(draw, DWELLS_NS),
                when=when,
                when_text="" if when is None else to_text(when),
                emit=tuple(_some(draw, _EMITTED)) if draw(_BOOLEAN) else (),
            )
        )
    return Region(
        name=name,
        group="behaviour",
        states=tuple(
            State(
                name=state,
                awake=draw(_BOOLEAN),
                outputs={light: Drive(_pick(draw, (0.25, 0.5, 1.0)))
                         for light in _some(draw, LIGHTS)},
            )
            for state in states
        ),
        starts=_pick(draw, states),
        rows=tuple(rows),
        resume_points=points,
    )  # fmt: skip


@dataclass(frozen=True)
class Happening:
    """At `at_ns` flags and numbers change, then the raw events come."""

    at_ns: int
    raw: tuple[str, ...] = ()
    flags: dict[str, bool] = field(default_factory=dict)
    quantities: dict[str, float] = field(default_factory=dict)


@st.composite
def happenings(
    draw: st.DrawFn, raw: tuple[str, ...], flags: tuple[str, ...], levels: tuple[str, ...],
    *, longest_gap_ns: int = 6, most: int = 12,
) -> list[Happening]:  # fmt: skip
    """A list of happenings in the order of time.

    The cell's numbers never stand exactly on a level that expressions compare with: where a
    crossing falls is the engine's to say.
    """
    now = 0
    found = []
    for _ in range(draw(_UP_TO[most])):
        now += draw(_UP_TO[longest_gap_ns])
        numbers: dict[str, float] = {}
        if levels and draw(_BOOLEAN):
            numbers[_pick(draw, levels)] = _pick(draw, (0.0, 0.25, 0.5, 1.0))
        if draw(_BOOLEAN):
            volts, charge = _pick(draw, ((2.5, 0.1), (3.1, 0.4), (3.3, 0.6), (4.1, 0.9)))
            numbers |= {"cell.voltage": volts, "gauge.measured": volts, "cell.charge": charge}
        changed = {flag: draw(_BOOLEAN) for flag in _some(draw, flags)} if flags else {}
        events = [_pick(draw, raw) for _ in range(draw(_UP_TO[2]))] if raw else []
        found.append(Happening(now, tuple(events), changed, numbers))
    return found


# -- gadget files ----------------------------------------------------------------------------------

_LIGHT = """
[lights.{name}]
leds = {leds}
segments = {segments}
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
"""


@st.composite
def gadget_texts(draw: st.DrawFn) -> str:
    """A whole gadget file: buttons, now and then a chord, sensor, charger, gauge, and regions."""
    text = ['[gadget]\nname = "Anything"\n[cell]\ncurve = "lco"\ncapacity = "650 mAh"\n']
    for name in LIGHTS:
        text.append(_LIGHT.format(name=name, leds=1, segments="false"))
    text.append(_LIGHT.format(name="bars", leds=3, segments="true"))
    buttons = ("a", "b")[: 1 + draw(_UP_TO[1])]
    events = []
    for name in buttons:
        text.append(f"[buttons.{name}]\n")
        events += [f"{name}.{what}" for what in ("press", "release", "click")]
        if draw(_BOOLEAN):
            text.append(f'style = "sample"\nsamples = {1 + draw(_UP_TO[2])}\n')
            text.append('sample_every = "4 ms"\n')
        for what, time in (("hold", "30 ms"), ("double", "25 ms")):
            if draw(_BOOLEAN):
                text.append(f'{what} = "{time}"\n')
                events.append(f"{name}.{what}")
    if len(buttons) == 2 and draw(_BOOLEAN):
        text.append('[chords]\nboth = { buttons = ["a", "b"], within = "15 ms" }\n')
        events.append("both.chord")
    states = {f"r{k}": _STATES[: 2 + draw(_UP_TO[2])] for k in range(1 + draw(_UP_TO[3]))}
    if draw(_BOOLEAN):
        text.append(f'[proximity.wave]\nenabled = "not r0.{states["r0"][-1]}"\nevery = "20 ms"\n'
                    f'agree = {1 + draw(_UP_TO[2])}\nclear = "50 ms"\ncarrier = "38 kHz"\n'
                    'duty = "50 %"\nburst = 24\n')  # fmt: skip
        events += ["wave.near", "wave.far", "wave.wave"]
    blink = ""
    if draw(_BOOLEAN):
        text.append('[charger]\ncurrent = "300 mA"\nfloat = "4.2 V"\n'
                    'status = "low while charging, high when complete"\n')  # fmt: skip
        events += ["usb.in", "usb.out", "charge.started", "charge.fault"]
        blink = "blink = \"13 ms\"\n"
    if draw(_BOOLEAN):
        text.append('[gauge]\nlight = "bars"\nthresholds = ["3.0 V", "3.2 V", "3.5 V"]\n'
                    'hysteresis = "100 mV"\nlow = "3.2 V"\nflat = "3 V"\nevery = "30 ms"\n' + blink)
        events += ["gauge.up", "gauge.down", "cell.low", "cell.flat", "cell.back"]
    names = Names(regions=states, flags=tuple(f"{name}.closed" for name in buttons),
                  levels=(*LIGHTS, "bars"), events=_EMITTED)  # fmt: skip
    for name in states:
        text.append(_region_text(draw, name, names, (*events, *_EMITTED)))
    return "".join(text)


def _region_text(draw: st.DrawFn, name: str, names: Names, heard: tuple[str, ...]) -> str:
    states = names.regions[name]
    points = _some(draw, states, most=3)
    lines = [f"[behaviour.{name}]", f'starts = "{_pick(draw, states)}"']
    lines.append(f"resume_points = {_array(points)}")
    for state in states:
        levels = {light: _pick(draw, ("on", "45 %")) for light in _some(draw, LIGHTS)}
        if draw(_BOOLEAN):
            levels["controller"] = "awake"
        inside = ", ".join(f'{light} = "{level}"' for light, level in levels.items())
        lines.append(f'states."{state}" = {{ {inside} }}')
    # Every event that is heard must be emitted somewhere, or it would be unknown.
    rows = [f'{{ after = "1 h", from = "{states[1]}", to = "same", emit = {_array(_EMITTED)} }}']
    taken = set()
    families = {"*": states, "lit.*": tuple(state for state in states if state.startswith("lit"))}
    triggers = [
        *(f'on = "{event}"' for event in heard),
        *(f'after = "{time}"' for time in ("0 s", "5 ms", "10 ms", "20 ms")),
    ]
    for _ in range(draw(_UP_TO[6])):
        source = _pick(draw, [*states, *(name for name in families if families[name])])
        trigger = _pick(draw, triggers)
        when = draw_expression(draw, names) if draw(_BOOLEAN) else None
        mark = (families.get(source, (source,)), trigger, when)
        if mark in taken:
            continue
        taken.add(mark)
        to = _pick(draw, (*states, "same", *(["resume"] * bool(points))))
        emit = _some(draw, _EMITTED) if draw(_BOOLEAN) else []
        guard = "" if when is None else f', when = "{to_text(when)}"'
        rest = f'to = "{to}"{guard}, emit = {_array(emit)}'
        rows.append(f'{{ {trigger}, from = "{source}", {rest} }}')
    lines.append("rows = [\n  " + ",\n  ".join(rows) + ",\n]\n")
    return "\n".join(lines)


def _array(words: list[str] | tuple[str, ...]) -> str:
    return "[" + ", ".join(f'"{word}"' for word in words) + "]"
