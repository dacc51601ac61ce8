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

Its stages have a file each: `ahead` and `passing` for a stretch of rest, `instant` for what happens
at its end. Everything is plain arithmetic on flat sequences, so that the same functions run
compiled (on arrays) or as they stand (on lists) with equal results. Whatever is met for the first
time is reported as a miss: the caller works it out, adds it to the tables and calls `run` again,
which goes on from where it was.
"""

from __future__ import annotations

from simfw.life.ahead import (
    count_passes,
    echoes,
    ends_at,
    is_due,
    next_mark,
    next_stimulus,
    what_rests,
    woken_by,
)
from simfw.life.cycling import go_round
from simfw.life.instant import (
    begin_habits,
    carry_out,
    due_code,
    end_span,
    met,
    move_hand,
    outcome_of,
    plug_moves,
)
from simfw.life.passing import drops_through, let_pass, moved_to
from simfw.life.pending import take_off
from simfw.life.registers import (
    ALIVE,
    ASKED,
    CAPACITY_C,
    CHARGE,
    COMB,
    CONTACT,
    COUNTS,
    CUT,
    CYCLE_COMB,
    DONE,
    DUE_FROM,
    EMPTY_AT,
    ENDS_EMPTY,
    EXPIRE,
    FINISHED,
    FINISHING,
    FORCE,
    FORCED,
    GATE,
    GATED,
    HANDS,
    HOLDS,
    INFO,
    INSTANTS,
    LOADS,
    MISS_CYCLE,
    MISS_LOADS,
    MISS_MIX,
    MISS_PLACE,
    MISS_POOL,
    MISS_WHAT,
    NEXT,
    NOW,
    PLUG,
    REFUSED,
    REFUSING,
    REGIONS,
    STAGE,
    STAGE_DUE,
    STAGE_HABITS,
    STAGE_INPUT,
    STAGE_PLACE,
    STAGE_REST,
    TOUCH,
    USB,
    Parts,
    Stimuli,
    Tables,
    World,
)


def run(t: Tables, p: Parts, w: World, s: Stimuli, until: int) -> int:
    """Go on until a time (ns), the end of the last span, or a miss."""
    i = w.i
    f = w.f
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
            echo = echoes(t, p, w, comb)
            if echo < 0:
                status = MISS_LOADS
                break
            charge = f[CHARGE]
            hit = low_kind = high_kind = -1
            info, low, high, count_low, count_high = what_rests(t, p, w, comb, echo, False)
            slot = -1 if info < 0 else p.mix_slot[t.info_mix[info]]
            if slot >= 0:
                hit, low, low_kind, high, high_kind = next_mark(p, slot, charge, low, high)
                if hit >= 0 and t.info_resting[info] != 0:
                    due = is_due(t, p, w, comb, hit)
                    if due < 0:
                        status = MISS_LOADS
                        break
                    if due == 0:
                        # Only while one of those that rest is elsewhere: step by step until then.
                        info, low, high, count_low, count_high = what_rests(
                            t, p, w, comb, echo, True)
                        slot = -1 if info < 0 else p.mix_slot[t.info_mix[info]]
                        if slot >= 0:
                            hit, low, low_kind, high, high_kind = next_mark(
                                p, slot, charge, low, high)
            if info < 0:
                status = -1 - info
                break
            if slot < 0:
                status = MISS_MIX
                i[MISS_WHAT] = t.info_mix[info]
                break
            i[INFO] = info
            i[LOADS] = t.info_loads[info]
            i[INSTANTS] += 1
            bits = t.comb_bits[comb]
            counts = t.size[COUNTS]
            woken = woken_by(t, p, w, info, bits, now)
            more = -woken / p.real[CAPACITY_C]
            then = next_stimulus(t, w, s, now, until)
            if bits & ALIVE and (bits & USB) == 0 and i[HANDS] == 0 and counts == 0:
                lasts = go_round(t, p, w, s, comb, t.info_resting[info], now, then)
                if lasts < 0:
                    status = MISS_CYCLE
                    break
                if lasts > 0:
                    now += lasts
                    continue
            else:
                i[CYCLE_COMB] = -1
            then = ends_at(t, p, w, info, bits, now, then)
            if counts > 0:
                then = count_passes(t, p, w, slot, more, now, then, count_low, count_high)
            if hit >= 0:
                then = now
            elif charge <= low and drops_through(t, p, slot, charge, more):
                # Standing on a level while falling through it: go a hair below.
                f[CHARGE] = low - 1e-13
                hit = low_kind
                then = now
            i[FORCED] = hit
            if then > now:
                now = let_pass(t, p, w, comb, slot, now, then, woken, low, low_kind, high,
                               high_kind)
            stage = STAGE_PLACE

        if stage == STAGE_PLACE:
            moved = moved_to(t, p, w, comb, now)
            if moved < 0:
                status = MISS_PLACE
                break
            comb = moved
            if i[FORCED] >= 0 and t.info_resting[i[INFO]] != 0:
                due = is_due(t, p, w, comb, i[FORCED])
                if due < 0:
                    status = MISS_LOADS
                    break
                if due == 0:
                    i[FORCED] = -1
                    stage = STAGE_REST
                    continue
            stage = STAGE_INPUT
            if now >= until and i[FORCED] < 0:
                # At the end of the stretch nothing happens any more: it belongs to the next, which
                # begins with an instant.
                break

        if stage == STAGE_HABITS:
            if not begin_habits(t, w, s, now):
                status = MISS_POOL
                break
            stage = STAGE_REST
            if i[EMPTY_AT] >= 0 and i[ENDS_EMPTY] == 1:
                end_span(w, now)
                status = FINISHED
                break
            continue

        # What the combination meets now, as a code.
        code = -1
        source = -1
        waits = 0
        kind = -1
        target = 0
        value = 0.0
        if stage == STAGE_INPUT:
            code, source, waits, kind, target, value = met(t, w, s, now)
            if code == -2:
                continue
            if code >= 0 or kind >= 0:
                i[CYCLE_COMB] = -1
            else:
                stage = STAGE_DUE
                i[DUE_FROM] = 0
        if stage == STAGE_DUE:
            code = due_code(t, w, comb, now)

        if code >= 0:
            out = outcome_of(t, p, w, comb, code)
            if out < 0:
                status = -1 - out
                break
            bits = t.comb_bits[comb]
            comb = t.out_comb[out]
            regions = t.size[REGIONS]
            if code < EXPIRE + regions:
                carry_out(t, p, w, out, now)
                stage = STAGE_HABITS
                continue
            if code < t.size[FORCE]:
                i[DUE_FROM] = code - EXPIRE - regions + 1
                continue
            if code < t.size[GATE]:
                i[FORCED] = -1
                continue
            if code < t.size[TOUCH]:
                w.first[s.occasion[i[GATED]]] = 1 if t.out_bits[out] & HOLDS else 2
                continue
            if kind == PLUG:
                plug_moves(t, w, bits, comb, out, now)
            asking = kind == CONTACT and value > 0.5
        else:
            bits = t.comb_bits[comb]
            asking = move_hand(t, w, comb, target, value)
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
