"""What some commands cannot do yet: they say so by name, and why."""

from __future__ import annotations

from simfw.behaviour.region import System
from simfw.errors import UsageError

__all__ = ["refuse_unpowered"]


def refuse_unpowered(system: System, who: str, why: str) -> None:
    """Raise `UsageError` where a state lets go of the supply, which `who` cannot follow."""
    for region in system.regions:
        for state in region.states:
            if state.unpowered:
                raise UsageError(
                    f"behaviour.{region.name}.states.{state.name}: {who} cannot follow a state "
                    f'that lets go of the supply: {why}. Write "asleep" for this command; every '
                    "other but simfw life and simfw sweep takes it as it is.")
