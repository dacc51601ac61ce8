"""Courses that are driven on purpose tell what a search that keeps what is new passes by."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.contacts import Contacts
from simfw.vectors.drills import met_exactly
from simfw.vectors.exposing import Judge
from simfw.vectors.hands import Hands
from simfw.vectors.nodes import Found
from simfw.vectors.possible import all_faults
from simfw.vectors.repeated import Repeated
from tests.sharing import uncounted

SCENARIOS = Path(__file__).parents[2] / "scenarios"
AGAIN = "fires twice and never again"


@pytest.fixture(scope="module")
def lamp() -> Prepared:
    """The larder lamp: two buttons, a sensor, a gauge, and a lamp with a memory."""
    return Prepared(load_gadget(SCENARIOS / "larder-lamp" / "gadget.toml"))


def told(prepared: Prepared, paths: Iterable[Found], about: str) -> set[str]:
    """The faults about something that the courses tell from the model, in words."""
    system = holding(prepared.system)
    judge, model = Judge(system, prepared.gadget.segments), Rehearsal(prepared)
    for path in paths:
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    with uncounted():
        return {fault.text for fault in all_faults(system)
                if about in fault.text and judge.exposed(fault) is not None}


def test_a_hand_that_comes_back_look_by_look_tells_when_the_field_is_clear(lamp: Prepared) -> None:
    """Times that go on instead of beginning anew, or begin anew at a click, a stay that still
    counts, a sensor that is put out wherever the field stands, or within a burst, which is judged
    all the same; an echo read too early, and one from between two looks.
    """
    hands = Hands(lamp.gadget, holding(lamp.system), lamp.circuit)
    paths = list(hands.courses())
    assert len(paths) < 40
    assert told(lamp, paths, "wave") >= {
        *(f"proximity.wave.enabled#3: does not hear it in {state}"
          for state in ("clear.1", "near", "near.1", "blocked", "blocked.1")),
        "proximity.wave.enabled#3: goes on from near to blocked",
        "proximity.wave.enabled#2: does not hear it in emitting",
        "proximity.wave.enabled#2: tells of emitting as if its time had ended",
        "wave.field: its times begin anew at power.click",
        "wave.look: its times begin anew at power.click",
        "proximity.wave.agree#5: the time of the new state does not begin anew",
        "proximity.wave.clear#1: the time of the new state does not begin anew",
        "proximity.wave.clear#2: the end of an earlier stay still counts",
        "proximity.wave.enabled#3: goes from blocked.1 to blocked",
        "wave: is read when the burst begins", "wave: an echo between two looks is kept"}


def test_a_contact_held_since_power_up_is_let_go_where_a_click_would_show(lamp: Prepared) -> None:
    """A firmware that begins as if the contact were bouncing, or keeps that over a loss of the
    supply, hears a press where there is none.
    """
    contacts = Contacts(lamp.gadget, holding(lamp.system), lamp.circuit)
    assert told(lamp, contacts.held(), "level.contact") >= {
        "level.contact: begins in bouncing",
        "level.contact: its state is kept over a loss of the supply"}


def test_a_contact_that_bounces_first_of_all_tells_whether_the_end_of_that_time_counts(
    lamp: Prepared,
) -> None:
    """It is taken for pressed, or for as it was, where the time has begun anew meanwhile: a press
    is told that the model never hears, or the controller wakes once more.
    """
    paths = list(Contacts(lamp.gadget, holding(lamp.system), lamp.circuit).first())
    assert len(paths) == 4
    assert told(lamp, paths, "buttons.power.debounce") >= {
        f"buttons.power.debounce#{number}: the end of the first stay still counts"
        for number in (2, 4)}


@pytest.mark.parametrize("key", [f"behaviour.lamp.rows[{number}]" for number in (3, 5, 6, 10)])
def test_a_path_is_gone_over_and_over_until_a_row_has_fired_three_times(
    lamp: Prepared, key: str
) -> None:
    """A wave that puts the lamp out, two of its levels, and a flat cell that a reading brings."""
    made = Repeated(lamp.gadget, holding(lamp.system), lamp.circuit)
    paths = list(made.of(key, find_paths(lamp.gadget, lamp)))
    assert f"{key}: {AGAIN}" in told(lamp, paths, AGAIN)


def test_a_sample_of_the_gauge_comes_just_behind_a_blink() -> None:
    """The cell is flat within the 40 ms for which the light winks: the wink ends all the same."""
    hook = Prepared(load_gadget(SCENARIOS / "key-hook" / "gadget.toml"))
    made = Repeated(hook.gadget, holding(hook.system), hook.circuit)
    first, then = "behaviour.lamp_mode.rows[7]", "behaviour.lamp_mode.rows[9]"
    paths = list(made.behind(first, then, find_paths(hook.gadget, hook)))
    text = f"{then}: is lost behind {first}"
    assert text in told(hook, paths, text)
    assert list(made.behind(first, "behaviour.lamp_mode.rows[2]", [])) == []


def test_the_levels_of_low_and_flat_are_met_exactly_too(lamp: Prepared) -> None:
    """From a flat cell, exactly the level of low is not yet above it; every level is asked for."""
    gauge = lamp.gadget.gauge
    assert gauge is not None
    assert gauge.low is not None
    assert gauge.flat is not None
    found = find_paths(lamp.gadget, lamp)
    path = met_exactly(lamp.gadget, found[-1])
    assert path is not None
    readings = [act.value for act in path.acts if act.kind == "measured"]
    low, flat = gauge.low.value, gauge.flat.value
    assert any(one < flat and then == low for one, then in pairwise(readings))
    assert any(one > low and then == low for one, then in pairwise(readings))
    texts = {fault.text for fault in all_faults(holding(lamp.system)) if fault.kind == "sign"}
    assert "gauge.low#2: `>=` for `>` in `gauge.measured > 3.45`" in texts
