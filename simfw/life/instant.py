"""What a combination meets in an instant, as a code, and what comes of it.

The outcome of each code is worked out once, see `learning`; here the questions that lead to it are
asked, and it is carried out. Plain functions on flat sequences, compiled or as they stand; see
`kernel`.
"""

from __future__ import annotations

from simfw.life.arithmetic import answers, between, find, next_mode, piece, turn_after
from simfw.life.cycling import note_wake
from simfw.life.pending import begin, turn
from simfw.life.registers import (
    ALIVE,
    ANCHORS,
    ASK_CHARGE,
    ASK_COUNT,
    ASK_ECHO,
    ASK_FIRST,
    ASK_FULL,
    ASK_LEVEL,
    ASK_LOW,
    ASK_OPEN,
    ASK_RESTART,
    CAPACITY_C,
    CHARGE,
    CODES,
    CONTACT,
    COUNTED,
    CYCLE_COMB,
    CYCLE_HIGH,
    CYCLE_LOW,
    CYCLE_RESTING,
    CYCLE_WOKEN,
    DAY_NS,
    DUE_FROM,
    EMPTIED,
    EMPTY_AT,
    EXPIRE,
    FEEDS_BELOW,
    FILLS,
    FINISHING,
    FIRST_COUNT,
    FIRST_LEVEL,
    FIRST_PLUG,
    FORCE,
    FORCED,
    FORGETS,
    FULL_AT,
    GATE,
    GATED,
    HABITS,
    HANDS,
    HOLIDAY,
    HORIZON,
    KEEPING,
    LAST_OPEN,
    LEVELS,
    MEASURE,
    MEASURED,
    MISS_CODE,
    MISS_LOADS,
    MISS_STEP,
    MISS_WHAT,
    NEVER,
    NEXT,
    NODES,
    OPENING,
    PAID,
    PENDING,
    PLUG,
    PLUGS,
    PRECHARGING,
    RATIO,
    REGIONS,
    RESTART,
    SENSORS,
    SETTLE,
    SPAN_START,
    SPAN_SUM,
    SPANS,
    STARTED,
    STEP,
    SUPPLY,
    TEMPERATURE,
    TOUCH,
    USB,
    USED,
    WAKE_C,
    WAKERS,
    WAKES,
    WARM,
    Parts,
    Stimuli,
    Tables,
    World,
)

__all__ = [
    "begin_habits", "carry_out", "due_code", "end_span", "met", "move_hand", "outcome_of",
    "plug_moves",
]


def met(
    t: Tables, w: World, s: Stimuli, now: int
) -> tuple[int, int, int, int, int, float]:
    """What is met before dwells end: code, and of a stimulus its place, 1 where it waits in
    `pending`, kind, target and value.

    The code is -1 for a hand, which alone changes no combination, and where nothing is left (the
    kind is -1, too); -2 where a stimulus does not take place and has been passed over.
    """
    i = w.i
    size = t.size
    source = -1
    waits = 0
    kind = -1
    target = 0
    value = 0.0
    if i[FORCED] >= 0:
        return size[FORCE] + i[FORCED], source, waits, kind, target, value
    if s.counts[1] > 0:
        while i[GATED] < s.counts[0] and s.time[i[GATED]] <= now:
            occasion = s.occasion[i[GATED]]
            if occasion >= 0 and w.first[occasion] == 0:
                return size[GATE] + s.habit[occasion], source, waits, kind, target, value
            i[GATED] += 1
    if i[NEXT] < s.counts[0] and s.time[i[NEXT]] <= now:
        source = i[NEXT]
        kind = s.kind[source]
        target = s.target[source]
        value = s.value[source]
        occasion = s.occasion[source]
        if occasion >= 0 and w.first[occasion] != 1:
            i[NEXT] += 1
            return -2, source, waits, kind, target, value
    for k in range(i[PENDING]):
        if w.pending_time[k] <= now and (
            source < 0
            or turn(w.pending_kind[k], w.pending_target[k], w.pending_value[k])
            < turn(kind, target, value)
        ):
            source = k
            waits = 1
            kind = w.pending_kind[k]
            target = w.pending_target[k]
            value = w.pending_value[k]
    code = -1
    if kind == CONTACT:
        code = size[TOUCH] + 2 * target + (1 if value > 0.5 else 0)
    elif kind == PLUG:
        code = size[SUPPLY] + (1 if value > 0.5 else 0)
    elif kind == TEMPERATURE:
        code = size[WARM] + int(value)
    elif kind == MEASURE:
        code = size[MEASURED] + int(value)
    return code, source, waits, kind, target, value


def due_code(t: Tables, w: World, comb: int, now: int) -> int:
    """The code of a dwell that has expired: all but the last are put down, that one sets it off."""
    code = SETTLE
    if t.comb_bits[comb] & ALIVE:
        regions = t.size[REGIONS]
        for r in range(w.i[DUE_FROM], regions):
            if w.due[r] <= now:
                if code != SETTLE:
                    return code + regions
                code = EXPIRE + r
    return code


def outcome_of(t: Tables, p: Parts, w: World, comb: int, code: int) -> int:
    """Follow the questions to the outcome; a miss is told as -1 - its status."""
    i = w.i
    f = w.f
    charge = f[CHARGE]
    places = FIRST_LEVEL + t.size[LEVELS]
    at_node = find(t.step_key, t.step_value, t.last[STEP], comb * t.size[CODES] + code)
    while at_node >= 0:
        asked = t.ask_kind[at_node]
        what = t.ask_what[at_node]
        yes = False
        if asked == ASK_CHARGE:
            yes = charge < p.charge_level[what]
        elif asked == ASK_FULL:
            yes = charge >= 1.0
        elif asked == ASK_COUNT:
            yes = f[COUNTED] < p.count_level[what]
        elif asked == ASK_FIRST:
            yes = p.real[FIRST_COUNT] < p.count_level[what]
        elif asked == ASK_RESTART:
            yes = 0.0 < charge < p.real[FEEDS_BELOW] and charge >= p.real[RESTART]
        elif asked == ASK_ECHO and w.hand[what] < 0.0:
            yes = False
        else:
            slot = p.loads_slot[t.ask_loads[at_node]]
            if slot < 0:
                i[MISS_WHAT] = t.ask_loads[at_node]
                return -1 - MISS_LOADS
            if asked in (ASK_LEVEL, ASK_OPEN, ASK_LOW):
                place = slot * places
                if asked == ASK_LEVEL:
                    place += FIRST_LEVEL + what
                else:
                    place += OPENING if asked == ASK_OPEN else PRECHARGING
                k = turn_after(p.turn_start, p.turn_at, place, charge)
                yes = (k - p.turn_start[place]) % 2 == 0
                if asked != ASK_LOW:
                    if k < p.turn_start[place + 1]:
                        f[CYCLE_HIGH] = min(f[CYCLE_HIGH], p.turn_at[k])
                    if k > p.turn_start[place]:
                        f[CYCLE_LOW] = max(f[CYCLE_LOW], p.turn_at[k - 1])
            elif asked == ASK_ECHO:
                k = piece(p.grid, p.bucket, charge)
                volt = between(p.grid, p.volts, slot * t.size[NODES], k, charge)
                yes = answers(p.range_m, what, w.hand[what], volt)
            else:
                mode = next_mode(
                    p.step_start, p.step_rising, p.step_at, p.step_until, p.step_to, slot, charge,
                )
                yes = mode == what if what >= 0 else mode >= 0
        at_node = t.ask_yes[at_node] if yes else t.ask_no[at_node]
        if asked == ASK_CHARGE:
            if yes:
                f[CYCLE_HIGH] = min(f[CYCLE_HIGH], p.charge_level[what])
            else:
                f[CYCLE_LOW] = max(f[CYCLE_LOW], p.charge_level[what])
        elif asked == ASK_RESTART and charge > 0.0:
            for at in (p.real[RESTART], p.real[FEEDS_BELOW]):
                if charge < at:
                    f[CYCLE_HIGH] = min(f[CYCLE_HIGH], at)
                else:
                    f[CYCLE_LOW] = max(f[CYCLE_LOW], at)
        elif asked not in (ASK_LEVEL, ASK_OPEN) and (asked != ASK_ECHO or w.hand[what] >= 0.0):
            i[CYCLE_COMB] = -1
    if at_node == -1:
        i[MISS_CODE] = code
        return -1 - MISS_STEP
    return -2 - at_node


def carry_out(t: Tables, p: Parts, w: World, out: int, now: int) -> None:
    """Carry out what comes of a whole instant."""
    i = w.i
    f = w.f
    bits = t.out_bits[out]
    capacity_c = p.real[CAPACITY_C]
    i[DUE_FROM] = 0
    for k in range(t.out_start[out], t.out_start[out + 1]):
        r = t.set_region[k]
        if t.set_entered[k] == 1:
            w.entered[r] = now
        group = t.set_group[k]
        w.due[r] = w.entered[r] + p.after[group] if group >= 0 else NEVER
    if bits & FORGETS:
        f[COUNTED] = p.real[FIRST_COUNT]
    if bits & ANCHORS:
        f[COUNTED] = 1.0
    if bits & WAKES and (
        (bits >> WAKERS) & ~i[CYCLE_RESTING] != 0 or (i[PAID] == 0 and bits >> WAKERS == 0)
    ):
        note_wake(w)
    if bits & WAKES and i[PAID] == 0:
        f[CYCLE_WOKEN] += p.real[WAKE_C]
        f[CHARGE] -= p.real[WAKE_C] / capacity_c
        if f[CHARGE] < 0.0:
            f[CHARGE] = -1e-13  # an empty cell gives nothing
        f[COUNTED] = max(f[COUNTED] - p.real[WAKE_C] / capacity_c * p.real[RATIO], 0.0)
        f[USED] += p.real[WAKE_C]
    if bits & FILLS and i[FULL_AT] < 0:
        i[FULL_AT] = now
    if t.out_opened[out] > 0:
        i[EMPTIED] += t.out_opened[out]
        i[LAST_OPEN] = now
        if i[EMPTY_AT] < 0:
            i[EMPTY_AT] = now
    if t.out_writes[out] != 0:
        for n in range(t.size[KEEPING]):
            w.writes[n] += (t.out_writes[out] >> n) & 1
    if t.out_waves[out] != 0:
        for n in range(t.size[SENSORS]):
            if (t.out_waves[out] >> n) & 1 and w.waving[n] == 1:
                w.waving[n] = 0
                w.caught[n] += 1
    i[HABITS] = t.out_habits[out]


def end_span(w: World, now: int) -> None:
    """The span that goes on, if any, ends now."""
    if w.i[SPAN_START] >= 0:
        # As a real first: plain Python divides whole numbers above 2^53 more exactly.
        w.f[SPAN_SUM] += float(now - w.i[SPAN_START]) / DAY_NS
        w.i[SPANS] += 1
        w.i[SPAN_START] = -1


def plug_moves(t: Tables, w: World, before: int, comb: int, out: int, now: int) -> None:
    """USB comes or goes: from a combination with these bits to another."""
    i = w.i
    if t.out_bits[out] & FILLS and i[FULL_AT] < 0:
        i[FULL_AT] = now
    if (before & USB) == 0 and t.comb_bits[comb] & USB:
        end_span(w, now)
        if i[PLUGS] == 0:
            i[FIRST_PLUG] = now
        i[PLUGS] += 1
        if now >= i[HORIZON] and i[SPANS] > 0:
            i[FINISHING] = 1
    elif before & USB and (t.comb_bits[comb] & USB) == 0:
        i[SPAN_START] = now


def move_hand(t: Tables, w: World, comb: int, sensor: int, value: float) -> bool:
    """A hand comes or goes: that alone changes no combination. Whether it comes."""
    comes = value >= 0.0
    if comes:
        if (
            t.comb_bits[comb] & ALIVE and (t.comb_enabled[comb] >> sensor) & 1
            and w.waving[sensor] == 0
        ):
            w.waves[sensor] += 1
            w.waving[sensor] = 1
        if w.hand[sensor] < 0.0:
            w.i[HANDS] += 1
    else:
        w.waving[sensor] = 0
        if w.hand[sensor] >= 0.0:
            w.i[HANDS] -= 1
    w.hand[sensor] = value
    return comes


def begin_habits(t: Tables, w: World, s: Stimuli, now: int) -> bool:
    """Let habits begin whose condition has come true; False where prepared draws are used up."""
    i = w.i
    away = s.counts[2]
    for h in range(t.size[STARTED]):
        if now < w.habit_until[h]:
            continue
        if (i[HABITS] >> h) & 1 == 0:
            w.habit_true[h] = 0
            continue
        if w.habit_true[h] == 1 and now < w.habit_again[h]:
            continue
        while i[HOLIDAY] < away and s.away_to[i[HOLIDAY]] <= now:
            i[HOLIDAY] += 1
        if i[HOLIDAY] < away and s.away_from[i[HOLIDAY]] <= now:
            continue
        if w.habit_used[h] >= s.pool_count[h]:
            i[MISS_WHAT] = h
            return False
        begin(w, s, h, now)
        i[CYCLE_COMB] = -1
    return True
