"""What is kept over a loss of the supply is told by such a loss, and by nothing else."""

from __future__ import annotations

import pytest

from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge, asks_of
from simfw.vectors.faults import Fault
from simfw.vectors.guide import Guide
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act
from simfw.vectors.telling import Teller
from tests.vectors.acts import pressed
from tests.vectors.test_equal import MS, fault_of, made, region, row

S = 1000 * MS
MOST_INSTANTS = 100
ROOT = Found(charge=0.5, acts=(), ends_ns=S, covers=frozenset())

LEVELS = made({
    "lamp": region("dark", "dark high low",
                   row("resume", "dark", on="key.click"),
                   row("dark", ["high", "low"], on="key.click"),
                   row("low", "high", on="key.hold"), row("high", "low", on="key.hold"),
                   lit="high", by={"low": "20 %"}, resume_points=["high", "low"]),
}, buttons={"key": {"debounce": "20 ms", "hold": "1 s"}})  # fmt: skip
"""A lamp that resumes the level used last."""

SAVING = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="key.click"), row("dark", "lit", on="key.click"),
                   lit="lit"),
    "saving": {"starts": "no", "states": {"no": {}, "yes": {"scale": {"glow": "40 %"}}},
               "rows": [row("yes", "no", on="cell.low")]},
}, gauge={"thresholds": ["3.5 V", "3.7 V"], "low": "3.4 V", "every": "1 s"})  # fmt: skip
"""A lamp that gives less from the first low reading on, until the supply is lost."""


def judged(prepared: Prepared, fault: Fault, *paths: Found) -> list[int | None]:
    """Where a firmware with the fault parts from the model, course by course, in one go (ns)."""
    model, judge = Rehearsal(prepared), Judge(prepared.system, prepared.gadget.segments)
    for path in paths:
        judge.add(model.play(charge=path.charge, acts=path.acts, ends_ns=path.ends_ns,
                             whole=False))
    firmware = judge.bench.hold(fault, asks_of(fault))
    return [firmware.parts(course, range(len(course.marks))) for course in judge.courses]


def tapped(*times_ms: tuple[int, int], more: tuple[Act, ...] = ()) -> Found:
    """The key pressed at each time for so long (both in ms)."""
    acts = sorted([*pressed("key", *times_ms), *more], key=lambda act: act.at_ns)
    return Found(charge=0.5, acts=tuple(acts), ends_ns=acts[-1].at_ns + S, covers=frozenset())


def test_a_memory_does_not_go_over_from_one_vector_to_the_next() -> None:
    """A firmware that keeps its memory without supply is driven anew with each vector."""
    prepared, fault = fault_of(LEVELS, "lamp", "its memory is kept over a loss of the supply")
    low = tapped((1000, 50), (2000, 1100))  # lit at the high level, then held: the low one
    again = tapped((1000, 50))
    assert judged(prepared, fault, low, again) == [None, None]
    lost = tapped((1000, 50), (2000, 1100), (6000, 50), more=(
        Act(5000 * MS, "supply", "supply", 0.0), Act(5200 * MS, "supply", "supply", 1.0)))
    told = judged(prepared, fault, lost)[0]
    assert told is not None
    assert told > 6000 * MS


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(LEVELS, "lamp", "its memory is kept over a loss of the supply", id="memory"),
    pytest.param(SAVING, "saving", "its state is kept over a loss of the supply",
                 id="what the first reading would bring about again"),
])  # fmt: skip
def test_what_is_kept_over_a_loss_of_supply_is_told(
    gadget: Gadget, about: str, words: str,
) -> None:  # fmt: skip
    """From power-up, in few instants: it is lost where it matters, and shown after that."""
    prepared, fault = fault_of(gadget, about, words)
    teller = Teller(gadget, prepared.system, prepared.circuit, gadget.segments)
    path = teller.tell(fault, Guide(prepared.system, fault), [ROOT], MOST_INSTANTS)
    assert path is not None
    assert "supply" in {act.kind for act in path.acts}
    assert judged(prepared, fault, path) != [None]
