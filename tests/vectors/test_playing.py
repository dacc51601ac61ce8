"""Faults of regions that play sequences: what is proved to change nothing, and what is not."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.equal import Prover
from simfw.vectors.possible import all_faults
from simfw.verify.budget import Budget
from tests.vectors.test_equal import made, region, row, told

SEQUENCES = {"wink": {"steps": ["on for 100 ms", "off for 50 ms"]},
             "fade": {"steps": ["on for 100 ms", "50 % for 50 ms"]},
             "thrice": {"steps": ["on for 50 ms", "off for 50 ms"], "times": 3}}  # fmt: skip

def anew(level: str) -> Gadget:
    """A lamp that is lit by a press, and lit anew by the release."""
    return made({
        "lamp": region("off", "off lit", row("lit", "off", on="key.press"),
                       row("lit", "lit", on="key.release"), by={"lit": level}),
    }, sequences=SEQUENCES)  # fmt: skip


LEFT_IN_TIME = made({
    "lamp": region("off", "off lit", row("lit", "off", on="key.press"),
                   row("off", "lit", on="lamp.ended"), row("off", "lit", on="key.click"),
                   by={"lit": "thrice"}),
}, sequences=SEQUENCES)  # fmt: skip
"""Winks three times, or until the press is over."""
BESIDE = made({
    "lamp": region("off", "off lit weak", row("lit", "off", on="key.press"),
                   row("weak", "lit", after="1 s"), row("off", "weak", after="1 s"),
                   by={"lit": "fade", "weak": "wink"}),
    "other": region("dark", "dark half", row("half", "dark", on="key.release"),
                    row("dark", "half", after="500 ms"), by={"half": "40 %"}),
}, sequences=SEQUENCES)  # fmt: skip
"""Two that drive one load, one of them in time."""


def proved(gadget: Gadget) -> tuple[Prepared, dict[str, bool]]:
    """Of each fault in words, whether it is proved to change nothing."""
    prepared = Prepared(gadget)
    prover = Prover(holding(prepared.system), gadget.segments, 0.3, whole=Budget(400_000))
    return prepared, {f"{fault.kind}: {fault.text}": prover.same(fault)
                      for fault in all_faults(holding(prepared.system))}


@pytest.mark.parametrize("gadget", [
    pytest.param(LEFT_IN_TIME, id="left in time"), pytest.param(BESIDE, id="beside another"),
])  # fmt: skip
def test_what_is_proved_of_something_played_is_not_told_by_random_play(gadget: Gadget) -> None:
    """None of them is told, also where another drives the same; the search proves some."""
    prepared, found = proved(gadget)
    same = [fault for fault in all_faults(holding(prepared.system))
            if found[f"{fault.kind}: {fault.text}"]]
    assert gadget is BESIDE or any("lamp" in fault.touched for fault in same)
    assert told(prepared, same, 24) == []


def test_what_begins_at_another_time_is_not_proved_to_be_the_same() -> None:
    """Where the winking is not begun anew both stand in the same state, and drive another thing;
    a steady light shows no difference.
    """
    stays = "anew: behaviour.lamp.rows[1]: does not begin the time anew"
    assert proved(anew("on"))[1][stays]
    assert not proved(anew("wink"))[1][stays]


def test_what_is_played_otherwise_is_not_proved_to_be_the_same() -> None:
    """A step of another length in a state that both enter in the same instant."""
    _, found = proved(BESIDE)
    sequences = {words: same for words, same in found.items() if words.startswith("sequence: ")}
    assert sequences
    assert not any(sequences.values())


def meets(level: str) -> Gadget:
    """A lamp that a press puts out, and a tick lights again; told by the tick a lock keeps it on.

    Where both come at one time the press is heard first: the lamp is lit anew. Where the tick is, a
    lamp that is lit goes on.
    """
    return made({
        "beat": region("x", "x y", row("y", "x", after="100 ms", emit="tick"),
                       row("x", "y", on="key.release")),
        "lock": region("open", "open shut", row("shut", "open", on="tick"),
                       row("open", "shut", after="10 ms")),
        "lamp": region("lit", "off lit", row("off", "lit", on="key.press", when="lock.open"),
                       row("lit", "off", on="tick"), by={"lit": level}),
    }, sequences=SEQUENCES)  # fmt: skip


def test_what_is_begun_anew_in_an_instant_is_not_what_goes_on_through_it() -> None:
    """The order of two times that end together decides only when the winking has begun."""
    first = "expiry: behaviour.beat.rows[0]: its time ends before all else in that instant"
    assert proved(meets("on"))[1][first]
    assert not proved(meets("wink"))[1][first]


RUNG = made({
    "bell": region("still", "still ringing", row("ringing", "still", after="1 s"),
                   row("still", "ringing", on="bell.ended"),
                   row("still", "*", on="key.release"), by={"ringing": "thrice"}),
}, sequences=SEQUENCES)  # fmt: skip
"""Rings one second after the last release."""


def test_what_begins_and_is_over_in_one_instant_shows_nothing() -> None:
    """The bell is due as the release settles: whichever comes first, it does not ring."""
    prepared, found = proved(RUNG)
    alike = [words for words, same in found.items() if same and words.endswith((
        "its time ends before all else in that instant",
        "its time ends after all else in that instant")) and "bell" in words]
    assert "expiry: behaviour.bell.rows[0]: its time ends after all else in that instant" in alike
    assert told(prepared, [fault for fault in all_faults(holding(prepared.system))
                           if f"{fault.kind}: {fault.text}" in alike], 24) == []
