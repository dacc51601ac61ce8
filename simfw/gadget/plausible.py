"""What the parts of a description must be to each other: checks that need more than one value.

Each check returns `Problem`s with key paths; the loader adds file and line. Names inside
expressions, rows and events are checked by the behaviour, which knows them.
"""

from __future__ import annotations

import itertools
import keyword
import re
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction

from simfw.errors import Problem, nearest
from simfw.gadget.curve_file import PRIMARY_CURVES
from simfw.gadget.fields import ForwardPoint, Level
from simfw.gadget.model import (
    Behaviour,
    Button,
    Cell,
    Charger,
    Gadget,
    Gauge,
    Light,
    Load,
    Proximity,
    Rule,
    Switch,
)
from simfw.quantity import Figure, format_duration
from simfw.tomlfile import key_text

__all__ = ["RESERVED", "misnamed", "plausible"]

RESERVED = (
    "and", "cell", "charge", "charger", "controller", "divider", "gauge", "leakage", "not", "or",
    "protection", "resume", "same", "self_discharge", "status", "usb",
)  # fmt: skip
"""Names with a meaning of their own in expressions, rows or the ledger."""

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_STATE = re.compile(r"[A-Za-z0-9_]+(\.[A-Za-z0-9_]+)?")


def plausible(gadget: Gadget) -> list[Problem]:
    """Return what the values of `gadget` cannot be to each other, whatever its behaviour does."""
    return [
        *_cell(gadget.cell),
        *_charger(gadget),
        *(p for name, light in gadget.lights.items() for p in _light(f"lights.{name}", light)),
        *(p for name, load in gadget.loads.items() for p in _load(f"loads.{name}", load)),
        *(p for name, b in gadget.buttons.items() for p in _button(f"buttons.{name}", b)),
        *_chords(gadget),
        *(p for name, s in gadget.proximity.items() for p in _proximity(f"proximity.{name}", s)),
        *_gauge(gadget),
        *(p for name, b in gadget.behaviour.items() for p in _region(gadget, name, b)),
        *_rules(gadget.rules),
        *_readings(gadget),
    ]


def _problem(
    key: str, text: str, allowed: str | None = None, suggestion: str | None = None
) -> Problem:
    return Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)


# --- names


def misnamed(gadget: Gadget) -> Iterator[Problem]:
    """Yield the names that cannot be used, or are used twice where it must be told apart."""
    speaking: dict[str, str] = {}  # what may stand before a dot in an expression
    drawing: dict[str, str] = {}  # what may be driven by a state
    sections: tuple[tuple[str, Mapping[str, object], dict[str, str]], ...] = (
        ("lights", gadget.lights, drawing),
        ("loads", gadget.loads, drawing),
        ("buttons", gadget.buttons, speaking),
        ("chords", gadget.chords, speaking),
        ("proximity", gadget.proximity, speaking),
        ("behaviour", gadget.behaviour, speaking),
    )
    for section, members, taken in sections:
        for name in members:
            key = key_text((section, name))
            if not _NAME.fullmatch(name) or keyword.iskeyword(name):
                yield _problem(
                    key,
                    f'"{name}" cannot be a name',
                    "a letter, then letters, digits and _",
                    re.sub(r"\W", "_", name) if re.match(r"[A-Za-z]", name) else None,
                )
            elif name in RESERVED:
                yield _problem(
                    key,
                    f'the name "{name}" has a meaning of its own',
                    "any name but " + ", ".join(RESERVED),
                )
            elif name in taken:
                yield _problem(key, f'the name "{name}" is already used by {taken[name]}')
            taken.setdefault(name, key)
    for name, region in gadget.behaviour.items():
        for state in region.states:
            if not _STATE.fullmatch(state) or state in ("same", "resume"):
                yield _problem(
                    key_text(("behaviour", name, "states", state)),
                    f'"{state}" cannot be the name of a state',
                    "letters, digits and _, with one dot at most; not same or resume",
                )


# --- electrical parts


def _below(low: Figure | None, high: Figure | None) -> bool:
    """Return whether `low` is below `high`, or one of them is not written."""
    return low is None or high is None or low.value < high.value


def _cell(cell: Cell) -> Iterator[Problem]:
    if cell.capacity.low <= 0:
        yield _problem("cell.capacity", "a cell without capacity", "more than zero")
    if cell.cut_off is None and cell.restart is not None:
        yield _problem("cell.restart", "a restart without a cut_off", "cell.cut_off beside it")
    if not _below(cell.cut_off, cell.restart):
        assert cell.cut_off is not None
        yield _problem(
            "cell.restart",
            "the protection would close again before it opens",
            f"more than cell.cut_off ({cell.cut_off.text})",
        )


def _charger(gadget: Gadget) -> Iterator[Problem]:
    charger = gadget.charger
    if charger is None:
        return
    if gadget.cell.curve in PRIMARY_CURVES:
        yield _problem(
            "charger",
            f'a cell with the curve "{gadget.cell.curve}" must not be charged',
            "no [charger], or the curve of a rechargeable cell",
        )
    yield from _charging_current(charger)
    precharge = charger.precharge
    full = charger.float_.text
    if charger.float_.low <= 0:
        yield _problem("charger.float", "a float voltage of zero", "more than zero")
    if precharge is not None and not _below(precharge.below, charger.float_):
        yield _problem(
            "charger.precharge.below", "precharge would never end", f"less than float ({full})"
        )
    if precharge is not None and precharge.rate.low <= 0:
        yield _problem("charger.precharge.rate", "no current flows", "more than 0 %")
    if not _below(charger.recharge, charger.float_):
        yield _problem(
            "charger.recharge", "charging would start again at once", f"less than float ({full})"
        )
    if not _below(gadget.cell.cut_off, charger.float_):
        yield _problem(
            "charger.float",
            "a full cell would be below the protection's cut-off",
            f"more than cell.cut_off ({gadget.cell.cut_off.text if gadget.cell.cut_off else ''})",
        )
    if charger.finish is not None and not 0 < charger.finish.value < 1:
        yield _problem(
            "charger.finish",
            "charging would end at once or never",
            "more than 0 % and less than 100 % of the constant current",
        )


def _charging_current(charger: Charger) -> Iterator[Problem]:
    allowed = "program and gain (current = gain / program), or current"
    if charger.current is None:
        if charger.program is None and charger.gain is None:
            yield _problem("charger", "the constant current is not given", allowed)
        elif charger.gain is None:
            yield _problem("charger", 'the key "gain" is missing beside "program"', allowed)
        elif charger.program is None:
            yield _problem("charger", 'the key "program" is missing beside "gain"', allowed)
        elif charger.program.low <= 0:
            yield _problem("charger.program", "a resistor of zero", "more than zero")
    else:
        for name in ("program", "gain"):
            if getattr(charger, name) is not None:
                yield _problem(f"charger.{name}", "the current is written twice", allowed)
        if charger.current.low <= 0:
            yield _problem("charger.current", "no current flows", "more than zero")


def _light(key: str, light: Light) -> Iterator[Problem]:
    yield from _forward(f"{key}.forward", light.forward)
    yield from _switch(f"{key}.switch", light.switch)


def _forward(key: str, points: tuple[ForwardPoint, ...]) -> Iterator[Problem]:
    ordered = sorted(points, key=lambda point: point.current_a.value)
    for before, after in itertools.pairwise(ordered):
        text = f'"{after.voltage_v.text} @ {after.current_a.text}"'
        if before.current_a.value == after.current_a.value:
            yield _problem(key, f"{text} is the second point at this current", "one point each")
        elif before.voltage_v.value >= after.voltage_v.value:
            yield _problem(
                key,
                f"{text}: more current at no more voltage than the point before",
                "a voltage that rises with the current",
            )


_SWITCH_KEYS = {
    "pin": ("resistance",),
    "nmos": ("on_resistance",),
    "npn": ("base", "gain", "reverse_gain", "saturation_current", "saturation"),
}


def _switch(key: str, switch: Switch | None) -> Iterator[Problem]:
    if switch is None:
        return
    for names in _SWITCH_KEYS.values():
        for name in names:
            if name not in _SWITCH_KEYS[switch.kind] and getattr(switch, name) is not None:
                yield _problem(
                    f"{key}.{name}",
                    f'a switch of kind "{switch.kind}" has no {name}',
                    ", ".join(_SWITCH_KEYS[switch.kind]),
                )
    for name in ("gain", "reverse_gain"):
        number = getattr(switch, name)
        if number is not None and not 0 < number < 1e6:
            yield _problem(f"{key}.{name}", "this is not a current gain", "a number above zero")
    if switch.kind == "npn":
        yield from _npn(key, switch)


def _npn(key: str, switch: Switch) -> Iterator[Problem]:
    if switch.base is None:
        yield _problem(key, 'the key "base" is missing', 'for example base = "1k"')
    elif switch.base.low <= 0:
        yield _problem(f"{key}.base", "a base resistor of zero", "more than zero")
    if switch.saturation is not None:
        for name in ("gain", "reverse_gain", "saturation_current"):
            if getattr(switch, name) is not None:
                yield _problem(
                    f"{key}.{name}",
                    'this has no meaning beside "saturation"',
                    "a constant saturation, or gain and saturation_current",
                )
        return
    for name in ("gain", "saturation_current"):
        if getattr(switch, name) is None:
            yield _problem(
                key,
                f'the key "{name}" is missing',
                "gain and saturation_current, or a constant saturation",
            )
    if switch.saturation_current is not None and switch.saturation_current.low <= 0:
        yield _problem(f"{key}.saturation_current", "a current of zero", "more than zero")


def _load(key: str, load: Load) -> Iterator[Problem]:
    if (load.current is None) == (load.resistance is None):
        yield _problem(
            key,
            "a load has neither current nor resistance"
            if load.current is None
            else "a load has both current and resistance",
            "exactly one of current and resistance",
        )
    if load.resistance is not None and load.resistance.low <= 0:
        yield _problem(f"{key}.resistance", "this is a short circuit", "more than zero")


# --- what the firmware does by itself


def _button(key: str, button: Button) -> Iterator[Problem]:
    if button.hold is not None and button.hold.ns == 0:
        yield _problem(f"{key}.hold", "a hold of no time", "more than zero")
    if button.double is not None and button.double.ns < max(button.debounce.ns, 1):
        yield _problem(
            f"{key}.double",
            "a second press could never settle within this time",
            f"at least debounce ({button.debounce.text})",
        )
    if button.style == "sample" and button.sample_every.ns == 0:
        yield _problem(f"{key}.sample_every", "reads without time between them", "more than zero")


def _chords(gadget: Gadget) -> Iterator[Problem]:
    for name, chord in gadget.chords.items():
        for index, button in enumerate(chord.buttons):
            key = f"chords.{name}.buttons[{index}]"
            if button not in gadget.buttons:
                yield _unknown(key, "button", gadget.buttons, button)
            elif button in chord.buttons[:index]:
                yield _problem(key, "this button is named twice", "different buttons")


def _unknown(key: str, what: str, names: Iterable[str], found: str) -> Problem:
    names = list(names)
    listed = ", ".join(names) if names else f"none: the gadget has no {what}s"
    return _problem(key, f'there is no {what} "{found}"', listed, nearest(found, names))


def _proximity(key: str, sensor: Proximity) -> Iterator[Problem]:
    burst_ns = Fraction(sensor.burst) * 10**9 / Fraction(sensor.carrier.value)
    busy_ns = sensor.settle.ns + round(burst_ns)
    if sensor.every.ns < busy_ns:
        yield _problem(
            f"{key}.every",
            "the next look would begin before this one ends",
            f"at least settle + burst ({format_duration(busy_ns)})",
        )
    if not 0 < sensor.duty.value <= 1:
        yield _problem(f"{key}.duty", "the emitter would never light", "more than 0 %")
    emitter = sensor.emitter
    if emitter is not None:
        yield from _forward(f"{key}.emitter.forward", emitter.forward)
        yield from _switch(f"{key}.emitter.switch", emitter.switch)


def _gauge(gadget: Gadget) -> Iterator[Problem]:
    gauge = gadget.gauge
    if gauge is None:
        return
    if gauge.every.ns == 0:
        yield _problem("gauge.every", "samples without time between them", "more than zero")
    if gauge.light is not None:
        yield from _gauge_light(gadget, gauge, gauge.light)
    elif gauge.show is not None or gauge.blink is not None:
        yield _problem(
            "gauge.show" if gauge.show is not None else "gauge.blink",
            "the gauge has no light to show anything",
            "gauge.light beside it",
        )
    for index, threshold in enumerate(gauge.thresholds):
        if index and threshold.value <= gauge.thresholds[index - 1].value:
            yield _problem(
                f"gauge.thresholds[{index}]",
                "the thresholds do not rise",
                f"more than {gauge.thresholds[index - 1].text}",
            )
    if not gauge.thresholds and (gauge.low is None and gauge.flat is None):
        yield _problem("gauge", "a gauge that tells nothing", "thresholds, low or flat")
    if not _below(gauge.flat, gauge.low):
        assert gauge.low is not None
        yield _problem(
            "gauge.flat",
            "the cell would be flat before it is low",
            f"less than low ({gauge.low.text})",
        )
    if gauge.blink is not None and gauge.blink.ns == 0:
        yield _problem("gauge.blink", "a half period of zero", "more than zero")
    if gauge.blink is not None and gadget.charger is None:
        yield _problem("gauge.blink", "nothing ever charges this gadget", "a [charger]")


def _gauge_light(gadget: Gadget, gauge: Gauge, name: str) -> Iterator[Problem]:
    light = gadget.lights.get(name)
    if light is None:
        yield _unknown("gauge.light", "light", gadget.lights, name)
    elif not light.segments:
        yield _problem(
            "gauge.light",
            f'the light "{name}" has no countable segments',
            f"a light with segments = true (write it in lights.{name})",
        )
    elif len(gauge.thresholds) > light.leds:
        yield _problem(
            "gauge.thresholds",
            f"{len(gauge.thresholds)} thresholds for {light.leds} segments",
            f"at most {light.leds}",
        )


# --- written regions and rules


def _region(gadget: Gadget, name: str, region: Behaviour) -> Iterator[Problem]:
    key = f"behaviour.{name}"
    if not region.states:
        yield _problem(key, "a region without states", "one state or more")
    for state, outputs in region.states.items():
        for output, level in outputs.items():
            yield from _output(gadget, key_text(("behaviour", name, "states", state, output)),
                               output, level)
    for index, row in enumerate(region.rows):
        if (row.on is None) == (row.after is None):
            yield _problem(
                f"{key}.rows[{index}]",
                "a row has neither an event nor a dwell"
                if row.on is None
                else "a row has both an event and a dwell",
                "exactly one of on and after",
            )


def _output(gadget: Gadget, key: str, output: str, level: Level) -> Iterator[Problem]:
    if output == "controller":
        if level.awake is None:
            yield _problem(key, "this is not a state of the controller", '"awake" or "asleep"')
        return
    if output not in gadget.lights and output not in gadget.loads:
        yield _unknown(
            key, "light or load", [*gadget.lights, *gadget.loads, "controller"], output
        )
    elif level.awake is not None:
        yield _problem(
            key, "only the controller sleeps", '"on", "off", a percentage or a number of segments'
        )
    elif level.segments is not None:
        light = gadget.lights.get(output)
        if light is None or not light.segments:
            yield _problem(
                key,
                f'"{output}" has no countable segments',
                '"on", "off" or a percentage',
                f"{level.segments} %" if level.segments > 1 else None,
            )
        elif level.segments > light.leds:
            yield _problem(
                key, f"{level.segments} segments of {light.leds}", f"0 to {light.leds}"
            )


_KINDS = (("never",), ("always",), ("when", "then", "within"), ("stays", "for"))


def _rules(rules: tuple[Rule, ...]) -> Iterator[Problem]:
    names: dict[str, str] = {}
    for index, rule in enumerate(rules):
        key = f"rules[{index}]"
        if rule.name in names:
            yield _problem(f"{key}.name", f"this name is already used by {names[rule.name]}")
        names.setdefault(rule.name, key)
        written = {
            word
            for kind in _KINDS
            for word in kind
            if getattr(rule, "for_" if word == "for" else word) is not None
        }
        kinds = [kind for kind in _KINDS if written & set(kind)]
        allowed = "exactly one of: " + "; ".join(" + ".join(kind) for kind in _KINDS)
        if not kinds:
            yield _problem(key, "this rule states nothing", allowed)
        elif len(kinds) > 1:
            mixed = " and ".join(next(w for w in kind if w in written) for kind in kinds)
            yield _problem(key, f"this rule mixes {mixed}", allowed)
        else:
            for word in kinds[0]:
                if word not in written:
                    yield _problem(
                        key, f'the key "{word}" is missing', " + ".join(kinds[0]) + " together"
                    )


def _readings(gadget: Gadget) -> Iterator[Problem]:
    for name in gadget.readings:
        region, _, state = name.partition(".")
        key = key_text(("readings", name))
        known = gadget.behaviour.get(region)
        if known is None:
            yield _unknown(key, "region", gadget.behaviour, region)
        elif not any(s == state or s.startswith(f"{state}.") for s in known.states):
            yield _unknown(key, "state", [f"{region}.{s}" for s in known.states], name)
