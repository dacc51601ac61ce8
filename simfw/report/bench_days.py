"""What is left of a bench log for somebody with habits: days between charges, as an interval."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from simfw.benchlog.narrowed import Meaning
from simfw.benchlog.world import World
from simfw.engine.corners import changed
from simfw.life.changes import mean_days

if TYPE_CHECKING:
    from simfw.benchlog.narrowed import Narrowed, RivalResult

__all__ = ["with_days"]

USERS = (0, 1, 2)
GADGETS = 6  # of each combination that is left
_DAY_S = 86_400.0


def with_days(found: Narrowed) -> Narrowed:
    """The same with the days that the pattern of the log comes to, over gadgets that fit.

    Of each gadget it is the mean of three users' first span: from full to the first charge, or
    until the protection opens where the pattern never charges. Without a pattern nothing is added.
    """
    if found.log.pattern is None:
        return found
    return replace(found, rivals=tuple(
        replace(one, meanings=(*one.meanings, _days(found, one))) if one.fitting else one
        for one in found.rivals))


def _days(found: Narrowed, rival: RivalResult) -> Meaning:
    pattern = found.log.pattern
    assert pattern is not None
    world = World(found.log.gadgets[rival.combination])
    some = rival.fitting[:: max(1, len(rival.fitting) // GADGETS)][:GADGETS]
    days = []
    for values in some:
        gadget, reference_v = changed(world.gadget, world.figures(values))
        days.append(mean_days(
            pattern, gadget, found.seed, fast=False, users=USERS, reference_v=reference_v))
    ends = [one for one in days if math.isfinite(one)]
    what = "between charges" if pattern.plugs else "until empty"
    return Meaning(
        what=f"{what}, {pattern.title or 'by the pattern'}",
        low_s=_DAY_S * min(ends) if ends else None,
        high_s=_DAY_S * max(ends) if len(ends) == len(days) else None, gadgets=len(some),
    )
