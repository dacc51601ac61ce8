"""What comes round although it does not rest: ticks that others hear, counters, chains of timers.

Such regions are stepped from instant to instant. Where all that moves comes round with nothing done
to it in between, the periods to come draw what the last one drew, at their own charge: they are
gone in one step, up to the next thing that is due and to one period before anything that was asked
of the cell would be answered otherwise.

Plain functions on flat sequences, compiled or as they stand; see `kernel`.
"""

from __future__ import annotations

from simfw.life.arithmetic import advance, lay
from simfw.life.registers import (
    CAPACITY_C,
    CHARGE,
    CYCLE_AT,
    CYCLE_CHARGE,
    CYCLE_COMB,
    CYCLE_COUNT,
    CYCLE_EMPTIED,
    CYCLE_FIXED,
    CYCLE_HIGH,
    CYCLE_LIMIT,
    CYCLE_LOW,
    CYCLE_MIXED,
    CYCLE_RESTING,
    CYCLE_SLOT,
    CYCLE_WOKEN,
    EMPTIED,
    HOLIDAY,
    KEEPING,
    LAST_OPEN,
    LEAST_PERIODS,
    MOST_CHANGES,
    MOST_SEGMENTS,
    NEVER,
    NODES,
    REGIONS,
    STARTED,
    TRACKED,
    USED,
    WAKE_C,
    WAKE_PERIOD,
    Parts,
    Stimuli,
    Tables,
    World,
)
from simfw.life.waking import wakes_until

__all__ = ["go_round", "note_segment", "note_wake"]


def begin_cycle(t: Tables, w: World, comb: int, resting: int, now: int, again: int) -> None:
    """Watch from here on whether all comes round; for twice as long where `again` is 1."""
    i = w.i
    i[CYCLE_LIMIT] = min(2 * i[CYCLE_LIMIT], MOST_SEGMENTS) if again == 1 else 16
    i[CYCLE_COMB] = comb
    i[CYCLE_AT] = now
    i[CYCLE_COUNT] = 0
    i[CYCLE_RESTING] = resting
    w.f[CYCLE_CHARGE] = w.f[CHARGE]
    w.f[CYCLE_LOW] = -1.0
    w.f[CYCLE_HIGH] = 2.0
    w.f[CYCLE_WOKEN] = 0.0
    w.f[CYCLE_FIXED] = 0.0
    i[CYCLE_MIXED] = 0
    i[CYCLE_EMPTIED] = i[EMPTIED]
    for r in range(t.size[REGIONS]):
        w.cycle_due[r] = w.due[r]
    for n in range(t.offset[t.size[REGIONS]]):
        w.cycle_spent[n] = w.spent[n]
    for n in range(t.size[KEEPING]):
        w.cycle_writes[n] = w.writes[n]


def note_segment(
    w: World, slot: int, lasts: int, low: float, high: float, woken_c: float, counted: int
) -> None:
    """Add a time that has gone by, and between which charges it would have gone by alike.

    `counted` is 1 where what rests may wake the controller in it.
    """
    i = w.i
    f = w.f
    if i[CYCLE_COUNT] >= MOST_SEGMENTS:
        i[CYCLE_COMB] = -1
        return
    w.cycle_slot[i[CYCLE_COUNT]] = slot
    w.cycle_ns[i[CYCLE_COUNT]] = lasts
    w.cycle_wakes[i[CYCLE_COUNT]] = counted
    i[CYCLE_COUNT] += 1
    f[CYCLE_WOKEN] += woken_c
    f[CYCLE_LOW] = max(f[CYCLE_LOW], low)
    f[CYCLE_HIGH] = min(f[CYCLE_HIGH], high)


def note_wake(w: World) -> None:
    """What is stepped wakes the controller at the end of the last segment."""
    i = w.i
    if i[CYCLE_COMB] >= 0 and i[CYCLE_COUNT] > 0 and w.cycle_wakes[i[CYCLE_COUNT] - 1] < 2:
        w.cycle_wakes[i[CYCLE_COUNT] - 1] += 2


def round_wakes(w: World, period: int, rounds: int) -> float:
    """How often the controller is woken in each of the next rounds, on average; -1: not told.

    What rests stands otherwise in each round until its own period has come round with it.
    """
    i = w.i
    if i[WAKE_PERIOD] <= 0 or i[CYCLE_MIXED] == 1:
        return -1.0
    a = i[WAKE_PERIOD]
    b = period
    while b > 0:
        c = a % b
        a = b
        b = c
    unlike = i[WAKE_PERIOD] // a
    if min(unlike, rounds) * i[CYCLE_COUNT] > MOST_CHANGES:
        return -1.0
    total = 0
    part = 0
    for n in range(min(unlike, rounds)):
        if n == rounds % unlike:
            part = total
        time = i[CYCLE_AT] + (n + 1) * period
        for k in range(i[CYCLE_COUNT]):
            end = time + w.cycle_ns[k]
            bits = w.cycle_wakes[k]
            if bits == 1 or bits == 3:
                total += wakes_until(w, end) - wakes_until(w, time)
            if bits >= 2 and wakes_until(w, end) == wakes_until(w, end - 1):
                total += 1
            time = end
    if unlike >= rounds:
        return total / rounds
    return (rounds // unlike * total + part) / rounds


def periods_ahead(t: Tables, w: World, resting: int, now: int, free: int) -> int:
    """How many periods can be gone in one step until `free` (ns); 0 where nothing has come round.

    What stands still meanwhile and is due at a time of its own ends them.
    """
    i = w.i
    f = w.f
    period = now - i[CYCLE_AT]
    if i[CYCLE_COUNT] < 2 or period <= 0 or i[CYCLE_RESTING] != resting:
        return 0
    for r in range(t.size[REGIONS]):
        if (resting >> r) & 1 == 1:
            continue
        if w.due[r] == NEVER or w.cycle_due[r] == NEVER:
            if w.due[r] != w.cycle_due[r]:
                return 0
        elif w.due[r] == w.cycle_due[r]:
            free = min(free, w.due[r])
        elif w.due[r] - w.cycle_due[r] != period:
            return 0
    count = (free - 1 - now) // period
    fall = f[CYCLE_CHARGE] - f[CHARGE]
    if fall < 0.0 or f[CHARGE] >= f[CYCLE_HIGH]:
        return 0
    room = f[CHARGE] - f[CYCLE_LOW] - 2.0 * fall
    if room < fall * count:
        count = int(room / fall) if room > 0.0 else 0
    return count if count >= LEAST_PERIODS else 0


def go_round(
    t: Tables, p: Parts, w: World, s: Stimuli, comb: int, resting: int, now: int, free: int
) -> int:
    """Go along whole periods in one step: for how long (ns), 0 where nothing has come round.

    `free`: when the next thing is due. -1 where it is not tabulated what a period draws.
    """
    i = w.i
    if i[CYCLE_COMB] == comb:
        for k in range(i[HOLIDAY], s.counts[2] if t.size[STARTED] > 0 else 0):
            if s.away_from[k] <= now < s.away_to[k]:
                free = min(free, s.away_to[k])
        periods = periods_ahead(t, w, resting, now, free)
        if periods > 0:
            if i[CYCLE_SLOT] < 0:
                return -1
            lasts = _rounds(t, p, w, resting, now, periods)
            i[CYCLE_SLOT] = -1
            i[CYCLE_COMB] = -1
            if lasts > 0:
                return lasts
    if i[CYCLE_COMB] < 0 or i[CYCLE_COUNT] >= i[CYCLE_LIMIT]:
        again = 0 if i[CYCLE_COMB] < 0 else 1
        begin_cycle(t, w, comb, resting, now, again)
    if i[CYCLE_RESTING] != resting:
        i[CYCLE_COMB] = -1
    return 0


def _rounds(t: Tables, p: Parts, w: World, resting: int, now: int, periods: int) -> int:
    """Let up to so many periods pass, as many as the charge allows: for how long (ns)."""
    i = w.i
    f = w.f
    base = i[CYCLE_SLOT] * t.size[NODES]
    charge = f[CHARGE]
    capacity_c = p.real[CAPACITY_C]
    period = now - i[CYCLE_AT]
    round_s = period * 1e-9
    round_c = p.real[WAKE_C] * round_wakes(w, period, periods)
    if round_c < 0.0:
        round_c = f[CYCLE_WOKEN] + f[CYCLE_FIXED]
    reached, passed = advance(
        p.grid, p.bucket, p.rate, base, charge, periods * round_s,
        f[CYCLE_LOW] + f[CYCLE_CHARGE] - charge, 2.0, -round_c / round_s / capacity_c,
    )
    if passed < periods * round_s:
        # It falls faster than at first: less far, and once more.
        periods = max(int(passed / round_s) - 1, 0)
        if periods > 0 and round_wakes(w, period, periods) >= 0.0:
            round_c = p.real[WAKE_C] * round_wakes(w, period, periods)
        reached, passed = advance(
            p.grid, p.bucket, p.rate, base, charge, periods * round_s, -1.0, 2.0,
            -round_c / round_s / capacity_c,
        )
    lasts = periods * period
    used = (charge - reached) * capacity_c
    f[CHARGE] = reached
    f[USED] += used
    if lasts > 0:
        lay(w.heat, now, now + lasts, used)
    if i[EMPTIED] > i[CYCLE_EMPTIED]:
        i[EMPTIED] += periods * (i[EMPTIED] - i[CYCLE_EMPTIED])
        i[LAST_OPEN] += lasts
    for k in range(t.size[TRACKED]):
        r = t.tracked[k]
        for n in range(t.offset[r], t.offset[r + 1]):
            w.spent[n] += periods * (w.spent[n] - w.cycle_spent[n])
    for n in range(t.size[KEEPING]):
        w.writes[n] += periods * (w.writes[n] - w.cycle_writes[n])
    for r in range(t.size[REGIONS]):
        if (resting >> r) & 1 == 0 and w.due[r] != w.cycle_due[r]:
            w.entered[r] += lasts
            w.due[r] += lasts
    return lasts
