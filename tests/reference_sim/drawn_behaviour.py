"""The behaviour of a random gadget: regions, outputs, sequences, dials and rules."""

from __future__ import annotations

from typing import Any

from tests.reference_sim.drawing import Draw, draw_truth
from tests.reference_sim.drawn_inputs import gestures_of


def draw_vocabulary(draw: Draw) -> None:
    """Events and names of the stock regions."""
    g = draw.gadget
    for name, button in g["buttons"].items():
        draw.events += [f"{name}.{e}" for e in ("press", "release", "click", "click")]
        draw.events += [f"{name}.{e}" for e in gestures_of(button)]
        if "repeat" in button:
            draw.truths.append(f"{name}.repeats.repeating")
        draw.truths += [f"{name}.pressed", f"{name}.pressed", f"{name}.up", f"{name}.closed"]
    for name in g.get("chords", {}):
        draw.events += [f"{name}.chord"] * 2
        draw.truths.append(f"{name}.active")
    if "slide" in g.get("toggles", {}):
        draw.events += ["slide.closed", "slide.opened"]
        draw.truths += ["slide.on", "slide.off", "slide.closed"]
    for name, measure in g.get("measures", {}).items():
        draw.events += [f"{name}.up", f"{name}.down"]
        draw.numbers.append((name, "<= >= == !=", f"0..{len(measure['thresholds'])}"))
    if "proximity" in g:
        draw.events += ["wave.near", "wave.far", "wave.wave", "wave.wave"]
        draw.truths += ["wave.near", "wave.clear", "wave.blocked"]
    if "charger" in g:
        draw.events += ["usb.in", "usb.out"]
        draw.truths += ["usb", "charge.unplugged", "charge.charging", "charge.waiting"]
        if "status" in g["charger"]:
            draw.events += ["charge.started", "charge.completed"]
            if "high when" in g["charger"]["status"]:
                draw.events.append("charge.fault")
            draw.truths += ["status.low", "status.high", "charge.complete"]
    if "gauge" in g:
        draw.events += ["gauge.up", "gauge.down"]
        top = len(g["gauge"]["thresholds"])
        draw.numbers.append(("gauge", "<= >= == !=", f"0..{top}"))
        if "low" in g["gauge"]:
            draw.events += ["cell.low", "cell.flat", "cell.back"]
            draw.truths += ["cell.low", "cell.flat"]
    draw.numbers.append(("cell.voltage", "< > <= >=", "3.1..4.1"))
    draw.numbers.append(("cell.charge", "< > <= >=", "0.05..0.95"))


def draw_dials(draw: Draw) -> None:
    """One or two dials; their rows hear what the stock parts emit, and each other."""
    g = draw.gadget
    for name in ("dim", "tint")[: draw.rng.randint(1, 2)]:
        dial: dict[str, Any] = {}
        if draw.chance(0.3):
            dial |= {"count": draw.rng.randint(2, 5), "from": f"{draw.rng.randint(1, 9)} %",
                     "to": draw.pick("100 %", "45 %"), "spacing": draw.pick("ratio", "even")}
            count = dial["count"]
        else:
            count = draw.rng.randint(2, 5)
            dial["values"] = [f"{draw.rng.randint(0, 100)} %" for _ in range(count)]
        if draw.chance(0.5):
            dial["starts"] = draw.rng.randrange(count)
        draw.events += [f"{name}.changed"] * 2 + [f"{name}.end"]
        draw.numbers.append((name, "<= >= == !=", f"0..{count - 1}"))
        draw.truths.append(f"{name}.{draw.rng.randrange(count)}")
        rows, known = [], sorted(set(draw.events) - {f"{name}.changed", f"{name}.end"})
        for _ in range(draw.rng.randint(1, 4)):
            on = draw.rng.sample(known, 2) if draw.chance(0.2) and len(known) > 1 else (
                draw.rng.choice(draw.events[: -3] or known))
            row: dict[str, Any] = {"on": on}
            if draw.chance(0.25):
                row["to"] = draw.rng.randrange(count)
            else:
                row["step"] = draw.pick(1, 1, -1, -1, 2, -3)
                if draw.chance(0.3) and row["step"] % count:
                    row["wrap"] = True
            if draw.chance(0.3):
                row["when"] = draw_expression(draw, 1)
            rows.append(row)
        dial["rows"] = rows
        if draw.chance(0.4):
            dial["kept"] = True
        g["dials"][name] = dial


def draw_sequences(draw: Draw) -> dict[str, Any]:
    """One to three, the last of them for bars."""
    found: dict[str, Any] = {}
    for name in ("hurry", "slow")[: draw.rng.randint(1, 2)]:
        if draw.chance(0.3):
            times = [0, *sorted(draw.rng.sample(range(1, 12), draw.rng.randint(1, 3)))]
            found[name] = {
                "points": [f"{draw.rng.randint(0, 100)} % @ {100 * at} ms" for at in times],
                "every": draw.pick("50 ms", "100 ms"),
            }
        else:
            levels = [draw.pick("on", "off", f"{draw.rng.randint(1, 99)} %")
                      for _ in range(draw.rng.randint(1, 4))]
            found[name] = {"steps": [f"{level} for {draw.ms(20, 600)}" for level in levels]}
        if draw.chance(0.4):
            found[name]["times"] = draw.rng.randint(1, 3)
    bars = draw.gadget["lights"].get("bars")
    if bars is not None and draw.chance(0.5):
        found["climb"] = {"steps": [f"{draw.rng.randint(0, bars['leds'])} for {draw.ms(50, 300)}"
                                    for _ in range(draw.rng.randint(1, 3))]}
    return found


def draw_hear_ends(draw: Draw) -> None:
    """Rows that hear the end of what their region plays."""
    finite = {name for name, one in draw.gadget.get("sequences", {}).items() if "times" in one}
    for name, region in draw.gadget["behaviour"].items():
        states = region["states"].values()
        plays = any(isinstance(level, str) and level in finite
                    for outputs in states for level in outputs.values())
        if plays and draw.chance(0.7):
            region["rows"].append({"on": f"{name}.ended", "from": "*",
                                   "to": draw.rng.choice([*region["states"], "same"])})
            if region["rows"][-1]["to"] == "same":
                region["rows"][-1]["emit"] = f"over{name}"


def draw_let_go(draw: Draw) -> None:
    """A state lets go of the supply; a contact or USB brings it back."""
    g = draw.gadget
    states = draw.rng.choice(list(g["behaviour"].values()))["states"]
    states[draw.rng.choice(list(states))]["controller"] = "unpowered"
    powering = [*g["buttons"], *(["slide"] if "slide" in g.get("toggles", {}) else []),
                *(["usb"] if "charger" in g else [])]
    g["controller"]["powered_by"] = draw.rng.sample(powering, draw.rng.randint(1, len(powering)))
    if draw.chance(0.6):
        g["controller"]["hold_up"] = draw.ms(10, 400)


def draw_behaviour(draw: Draw) -> None:
    """Regions, outputs and conditions."""
    g = draw.gadget
    regions = [f"r{k}" for k in range(draw.rng.randint(1, 3))]
    shapes: dict[str, list[str]] = {}
    for name in regions:
        states = ["idle", *draw.rng.sample(["busy", "shut", "lit.full", "lit.half", "lit.weak"],
                                           draw.rng.randint(1, 4))]
        shapes[name] = states
        draw.truths += [f"{name}.{state}" for state in states]
        if sum(s.startswith("lit.") for s in states) > 1:
            draw.truths.append(f"{name}.lit")
    own = {name: [f"{name}.done", f"{name}.tick"] for name in regions if draw.chance(0.5)}
    emitted = [event for events in own.values() for event in events]
    heard: dict[str, list[str]] = {}
    for name in regions:
        # What a region emits is heard by later regions only, so that no instant goes on for ever.
        heard[name] = draw.events + [
            e for other in regions[: regions.index(name)] for e in own.get(other, [])
        ]
        g["behaviour"][name] = _region(draw, name, shapes[name], heard[name], own.get(name, []))
    # An event that nobody emits must not be heard; what hears it may be all that emits another.
    unheard = set(emitted)
    while unheard:
        unheard = set(emitted) - {
            event
            for name in regions
            for row in g["behaviour"][name]["rows"]
            for event in row.get("emit", [])
        }
        emitted = [event for event in emitted if event not in unheard]
        for name in regions:
            g["behaviour"][name]["rows"] = [
                row for row in g["behaviour"][name]["rows"]
                if not unheard & {*(row["on"] if isinstance(row.get("on"), list)
                                    else [row.get("on")])}
            ]
    draw.events += emitted


def _region(
    draw: Draw, name: str, states: list[str], events: list[str], emits: list[str]
) -> dict[str, Any]:
    region: dict[str, Any] = {"starts": "idle"}
    lit = [s for s in states if s.startswith("lit.")]
    if lit and draw.chance(0.5):
        region["resume_points"] = lit
    if draw.chance(0.25):
        region["kept"] = draw.pick("state", "resume" if "resume_points" in region else "state")
    region["states"] = {
        state: {} if state == "idle" and draw.chance(0.7) else _outputs(draw) for state in states
    }
    rows: list[dict[str, Any]] = []
    seen = set()
    for _ in range(draw.rng.randint(2, 9)):
        row: dict[str, Any] = {}
        if draw.chance(0.15) and len(set(events)) > 1:
            row["on"] = draw.rng.sample(sorted(set(events)), 2)
        elif draw.chance(0.7):
            row["on"] = draw.rng.choice(events)
        else:
            row["after"] = draw.ms(20, 900) if draw.chance(0.93) else "0 s"
        row["from"] = _from(draw, states, lit)
        row["to"] = draw.rng.choice(states)
        if "resume_points" in region and draw.chance(0.3):
            row["to"] = "resume"
        elif draw.chance(0.12):
            row["to"] = "same"
        if draw.chance(0.35):
            row["when"] = draw_expression(draw, 1)
        if emits and draw.chance(0.5):
            row["emit"] = draw.rng.sample(emits, draw.rng.randint(1, 2))
        if row["to"] == "same" and "emit" not in row and "after" in row:
            continue
        if row.get("after") == "0 s" and row["to"] != "same":
            # Zero dwells lead towards the end of the list only: no circles.
            row["from"] = draw.rng.choice(states[:-1])
            row["to"] = draw.rng.choice(states[states.index(row["from"]) + 1 :])
        heard = row["on"] if isinstance(row.get("on"), list) else [row.get("on")]
        marks = {(event, row.get("after"), row.get("when")) for event in heard}
        if not marks & seen:
            seen |= marks
            rows.append(row)
    region["rows"] = rows
    return region


def _from(draw: Draw, states: list[str], lit: list[str]) -> Any:
    kind = draw.rng.random()
    if kind < 0.1:
        return "*"
    if kind < 0.25 and lit:
        return "lit.*"
    if kind < 0.4 and len(states) > 2:
        return draw.rng.sample(states, 2)
    return draw.rng.choice(states)


def _outputs(draw: Draw) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in [*draw.gadget["lights"], *draw.gadget["loads"]]:
        if draw.chance(0.6):
            continue
        played = [one for one in draw.gadget.get("sequences", {})
                  if (one == "climb") == (name == "bars")]
        if played and draw.chance(0.5):
            found[name] = draw.rng.choice(played)
        elif name == "bars":
            if draw.chance(0.3):
                found[name] = draw.rng.randint(0, draw.gadget["lights"]["bars"]["leds"])
        elif draw.gadget.get("dials") and draw.chance(0.5):
            found[name] = draw.pick(*draw.gadget["dials"])
        elif draw.chance(0.5):
            found[name] = f"{draw.rng.randint(1, 99)} %"
        else:
            found[name] = draw.pick("on", "on", "off")
    if draw.chance(0.1):
        found["controller"] = "awake"
    if draw.chance(0.2):
        names = [*draw.gadget["lights"], *draw.gadget["loads"]]
        scale = {
            name: "off" if name == "bars" or draw.chance(0.2) else f"{draw.rng.randint(1, 100)} %"
            for name in draw.rng.sample(names, draw.rng.randint(1, len(names)))
        }
        for name in scale:
            if name != "bars" and draw.gadget.get("dials") and draw.chance(0.3):
                scale[name] = draw.pick(*draw.gadget["dials"])
        found["scale"] = scale
    return found


def draw_expression(draw: Draw, depth: int) -> str:
    """A condition, nested to a depth."""
    kind = draw.rng.random()
    if depth > 0 and kind < 0.3:
        word = draw.pick("and", "or")
        return f"{draw_expression(draw, depth - 1)} {word} {draw_expression(draw, depth - 1)}"
    if kind < 0.5:
        return f"not {draw_truth(draw)}"
    if kind < 0.65:
        return _comparison(draw)
    return draw_truth(draw)


def _comparison(draw: Draw) -> str:
    name, signs, span = draw.rng.choice(draw.numbers)
    low, high = span.split("..")
    sign = draw.rng.choice(signs.split())
    if "." in span.replace("..", ""):
        return f"{name} {sign} {draw.rng.uniform(float(low), float(high)):.3f}"
    return f"{name} {sign} {draw.rng.randint(int(low), int(high))}"


def _level(draw: Draw) -> str:
    names = [*draw.gadget["lights"], *draw.gadget["loads"]]
    return f"{draw.rng.choice(names)} {draw.pick('>', '<=', '<', '>=')} 0.{draw.rng.randint(1, 9)}"


def draw_settled(draw: Draw) -> str:
    """An expression for rules and expectations, which may read levels too."""
    if draw.chance(0.2):
        return f"{_level(draw)} {draw.pick('and', 'or')} {draw_truth(draw)}"
    return draw_expression(draw, 1)


def draw_rule(draw: Draw, number: int) -> dict[str, Any]:
    """One rule."""
    rule: dict[str, Any] = {"name": f"rule {number}"}
    kind = draw.rng.random()
    if kind < 0.25:
        rule["never"] = f"{draw_settled(draw)} and {draw_truth(draw)}"
    elif kind < 0.4:
        rule["always"] = f"{draw_settled(draw)} or {draw_truth(draw)}"
    elif kind < 0.75:
        event = draw.rng.choice(draw.events)
        rule["when"] = event if draw.chance(0.4) else f"{event} and {draw_truth(draw)}"
        rule["then"] = draw_settled(draw)
        rule["within"] = draw.pick("0 s", draw.ms(10, 600))
    elif kind < 0.87:
        rule |= {"when": draw_expression(draw, 1), "then": draw_settled(draw),
                 "within": draw.ms(10, 600)}
    else:
        rule |= {"stays": draw_expression(draw, 1), "for": draw.ms(10, 600)}
    if "when" in rule:
        words = rule["when"].replace("(", " ").replace(")", " ").split()
        if kind >= 0.75 and set(words) & set(draw.events):
            rule["when"] = "True" if "usb" not in draw.truths else "usb"
    return rule
