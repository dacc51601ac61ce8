"""The hot loop: what the outside does, and where the resting regions stand."""

from __future__ import annotations

from simfw.life.instant import (
    any_awake,
    set_mode,
)
from simfw.life.lookup import (
    flag,
    guard,
    loads_of,
)
from simfw.life.registers import (
    ALIVE,
    ASKED,
    AWAKE,
    CHARGE,
    CHARGER,
    COMPLETE,
    CONTACT,
    DAY_NS,
    FAST,
    FINISHING,
    HAND,
    HOLIDAY,
    HORIZON,
    INFO,
    LOADS,
    MISS,
    MISS_POOL,
    MISS_WHAT,
    NEXT,
    NOW,
    PENDING,
    PLUGS,
    PRECHARGE,
    RAWS,
    REFUSED,
    RESTING,
    SPAN_SQUARES,
    SPAN_START,
    SPAN_SUM,
    SPANS,
    TEMPERATURE,
    USB,
    WARMTH,
    Model,
    Parts,
    Stimuli,
    Tables,
    World,
)


def place(m: Model, t: Tables, p: Parts, w: World) -> None:
    """Work out where the resting regions stand now."""
    i = w.i
    resting = i[RESTING]
    if resting == 0:
        return
    count = len(m.starts)
    for r in range(count):
        if (resting >> r) & 1 == 0:
            continue
        lap = t.info_lap[i[INFO] * count + r]
        period = p.lap_period[lap]
        elapsed = i[NOW] - w.entered[r]
        k = t.lap_start[lap]
        if elapsed <= p.lap_stay[k]:
            continue
        left = elapsed % period
        if left == 0:
            left = period
        while left > p.lap_stay[k]:
            left -= p.lap_stay[k]
            k += 1
        w.state[r] = t.lap_state[k]
        w.entered[r] = i[NOW] - left
        w.due[r] = w.entered[r] + p.lap_stay[k]
        w.following[r] = 0
    i[RESTING] = 0
    i[AWAKE] = any_awake(m, w)


def take(m: Model, p: Parts, w: World, kind: int, target: int, value: float) -> None:
    """Let one stimulus happen; the raw events it makes are added."""
    i = w.i
    if kind == CONTACT:
        closed = 1 if value > 0.5 else 0
        if closed == 1:
            asked(m, w)
        if w.closed[target] != closed:
            w.closed[target] = closed
            if i[RAWS] < 64:
                w.raw[i[RAWS]] = m.edge[target]
                i[RAWS] += 1
    elif kind == HAND:
        if value >= 0.0:
            asked(m, w)
            if i[ALIVE] == 1 and w.condition[m.enabled[target]] == 1 and w.waving[target] == 0:
                w.waves[target] += 1
                w.waving[target] = 1
        else:
            w.waving[target] = 0
        w.hand[target] = value
    elif kind == TEMPERATURE:
        i[WARMTH] = int(value)
    else:
        plug(m, p, w, 1 if value > 0.5 else 0)


def asked(m: Model, w: World) -> None:
    """Somebody wants something of the gadget: note whether it has the power to answer."""
    i = w.i
    i[ASKED] += 1
    if i[ALIVE] == 0 or (m.flat[0] >= 0 and w.state[m.flat[0]] == m.flat[1]):
        i[REFUSED] += 1


def plug(m: Model, p: Parts, w: World, present: int) -> None:
    """USB comes or goes; the load set of the moment is known."""
    i = w.i
    if i[USB] == present:
        return
    if present == 1:
        span(w)
        i[PLUGS] += 1
        if i[NOW] >= i[HORIZON]:
            i[FINISHING] = 1
    else:
        i[SPAN_START] = i[NOW]
    low = flag(m, w, 1)
    high = flag(m, w, 2)
    i[USB] = present
    edge = m.edge[len(m.edge) - 2]
    if edge >= 0 and i[RAWS] < 64:
        w.raw[i[RAWS]] = edge
        i[RAWS] += 1
    if m.size[CHARGER] == 1:
        mode = 0
        if present == 1:
            if w.f[CHARGE] >= 1.0:
                mode = COMPLETE
            elif w.f[CHARGE] < p.start_cross[0 if i[LOADS] < 0 else p.loads_slot[i[LOADS]]]:
                mode = PRECHARGE
            else:
                mode = FAST
        set_mode(m, w, mode, low, high)


def span(w: World) -> None:
    """The time since the last charge ends now."""
    i = w.i
    if i[SPAN_START] < 0:
        return
    days = (i[NOW] - i[SPAN_START]) / DAY_NS
    w.f[SPAN_SUM] += days
    w.f[SPAN_SQUARES] += days * days
    i[SPANS] += 1
    i[SPAN_START] = -1


def inputs(m: Model, t: Tables, p: Parts, w: World, s: Stimuli) -> bool:
    """Let happen what is due now; False on a miss (nothing has happened then)."""
    i = w.i
    now = i[NOW]
    if loads_of(m, t, p, w) < 0:
        return False
    k = i[NEXT]
    while k < len(s.time) and s.time[k] <= now:
        occasion = s.occasion[k]
        if occasion >= 0 and w.first[occasion] == 0:
            held = guard(m, t, p, w, s.program[occasion])
            if i[MISS] != 0:
                return False
            w.first[occasion] = 1 if held else 2
        k += 1
    i[RAWS] = 0
    while i[NEXT] < len(s.time) and s.time[i[NEXT]] <= now:
        k = i[NEXT]
        i[NEXT] = k + 1
        occasion = s.occasion[k]
        if occasion < 0 or w.first[occasion] == 1:
            take(m, p, w, s.kind[k], s.target[k], s.value[k])
    k = 0
    while k < i[PENDING]:
        if w.pending_time[k] <= now:
            take(m, p, w, w.pending_kind[k], w.pending_target[k], w.pending_value[k])
            for j in range(k + 1, i[PENDING]):
                w.pending_time[j - 1] = w.pending_time[j]
                w.pending_kind[j - 1] = w.pending_kind[j]
                w.pending_target[j - 1] = w.pending_target[j]
                w.pending_value[j - 1] = w.pending_value[j]
            i[PENDING] -= 1
        else:
            k += 1
    return True


def begin_habits(m: Model, t: Tables, p: Parts, w: World, s: Stimuli) -> bool:
    """Begin the habits whose condition has come true; False on a miss."""
    i = w.i
    now = i[NOW]
    for h in range(len(m.habit)):
        if now < w.habit_until[h]:
            continue
        held = guard(m, t, p, w, m.habit[h])
        if i[MISS] != 0:
            return False
        if not held:
            w.habit_true[h] = 0
            continue
        if w.habit_true[h] == 1 and now < w.habit_again[h]:
            continue
        while i[HOLIDAY] < len(s.away_to) and s.away_to[i[HOLIDAY]] <= now:
            i[HOLIDAY] += 1
        if i[HOLIDAY] < len(s.away_from) and s.away_from[i[HOLIDAY]] <= now:
            continue
        if w.habit_used[h] >= s.pool_count[h]:
            i[MISS] = MISS_POOL
            i[MISS_WHAT] = h
            return False
        at = s.pool_offset[h] + w.habit_used[h]
        w.habit_used[h] += 1
        w.habit_true[h] = 1
        w.habit_again[h] = now + DAY_NS
        last = now
        for k in range(s.pool_start[at], s.pool_end[at]):
            if i[PENDING] >= len(w.pending_time):
                break
            n = i[PENDING]
            when = now + s.pool_time[k]
            w.pending_time[n] = when
            w.pending_kind[n] = s.pool_kind[k]
            w.pending_target[n] = s.pool_target[k]
            w.pending_value[n] = s.pool_value[k]
            i[PENDING] = n + 1
            if when > last:
                last = when
        w.habit_until[h] = last + 1
    return True
