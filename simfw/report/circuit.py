"""The report on a gadget's circuit: what `simfw circuit` prints, as text and as JSON."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from simfw.engine.supply import EMPTY, OPENED, charged_from
from simfw.quantity import format_duration, format_percent, format_rough_time, format_si
from simfw.report.cautions import caution_lines
from simfw.report.text import columns, guess_lines, origins_json, plain, ticking_text

if TYPE_CHECKING:
    from simfw.circuit.feeding import Feeding, PartFeeding
    from simfw.circuit.overview import ChargerFacts, Overview, SensorFacts
    from simfw.gadget.model import Gadget
    from simfw.report.text import Paint

__all__ = ["circuit_json", "circuit_text"]


def circuit_json(gadget: Gadget, found: Overview) -> dict[str, Any]:
    """The overview as JSON values: units in the names, None where there is no value."""
    return {
        "gadget": gadget.head.name,
        "lights": [_plain(light) for light in found.lights],
        "loads": [_plain(load) for load in found.loads],
        "sensors": [_plain(sensor) for sensor in found.sensors],
        "fed": [_plain(one) for one in found.fed],
        "supply": None if found.supply is None else _plain(found.supply),
        "charger": None if found.charger is None else _plain(found.charger),
        "gauge": {
            "bands": [_plain(band) for band in found.bands],
            "suggested": [_plain(one) for one in found.suggestions],
            "drift_per_day": None if found.drift is None else found.drift.unseen_per_day,
            "scale": None if found.drift is None else list(found.drift.scale),
        },
        "notes": [_plain(note) for note in found.notes],
        **origins_json(gadget, "circuit"),
    }


def _plain(value: Any) -> Any:
    """A dataclass and what it holds as JSON values; no number that JSON does not have."""
    if dataclasses.is_dataclass(value):
        return {
            part.name: _plain(getattr(value, part.name)) for part in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def circuit_text(gadget: Gadget, found: Overview, paint: Paint = plain) -> str:
    """The overview as text, lines ended by newlines."""
    lines = [paint(f"{gadget.head.name}: the circuit", "head")]
    if found.lights:
        lines += ["", paint("Lights, each fully on with all others off", "head"),
                  *_lights(gadget, found)]
    if found.loads:
        lines += ["", paint("Loads, each on with all others off", "head"), *_loads(found)]
    for sensor in found.sensors:
        lines += ["", paint(f"Proximity sensor {sensor.name}", "head"), *_sensor(sensor)]
    if found.charger is not None:
        lines += ["", paint("Charging", "head"),
                  *_charger(gadget, found.charger)]
    if found.fed:
        lines += ["", paint("Lit by USB or the charger, beside the cell", "head"), *_fed(found)]
    if found.supply is not None:
        lines += ["", paint("Who feeds what", "head"), *_feeding(found.supply)]
    if found.bands:
        lines += ["", paint("What the bars mean in true charge", "head"), *_bands(found)]
    if found.drift is not None:
        share = format_percent(found.drift.unseen_per_day)
        low, high = (format_percent(scale) for scale in found.drift.scale)
        lines += ["", paint("Gauge that counts charge", "head"), *columns([
            ("the cell holds", f"{low} of the capacity figure" if low == high
             else f"{low} to {high} of the capacity figure"),
            ("not counted", f"up to {share} of the figure a day (leakage of the protection, "
             "self-discharge)"),
        ])]  # fmt: skip
    if len(lines) == 1:
        lines += ["", "  No light, load, sensor, charger or gauge: what its states draw is told by "
                  "`simfw modes GADGET`."]  # fmt: skip
    if found.notes:
        lines += ["", paint("Beware", "head")]
        for note in found.notes:
            lines += textwrap.wrap(
                f"{note.key}: {note.text}", 100, initial_indent="  ", subsequent_indent="    ",
                break_on_hyphens=False,
            )
    lines += guess_lines(gadget, "circuit", paint)
    lines += ["", paint("Cautions", "head"), *caution_lines(gadget)]
    return "\n".join(lines) + "\n"


def _lights(gadget: Gadget, found: Overview) -> list[str]:
    rows = [("", "full cell", "low cell", "worst part, low cell", "run time", "in", "ends")]
    for light in found.lights:
        seconds = light.run_time.run_time_s
        rows.append(
            (
                light.name,
                f"{format_si(light.full_a, 'A')} at {light.full_v:.2f} V",
                f"{format_si(light.low_a, 'A')} at {light.low_v:.2f} V",
                _spread(light.spread.least_a, light.spread.sure_above_v is not None
                        or light.spread.least_a < light.spread.most_a),
                "none" if seconds is None else format_rough_time(seconds),
                "alone" if light.mode is None else ", ".join([
                    *(f"{region} {ticking_text(states)}" for region, states in light.mode.items()),
                    *(f"{name} at {gadget.dials[name].levels[place].text}"
                      for name, place in light.dials.items()),
                ]),
                _ENDS.get(light.run_time.ended_by, f"by {light.run_time.ended_by}"),
            )
        )
    lines = [
        *columns(rows),
        "  run time: from switch-on on a full cell until 10 % of the light at 30 s (FL 1), in the "
        "mode in which it",
        "  takes most; alone: no mode drives it, or it shows by number; the controller is awake",
    ]
    if any(light.dials for light in found.lights):
        lines += ["  a dial that the light follows stands at its highest value, any other where it "
                  "starts, and one that",
                  "  the mode itself moves where it ends"]
    return lines


def _loads(found: Overview) -> list[str]:
    return [*columns([("", "full cell", "low cell", "a full cell lasts", "until"), *(
        (load.name,
         f"{format_si(load.full_a, 'A')} at {load.full_v:.2f} V",
         f"{format_si(load.low_a, 'A')} at {load.low_v:.2f} V",
         "for ever" if load.lasts_s is None else format_rough_time(load.lasts_s),
         "" if load.lasts_s is None else _until(load.ended_by))
        for load in found.loads)]), "  the controller is awake"]


def _until(ended_by: str) -> str:
    return OPENED if ended_by == "protection" else EMPTY


_ENDS = {
    "10 %": "at 10 % of the light",
    "protection": f"when {OPENED}",
    OPENED: f"when {OPENED}",
    EMPTY: f"when {EMPTY}",
    "empty": f"when {EMPTY}",
    "never": "never",
    "dark": "it is dark",
}


def _spread(amps: float, ranged: bool) -> str:
    return f"{format_si(amps, 'A')} in the LEDs" if ranged else "no range given"


def _sensor(sensor: SensorFacts) -> list[str]:
    low, high = sensor.output_width_s
    rows = [
        ("emitter", f"{format_si(sensor.emitter_full_a, 'A')} on a full cell, "
         f"{format_si(sensor.emitter_low_a, 'A')} on a low one, while the carrier is on"),
        ("range", _range(sensor)),
    ]  # fmt: skip
    if sensor.range_light_m is not None:
        rows.append(("in bright light", f"{format_si(sensor.range_light_m, 'm')} on a full cell"))
    if sensor.range_power is not None:
        share = 1.0 - 1.1**-sensor.range_power
        rows.append(("emitter resistor",
                     f"10 % more of it costs about {100 * share:.2g} % of the range"))
    rows += [
        ("burst", f"{_ms(sensor.burst_s)}; the receiver's output lasts "
         f"{_ms(low)} to {_ms(high)}"),
        ("gain control", _verdict(sensor)),
        ("wave", f"of {_ms(sensor.wave_s)} is {_seen(sensor.caught)}; always seen from "
         f"{_ms(sensor.certain_wave_s)} on"),
    ]  # fmt: skip
    return columns(rows)


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms"


def _seen(share: float) -> str:
    if share in (0.0, 1.0):
        return "always seen" if share else "never seen"
    return f"seen {100 * share:.0f} % of the time"


def _range(sensor: SensorFacts) -> str:
    if sensor.range_full_m is None or sensor.range_low_m is None:
        return "not known: the file gives no intensity, threshold or target; any hand is answered"
    return (
        f"{format_si(sensor.range_full_m, 'm')} on a full cell, "
        f"{format_si(sensor.range_low_m, 'm')} on a low one"
    )


def _verdict(sensor: SensorFacts) -> str:
    if sensor.verdict is None:
        return "not known: the file gives no rule for bursts"
    return "takes this burst and gap" if sensor.verdict.legal else "does not take this burst"


def _charger(gadget: Gadget, facts: ChargerFacts) -> list[str]:
    rows = [
        ("current", format_si(facts.constant_current_a, "A")),
        ("float voltage", f"{facts.float_v:.2f} V"),
    ]
    if facts.finish_a is not None:
        rows.append(("ends below", format_si(facts.finish_a, "A")))
    if facts.recharge_v is not None:
        rows.append(("starts again below", f"{facts.recharge_v:.2f} V"))
    if facts.heat_w is not None:
        rows.append(("heat in the charger", f"up to {format_si(facts.heat_w, 'W')}"))
    time, name = facts.charge_time, f"time from {charged_from(gadget)}"
    if time.time_s is None or time.longest_s is None:
        rows.append((name, f"none: {time.why}"))
    else:
        rows.append(
            (name, f"{format_rough_time(time.time_s)}, with the slow end of a real "
             f"cell up to {format_rough_time(time.longest_s)}")
        )  # fmt: skip
    return columns(rows)


def _fed(found: Overview) -> list[str]:
    return columns([("", "by", "charger at rest", "while it charges"), *(
        (one.name, one.by, "dark" if one.alone_a is None else format_si(one.alone_a, "A"),
         format_si(one.charging_a, "A")) for one in found.fed)])


_SOURCES = {
    "cell": "the cell",
    "charger": "the charger, then the cell",
    "input": "the input, then the cell",
    "input alone": "the input",
    "usb": "USB",
    "charging": "USB, while it charges",
}


def _feeding(supply: Feeding) -> list[str]:
    rows: list[tuple[str, str]] = []
    if supply.power_path:
        rows.append(("power path", "with USB in the input feeds the parts, with an open protection "
                     "too, and charges with the rest"))
        if supply.limit_a is not None:
            rows.append(("its limit", f"{format_si(supply.limit_a, 'A')} in all: first for the "
                         "parts; what they take beyond it the cell gives"))
    if supply.lets_go:
        rows.append(("let go of", f"by the firmware in {', '.join(supply.lets_go)}"))
    if supply.powered_by:
        wait = "" if not supply.hold_up_s else (
            f", and for {format_duration(round(supply.hold_up_s * 1e9))} longer")
        rows.append(("kept by", f"{_or(supply.powered_by)}, whatever the firmware does{wait}"))
    elif supply.lets_go:
        rows.append(("kept by", "nothing but the firmware"))
    if supply.cut_by:
        rows.append(("cut off by", _or(supply.cut_by)))
    shelf = supply.shelf
    if shelf is not None:
        lasts = "" if shelf.lasts_s is None else (
            f"; a full cell lasts {format_rough_time(shelf.lasts_s)}, until "
            f"{_until(shelf.ended_by)}")
        where = ", without USB" if _has_usb(supply) else ""
        rows.append(("supply gone", f"{format_si(shelf.full_a, 'A')} from a full cell, "
                     f"{format_si(shelf.low_a, 'A')} from a low one{where}{lasts}"
                     if shelf.full_a else f"nothing draws from the cell{where}"))
    return [*columns(rows), *columns(_parts(supply))]


def _has_usb(supply: Feeding) -> bool:
    return supply.usb or "usb" in supply.powered_by


def _or(names: tuple[str, ...]) -> str:
    return " or ".join("USB" if name == "usb" else name for name in names)


def _parts(supply: Feeding) -> list[tuple[str, ...]]:
    def row(part: PartFeeding) -> tuple[str, ...]:
        with_usb = f"from {_SOURCES[part.with_usb]}"
        if part.without_usb is None:  # a light beside the cell
            without, gone = "dark", with_usb
        else:
            without = f"from {_SOURCES[part.without_usb]}"
            gone = "dead" if part.dead_a is None else format_si(part.dead_a, "A")
        return (part.name, without, *([with_usb] if supply.usb else []),
                *([gone] if supply.shelf is not None else []))

    return [("", "without USB" if _has_usb(supply) else "supplied",
             *(["with USB in"] if supply.usb else []),
             *(["supply gone"] if supply.shelf is not None else [])), *map(row, supply.parts)]


_COVERED = (
    "any: whatever its states, looks of a sensor and lit bars have on at a sample, charging or "
    "not, bars going out or coming back; reference, cell resistance, and what draws and charges, "
    "within their ranges; at 25 degC"
)
_COUNTED = "both since a full charge, less what is not counted"


def _bands(found: Overview) -> list[str]:
    counts = found.drift is not None
    rows = [("bars", "nominal" if counts else "resting, nominal",
             "within the ranges" if counts else "any")]  # fmt: skip
    rows += [
        (
            str(band.bars),
            f"{format_percent(band.nominal_low)} to {format_percent(band.nominal_high)}",
            f"{format_percent(band.low)} to {format_percent(band.high)}",
        )
        for band in found.bands
    ]
    said = _COUNTED if counts else _COVERED
    lines = [*columns(rows),
             *textwrap.wrap(said, 96, initial_indent="  ", subsequent_indent="  ")]  # fmt: skip
    if not found.suggestions:
        return lines
    better = ", ".join(f"{one.threshold_v:.2f} V" for one in found.suggestions)
    worst = max(one.worst_error for one in found.suggestions)
    return [
        *lines,
        f"  thresholds that give every bar an equal share of the charge: {better}",
        f"  (chosen for the least worst error while it discharges; still off by up to "
        f"{format_percent(worst)})",
    ]
