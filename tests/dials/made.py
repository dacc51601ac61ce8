"""Small gadgets with dials, and the same written by hand."""

from __future__ import annotations

import tomllib
from itertools import product
from typing import Any

from simfw.gadget.model import Gadget

PARTS = """
[gadget]
name = "Clip"
[cell]
curve = "lco"
capacity = "20 mAh"
resistance = "300 mΩ"
[controller]
awake = "1 mA"
asleep = "2 uA"
[loads.warm]
current = "10 mA"
[loads.cool]
resistance = "200R"
[lights.bars]
leds = 4
segments = true
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "1k"
[buttons.up]
debounce = "5 ms"
[buttons.down]
debounce = "5 ms"
[buttons.key]
debounce = "5 ms"
"""


def gadget(text: str, parts: str = PARTS) -> Gadget:
    """The gadget that `text` makes of the parts."""
    return Gadget.model_validate(tomllib.loads(parts + text))


def by_hand(data: dict[str, Any]) -> dict[str, Any]:
    """The same as one region without a dial: a state for each state of `lamp` in each position.

    `lamp` hears each event in one row at most, without a guard, and so does the dial `dim`.
    """
    data = dict(data)
    dial, lamp = data.pop("dials")["dim"], data["behaviour"]["lamp"]
    count = len(dial["values"])

    def moved(place: int, event: str) -> tuple[int, list[str]]:
        for row in dial["rows"]:
            if event in row["on"]:
                there = row.get("to", place + row.get("step", 0))
                there, beyond = (there % count, False) if row.get("wrap") else (
                    min(max(there, 0), count - 1), not 0 <= there < count)
                return there, ["dim.changed"] * (there != place) + ["dim.end"] * beyond
        return place, []

    def entered(state: str, event: str) -> tuple[str, list[str]]:
        for row in lamp["rows"]:
            if row["on"] == event and row["from"] == state:
                return row["to"], row.get("emit", [])
        return state, []

    states, rows = {}, []
    for state, place in product(lamp["states"], range(count)):
        levels = {}
        for name, level in lamp["states"][state].items():
            if name == "scale":
                level = {one: dial["values"][place] if by == "dim" else by
                         for one, by in level.items()}
            levels[name] = dial["values"][place] if level == "dim" else level
        states[f"{state}.p{place}"] = levels
        events = dict.fromkeys((*(event for row in dial["rows"] for event in row["on"]),
                                *(row["on"] for row in lamp["rows"])))
        for event in events:
            (there, told), (then, said) = moved(place, event), entered(state, event)
            emit = [*told, *said]
            if (there, then) != (place, state) or emit:
                same = (there, then) == (place, state)
                row = {"on": event, "from": f"{state}.p{place}",
                       "to": "same" if same else f"{then}.p{there}"}
                rows.append(row | ({"emit": emit} if emit else {}))
    # What nobody emits any more is not known: the events of the dial always are.
    rows.append({"on": "key.press", "from": f"{next(iter(lamp['states']))}.p0", "to": "same",
                 "emit": ["dim.changed", "dim.end"], "when": "warm < 0"})
    behaviour = {**data["behaviour"], "lamp": {
        "starts": f"{lamp['starts']}.p{dial.get('starts', 0)}", "states": states, "rows": rows}}
    return data | {"behaviour": behaviour}
