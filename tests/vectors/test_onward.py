"""What shows only where somebody waits until something happens: a timer counted by seconds."""

from __future__ import annotations

from functools import cache

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors.build import make_vectors
from simfw.vectors.onward import Onward
from simfw.vectors.whittle import Exposure, Whittler
from tests.sharing import uncounted
from tests.vectors.test_equal import made, region, row

TIMER = made({
    "clock": region("off", "off on",
                    row("on", "off", on="key.click"),
                    row("off", "on", on="key.click"),
                    row("off", "on", on="over"),
                    row("on", "on", after="1 s", emit="tick"), lit="on"),
    "ones": region("0", "0 1 2 3 4 5 6 7 8 9",
                   row("0", [str(k) for k in range(10)], on="key.click", when="clock.on"),
                   *(row(str(k + 1), str(k), on="tick") for k in range(9)),
                   row("0", "9", on="tick", emit="ten")),
    "tens": region("0", "0 1 2 3",
                   row("0", [str(k) for k in range(4)], on="key.click", when="clock.on"),
                   *(row(str(k + 1), str(k), on="ten") for k in range(3)),
                   row("0", "3", on="ten", emit="over")),
    "bell": region("still", "still loud rest",
                   row("loud", "still", on="over"),
                   row("still", ["loud", "rest"], on="enough"),
                   row("still", ["loud", "rest"], on="key.press"),
                   row("rest", "loud", after="200 ms", emit="rung"),
                   row("loud", "rest", after="300 ms"), lit="loud", what="buzz"),
    "rings": region("a", "a b c",
                    row("a", ["a", "b", "c"], on="over"),
                    row("b", "a", on="rung"), row("c", "b", on="rung"),
                    row("a", "c", on="rung", emit="enough")),
})  # fmt: skip
"""Forty seconds after a click a bell rings three times; a press stops it."""


@cache
def exposure() -> Exposure:
    """What the vectors of the timer expose."""
    with uncounted():
        prepared = Prepared(TIMER)
        return make_vectors(TIMER, prepared.system, prepared).exposure


@pytest.mark.parametrize(("about", "words"), [
    pytest.param("behaviour.rings.rows[0]", "does not hear it in c", id="what was cut off"),
    pytest.param("behaviour.rings.rows[0]", "is lost behind behaviour.rings.rows[2]",
                 id="just behind the second ring"),
    pytest.param("behaviour.rings.rows[3]", "fires twice and never again", id="the third time"),
    pytest.param("behaviour.bell.rows[2]", "fires twice and never again", id="stopped three times"),
    pytest.param("bell", "its times begin anew at tick", id="held while the bell begins"),
    pytest.param("buttons.key.debounce#2", "`not key.pressed` is dropped",
                 id="a bounce while it rings"),
    pytest.param("behaviour.clock.rows[3]", "its time ends after all else in that instant",
                 id="a click as the bell begins"),
    pytest.param("behaviour.tens.rows[0]", "its guard is dropped", id="stopped as the bell begins"),
    pytest.param("behaviour.ones.rows[0]", "its guard is turned round", id="proved"),
])
def test_what_shows_after_long_waits_is_exposed_and_what_never_shows_is_proved(
    about: str, words: str,
) -> None:
    """The bell is waited for, stopped at each ring, held through, and all is done three times."""
    done = [*(fault for fault, _ in exposure().exposed), *exposure().same]
    assert [words for fault in done if (fault.about, fault.words) == (about, words)] == [words]


def test_of_courses_that_wait_there_are_no_more_than_the_work_allows() -> None:
    """With no work there is no course, and none is drawn: the same come again."""
    prepared = Prepared(TIMER)
    none, some, again = (
        list(Onward(TIMER, prepared.system, prepared.circuit, most).courses())
        for most in (0, 2_000, 2_000))
    assert not none
    assert some == again
    assert some


def test_nobody_waits_where_next_to_nothing_is_left() -> None:
    """With one fault in a hundred left the courses are not made; with one in ten they are."""
    prepared = Prepared(TIMER)
    whittler = Whittler(TIMER, holding(prepared.system), prepared.circuit, [])
    tenth = whittler.left[::10]
    whittler.left = whittler.left[::100]
    assert list(whittler.onward(500)) == []
    whittler.left = tenth
    assert next(whittler.onward(500), None) is not None
