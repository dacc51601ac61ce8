"""Lines are counted while a test comes to new ones, and looked for again where it came to none."""

from __future__ import annotations

import signal
from types import SimpleNamespace

import pytest

from tests import counting


class Counted:
    """Stands for a count of lines; `going` is whether it goes on."""

    def __init__(self) -> None:
        self.going = True
        self.lines: set[int] = set()
        self._collector = SimpleNamespace(data={"file.py": self.lines})

    def start(self) -> None:
        """Count on."""
        assert not self.going
        self.going = True

    def stop(self) -> None:
        """Count no more."""
        assert self.going
        self.going = False

    def ticks(self, count: int) -> list[bool]:
        """Whether it goes on after each of so many ticks."""
        told = []
        for _ in range(count):
            counting._look(signal.SIGVTALRM, None)
            told.append(self.going)
        return told


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    """A count as a test begins with it, and no clock but the ticks of the test."""
    signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    counted = Counted()
    current = SimpleNamespace(current=lambda: counted if counted.going else None)
    monkeypatch.setattr(counting, "Coverage", current)
    for name, value in {"_stopped": None, "_known": -1, "_pause": counting.FIRST, "_left": 0,
                        "_dull": 0, "_held": 0, "_threads": 10_000}.items():
        monkeypatch.setattr(counting, name, value)
    return counted


def test_what_comes_to_new_lines_is_counted_on(counted: Counted) -> None:
    """One new line in each tick is enough."""
    for line in range(50):
        counted.lines.add(line)
        assert counted.ticks(1) == [True]


def test_what_goes_round_is_looked_at_ever_more_seldom(counted: Counted) -> None:
    """After half a second left out for 2 ticks, counted for one; then for 4, and no more than 4."""
    assert counted.ticks(counting.DULL) == [True] * counting.DULL
    seen = "".join("x" if going else "." for going in counted.ticks(2 + 4 + 4 + 4 + 4))
    assert seen == "..x" + 3 * "....x"


def test_new_lines_after_long_are_counted_and_it_is_begun_anew(counted: Counted) -> None:
    """A search that comes to its second part: all is as at its beginning."""
    counted.ticks(counting.DULL + 3 + 5)
    counted.lines.add(1)
    assert counted.ticks(counting.DULL + 3) == [*[True] * counting.DULL, False, False, True]


def test_nothing_is_begun_that_is_left_out_by_its_name(counted: Counted) -> None:
    """A count that others stopped stays so, and so it does inside of what is left out."""
    counted.going = False
    assert counted.ticks(40) == [False] * 40
    counted.going = True
    counted.ticks(counting.DULL + 1)
    assert not counted.going
    with counting.uncounted():
        assert counted.ticks(40) == [False] * 40
    assert counted.ticks(2) == [False, True]


def test_a_count_with_further_threads_goes_on(
    counted: Counted, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They could not be counted anew."""
    monkeypatch.setattr(counting, "_threads", 0)
    assert counted.ticks(40) == [True] * 40
