"""The longest state of a short round, in work that goes with the number of states."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from simfw.life.layout import homes_of

SECOND = 10**9
FEW = 7


def plainly(leads: Sequence[Sequence[int]], stays: Sequence[int]) -> tuple[int, ...]:
    """The same by the definition: who reaches whom, for each pair of states."""

    def reached(state: int) -> list[int]:
        found: list[int] = []
        ahead = list(leads[state])
        while ahead:
            here = ahead.pop(0)
            if here not in found:
                found.append(here)
                ahead += leads[here]
        return found

    homes = []
    for state in range(len(leads)):
        around = [other for other in reached(state) if state in reached(other)]
        home = max([state, *around], key=lambda other: stays[other])
        homes.append(home if sum(stays[other] for other in around) <= 60 * SECOND else state)
    return tuple(homes)


@given(st.lists(st.lists(st.integers(0, FEW - 1), max_size=2), min_size=FEW, max_size=FEW),
       st.lists(st.sampled_from([0, 10 * SECOND, 20 * SECOND, 30 * SECOND]),
                min_size=FEW, max_size=FEW))  # fmt: skip
def test_homes_are_those_of_the_definition(leads: list[list[int]], stays: list[int]) -> None:
    """On random ways between a few states; of equal stays the same one is taken."""
    assert homes_of(leads, stays) == plainly(leads, stays)


class Counted(list[int]):
    """Ways that count how often they are gone along."""

    gone = 0

    def __iter__(self):  # type: ignore[no-untyped-def]
        Counted.gone += 1
        return super().__iter__()


def test_a_sequence_of_a_thousand_steps_is_laid_out_step_by_step() -> None:
    """A finite one leads to its end and not back: each step is looked at a few times, not once for
    each pair of steps.
    """
    count = 1000
    leads = [Counted([n + 1]) for n in range(count - 1)] + [Counted()]
    Counted.gone = 0
    assert homes_of(leads, [SECOND // 1000] * count) == tuple(range(count))
    assert Counted.gone <= 5 * count
