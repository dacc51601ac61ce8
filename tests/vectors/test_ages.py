"""Two times that never end together, since what begins the shorter begins the longer anew."""

from __future__ import annotations

from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.ages import never_together
from simfw.vectors.possible import all_faults
from tests.vectors.test_eclipsed import of
from tests.vectors.test_equal import made, region, row, told

HOLD = "lamp.rows[1]: its end is lost where the time of buttons.key.hold"


def lamp(*more: dict[str, Any], to: str = "lit", after: str = "500 ms", **guard: str) -> Gadget:
    """A lamp that a press lights, too, and that goes out by itself; a hold lights it again."""
    return made({
        "lamp": region("dark", "dark lit", row(to, ["dark", "lit"], on="key.press", **guard),
                       row("dark", "lit", after=after), row("lit", "dark", on="key.hold"), *more,
                       lit="lit"),
        "lock": region("shut", "shut open", row("open", "shut", on="key.click"),
                       row("shut", "open", on="key.click")),
    }, buttons={"key": {"debounce": "20 ms", "hold": "200 ms"}})


@pytest.mark.parametrize(("gadget", "never"), [
    pytest.param(lamp(), True, id="as it is meant"),
    pytest.param(lamp(after="200 ms"), False, id="just as long"),
    pytest.param(lamp(row("lit", "dark", on="key.release"), to="same"), False, id="goes on"),
    pytest.param(lamp(row("lit", "dark", on="key.release"), when="lock.open"), False,
                 id="goes on where a guard says so"),
])
def test_what_is_begun_anew_with_the_shorter_time_never_ends_with_it(
    gadget: Gadget, never: bool,
) -> None:
    """What is said not to meet is not told by random play; what may meet is."""
    prepared, fault = Prepared(gadget), of(gadget, HOLD)
    assert never_together(holding(prepared.system), fault) is never
    assert (told(prepared, [fault], 60) == []) is never


def test_no_fault_of_another_kind_is_taken_for_one() -> None:
    """Only two ends that meet are spoken of."""
    system = holding(Prepared(lamp()).system)
    others = [fault for fault in all_faults(system) if not fault.twist.eclipsed]
    assert others
    assert not any(never_together(system, fault) for fault in others)
