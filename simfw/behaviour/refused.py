"""What some commands cannot do yet: they say so by name, and why."""

from __future__ import annotations

from collections.abc import Iterable

from simfw.behaviour.region import Region
from simfw.errors import UsageError

__all__ = ["refuse_unpowered"]


def refuse_unpowered(regions: Iterable[Region], who: str, why: str) -> None:
    """Raise `UsageError` where a state of `regions` lets go of the supply, which `who` cannot
    follow.
    """
    for region in regions:
        for state in region.states:
            if state.unpowered:
                raise UsageError(
                    f"behaviour.{region.name}.states.{state.name}: {who} cannot follow a state "
                    f'that lets go of the supply: {why}. Write "asleep" for this command.')
