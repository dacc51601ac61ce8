"""A region that goes in step with the model whatever others do, and where it does not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import in_step
from simfw.vectors.faults import Fault
from simfw.vectors.in_step import goes_in_step
from simfw.vectors.possible import all_faults
from tests.vectors.test_equal import fault_of, made, region, row, told

HELD = {"buttons": {"key": {"debounce": "20 ms", "hold": "700 ms"}}}
TOLD = "tells of down as if its time had ended"
DROPPED = "its guard is dropped"
AGAIN = "its guard is asked again"

LAMP = region("dark", "dark lit", row("lit", "dark", on="key.press"),
              row("dark", "lit", on="key.release"), lit="lit")
UNHEARD = made({"lamp": LAMP}, **HELD)
HEARD = made({"lamp": LAMP, "bell": region(
    "still", "still ringing", row("ringing", "still", on="key.hold"),
    row("still", "ringing", on="key.press"), lit="ringing", what="buzz")}, **HELD)
"""Nobody hears that the key was held; and with somebody who does."""

TWINS = made({
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"), lit="one two"),
})  # fmt: skip
ASKED = made({
    "bell": region("still", "still ringing",
                   row("ringing", "still", on="key.press", when="lamp.two"),
                   row("still", "ringing", on="key.release"), lit="ringing", what="buzz"),
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"), lit="one two"),
})  # fmt: skip
TIMED = made({
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"),
                   row("dark", "two", after="400 ms"), lit="one two"),
})  # fmt: skip
LATER = made({
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"),
                   row("dark", ["one", "two"], after="400 ms"), lit="one two"),
})  # fmt: skip
"""Two states alike; one of them asked for; a time in one of them; a time that begins anew there."""

BACK = made({
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"),
                   row("resume", "dark", on="key.click"), lit="one two",
                   resume_points=["one", "two"]),
})  # fmt: skip
KEEPS = made({
    "lamp": region("dark", "dark one two",
                   row("one", "dark", on="key.press"), row("two", "one", on="key.click"),
                   row("dark", ["one", "two"], on="key.press"), lit="one two", kept="state"),
})  # fmt: skip
"""What is resumed, or kept over a loss of the supply, is not followed."""

APART = made({
    "lamp": region("dark", "dark lit red",
                   row("lit", "dark", on="key.press", when="bell.still"),
                   row("red", "dark", on="key.press", when="bell.ringing"),
                   row("dark", ["lit", "red"], on="key.press"), lit="lit"),
    "bell": region("still", "still ringing", row("ringing", "still", on="key.click"),
                   row("still", "ringing", on="key.click")),
})  # fmt: skip
MEET = made({
    "lamp": region("dark", "dark lit red",
                   row("lit", "dark", on="key.press", when="bell.still"),
                   row("red", "dark", on="key.press", when="key.closed"),
                   row("dark", ["lit", "red"], on="key.press"), lit="lit"),
    "bell": region("still", "still ringing", row("ringing", "still", on="key.click"),
                   row("still", "ringing", on="key.click")),
})  # fmt: skip
"""Two guards of which only one can hold, and two that may hold together."""

ENDED = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", after="200 ms", when="key.pressed"),
                   row("dark", "lit", after="200 ms"), lit="lit"),
})  # fmt: skip
ASKING = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", after="200 ms", when="key.pressed"), lit="lit"),
})  # fmt: skip
"""A guard that fails where another row of that time leads away, and where none does."""

TWO = {"buttons": {"key": {"debounce": "20 ms"}, "knob": {"debounce": "20 ms"}}}
RINGING = region("dark", "dark lit", row("lit", "dark", on="key.press", when="bell.ringing"),
                 row("dark", "lit", on="key.release"), lit="lit")
RUNG = region("still", "still ringing", row("ringing", "still", on="key.press"),
              row("still", "ringing", on="knob.press"))
BEFORE = made({"bell": RUNG, "lamp": RINGING}, **TWO)
BEHIND = made({"lamp": RINGING, "bell": RUNG}, **TWO)
SOMETIMES = made({"bell": region(
    "still", "still ringing", row("ringing", "still", on="key.press", when="knob.closed"),
    row("still", "ringing", on="knob.press")), "lamp": RINGING}, **TWO)
ENDS = made({"bell": region(
    "still", "still ringing gone", row("ringing", "still", on="key.press"),
    row("gone", "ringing", after="300 ms"), row("still", "gone", on="knob.press")),
    "lamp": RINGING}, **TWO)
"""What rings at the same event has its turn before the lamp; or behind it; or does not always; or
no more after a while.
"""

BACKWARDS = made({"bell": region(
    "still", "still ringing half", row("ringing", ["still", "half"], on="key.press"),
    row("half", "ringing", on="key.click"), row("still", ["half", "ringing"], on="knob.press"),
    row("resume", "still", on="knob.release"), resume_points=["half", "ringing"]),
    "lamp": RINGING}, **TWO)
LASTING = made({"bell": {**RUNG, "kept": "state"}, "lamp": RINGING}, **TWO)
"""What rings may resume; or is kept over a loss of the supply, and is not followed then."""

COUNTING = region("idle", "idle begun lit", row("begun", ["idle", "begun"], on="key.press"),
                  row("idle", "begun", after="300 ms"),
                  row("lit", ["idle", "begun"], on="key.click"),
                  row("idle", "lit", on="key.press"), lit="lit")
BEGUN = made({"lamp": COUNTING}, **TWO)
STRAY = made({"lamp": {**COUNTING, "rows": [*COUNTING["rows"], row("lit", "begun",
                                                                   on="knob.press")]}}, **TWO)
"""A time begun at power-up that nobody minds, since it begins anew; and with somebody who does."""

PAIR = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="both.chord"),
                   row("dark", "lit", on="both.chord"), lit="lit"),
    "bell": region("still", "still ringing", row("ringing", "still", on="key.click"),
                   row("still", "ringing", on=["key.click", "knob.click"]), lit="ringing",
                   what="buzz"),
}, chords={"both": {"buttons": ["key", "knob"], "within": "60 ms"}}, **TWO)  # fmt: skip
"""A chord asks for its own buttons."""

GADGETS = (UNHEARD, HEARD, TWINS, ASKED, TIMED, LATER, BACK, KEEPS, APART, MEET, ENDED, ASKING,
           BEFORE, BEHIND, SOMETIMES, ENDS, BACKWARDS, LASTING, BEGUN, STRAY, PAIR)


@pytest.mark.parametrize(("gadget", "about", "words", "holds"), [
    pytest.param(UNHEARD, "buttons.key#3", TOLD, True, id="nobody hears it"),
    pytest.param(HEARD, "buttons.key#3", TOLD, False, id="somebody hears it"),
    pytest.param(TWINS, "behaviour.lamp.rows[1]", "never fires", True, id="states alike"),
    pytest.param(ASKED, "behaviour.lamp.rows[1]", "never fires", False, id="others ask"),
    pytest.param(TIMED, "behaviour.lamp.rows[1]", "never fires", False, id="a time in one"),
    pytest.param(LATER, "behaviour.lamp.rows[1]", "never fires", False, id="begins anew"),
    pytest.param(APART, "behaviour.lamp.rows[0]", "is tried after behaviour.lamp.rows[1]", True,
                 id="one guard at a time"),
    pytest.param(MEET, "behaviour.lamp.rows[0]", "is tried after behaviour.lamp.rows[1]", False,
                 id="both guards"),
    pytest.param(ENDED, "behaviour.lamp.rows[1]", AGAIN, True, id="the next row leads away"),
    pytest.param(ASKING, "behaviour.lamp.rows[1]", AGAIN, False, id="no other row"),
    pytest.param(BEFORE, "behaviour.lamp.rows[0]", DROPPED, True, id="rings before"),
    pytest.param(BEHIND, "behaviour.lamp.rows[0]", DROPPED, False, id="rings behind"),
    pytest.param(SOMETIMES, "behaviour.lamp.rows[0]", DROPPED, False, id="rings sometimes"),
    pytest.param(ENDS, "behaviour.lamp.rows[0]", DROPPED, False, id="rings no more"),
    pytest.param(BACKWARDS, "behaviour.lamp.rows[0]", DROPPED, True, id="resumes"),
    pytest.param(BEGUN, "lamp", "begins in begun", True, id="begins anew"),
    pytest.param(STRAY, "lamp", "begins in begun", False, id="a press of another"),
    pytest.param(PAIR, "both", "begins in started", True, id="a chord begun"),
    pytest.param(PAIR, "chords.both.buttons#2", "`key.pressed` is dropped", True, id="is pressed"),
    pytest.param(PAIR, "chords.both.buttons#2", "`knob.pressed` is dropped", False, id="other"),
    pytest.param(PAIR, "chords.both.buttons#5", "goes to started", True, id="all let go of"),
    pytest.param(ENDED, "buttons.key.debounce#2", "stays instead of going on", True,
                 id="the last row leads away"),
])  # fmt: skip
def test_a_region_goes_in_step_only_where_nothing_tells_it_from_the_model(
    gadget: Gadget, about: str, words: str, holds: bool
) -> None:
    """Each premise that is broken makes the fault show: random play tells it then."""
    prepared, fault = fault_of(gadget, about, words)
    assert goes_in_step(holding(prepared.system), fault) is holds
    assert bool(told(prepared, [fault], 24)) is not holds


def test_answers_of_others_are_gone_through_only_so_far(monkeypatch: pytest.MonkeyPatch) -> None:
    """A region whose rows ask much of others would take minutes for one fault: all its moments
    together have so many answers and no more, and what was not gone through is not proved.
    """
    prepared, fault = fault_of(PAIR, "chords.both.buttons#2", "`key.pressed` is dropped")
    system = holding(prepared.system)
    assert goes_in_step(system, fault)
    asked: list[int] = []
    found = in_step._Steps._does

    def counted(self: in_step._Steps, *args: Any, **more: Any) -> Any:
        asked.append(1)
        return found(self, *args, **more)

    monkeypatch.setattr(in_step._Steps, "_does", counted)
    monkeypatch.setattr(in_step, "MOST_ASKED", 3)
    assert not goes_in_step(system, fault)
    assert len(asked) <= in_step.MOST_BESIDE * 2 * 3  # of model and fault, around each few regions


@pytest.mark.parametrize("gadget", [BACK, KEEPS], ids=["resumed", "kept"])
def test_what_is_resumed_or_kept_is_not_followed(gadget: Gadget) -> None:
    """The memory, or what is kept, is one thing more in which the two may differ."""
    system = holding(Prepared(gadget).system)
    assert not any(goes_in_step(system, fault) for fault in all_faults(system)
                   if fault.touched == {"lamp"})


def test_a_slip_in_how_rows_are_walked_is_not_followed() -> None:
    """What is not in the rows is not seen in the rows."""
    prepared, fault = fault_of(TWINS, "behaviour.lamp.rows[1]", "fires twice and never again")
    system = holding(prepared.system)
    assert not goes_in_step(system, fault)
    assert not goes_in_step(system, replace(fault, touched=frozenset({"lamp", "key.gesture"})))


@pytest.mark.parametrize("gadget", GADGETS)
def test_no_fault_that_goes_in_step_is_told_by_random_play(gadget: Gadget) -> None:
    """Played long and mixed, the outputs are the same."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    silent: list[Fault] = [fault for fault in all_faults(system) if goes_in_step(system, fault)]
    assert silent
    assert told(prepared, silent, 8) == []


def test_what_goes_off_in_one_instant_is_told_in_the_order_of_the_model() -> None:
    """A state that nothing leads to names an output first: without it the order of the outputs
    would be another, and no fault.
    """
    prepared = Prepared(made({
        "lamp": region("dark", "dark never", row("dark", "never", on="key.press"),
                       lit="never", what="buzz"),
        "both": {"starts": "off", "states": {"off": {}, "on": {"glow": "on", "buzz": "on"}},
                 "rows": [row("on", "off", on="key.press"), row("off", "on", on="key.press")]},
    }))  # fmt: skip
    silent = [fault for fault in all_faults(holding(prepared.system))
              if fault.about == "lamp.never"]
    assert {fault.kind for fault in silent} == {"drive"}
    assert told(prepared, silent, 8) == []
