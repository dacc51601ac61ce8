"""What the search for test vectors changes: hands, the plug, what a bench sets; and its limits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from simfw.behaviour.build import check
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Usb, Wave
from simfw.vectors import make_vectors
from simfw.vectors.build import (
    Rehearsal,
    VectorSet,
    find_paths,
    replay_scenario,
    to_scenario,
)
from simfw.vectors.drills import chord_drills
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act, Sketch

S = 10**9
SHELF = {"forward": ["2.75 V @ 5 mA", "3.0 V @ 20 mA"], "resistor": "22R"}
SENSOR = {
    "every": "125 ms", "settle": "2 ms", "carrier": "38 kHz", "duty": "50 %", "burst": 24,
    "receiver": {"supply": "0.37 mA", "threshold": "0.7 mW/m2"},
    "emitter": {"forward": ["1.2 V @ 20 mA", "1.35 V @ 100 mA"], "resistor": "47R",
                "intensity": "36 mW/sr @ 100 mA", "half_angle": "25 deg",
                "switch": {"kind": "nmos", "on_resistance": "1 Ω"}},
    "target": {"reflectance": "50 %", "area": "80 cm2"},
}  # fmt: skip


def made(rows: list[dict[str, Any]], states: str = "off on", **parts: Any) -> Gadget:
    """A lamp with these rows; a state whose name begins with "off" is dark."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Lamp"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
        "lights": {"shelf": SHELF},
        "behaviour": {"lamp": {
            "starts": "off", "rows": rows,
            "states": {name: {} if name.startswith("off") else {"shelf": "on"}
                       for name in states.split()}}},
        **parts,
    })  # fmt: skip
    assert not check(gadget)
    return gadget


def vectors_of(gadget: Gadget, effort: int = 1) -> tuple[Prepared, VectorSet]:
    """Its vectors; with effort 0 nothing is searched for that tells faults."""
    prepared = Prepared(gadget)
    return prepared, make_vectors(gadget, prepared.system, prepared, effort=effort)


def sensed(**sensor: Any) -> Gadget:
    """A lamp that a hand lights, with USB to put it out, and guards on what the cell does."""
    return made(
        [{"from": "off", "on": "wave.near", "to": "on", "when": "shelf < 0.5"},
         {"from": "on", "on": "usb.in", "to": "off"},
         {"from": "on", "on": "wave.wave", "to": "off", "when": "cell.charge > 0.3"}],
        charger={"current": "200 mA", "float": "4.2 V"},
        proximity={"wave": {**SENSOR, **sensor}},
    )  # fmt: skip


def test_hands_and_the_plug_reach_every_row_that_hears_them() -> None:
    """Each vector is a scenario whose folded run has the same events, or takes the supply away."""
    prepared, vectors = vectors_of(sensed(enabled="lamp.off or cell.voltage > 3.2"))
    assert {f"row behaviour.lamp.rows[{number}]" for number in range(3)} <= vectors.covered()
    assert "after proximity.wave.every" in vectors.covered()
    kinds = set()
    for vector in vectors.vectors:
        if vector.scenario is None:
            assert "supply" in {act.kind for act in vector.acts}
            continue
        kinds |= {type(step) for step in vector.scenario.steps}
        run = simulate(prepared.gadget, vector.scenario, prepared=prepared)
        assert [(event.time_ns, event.name) for event in run.events] == vector.replay.events
    assert kinds == {Wave, Usb}


def test_no_hand_is_held_before_a_sensor_that_answers_to_none() -> None:
    """Neither its receiver nor its emitter is known, so no distance is."""
    _, vectors = vectors_of(sensed(receiver=None, emitter=None, target=None))
    assert {act.kind for vector in vectors.vectors for act in vector.acts} <= {
        "usb", "mode", "supply"}
    assert ("row behaviour.lamp.rows[0]", "not reached by the search") in vectors.missing


def test_a_drive_of_a_state_that_nothing_leads_to_is_missing_for_that_reason() -> None:
    """The state is written, and no row goes there."""
    gadget = made([{"from": "off", "on": "key.click", "to": "on"},
                   {"from": "lost", "on": "key.click", "to": "off"}], "off on lost",
                  buttons={"key": {"debounce": "20 ms"}})  # fmt: skip
    _, vectors = vectors_of(gadget, effort=0)
    missing = dict(vectors.missing)
    assert missing["drive lamp:lost"] == "no row leads to lost"
    assert missing["row behaviour.lamp.rows[1]"] == "not reached by the search"
    assert vectors.by_origin()["behaviour.lamp.rows[0]"][0] == "v01"
    assert "rows fired: 7 of 8" in "; ".join(vectors.coverage_lines())


CHASE = [{"from": "left", "after": "0 s", "to": "right"},
         {"from": "right", "after": "0 s", "to": "left"}]  # fmt: skip


def test_instants_without_end_are_left_out_of_vectors() -> None:
    """Plugging USB in leads into one, also at power-up; the rest is covered all the same."""
    gadget = made([{"from": "off", "on": "key.click", "to": "on"},
                   {"from": ["off", "on"], "on": "usb.in", "to": "left"}, *CHASE],
                  "off on left right", buttons={"key": {"debounce": "20 ms"}},
                  charger={"current": "200 mA", "float": "4.2 V"})  # fmt: skip
    _, vectors = vectors_of(gadget)
    assert "row behaviour.lamp.rows[0]" in vectors.covered()
    assert "row behaviour.lamp.rows[1]" not in vectors.covered()
    for vector in vectors.vectors:  # each can be run
        assert vector.scenario is None or simulate(gadget, vector.scenario).rules == ()


def test_a_gadget_that_never_comes_to_rest_at_power_up_has_no_vectors() -> None:
    """There is no instant to go on from."""
    gadget = made([{"from": "off", "after": "0 s", "to": "left"}, *CHASE], "off left right",
                  buttons={"key": {"debounce": "20 ms"}})  # fmt: skip
    assert find_paths(gadget) == []


CHARGED = {"charger": {"current": "200 mA", "float": "4.2 V", "finish": "10 %",
                       "status": "low while charging"},
           "buttons": {"key": {"debounce": "20 ms"}}}  # fmt: skip
CLICKED = [{"from": "off", "on": "key.click", "to": "on"},
           {"from": "on", "on": "key.click", "to": "off"}]  # fmt: skip


def replayed(gadget: Gadget, *steps: Press | Usb, charge: float, lasts_ns: int) -> list[str]:
    """A scenario is replayed beside its run, with the same events: these."""
    prepared = Prepared(gadget)
    scenario = Scenario(title="", gadget_path=Path("gadget.toml"), charge=charge,
                        lasts_ns=lasts_ns, steps=steps, gadget=gadget)  # fmt: skip
    done = replay_scenario(Rehearsal(prepared), scenario)
    assert done is not None
    run = simulate(gadget, scenario, prepared=prepared)
    assert [(event.time_ns, event.name) for event in run.events] == done.events
    return [name for _, name in done.events]


def test_a_charge_that_ends_by_itself_is_replayed_at_its_time() -> None:
    """Nobody does anything when the charger finishes; its status is released all the same."""
    gadget = made(CLICKED, **CHARGED)
    assert replayed(gadget, Usb(at_ns=S, present=True), charge=0.999, lasts_ns=3600 * S) == [
        "usb.in", "charge.started", "charge.completed"]


def test_a_path_on_which_the_cell_runs_empty_makes_no_vector() -> None:
    """A firmware cannot be told that its supply has gone."""
    gadget = made(CLICKED, buttons=CHARGED["buttons"],
                  cell={"curve": "lco", "capacity": "650 mAh", "cut_off": "3.0 V"})  # fmt: skip
    prepared = Prepared(gadget)
    tap = (Act(S, "contact", "key", 1.0), Act(2 * S, "contact", "key", 0.0))
    row = frozenset({"row behaviour.lamp.rows[0]"})
    paths = [Found(charge=charge, acts=tap, ends_ns=3600 * S, covers=row)
             for charge in (0.002, 0.5)]  # fmt: skip
    for path, names in zip(paths, ([], ["v01"]), strict=True):
        vectors = make_vectors(gadget, prepared.system, prepared, [path], effort=0)
        assert [vector.name for vector in vectors.vectors] == names


@pytest.mark.parametrize("show", ["cell.voltage > 3.2", "shelf < 0.5 and cell.voltage > 3.2"])
def test_bars_that_show_by_the_cell_are_covered_with_guards_on_them(show: str) -> None:
    """What shows is asked of the cell at rest, where no output is on."""
    gadget = made(
        [{"from": "off", "on": "key.click", "to": "on", "when": "gauge >= 1"},
         {"from": "on", "on": "key.click", "to": "off"}],
        lights={"shelf": SHELF, "bars": {"forward": ["2.0 V @ 5 mA", "2.1 V @ 10 mA"],
                                         "resistor": "1k", "leds": 2, "segments": True}},
        gauge={"light": "bars", "thresholds": ["3.6 V", "3.9 V"], "every": "1 s", "show": show},
        buttons=CHARGED["buttons"])  # fmt: skip
    _, vectors = vectors_of(gadget, effort=0)
    assert {"guard behaviour.lamp.rows[0] true", "guard behaviour.lamp.rows[0] false",
            "drive gauge:bars.2"} <= vectors.covered()  # fmt: skip


def test_what_is_held_at_the_end_is_held_until_after_it() -> None:
    """A finger and a hand that nobody takes away; what only a bench can set makes no scenario."""
    gadget = sensed()
    acts = [Act(S, "contact", "key", 1.0), Act(2 * S, "hand", "wave", 0.1)]
    scenario = to_scenario(gadget, 0.5, acts, 3 * S)
    assert scenario is not None
    press, wave = scenario.steps
    assert isinstance(press, Press)
    assert isinstance(wave, Wave)
    assert press.at_ns + press.for_ns == wave.at_ns + wave.for_ns > scenario.lasts_ns
    assert to_scenario(gadget, 0.5, [*acts, Act(2 * S, "held", "key", 0.0)], 3 * S) is None


def test_no_vector_starts_with_a_cell_that_the_protection_has_cut_off() -> None:
    """The lowest level of the gauge lies at the cut-off: only its upper side is started from."""
    gadget = made(CLICKED, buttons=CHARGED["buttons"],
                  cell={"curve": "lco", "capacity": "650 mAh", "cut_off": "3.5 V"},
                  gauge={"flat": "3.5 V", "every": "1 s"})  # fmt: skip
    prepared = Prepared(gadget)
    charges = {path.charge for path in find_paths(gadget, prepared)}
    assert len(charges) == 2
    for charge in charges:
        start = Scenario(title="", gadget_path=Path("gadget.toml"), charge=charge, lasts_ns=S,
                         gadget=gadget)  # fmt: skip
        assert simulate(gadget, start, prepared=prepared).empty_at_ns is None


def test_a_gesture_that_is_longer_than_the_time_ahead_is_not_begun_before_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A hold of 15 s cannot end with a stay of 10 s that has just begun: nothing goes back."""
    gadget = made([{"from": "off", "on": "key.press", "to": "on"},
                   {"from": "on", "after": "10 s", "to": "off"}],
                  buttons={"key": {"debounce": "20 ms", "hold": "15 s"}})  # fmt: skip
    steps: list[int] = []
    go_to = Sketch.go_to

    def watched(sketch: Sketch, then: int) -> None:
        steps.append(then - sketch.now)
        go_to(sketch, then)

    monkeypatch.setattr(Sketch, "go_to", watched)
    paths = find_paths(gadget)
    assert "row behaviour.lamp.rows[1]" in set().union(*(path.covers for path in paths))
    assert min(steps) >= 0


def test_buttons_that_are_read_too_rarely_for_a_chord_are_never_pressed_in_its_last_part() -> None:
    """Contacts are read every 100 ms, the chord lasts 60 ms: no reading lies in between."""
    button = {"style": "sample", "samples": 2, "sample_every": "100 ms"}
    gadget = made([{"from": "off", "on": "both.chord", "to": "on"}],
                  buttons={"top": button, "side": button},
                  chords={"both": {"buttons": ["top", "side"], "within": "60 ms"}})  # fmt: skip
    (path,) = chord_drills(gadget)
    pressed = [act.at_ns for act in path.acts if act.value]
    assert len(set(pressed)) == len(pressed) >= 4
    assert {act.name: act.value for act in path.acts} == {"top": 0.0, "side": 0.0}
