"""What the gauge has read is asked about: a lamp that goes by the bars when it is clicked."""

from __future__ import annotations

from itertools import pairwise

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors.asking import Asking
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.nodes import Found
from simfw.vectors.possible import all_faults
from tests.vectors.test_equal import made, region, row

EVERY_NS = 500_000_000
FIRST = [f"gauge.thresholds#{number}" for number in range(1, 5)]  # the rows of the first reading
LAMP = made({
    "lamp": region("off", "off full half weak",
                   row("off", ["off", "full", "half", "weak"], on="key.click", when="cell.flat"),
                   row("full", "off", on="key.click", when="gauge >= 3"),
                   row("half", "off", on="key.click"),
                   row("weak", "half", on="key.click", when="gauge == 2"),
                   row("off", ["full", "half", "weak"], on="key.click"),
                   by={"full": "on", "half": "50 %", "weak": "10 %"}),
}, gauge={"thresholds": ["3.3 V", "3.5 V", "3.7 V"], "low": "3.4 V", "flat": "3.2 V",
          "every": "500 ms"})  # fmt: skip
"""Half a light, and one click more: weak with two bars, off with more or fewer."""


def courses() -> tuple[Prepared, list[Found]]:
    """What asks for the gauge of the lamp."""
    prepared = Prepared(LAMP)
    return prepared, list(Asking(LAMP, prepared.system, prepared.circuit, 40_000).asked())


def test_each_level_that_is_off_shows_where_it_is_asked_for() -> None:
    """Every level of the gauge that a click goes by, and every comparison with it, from each number
    of bars: where the lamp goes by it, the courses tell it from the level as it should be.
    """
    prepared, found = courses()
    system = holding(prepared.system)
    judge, model = Judge(system, LAMP.segments), Rehearsal(prepared)
    for path in found:
        judge.add(model.play(charge=path.charge, acts=path.acts, ends_ns=path.ends_ns, whole=False))
    # Below 3.5 V there is one bar or none: no row tells these apart.
    slips = [fault for fault in all_faults(system) if fault.kind in ("limit", "sign")
             and "gauge" in fault.touched and "3.3" not in fault.words
             and fault.about not in FIRST]
    assert len(slips) > 15
    assert [fault.text for fault in slips if judge.exposed(fault) is None] == []


def test_what_asks_comes_when_one_sample_has_read_the_level() -> None:
    """A second sample would put right what the first has got wrong where nothing is between the
    levels up and down.
    """
    _, found = courses()
    told = {then.at_ns - act.at_ns for act, then in pairwise(found[0].acts)
            if act.kind == "measured" and then.kind == "contact"}
    assert told
    assert max(told) < 2 * EVERY_NS


def test_no_work_asks_for_nothing() -> None:
    """Counted work: with none there is no course, with as much there are the same."""
    prepared = Prepared(LAMP)
    none, some, again = (list(Asking(LAMP, prepared.system, prepared.circuit, most).asked())
                         for most in (0, 3_000, 3_000))
    assert not none
    assert some
    assert some == again
