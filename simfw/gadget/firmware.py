"""What the firmware's part of a description must be: names, timings, states, rows, rules.

Each check returns `Problem`s with key paths; the loader adds file and line. Names inside
expressions, rows and events are checked by the behaviour, which knows them.
"""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction

from simfw.errors import Problem, nearest
from simfw.gadget.dials import dial_problems, misfit, misfit_scale
from simfw.gadget.fields import IS_NAME, LEVEL_WORDS, LEVELS, SCALES, TRUTHS, Level
from simfw.gadget.model import Behaviour, Button, Gadget, Gauge, Measure, Proximity, Rule, Toggle
from simfw.gadget.sequences import sequence_problems, sound, unfit
from simfw.quantity import TEMPERATURE, format_duration
from simfw.tomlfile import key_text

__all__ = ["CONSUMERS", "DRAWING", "GIVING", "RESERVED", "SPEAKING", "firmware_problems",
           "misnamed", "states_of_reading"]  # fmt: skip

RESERVED = ("cell", "charge", "controller", "gauge", "status", "usb")
"""Names with a meaning of their own in expressions and states."""

CONSUMERS = ("charger", "emitter", "leakage", "receiver", "regulator", "self_discharge")
"""What the ledger calls consumers that no file names; no light or load may be called so."""

SCALE = "scale"
"""The key of a state that dims what others drive; no light or load may be called so."""

_STATE = re.compile(r"[A-Za-z0-9_]+(\.[A-Za-z0-9_]+)?")


SPEAKING = ("buttons", "chords", "toggles", "proximity", "measures", "dials", "behaviour")
"""The sections whose names may stand before a dot in an expression: they share one set of names."""

DRAWING = ("lights", "loads")
"""The sections whose names a state may drive: another set."""

COUNTING = ("measures", "dials")
"""The sections whose names are numbers in expressions, as those of lights and loads are."""

GIVING = ("sequences", "dials")
"""The sections whose names may stand where a level does."""


def states_of_reading(key: str) -> list[str]:
    """The states, "REGION.STATE" each, that the key of a meter's reading names."""
    return key.split()


def firmware_problems(gadget: Gadget) -> list[Problem]:
    """Return what cannot be about the firmware's part of `gadget`, whatever its names mean."""
    return [
        *(p for name, b in gadget.buttons.items() for p in _button(f"buttons.{name}", b)),
        *_chords(gadget),
        *(p for name, t in gadget.toggles.items() for p in _toggle(f"toggles.{name}", t)),
        *(p for name, s in gadget.proximity.items() for p in _proximity(f"proximity.{name}", s)),
        *(p for name, m in gadget.measures.items() for p in _measure(f"measures.{name}", m)),
        *_gauge(gadget),
        *(p for name, d in gadget.dials.items() for p in dial_problems(f"dials.{name}", d)),
        *(p for name, b in gadget.behaviour.items() for p in _region(gadget, name, b)),
        *sequence_problems(gadget),
        *_soft_latch(gadget),
        *_rules(gadget.rules),
        *_readings(gadget),
    ]


def _problem(key: str, text: str, allowed: str, suggestion: str | None = None) -> Problem:
    return Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)


# --- names


def misnamed(gadget: Gadget) -> Iterator[Problem]:
    """Yield the names that cannot be used, or are used twice where they must be told apart."""
    speaking: dict[str, str] = {}  # what may stand before a dot in an expression
    drawing: dict[str, str] = {}  # what may be driven by a state
    giving: dict[str, str] = {}  # what may stand where a level does
    sections = [*((section, drawing) for section in DRAWING),
                *((section, speaking) for section in SPEAKING),
                *((section, giving) for section in reversed(GIVING))]
    for section, taken in sections:
        members: Mapping[str, object] = (
            gadget.lights_ if section == "lights" else getattr(gadget, section))
        for name in members:
            key = key_text((section, name))
            if taken is giving and section in SPEAKING:
                pass  # told above
            elif keyword.iskeyword(name):
                yield _problem(
                    key,
                    f'"{name}" is a word of the language of expressions',
                    "a name of your own",
                )
            elif not IS_NAME.fullmatch(name):
                yield _problem(
                    key,
                    f'"{name}" cannot be a name',
                    "a letter, then letters, digits and _",
                    re.sub(r"[^A-Za-z0-9_]", "_", name) if re.match(r"[A-Za-z]", name) else None,
                )
            elif name in (barred := RESERVED + (
                    (*CONSUMERS, SCALE) if taken is drawing else ())):
                yield _problem(
                    key,
                    f'the name "{name}" has a meaning of its own',
                    "any name but " + ", ".join(barred),
                )
            elif name in taken:
                yield _problem(
                    key,
                    f'the name "{name}" is already used by {taken[name]}',
                    "a name of its own",
                )
            taken.setdefault(name, key)
    for section in COUNTING:
        for name in getattr(gadget, section):
            if name in drawing:
                yield _problem(
                    key_text((section, name)),
                    f'in an expression "{name}" would be both this and {drawing[name]}',
                    "a name of its own",
                )
    for name, region in gadget.behaviour.items():
        for state in region.states:
            if not _STATE.fullmatch(state) or state in ("same", "resume"):
                yield _problem(
                    key_text(("behaviour", name, "states", state)),
                    f'"{state}" cannot be the name of a state',
                    "letters, digits and _, with one dot at most; not same or resume",
                )


# --- what the firmware does by itself


BUTTON_WORDS = (
    "press", "release", "click", "double", "hold", "second_hold", "repeat", "chord", "edge",
    "pressed", "closed", "contact", "gesture", "repeats", "still", "bouncing", "reading", "up",
    "down", "held", "waiting", "again", "quiet", "repeating",
)
"""Events and states of buttons: no hold may be called so, nor `clicks3` and the like."""


def _button(key: str, button: Button) -> Iterator[Problem]:
    for name, timing in (("hold", button.hold), *((f"holds.{event}", timing)
                                                  for event, timing in button.holds.items())):
        if timing is not None and timing.ns == 0:
            yield _problem(f"{key}.{name}", "a hold of no time", "more than zero")
    yield from _holds(key, button)
    for name in button.unused:
        if name in button.model_fields_set:
            yield _problem(
                f"{key}.{name}",
                f'a button with style = "{button.style}" does not use this',
                "samples and sample_every" if button.style == "sample"
                else "debounce and debounce_release",
            )
    if button.double is not None and button.double.ns < max(button.again_ns, 1):
        timing = button.debounce if button.debounce_release is None or (
            button.style == "settle") else button.debounce_release
        yield _problem(
            f"{key}.double",
            "a second press could never settle within this time",
            f"at least samples x sample_every ({format_duration(button.again_ns)})"
            if button.style == "sample"
            else f"at least {'debounce' if timing is button.debounce else 'debounce_release'} "
            f"({timing.text})",
        )
    for name, timing in (("debounce", button.debounce),
                         ("debounce_release", button.debounce_release)):
        if button.style == "first-edge" and timing is not None and timing.ns == 0:
            yield _problem(f"{key}.{name}", "after the first edge no time is left to ignore any",
                           'more than zero; style = "settle" takes every edge at once then')
    if button.style == "sample" and button.sample_every.ns == 0:
        yield _problem(f"{key}.sample_every", "reads without time between them", "more than zero")
    for name, timing, needed, what, example in (
        ("repeat", button.repeat, button.hold_lengths, "a hold", 'hold = "600 ms" beside it'),
        ("second_hold", button.second_hold, button.double, "double", 'double = "350 ms" beside it'),
    ):
        if timing is not None and timing.ns == 0:
            yield _problem(f"{key}.{name}", "a time of zero", "more than zero")
        if timing is not None and not needed:
            yield _problem(f"{key}.{name}", f"this needs {what}", example)
    if button.clicks is not None and button.double is None:
        yield _problem(f"{key}.clicks", "clicks are counted within double, which is not there",
                       'double = "350 ms" beside it')


def _holds(key: str, button: Button) -> Iterator[Problem]:
    if "holds" in button.model_fields_set and not button.holds:
        yield _problem(f"{key}.holds", "no length is named", 'a name and a time: '
                       'holds = { dimming = "600 ms" }')
    lengths: dict[int, str] = {} if button.hold is None else {button.hold.ns: "hold"}
    for event, timing in button.holds.items():
        where = f"{key}.holds.{key_text((event,))}"
        if event in BUTTON_WORDS or re.fullmatch(r"clicks\d*", event):
            yield _problem(where, f'"{event}" has a meaning of its own for a button',
                           "any name but " + ", ".join((*BUTTON_WORDS, "clicks3")))
        elif keyword.iskeyword(event):
            yield _problem(where, f'"{event}" is a word of the language of expressions',
                           "a name of your own")
        elif not IS_NAME.fullmatch(event):
            yield _problem(where, f'"{event}" cannot be a name',
                           "a letter, then letters, digits and _")
        if timing.ns in lengths and timing.ns:
            yield _problem(where, f"as long as {lengths[timing.ns]}", "a length of its own")
        lengths.setdefault(timing.ns, f"holds.{event}")


def _chords(gadget: Gadget) -> Iterator[Problem]:
    for name, chord in gadget.chords.items():
        for index, button in enumerate(chord.buttons):
            key = f"chords.{name}.buttons[{index}]"
            if button not in gadget.buttons:
                yield _unknown(key, "button", gadget.buttons, button)
            elif button in chord.buttons[:index]:
                yield _problem(key, "this button is named twice", "different buttons")


def _toggle(key: str, toggle: Toggle) -> Iterator[Problem]:
    for name in toggle.unused:
        if name in toggle.model_fields_set:
            yield _problem(
                f"{key}.{name}",
                "a toggle in the supply is not read by the firmware; it stands on until a step "
                "opens it",
                "in_supply = true alone",
            )


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


def starts_beyond(key: str, measure: Measure, count: int) -> Iterator[Problem]:
    """That a measure starts beyond the last of its `count` thresholds."""
    if measure.starts > count:
        yield _problem(f"{key}.starts", "there are not so many thresholds", f"0 to {count}")


def _measure(key: str, measure: Measure) -> Iterator[Problem]:
    if not measure.thresholds:
        yield _problem(key, "a measure that tells nothing",
                       f'for example thresholds = ["10 {measure.unit}", "200 {measure.unit}"]')
    if measure.every.ns == 0:
        yield _problem(f"{key}.every", "measurements without time between them", "more than zero")
    elif measure.every.ns < measure.settle.ns:
        yield _problem(f"{key}.every", "the next measurement would begin before this one ends",
                       f"at least settle ({measure.settle.text})")
    for index, threshold in enumerate(measure.thresholds):
        if index and threshold.value <= measure.thresholds[index - 1].value:
            yield _problem(f"{key}.thresholds[{index}]", "the thresholds do not rise",
                           f"more than {measure.thresholds[index - 1].text}")
    if measure.hysteresis is not None and measure.hysteresis.low < 0:
        yield _problem(f"{key}.hysteresis", "a hysteresis below zero", "zero or more")
    if measure.thresholds:
        yield from starts_beyond(key, measure, len(measure.thresholds))
    if measure.source == "temperature" and measure.unit not in TEMPERATURE.units:
        yield _problem(f"{key}.unit", "the temperature is not measured in this unit", "degC")


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
    yield from _gauge_method(gauge)
    for index, threshold in enumerate(gauge.thresholds):
        if index and threshold.value <= gauge.thresholds[index - 1].value:
            yield _problem(
                f"gauge.thresholds[{index}]",
                "the thresholds do not rise",
                f"more than {gauge.thresholds[index - 1].text}",
            )
    if not gauge.thresholds and (gauge.low is None and gauge.flat is None):
        yield _problem("gauge", "a gauge that tells nothing", "thresholds, low or flat")
    low, flat = gauge.low, gauge.flat
    if low is not None and flat is not None and flat.value >= low.value:
        yield _problem(
            "gauge.flat",
            "the cell would be flat before it is low",
            f"less than low ({low.text})",
        )
    if gauge.blink is not None and gauge.blink.ns == 0:
        yield _problem("gauge.blink", "a half period of zero", "more than zero")
    if gauge.blink is not None and gadget.charger is None:
        yield _problem("gauge.blink", "nothing ever charges this gadget", "a [charger]")


def _gauge_method(gauge: Gauge) -> Iterator[Problem]:
    """Keys that only one of the methods reads."""
    counts = (("capacity", gauge.capacity, "the charge that the firmware takes for a full cell"),
              ("power_up", gauge.power_up, "the count that the firmware begins with at power-up"))
    if gauge.method == "voltage":
        for name, figure, _ in counts:
            if figure is not None:
                yield _problem(f"gauge.{name}", "a gauge that measures the voltage counts nothing",
                               'method = "counting" beside it')
        return
    for name, figure, meaning in counts:
        if figure is None:
            example = "550 mAh" if name == "capacity" else "0 %"
            yield _problem("gauge.method", f"a gauge that counts charge needs {name}: {meaning}",
                           f'{name} = "{example}" beside it')
    gap = 0.0 if gauge.hysteresis is None else gauge.hysteresis.high
    if gauge.thresholds and gauge.thresholds[-1].high + gap > 1:
        yield _problem("gauge.hysteresis", "the last bar would never come back: the count ends at "
                       "100 %", "at most what is left from the last threshold to 100 %")
    if gauge.capacity is not None and gauge.capacity.low <= 0:
        yield _problem("gauge.capacity", "a full cell of no charge", "more than zero")


def _fed(gadget: Gadget, key: str, name: str) -> Problem:
    """A light that is not the firmware's."""
    return _problem(key, f'"{name}" is fed by {gadget.fed_lights[name].fed_by}: the firmware has '
                    "no part in it", ", ".join([*gadget.lights, *gadget.loads]) or "no light")


def _gauge_light(gadget: Gadget, gauge: Gauge, name: str) -> Iterator[Problem]:
    light = gadget.lights.get(name)
    if name in gadget.fed_lights:
        yield _fed(gadget, "gauge.light", name)
    elif light is None:
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
    if region.kept == "resume" and not region.resume_points:
        yield _problem(f"{key}.kept", "there is nothing to resume",
                       'resume_points beside it, or "state"')
    if not region.states:
        yield _problem(key, "a region without states", "one state or more")
    for state, outputs in region.states.items():
        for output, level in outputs.items():
            yield from _output(gadget, key_text(("behaviour", name, "states", state, output)),
                               output, level)
    for index, row in enumerate(region.rows):
        for place, event in enumerate(row.on):
            if event in row.on[:place]:
                yield _problem(
                    f"{key}.rows[{index}].on[{place}]", "this event is named twice",
                    "different events"
                )
        if (not row.on) == (row.after is None):
            yield _problem(
                f"{key}.rows[{index}]",
                "a row has neither an event nor a dwell"
                if not row.on
                else "a row has both an event and a dwell",
                "exactly one of on and after",
            )


def _named(gadget: Gadget, key: str, name: str, text: str, allowed: str, words: Iterable[str]
           ) -> Iterator[Problem]:
    """A name where a level may stand: of what gives levels (`GIVING`)."""
    known = [one for section in GIVING for one in getattr(gadget, section)]
    if name not in known:
        named = f"; or {', '.join(known)}" if known else ""
        yield _problem(key, text, allowed + named,
                       TRUTHS.get(name) or nearest(name, [*words, *known]))


def _scale(gadget: Gadget, key: str, level: Level) -> Iterator[Problem]:
    """`scale = { NAME = ... }` of a state."""
    if level.scales is None:
        yield _problem(key, "a scale says by how much it dims which light",
                       'a table such as { shelf = "25 %" }')
        return
    if not level.scales:
        yield _problem(key, "no light is named", 'a table such as { shelf = "25 %" }')
    for name, factor in level.scales:
        light = gadget.lights.get(name)
        where = f"{key}.{key_text((name,))}"
        if name in gadget.fed_lights:
            yield _fed(gadget, where, name)
        elif light is None and name not in gadget.loads:
            yield _unknown(where, "light or load", [*gadget.lights, *gadget.loads], name)
        elif factor in gadget.sequences:
            yield _problem(where, "a sequence cannot scale", SCALES)
        elif isinstance(factor, str):
            yield from _named(gadget, where, factor, "this is not a scale", SCALES, ("off",))
            if factor in gadget.dials:
                yield from misfit_scale(where, gadget, name, factor)
        elif light is not None and light.segments and factor > 0:
            yield _problem(where, f'"{name}" is lit by segments, which have no percentage',
                           '"off", which blanks it')


def _output(gadget: Gadget, key: str, output: str, level: Level) -> Iterator[Problem]:
    if output == "scale":
        yield from _scale(gadget, key, level)
        return
    if level.scales is not None:
        yield _problem(key, "only scale is a table in a state",
                       '"on", "off", a percentage or a number of segments')
        return
    if output == "controller":
        if level.awake is None:
            yield _problem(key, "this is not a state of the controller",
                           '"awake", "asleep" or "unpowered"',
                           nearest(level.text, ("awake", "asleep", "unpowered")))
        return
    if output in gadget.fed_lights:
        yield _fed(gadget, key, output)
    elif output not in gadget.lights and output not in gadget.loads:
        yield _unknown(
            key, "light or load", [*gadget.lights, *gadget.loads, "controller"], output
        )
    elif level.named is not None:
        yield from _named(gadget, key, level.named, "this is not a level", LEVELS, LEVEL_WORDS)
        if level.named in gadget.dials:
            yield from misfit(key, gadget, output, level.named)
        elif level.named in gadget.sequences and sound(gadget.sequences[level.named]):
            yield from unfit(gadget, key, output, level.named)
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
                key, f'"{output}" has {light.leds} segments', f"0 to {light.leds}"
            )


def _soft_latch(gadget: Gadget) -> Iterator[Problem]:
    """States that let go of the supply, and what brings it back."""
    letting = [key_text(("behaviour", region, "states", state, "controller"))
               for region, state in gadget.unpowered]
    controller = gadget.controller
    powering = () if controller is None else controller.powered_by
    key = "controller.powered_by"
    if letting and not powering:
        yield _problem(letting[0], "nothing would bring the supply back",
                       'for example powered_by = ["power"] in [controller]')
    if controller is not None and controller.hold_up is not None and not powering:
        yield _problem("controller.hold_up", "nothing powers it that could go",
                       "powered_by beside it")
    if powering and not letting:
        yield _problem(key, "no state lets go of the supply",
                       'controller = "unpowered" in a state')
    contacts = [*gadget.buttons, *gadget.read_toggles]
    usb = ["usb"] if gadget.charger is not None else []
    for index, name in enumerate(powering):
        where = f"{key}[{index}]"
        if name in powering[:index]:
            yield _problem(where, "this is named twice", "different contacts")
        elif name == "usb" and not usb:
            yield _problem(where, "there is no charger that USB could feed", ", ".join(contacts))
        elif name not in (*contacts, *usb):
            yield _unknown(where, "contact", [*contacts, *usb], name)


_KINDS = (("never",), ("always",), ("when", "then", "within"), ("stays", "for"))


def _rules(rules: tuple[Rule, ...]) -> Iterator[Problem]:
    names: dict[str, str] = {}
    for index, rule in enumerate(rules):
        key = f"rules[{index}]"
        if rule.name in names:
            yield _problem(
                f"{key}.name",
                f"this name is already used by {names[rule.name]}",
                "a name of its own for each rule",
            )
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
        if rule.for_ is not None and not rule.for_.ns:
            yield _problem(f"{key}.for", "whatever holds at all holds for that long",
                           "more than zero")


def _readings(gadget: Gadget) -> Iterator[Problem]:
    for name in gadget.readings:
        key = key_text(("readings", name))
        words = states_of_reading(name)
        if not words:
            yield _problem(
                key, "no state is named", '"REGION.STATE", or several with blanks between them'
            )
        seen: list[str] = []
        for word in words:
            region, _, state = word.partition(".")
            known = gadget.behaviour.get(region)
            if known is None:
                yield _unknown(key, "region", gadget.behaviour, region)
            elif not any(s == state or s.startswith(f"{state}.") for s in known.states):
                yield _unknown(key, "state", [f"{region}.{s}" for s in known.states], word)
            elif region in seen:
                yield _problem(
                    key, f'the region "{region}" is named twice', "one state of each region"
                )
            seen.append(region)
