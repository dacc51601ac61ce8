"""The search reads the rest of a `when` as a run does: inputs before the instant included."""

from __future__ import annotations

import pytest

from simfw.verify.check import check_gadget
from tests.engine.bench import gadget_of
from tests.engine.test_order_of_an_instant import BENCH

ASKED = {
    "a.press and a.closed": "proved", "a.press and not a.closed": "broken",
    "usb.in and usb": "proved", "usb.in and not usb": "broken",
}


@pytest.mark.parametrize("when", ASKED)
def test_the_search_reads_inputs_before_the_instant_as_a_run_does(when):
    """What no run can ask for is proved, at power-up too; what one asks for is acted out."""
    gadget = gadget_of(BENCH + f'[[rules]]\nname = "asked"\nwhen = "{when}"\n'
                               'then = "lamp.never"\nwithin = "10 ms"\n')
    report = check_gadget(gadget, only=("rule",), runs=1)
    (verdict,) = report.verdicts
    assert verdict.standing == ASKED[when]
