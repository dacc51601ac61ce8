"""Kept firmwares beside the model under random stimuli."""

from __future__ import annotations

from simfw.conform.driving import gaps_of, inputs_of
from simfw.conform.firmware import Difference, Firmware, random_difference
from simfw.engine.simulator import Prepared

__all__ = ["parts_at_random"]


def parts_at_random(
    made: Firmware, prepared: Prepared, *, examples: int = 30, seed: int = 3
) -> Difference | None:
    """Where a firmware parts from the model in so many random stimulus lists, if in any."""
    gadget = prepared.gadget
    return random_difference(
        made, prepared.system, prepared.circuit, gadget.segments,
        inputs_of(gadget, prepared.circuit), gaps_of(gadget), examples=examples, seed=seed)
