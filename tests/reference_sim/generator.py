"""Random gadgets and scenarios, as plain dictionaries of what the files hold.

Times lie on a coarse grid more often than not, so that things coincide. What is drawn hangs on the
seed alone.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from tests.reference_sim.drawing import BUTTONS, COARSE_MS, GRID_MS, LIGHTS, LOADS, Draw, draw_truth
from tests.reference_sim.drawn_behaviour import (
    draw_behaviour,
    draw_dials,
    draw_expression,
    draw_hear_ends,
    draw_let_go,
    draw_rule,
    draw_sequences,
    draw_settled,
    draw_vocabulary,
)
from tests.reference_sim.drawn_circuit import (
    draw_cell,
    draw_charger,
    draw_controller,
    draw_curve,
    draw_light,
    draw_load,
    draw_past,
    draw_supplied,
)
from tests.reference_sim.drawn_inputs import (
    draw_button,
    draw_gauge,
    draw_measures,
    draw_sensor,
    draw_toggles,
)

# What `simfw` does otherwise at present, each with a case of its own in the tests; to become empty.
KNOWN: set[str] = set()


@dataclass
class Case:
    """One gadget with one scenario."""

    gadget: dict[str, Any]
    scenario: dict[str, Any]
    curve: list[tuple[str, str]]


def case(seed: int, coarse: bool = False) -> Case:
    """The gadget and scenario of a seed; `coarse`: another one, with all times on a few values."""
    draw = Draw(random.Random(f"{seed} coarse" if coarse else seed), coarse=coarse)
    g = draw.gadget
    g["gadget"] = {"name": f"Random {seed}"}
    lively = draw.chance(0.45)  # a cell so small that its voltage moves within the scenario
    curve = draw_curve(draw)
    g["cell"] = draw_cell(draw, lively, curve)
    if draw.chance(0.35):
        g["charger"] = draw_charger(draw, curve)
    if draw.chance(0.85):
        g["controller"] = draw_controller(draw)
    g["lights"] = {name: draw_light(draw) for name in LIGHTS[: draw.rng.randint(0, 3)]}
    g["loads"] = {name: draw_load(draw) for name in LOADS[: draw.rng.randint(0, 2)]}
    if not g["lights"] and not g["loads"]:
        g["loads"] = {"motor": draw_load(draw)}
    g["buttons"] = {name: draw_button(draw) for name in BUTTONS[: draw.rng.randint(1, 3)]}
    if len(g["buttons"]) > 1 and draw.chance(0.4):
        members = draw.rng.sample(sorted(g["buttons"]), draw.rng.randint(2, len(g["buttons"])))
        g["chords"] = {"both": {"buttons": members, "within": draw.ms(20, 120)}}
        if len(g["buttons"]) > 2 and draw.chance(0.5):
            members = draw.rng.sample(sorted(g["buttons"]), 5 - len(members))
            g["chords"]["more"] = {"buttons": members, "within": draw.ms(20, 120)}
    g["behaviour"] = {}
    if draw.chance(0.35):
        g["proximity"] = {"wave": draw_sensor(draw)}
    if draw.chance(0.3):
        g["toggles"] = draw_toggles(draw)
    if draw.chance(0.35):
        g["measures"] = draw_measures(draw)
    if draw.chance(0.4):
        g["gauge"] = draw_gauge(draw)
    if draw.chance(0.35):
        g["dials"] = {}  # stands before the regions; its rows are drawn when all events are known
    if draw.chance(0.35):
        g["sequences"] = draw_sequences(draw)
    draw_vocabulary(draw)
    if "dials" in g:
        draw_dials(draw)
    draw_behaviour(draw)
    draw_hear_ends(draw)
    if "controller" in g and draw.chance(0.2):
        draw_let_go(draw)
    if "proximity" in g and draw.chance(0.6):
        g["proximity"]["wave"]["enabled"] = draw_expression(draw, 1)
    for measure in g.get("measures", {}).values():
        if draw.chance(0.4):
            measure["enabled"] = draw_expression(draw, 1)
    if "light" in g.get("gauge", {}) and draw.chance(0.5):
        # The voltage hangs on whether the bars are lit: no comparisons here.
        g["gauge"]["show"] = draw.pick("", "not ") + draw_truth(draw)
    rules = [draw_rule(draw, k) for k in range(draw.rng.randint(0, 3))]
    if rules:
        g["rules"] = rules
    scenario = _scenario(draw, lively, curve)
    # Drawn apart, so that the rest of a seed stays what it was.
    apart = Draw(random.Random(f"{seed} supply"), g, truths=draw.truths)
    curve = draw_supplied(apart, curve)
    draw_past(Draw(random.Random(f"{seed} path"), g))
    return Case({name: values for name, values in g.items() if values}, scenario, curve)


def _ns(text: str) -> int:
    words = text.split()
    factors = [{"ns": 1, "ms": 10**6}[unit] for unit in words[1::2]]
    return sum(int(number) * factor for number, factor in zip(words[::2], factors, strict=True))


def _scenario(draw: Draw, lively: bool, curve: list[tuple[str, str]]) -> dict[str, Any]:
    g = draw.gadget
    lasts = draw.rng.randint(5, 18) * 100
    grid = COARSE_MS if draw.coarse else GRID_MS
    tens = grid * 10**6
    steps: list[dict[str, Any]] = []
    for name in g["buttons"]:
        time = 0 if draw.chance(0.1) else draw.rng.randint(1, 40) * grid * 10**6
        while time < lasts * 10**6 and len(steps) < 14:
            long = draw.pick(1, 2, 5, 8, 12, 30, 60, 100) * tens
            long += draw.off()
            step = {"at": f"{time} ns", "press": name, "for": f"{long} ns"}
            if draw.chance(0.25):
                step["bounce"] = f"{min(draw.rng.randint(1, 9) * 10**6, long)} ns"
            steps.append(step)
            end = time + long + int(step.get("bounce", "0 ns").split()[0])
            if draw.chance(0.15):
                time = end  # at the very moment the last one ends
            else:
                time = end + draw.pick(1, 3, 5, 10, 25, 50, 90) * tens
                time += draw.off()
    if "proximity" in g:
        time = draw.rng.randint(0, 40) * grid * 10**6
        while time < lasts * 10**6:
            long = draw.rng.randint(3, 60) * grid * 10**6
            steps.append(
                {
                    "at": f"{time} ns",
                    "wave": "wave",
                    "distance": draw.pick("8 cm", "12 cm", "2 m"),
                    "for": f"{long} ns",
                }
            )
            time += long + draw.pick(0, 5, 20, 60, 90) * tens
    for name in g.get("toggles", {}):
        time = draw.rng.randint(0, 40) * grid * 10**6
        while time < lasts * 10**6 and draw.chance(0.85):
            steps.append({"at": f"{time} ns", "toggle": name, "to": draw.pick("on", "off")})
            time += draw.pick(1, 2, 3, 10, 30, 60) * tens
            time += draw.off()
    if "measures" in g:
        time = draw.rng.randint(0, 20) * grid * 10**6
        while time < lasts * 10**6:
            value = f"{draw.rng.randint(0, 80)} lx"
            steps.append({"at": f"{time} ns", "measure": "light", "value": value})
            time += draw.pick(1, 4, 10, 20, 40) * tens
    if "charger" in g:
        time, there = draw.rng.randint(0, 60) * grid * 10**6, True
        while time < lasts * 10**6 and draw.chance(0.9):
            steps.append({"at": f"{time} ns", "usb": there})
            time, there = time + draw.rng.randint(1, 120) * grid * 10**6, not there
    if "charger" in g and draw.chance(0.3):
        at = draw.rng.randint(1, lasts // grid) * grid
        steps.append({"at": f"{at} ms", "fault": True})
        if draw.chance(0.7):
            at = draw.rng.randint(at // grid + 1, lasts // grid + 1) * grid
            steps.append({"at": f"{at} ms", "fault": False})
    if draw.chance(0.15):
        for at in draw.rng.sample(range(0, lasts, grid), draw.rng.randint(1, 2)):
            warm = f"{draw.rng.randint(1, 39)} degC"
            steps.append({"at": f"{at} ms", "temperature": warm})
    steps = [step for step in steps if _ns(step["at"]) <= lasts * 10**6]
    for _ in range(draw.rng.randint(0, 5)):
        at = draw.rng.randint(0, lasts // grid) * grid
        steps.append({"at": f"{at} ms", "expect": draw_settled(draw)})
    if draw.chance(0.5):
        draw.rng.shuffle(steps)
    charge = draw.rng.randint(2, 99) if not lively else draw.rng.randint(5, 95)
    found: dict[str, Any] = {"title": "random", "gadget": "gadget.toml", "charge": f"{charge} %"}
    return {**found, "lasts": f"{lasts} ms", "steps": steps}
