"""What the page has to know of a gadget before anything happens."""

from __future__ import annotations

import re
from typing import Any

from simfw.behaviour.region import Row, System
from simfw.behaviour.stock_dials import given
from simfw.bench.journal import levels_at_rest
from simfw.bench.repeating import value_text
from simfw.engine.prepared import Prepared
from simfw.formatting import format_duration
from simfw.gadget.figures import entries
from simfw.gadget.model import Button, Gadget
from simfw.report.cautions import CHARGING, INFRARED, cautions
from simfw.report.specification.behaviour import LARGEST_DRAWN, region_drawing
from simfw.report.specification.subject import subject_of
from simfw.stimuli.inputs import INPUTS, Kind

__all__ = ["described", "diagrams_of", "face_of", "figures_of", "kind_of"]

_STYLE = re.compile(r' style="[^"]*"')


def described(prepared: Prepared) -> dict[str, Any]:
    """Face, inputs, regions with what they wait for, and cautions, as JSON values."""
    gadget, system = prepared.gadget, prepared.system
    return {
        "name": gadget.head.name,
        "about": gadget.head.about or "",
        **face_of(gadget),
        "consumers": list(prepared.circuit.consumers),
        "inputs": _inputs(gadget),
        "gauge": None if gadget.gauge is None else len(gadget.gauge.thresholds),
        "regions": _regions(system),
        "chords": {name: list(chord.buttons) for name, chord in gadget.chords.items()},
        "cautions": list(cautions(gadget)),
        "caution_charging": CHARGING if gadget.charger is not None else "",
        "caution_infrared": INFRARED,
    }


def face_of(gadget: Gadget) -> dict[str, Any]:
    """What there is to be seen on the gadget: lights, loads, and dials with their values.

    `fed_by` of a light tells that USB or the charger lights it.
    """
    return {
        "lights": [
            {"name": name, "leds": light.leds, "segments": light.segments, "colour": light.colour,
             "fed_by": light.fed_by}
            for name, light in (*gadget.lights.items(), *gadget.fed_lights.items())
        ],
        "loads": list(gadget.loads),
        "dials": [
            {"name": name, "values": [value_text(given(level)) for level in dial.levels]}
            for name, dial in gadget.dials.items()
        ],
    }


def _inputs(gadget: Gadget) -> list[dict[str, Any]]:
    found = []
    for (kind, name), rest in levels_at_rest(gadget).items():
        entry: dict[str, Any] = {"kind": kind, "name": name, "rest": rest}
        if kind == "contact":
            entry["marks"] = _lengths(gadget.buttons[name])
        elif kind == "measure":
            levels = sorted(INPUTS[kind].levels(gadget, name))
            entry["unit"] = gadget.measures[name].unit
            entry["least"], entry["most"] = levels[0], levels[-1]
        elif kind == "hand":
            entry["infrared"] = gadget.proximity[name].emitter is not None
        found.append(entry)
    return found


def _lengths(button: Button) -> list[dict[str, Any]]:
    """What a press becomes with time: each length counts from the settled press."""
    settled_ns = button.debounce.ns if button.style == "settle" else 0
    lengths = {"press": settled_ns}
    if button.hold is not None:
        lengths["hold"] = settled_ns + button.hold.ns
    lengths |= {name: settled_ns + length.ns for name, length in button.holds.items()}
    marks = [{"name": name, "after_ns": after} for name, after in lengths.items()]
    if button.double is not None:
        marks.append({"name": "double", "within_ns": button.double.ns})
    return marks


def _regions(system: System) -> list[dict[str, Any]]:
    return [
        {
            "name": region.name,
            "written": region.group in ("behaviour", "dials"),
            "dial": region.group == "dials",
            "states": [state.name for state in region.states],
            "rows": [
                {"from": list(row.sources), "text": _row_text(row), "to": _target(row),
                 "on": row.on, "after_ns": row.after_ns, "leads": list(region.entered_by(row))}
                for row in region.rows
            ],
        }
        for region in system.regions
    ]


def _row_text(row: Row) -> str:
    what = row.on if row.on is not None else f"after {format_duration(row.after_ns or 0)}"
    return f"{what} when {row.when_text}" if row.when_text else what


def _target(row: Row) -> str:
    return "stays" if row.to == "same" else row.to


def diagrams_of(prepared: Prepared) -> list[dict[str, str]]:
    """The diagram of each written region, as the specification draws it: its name, SVG, caption.

    Without style attributes, which the page's policy does not allow.
    """
    subject = subject_of(prepared.gadget, prepared.system)
    drawings = [
        (region.name, region_drawing(subject, region)) for region in prepared.system.regions
        if region.group == "behaviour" and len(region.states) <= LARGEST_DRAWN
    ]
    return [{"region": name, "svg": _STYLE.sub("", drawing.svg), "caption": drawing.caption}
            for name, drawing in drawings]


def figures_of(gadget: Gadget) -> list[dict[str, str]]:
    """Every figure of the file with its standing."""
    return [
        {"key": entry.key, "value": entry.value_text, "range": entry.range_text,
         "origin": entry.origin_text}
        for entry in entries(gadget)
    ]


def kind_of(word: object) -> Kind | None:
    """The kind of input that a word names; None where there is none."""
    return INPUTS[word].kind if isinstance(word, str) and word in INPUTS else None
