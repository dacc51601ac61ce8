"""The hot loop: one user's stimuli on one set of parts, from instant to instant.

The rows are handled exactly as in `behaviour.table`, with two short cuts for the charge:

* A region whose dwells only lead round in a circle without any effect on others (looks that find no
  hand, samples that change no bar, blinks) rests: it is not stepped, its mean drain is charged, and
  where it stands is worked out from the time when something else happens.
* Drains and thresholds are linear between the nodes of a fixed grid over the charge.

Everything here is plain arithmetic on flat sequences, so that the same functions run compiled (on
arrays) or as they stand (on lists) with equal results. Whatever is met for the first time - a load
set, a resting combination - is reported as a miss: the caller works it out, adds it to the tables
and calls `run` again, which goes on from where it was.
"""

from __future__ import annotations

import math

from simfw.life.instant import (
    instant,
)
from simfw.life.lookup import (
    answers,
    find,
    flag,
    loads_of,
    node,
    piece,
    rate_at,
    use_at,
    volts_at,
)
from simfw.life.outside import (
    begin_habits,
    inputs,
    place,
    span,
)
from simfw.life.registers import (
    ALIVE,
    BAND,
    BITS,
    CHARGE,
    CHARGING,
    CONTEXTS,
    DEAD_NS,
    DONE,
    EMPTY_AT,
    ENDS_EMPTY,
    EVENTS,
    FINISHED,
    FINISHING,
    FORCED,
    INFO,
    LEVELS,
    LOADS,
    MISS,
    MISS_BAND,
    MISS_KEY,
    MISS_LOADS,
    MISS_MIX,
    MISS_REST,
    MISS_WHAT,
    MODE,
    NEXT,
    NODES,
    NOW,
    PENDING,
    PROTECTED,
    QUARTER_NS,
    QUARTERS,
    RAWS,
    REST,
    RESTING,
    STAGE,
    STAGE_AFTER,
    STAGE_INPUT,
    STAGE_INSTANT,
    STAGE_REST,
    USB,
    USED,
    WARMTH,
    Model,
    Parts,
    Stimuli,
    Tables,
    World,
)


def rest(m: Model, t: Tables, p: Parts, w: World) -> int:
    """Find what rests and the mix of load sets that is charged; the mix's slot, -1 on a miss."""
    i = w.i
    count = len(m.starts)
    i[INFO] = -1
    i[RESTING] = 0
    slot = loads_of(m, t, p, w)
    if slot < 0:
        return -1
    key = 0
    for r in range(count):
        key += w.state[r] * m.joint_stride[r]
    context = i[PROTECTED]
    for number in range(3 + len(w.closed)):
        context = 2 * context + flag(m, w, number)
    for k in range(len(w.hand)):
        echo = 0
        if w.hand[k] >= 0.0 and answers(
            p, k, w.hand[k], volts_at(p, slot, w.f[CHARGE])
        ):
            echo = 1
        context = 2 * context + echo
    for r in range(count):
        # A region whose first dwell is spent does not go round.
        if w.following[r] > 0:
            key += m.joint_stride[count + r]
    key = ((key * m.size[CONTEXTS] + context) * 5 + i[MODE]) * 16 + i[WARMTH]
    number = find(t, REST, key)
    if number < 0:
        i[MISS] = MISS_REST
        i[MISS_KEY] = key
        return -1
    major = p.loads_slot[t.rest_major[number]]
    if major < 0:
        i[MISS] = MISS_LOADS
        i[MISS_WHAT] = t.rest_major[number]
        return -1
    band = band_of(m, p, major, w.f[CHARGE])
    info = find(t, BAND, (number << BITS) + band)
    if info < 0:
        i[MISS] = MISS_BAND
        i[MISS_WHAT] = number
        i[MISS_KEY] = band
        return -1
    slot = p.mix_slot[t.info_mix[info]]
    if slot < 0:
        i[MISS] = MISS_MIX
        i[MISS_WHAT] = t.info_mix[info]
        return -1
    i[INFO] = info
    i[RESTING] = t.info_resting[info]
    i[LOADS] = t.rest_major[number]
    return slot


def band_of(m: Model, p: Parts, slot: int, charge: float) -> int:
    """Which levels of voltage and charge the cell is above, as bits."""
    levels = m.size[LEVELS]
    band = 0
    for k in range(levels):
        if charge >= p.cross[slot * levels + k]:
            band |= 1 << k
    for k in range(len(p.charge_level)):
        if charge >= p.charge_level[k]:
            band |= 1 << (levels + k)
    return band


def advance(
    p: Parts, slot: int, charge: float, time_s: float, low: float, high: float
) -> tuple[float, float]:
    """Let time pass: (new charge, seconds passed). Stops where the charge reaches low or high."""
    base = slot * NODES
    rate = p.rate
    left = time_s
    while left > 0.0:
        k = piece(charge)
        if charge >= node(k + 1) and k < NODES - 2:
            k += 1  # a node belongs to the piece above, however its number is rounded
        start = node(k)
        width = node(k + 1) - start
        slope = (rate[base + k + 1] - rate[base + k]) / width
        f0 = rate[base + k] + slope * (charge - start)
        if f0 == 0.0:
            return charge, time_s
        if f0 < 0.0 and charge <= start:
            if k == 0:
                return charge, time_s
            k -= 1
            start = node(k)
            width = node(k + 1) - start
            slope = (rate[base + k + 1] - rate[base + k]) / width
        x = slope * left
        if -1e-4 < x < 1e-4:
            change = f0 * left * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x / 24.0)))
        elif x < 300.0:
            change = f0 * math.expm1(x) / slope
        else:
            change = f0 * 1e30
        goal = start if f0 < 0.0 else node(k + 1)
        bound = False
        if f0 < 0.0 and low >= goal:
            goal = low
            bound = True
        if f0 > 0.0 and high <= goal:
            goal = high
            bound = True
        if (charge + change > goal) if f0 < 0.0 else (charge + change < goal):
            return charge + change, time_s
        f1 = f0 + slope * (goal - charge)
        if f0 * f1 <= 0.0:
            # The rate dies away on the way: the goal is approached and never reached.
            return charge + change, time_s
        y = (f1 - f0) / f0
        stretch = math.log1p(y) / y if y > 1e-6 or y < -1e-6 else 1.0 - 0.5 * y
        reach = (goal - charge) / f0 * stretch
        left -= reach
        charge = goal
        if bound:
            return charge, time_s - left
        if f0 > 0.0 and k == NODES - 2:
            return charge, time_s
        if f0 < 0.0 and k == 0:
            return charge, time_s
    return charge, time_s


def lay(w: World, start: int, end: int, charge_c: float) -> None:
    """Spread a charge over the quarters of an hour of the week in which it was drawn."""
    heat = w.heat
    quarter = start // QUARTER_NS
    last = (end - 1) // QUARTER_NS
    if quarter == last:
        heat[quarter % QUARTERS] += charge_c
        return
    per_ns = charge_c / (end - start)
    while quarter <= last:
        begin = quarter * QUARTER_NS
        stop = begin + QUARTER_NS
        if begin < start:
            begin = start
        if stop > end:
            stop = end
        heat[quarter % QUARTERS] += per_ns * (stop - begin)
        quarter += 1


def wait(m: Model, t: Tables, p: Parts, w: World, s: Stimuli, slot: int, until: int) -> None:
    """Let time pass until something is due."""
    i = w.i
    i[EVENTS] = 0
    now = i[NOW]
    then = until
    if i[NEXT] < len(s.time) and s.time[i[NEXT]] < then:
        then = s.time[i[NEXT]]
    for k in range(i[PENDING]):
        if w.pending_time[k] < then:
            then = w.pending_time[k]
    for h in range(len(m.habit)):
        if w.habit_true[h] == 1 and now < w.habit_again[h] < then and now >= w.habit_until[h]:
            then = w.habit_again[h]
        if now < w.habit_until[h] < then:
            then = w.habit_until[h]
    resting = i[RESTING]
    if i[ALIVE] == 1:
        for r in range(len(m.starts)):
            if (resting >> r) & 1 == 0 and w.due[r] < then:
                then = w.due[r]
    for k in range(len(w.hand)):
        # The answer to a steady hand is asked for again now and then, as the cell runs down.
        if w.hand[k] >= 0.0 and then > now + QUARTER_NS:
            then = now + QUARTER_NS
    charge = w.f[CHARGE]
    low = -1.0
    high = 2.0
    low_kind = -1
    high_kind = -1
    levels = m.size[LEVELS]
    major = p.loads_slot[i[LOADS]]
    for k in range(levels):
        at = p.cross[major * levels + k]
        if at <= charge:
            if at > low:
                low = at
        elif at < high:
            high = at
    for k in range(len(p.charge_level)):
        at = p.charge_level[k]
        if at <= charge:
            if at > low:
                low = at
        elif at < high:
            high = at
    due_now = False
    for k in range(p.mark_start[slot], p.mark_start[slot + 1]):
        at = p.mark_at[k]
        kind = p.mark_kind[k]
        if p.mark_rising[k] == 1:
            if charge >= at:
                i[FORCED] = kind
                due_now = True
            elif at <= high:
                high = at
                high_kind = kind
        elif charge <= at:
            i[FORCED] = kind
            due_now = True
        elif at >= low:
            low = at
            low_kind = kind
    if due_now:
        i[STAGE] = STAGE_INPUT
        place(m, t, p, w)
        return
    seconds = (then - now) * 1e-9
    if charge <= low:
        # Standing on a level while falling through it: go a hair below.
        falling = rate_at(p, slot, charge) < 0.0
        if falling:
            charge = low - 1e-13
            w.f[CHARGE] = charge
            i[STAGE] = STAGE_INPUT
            i[FORCED] = low_kind
            i[RAWS] = 0
            place(m, t, p, w)
            return
    reached, passed = advance(p, slot, charge, seconds, low, high)
    crossed = passed < seconds
    if crossed:
        step = int(passed * 1e9) + 1
        if now + step < then:
            then = now + step
        if reached <= low:
            i[FORCED] = low_kind
            reached = low - 1e-13
        else:
            i[FORCED] = high_kind
    used = use_at(p, slot, 0.5 * (charge + reached)) * ((then - now) * 1e-9)
    w.f[CHARGE] = reached
    w.f[USED] += used
    if then > now:
        lay(w, now, then, used)
    for k in range(len(m.tracked)):
        r = m.tracked[k]
        w.spent[m.offset[r] + w.state[r]] += then - now
    if i[ALIVE] == 0:
        i[DEAD_NS] += then - now
    if i[USB] == 1:
        i[CHARGING] += then - now
    i[NOW] = then
    place(m, t, p, w)
    i[STAGE] = STAGE_INPUT


def run(m: Model, t: Tables, p: Parts, w: World, s: Stimuli, until: int) -> int:
    """Go on until a time (ns), the end of the last span, or a miss."""
    i = w.i
    i[MISS] = 0
    while True:
        if i[STAGE] == STAGE_REST:
            if i[FINISHING] == 1:
                return FINISHED
            if i[NOW] >= until:
                return DONE
            slot = rest(m, t, p, w)
            if slot < 0:
                return i[MISS]
            wait(m, t, p, w, s, slot, until)
        if i[STAGE] == STAGE_INPUT:
            # At the end of the stretch nothing happens any more: it belongs to the next.
            if i[NOW] >= until and i[FORCED] < 0:
                i[STAGE] = STAGE_REST
                return DONE
            if not inputs(m, t, p, w, s):
                return i[MISS]
            i[STAGE] = STAGE_INSTANT
        if i[STAGE] == STAGE_INSTANT:
            if not instant(m, t, p, w):
                return i[MISS]
            i[STAGE] = STAGE_AFTER
        if not begin_habits(m, t, p, w, s):
            return i[MISS]
        i[STAGE] = STAGE_REST
        if i[EMPTY_AT] >= 0 and i[ENDS_EMPTY] == 1:
            span(w)
            return FINISHED
