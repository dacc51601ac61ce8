"""How far nothing happens: what rests now, what it draws, and until when.

The first half of a stretch of rest, see `kernel`; `passing` is the second. Plain functions on flat
sequences, compiled or as they stand.
"""

from __future__ import annotations

from simfw.life.arithmetic import answers, between, find, next_mode, piece, turn_after
from simfw.life.registers import (
    ALIVE,
    ASK_CHARGE,
    ASK_COUNT,
    AWAKE_A,
    AWAKE_SHARE,
    BARE,
    CHARGE,
    COUNTED,
    CYCLE_MIXED,
    FEEDS_BELOW,
    FIRST_LEVEL,
    HANDS,
    INFO,
    INFOS,
    LEAK,
    LEAST_COUNT,
    LEVELS,
    LOSS,
    MARK_MODE,
    MARK_OPEN,
    MARK_RESTART,
    MISS_BARE,
    MISS_CODE,
    MISS_LOADS,
    MISS_PHASE,
    MISS_REST,
    MISS_WHAT,
    NEVER,
    NEXT,
    NODES,
    OPENING,
    PENDING,
    PHASE,
    PLACES,
    QUARTER_NS,
    RATIO,
    REGIONS,
    REST,
    SENSORS,
    STARTED,
    WAKE_C,
    WAKES_HZ,
    Parts,
    Stimuli,
    Tables,
    World,
)
from simfw.life.standing import at_reading, next_end
from simfw.life.waking import count_wakes, same_as_counted

__all__ = [
    "count_passes", "echoes", "ends_at", "is_due", "next_mark", "next_stimulus", "what_rests",
    "woken_by",
]


def echoes(t: Tables, p: Parts, w: World, comb: int) -> int:
    """Bits of the sensors whose hands would be answered now; -1: the load set is missing."""
    if w.i[HANDS] == 0:
        return 0
    slot = p.loads_slot[t.comb_loads[comb]]
    if slot < 0:
        w.i[MISS_WHAT] = t.comb_loads[comb]
        return -1
    charge = w.f[CHARGE]
    k = piece(p.grid, p.bucket, charge)
    volt = between(p.grid, p.volts, slot * t.size[NODES], k, charge)
    echo = 0
    for n in range(t.size[SENSORS]):
        if w.hand[n] >= 0.0 and answers(p.range_m, n, w.hand[n], volt):
            echo |= 1 << n
    return echo


def what_rests(
    t: Tables, p: Parts, w: World, comb: int, echo: int, bare: bool
) -> tuple[int, float, float, float, float]:
    """What rests, by number, and between which charges and counts all is answered so.

    What rests hangs on the answers to some questions, and until when. Where a resting one reads the
    cell while others are not where they are for longest, it is asked again. Where it is `bare`,
    nothing rests. A miss is told as -1 - its status.
    """
    charge = w.f[CHARGE]
    places = FIRST_LEVEL + t.size[LEVELS]
    around = (comb << t.size[SENSORS]) | echo
    if bare:
        at_node = find(t.bare_key, t.bare_value, t.last[BARE], around)
    else:
        at_node = find(t.rest_key, t.rest_value, t.last[REST], around)
    elsewhere = False
    while True:
        low = -1.0
        high = 2.0
        count_low = -1.0
        count_high = 2.0
        while at_node >= 0:
            if t.ask_kind[at_node] == ASK_COUNT:
                at = p.count_level[t.ask_what[at_node]]
                if w.f[COUNTED] < at:
                    at_node = t.ask_yes[at_node]
                    if at < count_high:
                        count_high = at
                else:
                    at_node = t.ask_no[at_node]
                    if at > count_low:
                        count_low = at
                continue
            if t.ask_kind[at_node] == ASK_CHARGE:
                at = p.charge_level[t.ask_what[at_node]]
                yes = charge < at
                if yes:
                    high = min(high, at)
                else:
                    low = max(low, at)
            else:
                slot = p.loads_slot[t.ask_loads[at_node]]
                if slot < 0:
                    w.i[MISS_WHAT] = t.ask_loads[at_node]
                    return -1 - MISS_LOADS, low, high, count_low, count_high
                place = slot * places + FIRST_LEVEL + t.ask_what[at_node]
                k = turn_after(p.turn_start, p.turn_at, place, charge)
                yes = (k - p.turn_start[place]) % 2 == 0
                if k < p.turn_start[place + 1]:
                    high = min(high, p.turn_at[k])
                if k > p.turn_start[place]:
                    low = max(low, p.turn_at[k - 1])
            at_node = t.ask_yes[at_node] if yes else t.ask_no[at_node]
        if at_node == -1:
            break
        info = -2 - at_node
        reader = t.info_reader[info]
        if elsewhere or reader < 0 or (t.comb_bits[comb] & ALIVE) == 0 or w.due[reader] == NEVER:
            break
        joint = at_reading(t, p, w, info, reader)
        if joint < 0:
            break
        elsewhere = True
        w.i[INFO] = info
        w.i[MISS_CODE] = joint
        at_node = find(
            t.phase_key, t.phase_value, t.last[PHASE],
            (((around << INFOS) | info) << PLACES) | joint,
        )
    if at_node == -1:
        w.i[MISS_WHAT] = around
        missed = MISS_PHASE if elsewhere else MISS_REST
        if bare:
            missed = MISS_BARE
        return -1 - missed, low, high, count_low, count_high
    return -2 - at_node, low, high, count_low, count_high


def woken_by(t: Tables, p: Parts, w: World, info: int, bits: int, now: int) -> float:
    """What resting regions draw by waking the controller (A)."""
    wakers = t.info_wakes[info]
    if wakers == 0 or (bits & ALIVE) == 0 or (wakers == 1 and p.real[WAKE_C] <= 0.0):
        return 0.0
    if not same_as_counted(t, p, w, info):
        count_wakes(t, p, w, now)
        w.i[CYCLE_MIXED] = 1
    return w.f[WAKES_HZ] * p.real[WAKE_C] + w.f[AWAKE_SHARE] * p.real[AWAKE_A]


def next_stimulus(t: Tables, w: World, s: Stimuli, now: int, until: int) -> int:
    """The time (ns) of the next stimulus, and of what a condition starts; `until` at the latest."""
    then = until
    if w.i[NEXT] < s.counts[0] and s.time[w.i[NEXT]] < then:
        then = s.time[w.i[NEXT]]
    for k in range(w.i[PENDING]):
        if w.pending_time[k] < then:
            then = w.pending_time[k]
    for h in range(t.size[STARTED]):
        if w.habit_true[h] == 1 and now < w.habit_again[h] < then and now >= w.habit_until[h]:
            then = w.habit_again[h]
        if now < w.habit_until[h] < then:
            then = w.habit_until[h]
    return then


def ends_at(
    t: Tables, p: Parts, w: World, info: int, bits: int, now: int, then: int
) -> int:
    """When the first dwell or way ends (ns), `then` at the latest.

    The answer to a steady hand is asked for again now and then.
    """
    if bits & ALIVE:
        resting = t.info_resting[info]
        for r in range(t.size[REGIONS]):
            if w.due[r] < then and (resting >> r) & 1 == 0:
                then = w.due[r]
        then = next_end(t, p, w, info, then)
    if w.i[HANDS] > 0 and then > now + QUARTER_NS:
        then = now + QUARTER_NS
    return then


def count_passes(
    t: Tables, p: Parts, w: World, slot: int, more: float, now: int, then: int, count_low: float,
    count_high: float,
) -> int:
    """When the count passes a level that was asked for (ns), `then` at the latest.

    Its pace changes with the charge, so that all but the last second is gone in steps of nine
    tenths; none is so short that rounding would leave the count where it is.
    """
    charge = w.f[CHARGE]
    k = piece(p.grid, p.bucket, charge)
    pace = ((between(p.grid, p.rate, slot * t.size[NODES], k, charge) + more) * p.real[RATIO]
            + p.real[LEAK] + p.real[LOSS] * charge)
    left = -1.0
    if pace < 0.0 and count_low > 0.0:
        left = (w.f[COUNTED] - count_low) / -pace
    elif pace > 0.0 and count_high <= 1.0:
        left = (count_high - w.f[COUNTED]) / pace
    if 0.0 <= left < (then - now) * 1e-9:
        if left > 1.0:
            left *= 0.9
        left = min(max(left, LEAST_COUNT / abs(pace)), (then - now) * 1e-9)
        then = min(then, now + int(left * 1e9) + 1)
    return then


def next_mark(
    p: Parts, slot: int, charge: float, low: float, high: float
) -> tuple[int, float, int, float, int]:
    """The kind of the mark that a mix has reached, -1 for none; where it meets the next ones.

    That is below at `low`, of `low_kind`, and above at `high`, of `high_kind`; within the bounds
    that are given, whose kind is -1.
    """
    low_kind = -1
    high_kind = -1
    hit = -1
    for k in range(p.mark_start[slot], p.mark_start[slot + 1]):
        at = p.mark_at[k]
        end = p.mark_until[k]
        if p.mark_rising[k] == 1:
            if charge >= end:
                if end >= low:
                    low = end
                    low_kind = p.mark_kind[k]
            elif charge >= at:
                if p.mark_kind[k] != MARK_RESTART or charge < p.real[FEEDS_BELOW]:
                    hit = p.mark_kind[k]
            elif at <= high:
                high = at
                high_kind = p.mark_kind[k]
        elif charge < end:
            if end <= high:
                high = end
                high_kind = p.mark_kind[k]
        elif charge <= at:
            hit = p.mark_kind[k]
        elif at >= low:
            low = at
            low_kind = p.mark_kind[k]
    return hit, low, low_kind, high, high_kind


def is_due(t: Tables, p: Parts, w: World, comb: int, kind: int) -> int:
    """1 where a mark is reached with what is on in a combination itself, 0 where it is reached only
    while something that rests is elsewhere; -1: the load set is missing.
    """
    if kind < 0 or kind == MARK_RESTART:
        return 1
    slot = p.loads_slot[t.comb_loads[comb]]
    if slot < 0:
        w.i[MISS_WHAT] = t.comb_loads[comb]
        return -1
    charge = w.f[CHARGE]
    if kind == MARK_OPEN:
        place = slot * (FIRST_LEVEL + t.size[LEVELS]) + OPENING
        k = turn_after(p.turn_start, p.turn_at, place, charge)
        return 1 if (k - p.turn_start[place]) % 2 == 0 else 0
    mode = next_mode(p.step_start, p.step_rising, p.step_at, p.step_until, p.step_to, slot, charge)
    return 1 if mode == kind - MARK_MODE else 0
