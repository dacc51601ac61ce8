"""Times that end as something happens, and contacts about a power-up, are driven on purpose."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.contacts import Contacts
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay
from simfw.vectors.sketch import Act
from simfw.vectors.whittle import Whittler
from tests.vectors.test_equal import MS, made, region, row

S = 1000 * MS

LAMP = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="key.click", when="not cell.flat"),
                   row("dark", "lit", on="key.click"), row("dark", "lit", after="5 s"),
                   row("dark", "lit", on="key.hold"), lit="lit"),
}, buttons={"key": {"debounce": "20 ms", "hold": "1 s"}},
    gauge={"thresholds": ["3.5 V"], "low": "3.4 V", "flat": "3.2 V", "every": "1 s"})  # fmt: skip
"""A lamp that a click lights and puts out, and that goes out by itself."""


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    """The lamp, prepared."""
    return Prepared(LAMP)


def played(prepared: Prepared, path: Found) -> Replay:
    """What the model does on a path."""
    return Rehearsal(prepared).play(charge=path.charge, acts=path.acts, ends_ns=path.ends_ns + S,
                                    whole=False)


def contacts_of(prepared: Prepared) -> Contacts:
    """The courses of the lamp's key."""
    return Contacts(LAMP, holding(prepared.system), prepared.circuit)


def test_a_contact_closed_at_power_up_opens_for_less_than_it_takes_to_settle(
        prepared: Prepared) -> None:
    """It counts as pressed then, and lights the lamp as it is let go: a firmware that took it for
    pressed from the beginning makes neither. So it is after a supply lost with the key pressed.
    """
    ((title, path),) = contacts_of(prepared).at_power_up()
    assert title == "key about a power-up"
    held, opens, closes, lets_go, press, gone, opened, back, *taps = path.acts
    assert held.kind == "held"
    assert (opens.value, closes.value) == (0, 1)
    assert 0 < closes.at_ns - opens.at_ns < 20 * MS
    events = played(prepared, path).events
    clicks = [at for at, name in events if name == "key.click"]
    presses = [at for at, name in events if name == "key.press"]
    assert presses[0] == closes.at_ns + 20 * MS
    assert clicks[0] == lets_go.at_ns + 20 * MS
    assert press.at_ns + 20 * MS == presses[1] < gone.at_ns < opened.at_ns < back.at_ns
    assert (gone.kind, opened.value, back.kind) == ("supply", 0, "supply")
    assert clicks[1:] == [act.at_ns + 20 * MS for act in taps if not act.value]
    assert len(clicks) == 3


def test_a_contact_moves_in_the_instant_in_which_its_time_ends(prepared: Prepared) -> None:
    """The edge comes first, so the time begins anew: nothing settles then, but 20 ms later."""
    ((_, path),) = contacts_of(prepared).at_its_end()
    moves = [act.at_ns for act in path.acts]
    settled = {at for at, name in played(prepared, path).events
               if name in ("key.press", "key.release")}
    late = [at for at in moves if at - 20 * MS in moves]
    assert len(late) == 3
    assert not settled & set(late)
    assert {at + 20 * MS for at in late[:2]} <= settled


def test_flat_is_not_kept_over_a_loss_of_the_supply(prepared: Prepared) -> None:
    """The cell is no more than low when the supply is back: a click lights the lamp."""
    ((_, path),) = contacts_of(prepared).flat()
    replay = played(prepared, path)
    assert [name for _, name in replay.events if name.startswith("cell.")] == [
        "cell.low", "cell.flat", "cell.low"]  # fmt: skip
    lit = [one.name for one in replay.reports if one.kind == "out" and one.level]
    assert lit == ["glow"]


def test_gestures_are_told_as_a_time_ends(prepared: Prepared) -> None:
    """A release at the end of the hold, a click as the lamp goes out by itself, a click as the
    gauge finds the cell flat: each in that very instant.
    """
    system = holding(prepared.system)
    paths = [Found(charge=0.5, acts=path.acts, ends_ns=path.ends_ns, covers=frozenset())
             for _, path in contacts_of(prepared).at_its_end()]
    whittler = Whittler(LAMP, system, prepared.circuit, paths)
    found = {}
    for one, faults in whittler.meetings():
        assert faults
        found.setdefault((one.key, one.event), one.path)
    assert {key for key in found if key[1]} >= {
        ("buttons.key.hold", "key.release"), ("behaviour.lamp.rows[2]", "key.click")}
    assert any(key.startswith("gauge.") for key, event in found if not event)
    replay = played(prepared, found["buttons.key.hold", "key.release"])
    at = max(at for at, name in replay.events if name == "key.release")
    assert (at, "key.hold") in replay.events
    replay = played(prepared, found["behaviour.lamp.rows[2]", "key.click"])
    at = max(at for at, name in replay.events if name == "key.click")
    assert at - 5 * S in {one.time_ns for one in replay.reports
                          if (one.kind, one.name) == ("out", "glow") and one.level}


def test_what_a_held_button_has_led_to_ends_as_it_is_held_again() -> None:
    """The way to the blink ends with the key held: it is let go of, and held again so long that
    the hold is told as a step of the blink ends.
    """
    blink = Prepared(made({
        "lamp": region("dark", "dark lit gap", row("lit", "dark", on="key.hold"),
                       row("gap", "lit", after="300 ms"), row("lit", "gap", after="450 ms"),
                       row("dark", ["lit", "gap"], on="key.hold"), lit="lit"),
    }, buttons={"key": {"debounce": "20 ms", "hold": "700 ms"}}))  # fmt: skip
    held = Found(charge=0.5, acts=(Act(S, "contact", "key", 1.0),), ends_ns=S + 730 * MS,
                 covers=frozenset())
    whittler = Whittler(blink.gadget, holding(blink.system), blink.circuit, [held])
    met = {(one.key, one.event): one.path for one, _ in whittler.meetings()}
    path = met["behaviour.lamp.rows[1]", "key.hold"]
    replay = played(blink, path)
    at = max(at for at, name in replay.events if name == "key.hold")
    assert at - 300 * MS in {one.time_ns for one in replay.reports
                             if (one.kind, one.name) == ("out", "glow") and one.level}


def test_a_light_goes_out_by_itself_in_the_instant_of_the_sample_that_dims_it() -> None:
    """A firmware that takes the sample first dims it, and its time begins anew: it stays lit. The
    time is too short for something else to be read in it before.
    """
    dims = Prepared(made({
        "lamp": region("dark", "dark full weak", row("full", "dark", on="key.click"),
                       row("weak", "full", on="cell.low"),
                       row("dark", ["full", "weak"], after="2 s"),
                       lit="full", by={"weak": "40 %"}),
    }, gauge={"thresholds": ["3.5 V"], "low": "3.4 V", "every": "1 s"}))  # fmt: skip
    click = Found(charge=0.5, ends_ns=S + 300 * MS, covers=frozenset(), acts=(
        Act(S, "contact", "key", 1.0), Act(S + 100 * MS, "contact", "key", 0.0)))
    whittler = Whittler(dims.gadget, holding(dims.system), dims.circuit, [click])
    told = {fault.text for one, faults in whittler.meetings()
            if one.key == "behaviour.lamp.rows[2]" for fault in faults
            if whittler.tells(fault, played(dims, one.path))}
    assert "gauge.every#3: its time ends before all else in that instant" in told


def test_what_comes_as_a_step_ends_is_made_to_by_what_began_it_so_much_earlier() -> None:
    """The touch is told as a step of the lamp ends, and twenty rounds later all is over as that
    step ends: a firmware that hears nothing more there goes on for ever.
    """
    lamp = made({
        "lamp": region("dark", "dark lit low", row("lit", "dark", on="key.press"),
                       row("low", "lit", after="700 ms"), row("lit", "low", after="700 ms"),
                       row("dark", ["lit", "low"], on="walk.over"),
                       lit="lit", by={"low": "40 %"}),
        "walk": region("home", "home on", row("on", ["home", "on"], on="key.press"),
                       row("home", "on", after="28 s", emit="walk.over")),
    })
    prepared = Prepared(lamp)
    whittler = Whittler(lamp, holding(prepared.system), prepared.circuit,
                        find_paths(lamp, prepared))
    (fault,) = whittler.left = [one for one in whittler.left
                                if (one.kind, one.about) == ("deaf", "behaviour.lamp.rows[1]")]
    assert any(whittler.tells(fault, played(prepared, one.path))
               for one, _ in whittler.meetings())
