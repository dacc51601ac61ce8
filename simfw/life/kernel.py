"""The hot loop: one user's stimuli on one set of parts, from instant to instant.

What the rows make of a combination of states, inputs and one thing that it meets (a dwell that
expires, a button that closes, ...) hangs on nothing else but a few questions about the cell, so it
is worked out once - by the very stepper of the simulator, see `learning` - and looked up from then
on. What remains to be done here is to find when something happens next, to let the charge run down
until then, and to follow the tables.

* A region whose dwells only lead round in a circle without any effect on others (looks that find no
  hand, samples that change no bar, blinks) rests: it is not stepped, its mean drain is charged, and
  where it stands is worked out from the time when something else happens.
* Drains and thresholds are linear between the nodes of a fixed grid over the charge.

Everything here is plain arithmetic on flat sequences, so that the same functions run compiled (on
arrays) or as they stand (on lists) with equal results. Whatever is met for the first time is
reported as a miss: the caller works it out, adds it to the tables and calls `run` again, which goes
on from where it was.
"""

from __future__ import annotations

from simfw.life.arithmetic import (
    advance,
    answers,
    between,
    find,
    lay,
    next_mode,
    piece,
    turn_after,
)
from simfw.life.cycling import (
    begin_cycle,
    note_segment,
    note_wake,
    periods_ahead,
    round_wakes,
)
from simfw.life.pending import begin, take_off, turn
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
    ASKED,
    AWAKE_A,
    AWAKE_SHARE,
    CAPACITY_C,
    CHARGE,
    CHARGING,
    CODES,
    COMB,
    CONTACT,
    COUNTED,
    COUNTS,
    CUT,
    CYCLE_AT,
    CYCLE_CHARGE,
    CYCLE_COMB,
    CYCLE_COUNT,
    CYCLE_FIXED,
    CYCLE_HIGH,
    CYCLE_LIMIT,
    CYCLE_LOW,
    CYCLE_MIXED,
    CYCLE_RESTING,
    CYCLE_SLOT,
    CYCLE_WOKEN,
    DAY_NS,
    DEAD_NS,
    DONE,
    DUE_FROM,
    EMPTIED,
    EMPTY_AT,
    ENDS_EMPTY,
    EXPIRE,
    FEEDS_BELOW,
    FILLS,
    FINISHED,
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
    HOLDS,
    HOLIDAY,
    HORIZON,
    INFO,
    INFOS,
    INSTANTS,
    KEEPING,
    LAST_OPEN,
    LEAK,
    LEAST_COUNT,
    LEVELS,
    LOADS,
    LOSS,
    MARK_RESTART,
    MEASURE,
    MEASURED,
    MISS_CODE,
    MISS_CYCLE,
    MISS_LOADS,
    MISS_MIX,
    MISS_PHASE,
    MISS_PLACE,
    MISS_POOL,
    MISS_REST,
    MISS_STEP,
    MISS_WHAT,
    NEVER,
    NEXT,
    NODES,
    NOW,
    OPENING,
    PAID,
    PENDING,
    PHASE,
    PLACE,
    PLACES,
    PLUG,
    PLUGS,
    PRECHARGING,
    QUARTER_NS,
    RATIO,
    REFUSED,
    REFUSING,
    REGIONS,
    REST,
    RESTART,
    SENSORS,
    SETTLE,
    SPAN_START,
    SPAN_SUM,
    SPANS,
    STAGE,
    STAGE_DUE,
    STAGE_HABITS,
    STAGE_INPUT,
    STAGE_PLACE,
    STAGE_REST,
    STARTED,
    STEP,
    SUPPLY,
    TEMPERATURE,
    TOUCH,
    TRACKED,
    USB,
    USED,
    WAKE_C,
    WAKE_PERIOD,
    WAKERS,
    WAKES,
    WAKES_HZ,
    WARM,
    Parts,
    Stimuli,
    Tables,
    World,
)
from simfw.life.standing import at_reading, joint_place, next_end
from simfw.life.waking import count_wakes, same_as_counted, wakes_now, wakes_until


def run(t: Tables, p: Parts, w: World, s: Stimuli, until: int) -> int:
    """Go on until a time (ns), the end of the last span, or a miss."""
    # Everything that is used often under a short name: this is what makes the loop quick.
    i = w.i
    f = w.f
    size = t.size
    regions = size[REGIONS]
    sensors = size[SENSORS]
    places = FIRST_LEVEL + size[LEVELS]
    started = size[STARTED]
    nodes = size[NODES]
    codes = size[CODES]
    force = size[FORCE]
    gate = size[GATE]
    touch = size[TOUCH]
    supply = size[SUPPLY]
    warm = size[WARM]
    offset = t.offset
    tracked = t.tracked
    last = t.last
    step_key = t.step_key
    step_value = t.step_value
    ask_kind = t.ask_kind
    ask_loads = t.ask_loads
    ask_what = t.ask_what
    ask_no = t.ask_no
    ask_yes = t.ask_yes
    comb_state = t.comb_state
    comb_loads = t.comb_loads
    comb_bits = t.comb_bits
    info_start = t.info_start
    rest_region = t.rest_region
    lap_group = t.lap_group
    set_region = t.set_region
    after = p.after
    grid = p.grid
    bucket = p.bucket
    loads_slot = p.loads_slot
    volts = p.volts
    turn_start = p.turn_start
    turn_at = p.turn_at
    rate = p.rate
    use = p.use
    mark_start = p.mark_start
    mark_rising = p.mark_rising
    mark_at = p.mark_at
    mark_until = p.mark_until
    mark_kind = p.mark_kind
    charge_level = p.charge_level
    count_level = p.count_level
    counts = size[COUNTS]
    ratio = p.real[RATIO]
    range_m = p.range_m
    entered = w.entered
    due = w.due
    hand = w.hand
    spent = w.spent
    pending_time = w.pending_time
    habit_true = w.habit_true
    habit_until = w.habit_until
    habit_again = w.habit_again
    times = s.time
    stimuli = s.counts[0]
    gated = s.counts[1]
    away = s.counts[2]

    now = i[NOW]
    comb = i[COMB]
    stage = i[STAGE]
    status = DONE
    while True:
        if stage == STAGE_REST:
            if i[FINISHING] == 1:
                status = FINISHED
                break
            if now >= until:
                break
            charge = f[CHARGE]
            bits = comb_bits[comb]
            echo = 0
            if i[HANDS] > 0:
                slot = loads_slot[comb_loads[comb]]
                if slot < 0:
                    status = MISS_LOADS
                    i[MISS_WHAT] = comb_loads[comb]
                    break
                k = piece(grid, bucket, charge)
                volt = between(grid, volts, slot * nodes, k, charge)
                for n in range(sensors):
                    if hand[n] >= 0.0 and answers(range_m, n, hand[n], volt):
                        echo |= 1 << n
            # What rests hangs on the answers to some questions, and until when. Where a resting one
            # reads the cell while others are not where they are for longest, it is asked again.
            around = (comb << sensors) | echo
            at_node = find(t.rest_key, t.rest_value, last[REST], around)
            elsewhere = False
            short = False
            while True:
                low = -1.0
                high = 2.0
                count_low = -1.0
                count_high = 2.0
                while at_node >= 0:
                    if ask_kind[at_node] == ASK_COUNT:
                        at = count_level[ask_what[at_node]]
                        if f[COUNTED] < at:
                            at_node = ask_yes[at_node]
                            if at < count_high:
                                count_high = at
                        else:
                            at_node = ask_no[at_node]
                            if at > count_low:
                                count_low = at
                        continue
                    if ask_kind[at_node] == ASK_CHARGE:
                        at = charge_level[ask_what[at_node]]
                        yes = charge < at
                        if yes:
                            high = min(high, at)
                        else:
                            low = max(low, at)
                    else:
                        slot = loads_slot[ask_loads[at_node]]
                        if slot < 0:
                            i[MISS_WHAT] = ask_loads[at_node]
                            short = True
                            break
                        place = slot * places + FIRST_LEVEL + ask_what[at_node]
                        k = turn_after(turn_start, turn_at, place, charge)
                        yes = (k - turn_start[place]) % 2 == 0
                        if k < turn_start[place + 1]:
                            high = min(high, turn_at[k])
                        if k > turn_start[place]:
                            low = max(low, turn_at[k - 1])
                    at_node = ask_yes[at_node] if yes else ask_no[at_node]
                if short or at_node == -1:
                    break
                info = -2 - at_node
                reader = t.info_reader[info]
                if elsewhere or reader < 0 or (bits & ALIVE) == 0 or due[reader] == NEVER:
                    break
                joint = at_reading(t, p, w, info, reader)
                if joint < 0:
                    break
                elsewhere = True
                i[INFO] = info
                i[MISS_CODE] = joint
                at_node = find(
                    t.phase_key, t.phase_value, last[PHASE],
                    (((around << INFOS) | info) << PLACES) | joint,
                )
            if short:
                status = MISS_LOADS
                break
            if at_node == -1:
                status = MISS_PHASE if elsewhere else MISS_REST
                i[MISS_WHAT] = around
                break
            slot = p.mix_slot[t.info_mix[info]]
            if slot < 0:
                status = MISS_MIX
                i[MISS_WHAT] = t.info_mix[info]
                break
            resting = t.info_resting[info]
            i[INFO] = info
            i[LOADS] = t.info_loads[info]
            i[INSTANTS] += 1
            # What resting regions draw by waking the controller (A).
            woken = 0.0
            wakers = t.info_wakes[info]
            if wakers > 0 and bits & ALIVE and (wakers > 1 or p.real[WAKE_C] > 0.0):
                if not same_as_counted(t, p, w, info):
                    count_wakes(t, p, w, now)
                    i[CYCLE_MIXED] = 1
                woken = f[WAKES_HZ] * p.real[WAKE_C] + f[AWAKE_SHARE] * p.real[AWAKE_A]
            more = -woken / p.real[CAPACITY_C]
            # Until when: the next thing that is due.
            then = until
            if i[NEXT] < stimuli and times[i[NEXT]] < then:
                then = times[i[NEXT]]
            for k in range(i[PENDING]):
                if pending_time[k] < then:
                    then = pending_time[k]
            for h in range(started):
                if habit_true[h] == 1 and now < habit_again[h] < then and now >= habit_until[h]:
                    then = habit_again[h]
                if now < habit_until[h] < then:
                    then = habit_until[h]
            if bits & ALIVE and (bits & USB) == 0 and i[HANDS] == 0 and counts == 0:
                if i[CYCLE_COMB] == comb:
                    free = then
                    for k in range(i[HOLIDAY], away if started > 0 else 0):
                        if s.away_from[k] <= now < s.away_to[k]:
                            free = min(free, s.away_to[k])
                    periods = periods_ahead(t, w, resting, now, free)
                    if periods > 0:
                        if i[CYCLE_SLOT] < 0:
                            status = MISS_CYCLE
                            break
                        period = now - i[CYCLE_AT]
                        round_s = period * 1e-9
                        round_c = p.real[WAKE_C] * round_wakes(w, period, periods)
                        if round_c < 0.0:
                            round_c = f[CYCLE_WOKEN] + f[CYCLE_FIXED]
                        reached, passed = advance(
                            grid, bucket, rate, i[CYCLE_SLOT] * nodes, charge, periods * round_s,
                            f[CYCLE_LOW] + f[CYCLE_CHARGE] - charge, 2.0,
                            -round_c / round_s / p.real[CAPACITY_C],
                        )
                        if passed < periods * round_s:
                            # It falls faster than at first: less far, and once more.
                            periods = max(int(passed / round_s) - 1, 0)
                            if periods > 0 and round_wakes(w, period, periods) >= 0.0:
                                round_c = p.real[WAKE_C] * round_wakes(w, period, periods)
                            reached, passed = advance(
                                grid, bucket, rate, i[CYCLE_SLOT] * nodes, charge,
                                periods * round_s, -1.0, 2.0,
                                -round_c / round_s / p.real[CAPACITY_C],
                            )
                        lasts = periods * period
                        used = (charge - reached) * p.real[CAPACITY_C]
                        f[CHARGE] = reached
                        f[USED] += used
                        if lasts > 0:
                            lay(w.heat, now, now + lasts, used)
                        for k in range(size[TRACKED]):
                            r = tracked[k]
                            for n in range(offset[r], offset[r + 1]):
                                spent[n] += periods * (spent[n] - w.cycle_spent[n])
                        for n in range(size[KEEPING]):
                            w.writes[n] += periods * (w.writes[n] - w.cycle_writes[n])
                        for r in range(regions):
                            if (resting >> r) & 1 == 0 and due[r] != w.cycle_due[r]:
                                entered[r] += lasts
                                due[r] += lasts
                        now += lasts
                        i[CYCLE_SLOT] = -1
                        i[CYCLE_COMB] = -1
                        if lasts > 0:
                            continue
                if i[CYCLE_COMB] < 0 or i[CYCLE_COUNT] >= i[CYCLE_LIMIT]:
                    again = 0 if i[CYCLE_COMB] < 0 else 1
                    begin_cycle(t, w, comb, resting, now, again)
                if i[CYCLE_RESTING] != resting:
                    i[CYCLE_COMB] = -1
            else:
                i[CYCLE_COMB] = -1
            if bits & ALIVE:
                for r in range(regions):
                    if due[r] < then and (resting >> r) & 1 == 0:
                        then = due[r]
                then = next_end(t, p, w, info, then)
            if i[HANDS] > 0 and then > now + QUARTER_NS:
                # The answer to a steady hand is asked for again now and then.
                then = now + QUARTER_NS
            if counts > 0:
                # Until the count passes a level that was asked for. Its pace changes with the
                # charge, so that all but the last second is gone in steps of nine tenths; none is
                # so short that rounding would leave the count where it is.
                k = piece(grid, bucket, charge)
                pace = ((between(grid, rate, slot * nodes, k, charge) + more) * ratio
                        + p.real[LEAK] + p.real[LOSS] * charge)
                left = -1.0
                if pace < 0.0 and count_low > 0.0:
                    left = (f[COUNTED] - count_low) / -pace
                elif pace > 0.0 and count_high <= 1.0:
                    left = (count_high - f[COUNTED]) / pace
                if 0.0 <= left < (then - now) * 1e-9:
                    if left > 1.0:
                        left *= 0.9
                    left = min(max(left, LEAST_COUNT / abs(pace)), (then - now) * 1e-9)
                    then = min(then, now + int(left * 1e9) + 1)
            low_kind = -1
            high_kind = -1
            hit = -1
            for k in range(mark_start[slot], mark_start[slot + 1]):
                at = mark_at[k]
                end = mark_until[k]
                if mark_rising[k] == 1:
                    if charge >= end:
                        if end >= low:
                            low = end
                            low_kind = mark_kind[k]
                    elif charge >= at:
                        if mark_kind[k] != MARK_RESTART or charge < p.real[FEEDS_BELOW]:
                            hit = mark_kind[k]
                    elif at <= high:
                        high = at
                        high_kind = mark_kind[k]
                elif charge < end:
                    if end <= high:
                        high = end
                        high_kind = mark_kind[k]
                elif charge <= at:
                    hit = mark_kind[k]
                elif at >= low:
                    low = at
                    low_kind = mark_kind[k]
            if hit < 0 and charge <= low:
                k = piece(grid, bucket, charge)
                if between(grid, rate, slot * nodes, k, charge) + more < 0.0:
                    # Standing on a level while falling through it: go a hair below.
                    f[CHARGE] = low - 1e-13
                    hit = low_kind
                    then = now
            elif hit >= 0:
                then = now
            i[FORCED] = hit
            if then > now:
                seconds = (then - now) * 1e-9
                reached, passed = advance(
                    grid, bucket, rate, slot * nodes, charge, seconds, low, high, more
                )
                if passed < seconds:
                    step = int(passed * 1e9) + 1
                    if now + step < then:
                        then = now + step
                    if reached <= low:
                        i[FORCED] = low_kind
                        reached = low - 1e-13
                    else:
                        i[FORCED] = high_kind
                if bits & USB:
                    middle = 0.5 * (charge + reached)
                    k = piece(grid, bucket, middle)
                    used = between(grid, use, slot * nodes, k, middle) + woken
                    used *= (then - now) * 1e-9
                else:
                    # Nothing but the cell gives: what it lost, however the current falls.
                    used = (charge - reached) * p.real[CAPACITY_C]
                f[CHARGE] = reached
                f[USED] += used
                fixed = 0.0
                if woken > 0.0 and i[WAKE_PERIOD] != 0:
                    # Those that fall into the stretch, not their mean.
                    fixed = (wakes_until(w, then) - wakes_until(w, now)) - f[WAKES_HZ] * (
                        (then - now) * 1e-9
                    )
                    fixed *= p.real[WAKE_C]
                    f[CHARGE] -= fixed / p.real[CAPACITY_C]
                    if f[CHARGE] < 0.0:
                        f[CHARGE] = -1e-13
                    f[USED] += fixed
                    f[CYCLE_FIXED] += fixed
                if counts > 0:
                    # What flows past the counter, by the charge on the way (Simpson's rule).
                    seconds = (then - now) * 1e-9
                    half, passed = advance(
                        grid, bucket, rate, slot * nodes, charge, 0.5 * seconds, low, high, more
                    )
                    mean = (charge + 4.0 * half + reached) / 6.0
                    moved = (reached - charge) * ratio + (
                        p.real[LEAK] + p.real[LOSS] * mean
                    ) * seconds
                    moved -= fixed / p.real[CAPACITY_C] * ratio
                    f[COUNTED] = min(max(f[COUNTED] + moved, 0.0), 1.0)
                lay(w.heat, now, then, used)
                if i[CYCLE_COMB] >= 0:
                    note_segment(w, slot, then - now, low, high, woken * ((then - now) * 1e-9),
                                 1 if woken > 0.0 else 0)
                for k in range(size[TRACKED]):
                    r = tracked[k]
                    spent[offset[r] + comb_state[comb * regions + r]] += then - now
                if (bits & (ALIVE | CUT)) == 0:
                    i[DEAD_NS] += then - now
                if bits & USB:
                    i[CHARGING] += then - now
                now = then
            stage = STAGE_PLACE

        if stage == STAGE_PLACE:
            # Where the resting regions stand now.
            info = i[INFO]
            joint = joint_place(t, p, w, info, now)
            moved = comb
            if joint > 0:
                moved = find(
                    t.place_key, t.place_value, last[PLACE],
                    (((comb << INFOS) | info) << PLACES) | joint,
                )
                if moved < 0:
                    status = MISS_PLACE
                    i[MISS_WHAT] = info
                    i[MISS_CODE] = joint
                    break
            for k in range(info_start[info], info_start[info + 1]):
                r = rest_region[k]
                entered[r] = now - w.lap_left[r]
                due[r] = entered[r] + after[lap_group[w.lap_place[r]]]
            i[PAID] = wakes_now(t, p, w, info, now)
            comb = moved
            if now >= until and i[FORCED] < 0:
                # At the end of the stretch nothing happens any more: it belongs to the next, which
                # begins with an instant.
                stage = STAGE_INPUT
                break
            stage = STAGE_INPUT

        if stage == STAGE_HABITS:
            # Habits begin whose condition has come true.
            short = False
            for h in range(started):
                if now < habit_until[h]:
                    continue
                if (i[HABITS] >> h) & 1 == 0:
                    habit_true[h] = 0
                    continue
                if habit_true[h] == 1 and now < habit_again[h]:
                    continue
                while i[HOLIDAY] < away and s.away_to[i[HOLIDAY]] <= now:
                    i[HOLIDAY] += 1
                if i[HOLIDAY] < away and s.away_from[i[HOLIDAY]] <= now:
                    continue
                if w.habit_used[h] >= s.pool_count[h]:
                    i[MISS_WHAT] = h
                    short = True
                    break
                begin(w, s, h, now)
                i[CYCLE_COMB] = -1
            if short:
                status = MISS_POOL
                break
            stage = STAGE_REST
            if i[EMPTY_AT] >= 0 and i[ENDS_EMPTY] == 1:
                if i[SPAN_START] >= 0:
                    # As a real first: plain Python divides whole numbers above 2^53 more exactly.
                    f[SPAN_SUM] += float(now - i[SPAN_START]) / DAY_NS
                    i[SPANS] += 1
                    i[SPAN_START] = -1
                status = FINISHED
                break
            continue

        # What the combination meets now, as a code.
        code = -1
        source = -1
        waits = 0  # whether it is one of the stimuli that wait in `pending`
        kind = -1
        target = 0
        value = 0.0
        if stage == STAGE_INPUT:
            if i[FORCED] >= 0:
                code = force + i[FORCED]
            elif gated > 0:
                while i[GATED] < stimuli and times[i[GATED]] <= now:
                    occasion = s.occasion[i[GATED]]
                    if occasion >= 0 and w.first[occasion] == 0:
                        code = gate + s.habit[occasion]
                        break
                    i[GATED] += 1
            if code < 0:
                if i[NEXT] < stimuli and times[i[NEXT]] <= now:
                    source = i[NEXT]
                    kind = s.kind[source]
                    target = s.target[source]
                    value = s.value[source]
                    occasion = s.occasion[source]
                    if occasion >= 0 and w.first[occasion] != 1:
                        i[NEXT] += 1
                        continue
                for k in range(i[PENDING]):
                    if pending_time[k] <= now and (
                        source < 0
                        or turn(w.pending_kind[k], w.pending_target[k], w.pending_value[k])
                        < turn(kind, target, value)
                    ):
                        source = k
                        waits = 1
                        kind = w.pending_kind[k]
                        target = w.pending_target[k]
                        value = w.pending_value[k]
                if kind == CONTACT:
                    code = touch + 2 * target + (1 if value > 0.5 else 0)
                elif kind == PLUG:
                    code = supply + (1 if value > 0.5 else 0)
                elif kind == TEMPERATURE:
                    code = warm + int(value)
                elif kind == MEASURE:
                    code = size[MEASURED] + int(value)
                elif kind < 0:
                    stage = STAGE_DUE
                    i[DUE_FROM] = 0
            if code >= 0 or kind >= 0:
                i[CYCLE_COMB] = -1
        if stage == STAGE_DUE:
            # All dwells that have expired but for the last are put down, the last one sets it off.
            code = SETTLE
            if comb_bits[comb] & ALIVE:
                for r in range(i[DUE_FROM], regions):
                    if due[r] <= now:
                        if code != SETTLE:
                            code += regions
                            break
                        code = EXPIRE + r

        if code >= 0:
            # Follow the questions to the outcome.
            charge = f[CHARGE]
            at_node = find(step_key, step_value, last[STEP], comb * codes + code)
            short = False
            while at_node >= 0:
                kind_asked = ask_kind[at_node]
                what = ask_what[at_node]
                yes = False
                if kind_asked == ASK_CHARGE:
                    yes = charge < charge_level[what]
                elif kind_asked == ASK_FULL:
                    yes = charge >= 1.0
                elif kind_asked == ASK_COUNT:
                    yes = f[COUNTED] < count_level[what]
                elif kind_asked == ASK_FIRST:
                    yes = p.real[FIRST_COUNT] < count_level[what]
                elif kind_asked == ASK_RESTART:
                    yes = 0.0 < charge < p.real[FEEDS_BELOW] and charge >= p.real[RESTART]
                elif kind_asked == ASK_ECHO and hand[what] < 0.0:
                    yes = False
                else:
                    slot = loads_slot[ask_loads[at_node]]
                    if slot < 0:
                        i[MISS_WHAT] = ask_loads[at_node]
                        short = True
                        break
                    if kind_asked in (ASK_LEVEL, ASK_OPEN, ASK_LOW):
                        place = slot * places
                        if kind_asked == ASK_LEVEL:
                            place += FIRST_LEVEL + what
                        else:
                            place += OPENING if kind_asked == ASK_OPEN else PRECHARGING
                        k = turn_after(turn_start, turn_at, place, charge)
                        yes = (k - turn_start[place]) % 2 == 0
                        if kind_asked != ASK_LOW:
                            if k < turn_start[place + 1]:
                                f[CYCLE_HIGH] = min(f[CYCLE_HIGH], turn_at[k])
                            if k > turn_start[place]:
                                f[CYCLE_LOW] = max(f[CYCLE_LOW], turn_at[k - 1])
                    elif kind_asked == ASK_ECHO:
                        k = piece(grid, bucket, charge)
                        volt = between(grid, volts, slot * nodes, k, charge)
                        yes = answers(range_m, what, hand[what], volt)
                    else:
                        mode = next_mode(
                            p.step_start, p.step_rising, p.step_at, p.step_until, p.step_to, slot,
                            charge,
                        )
                        yes = mode == what if what >= 0 else mode >= 0
                at_node = ask_yes[at_node] if yes else ask_no[at_node]
                if kind_asked == ASK_CHARGE:
                    if yes:
                        f[CYCLE_HIGH] = min(f[CYCLE_HIGH], charge_level[what])
                    else:
                        f[CYCLE_LOW] = max(f[CYCLE_LOW], charge_level[what])
                elif kind_asked not in (ASK_LEVEL, ASK_OPEN) and (
                    kind_asked != ASK_ECHO or hand[what] >= 0.0
                ):
                    i[CYCLE_COMB] = -1
            if short:
                status = MISS_LOADS
                break
            if at_node == -1:
                status = MISS_STEP
                i[MISS_CODE] = code
                break
            out = -2 - at_node
            out_bits = t.out_bits[out]
            bits = comb_bits[comb]
            comb = t.out_comb[out]
            if code < EXPIRE + regions:
                # A whole instant.
                i[DUE_FROM] = 0
                for k in range(t.out_start[out], t.out_start[out + 1]):
                    r = set_region[k]
                    if t.set_entered[k] == 1:
                        entered[r] = now
                    group = t.set_group[k]
                    due[r] = entered[r] + after[group] if group >= 0 else NEVER
                if out_bits & FORGETS:
                    f[COUNTED] = p.real[FIRST_COUNT]
                if out_bits & ANCHORS:
                    f[COUNTED] = 1.0
                if out_bits & WAKES and (
                    (out_bits >> WAKERS) & ~i[CYCLE_RESTING] != 0
                    or (i[PAID] == 0 and out_bits >> WAKERS == 0)
                ):
                    note_wake(w)
                if out_bits & WAKES and i[PAID] == 0:
                    f[CYCLE_WOKEN] += p.real[WAKE_C]
                    f[CHARGE] -= p.real[WAKE_C] / p.real[CAPACITY_C]
                    if f[CHARGE] < 0.0:
                        f[CHARGE] = -1e-13  # an empty cell gives nothing
                    f[COUNTED] = max(f[COUNTED] - p.real[WAKE_C] / p.real[CAPACITY_C] * ratio, 0.0)
                    f[USED] += p.real[WAKE_C]
                if out_bits & FILLS and i[FULL_AT] < 0:
                    i[FULL_AT] = now
                if t.out_opened[out] > 0:
                    i[EMPTIED] += t.out_opened[out]
                    i[LAST_OPEN] = now
                    if i[EMPTY_AT] < 0:
                        i[EMPTY_AT] = now
                if t.out_writes[out] != 0:
                    for n in range(size[KEEPING]):
                        w.writes[n] += (t.out_writes[out] >> n) & 1
                if t.out_waves[out] != 0:
                    for n in range(sensors):
                        if (t.out_waves[out] >> n) & 1 and w.waving[n] == 1:
                            w.waving[n] = 0
                            w.caught[n] += 1
                i[HABITS] = t.out_habits[out]
                stage = STAGE_HABITS
                continue
            if code < force:
                i[DUE_FROM] = code - EXPIRE - regions + 1
                continue
            if code < gate:
                i[FORCED] = -1
                continue
            if code < touch:
                occasion = s.occasion[i[GATED]]
                w.first[occasion] = 1 if out_bits & HOLDS else 2
                continue
            if kind == PLUG:
                if out_bits & FILLS and i[FULL_AT] < 0:
                    i[FULL_AT] = now
                if (bits & USB) == 0 and comb_bits[comb] & USB:
                    if i[SPAN_START] >= 0:
                        f[SPAN_SUM] += float(now - i[SPAN_START]) / DAY_NS
                        i[SPANS] += 1
                        i[SPAN_START] = -1
                    if i[PLUGS] == 0:
                        i[FIRST_PLUG] = now
                    i[PLUGS] += 1
                    if now >= i[HORIZON] and i[SPANS] > 0:
                        i[FINISHING] = 1
                elif bits & USB and (comb_bits[comb] & USB) == 0:
                    i[SPAN_START] = now
            asking = kind == CONTACT and value > 0.5
        else:
            # A hand comes or goes: that alone changes no combination.
            bits = comb_bits[comb]
            asking = value >= 0.0
            if asking:
                if (
                    bits & ALIVE and (t.comb_enabled[comb] >> target) & 1
                    and w.waving[target] == 0
                ):
                    w.waves[target] += 1
                    w.waving[target] = 1
                if hand[target] < 0.0:
                    i[HANDS] += 1
            else:
                w.waving[target] = 0
                if hand[target] >= 0.0:
                    i[HANDS] -= 1
            hand[target] = value
        # A stimulus has happened: note whether somebody wants something and whether the gadget has
        # the power to answer; then take it off.
        if asking:
            i[ASKED] += 1
            if (bits & (ALIVE | CUT)) == 0 or bits & REFUSING:
                i[REFUSED] += 1
        if waits == 1:
            take_off(w, source)
        else:
            i[NEXT] += 1

    i[NOW] = now
    i[COMB] = comb
    i[STAGE] = stage
    return status
