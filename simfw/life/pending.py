"""What begun habits will still do: stimuli that are due later.

A habit that a condition starts brings stimuli of its own; they wait in `World` until their time.
Plain functions on flat sequences, compiled or as they stand; see `kernel`.
"""

from __future__ import annotations

from typing import Any

from simfw.life.registers import (
    DAY_NS,
    HAND,
    MEASURE,
    MOST_PENDING,
    PENDING,
    TEMPERATURE,
    Stimuli,
    World,
)

__all__ = ["begin", "take_off", "turn"]


def turn(kind: Any, target: Any, value: Any) -> Any:
    """Which of two stimuli of one time comes first: the lower one. Of numbers, or of arrays.

    Ends before beginnings, and either in the order of the gadget file, as `engine.timeline` has it;
    a measure is moved after hands that come, and before USB that does.
    """
    hand, warmth, measure = 1 * (kind == HAND), 1 * (kind == TEMPERATURE), 1 * (kind == MEASURE)
    begins = hand * (value >= 0.0) + (1 - hand) * (value > 0.5)
    rank = (1 - warmth - measure) * (2 * (kind + 1) + 10 * begins) + 10 * warmth + 15 * measure
    return (rank << 32) + target


def begin(w: World, s: Stimuli, habit: int, now: int) -> None:
    """Let a habit begin: its next occasion's stimuli wait, and it is not begun again for a day."""
    at_pool = s.pool_offset[habit] + w.habit_used[habit]
    w.habit_used[habit] += 1
    w.habit_true[habit] = 1
    w.habit_again[habit] = now + DAY_NS
    end = now
    for k in range(s.pool_start[at_pool], s.pool_end[at_pool]):
        n = w.i[PENDING]
        if n >= MOST_PENDING:
            break
        when = now + s.pool_time[k]
        w.pending_time[n] = when
        w.pending_kind[n] = s.pool_kind[k]
        w.pending_target[n] = s.pool_target[k]
        w.pending_value[n] = s.pool_value[k]
        w.i[PENDING] = n + 1
        if when > end:
            end = when
    w.habit_until[habit] = end + 1


def take_off(w: World, place: int) -> None:
    """Take off the stimulus at a place; those behind it move up, so that their order stays."""
    w.i[PENDING] -= 1
    for k in range(place, w.i[PENDING]):
        w.pending_time[k] = w.pending_time[k + 1]
        w.pending_kind[k] = w.pending_kind[k + 1]
        w.pending_target[k] = w.pending_target[k + 1]
        w.pending_value[k] = w.pending_value[k + 1]
