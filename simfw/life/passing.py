"""What a stretch of rest does: what is drawn and counted, and where all stands at its end.

The second half of a stretch, see `kernel` and, for the first, `ahead`. Plain functions on flat
sequences, compiled or as they stand.
"""

from __future__ import annotations

from simfw.life.arithmetic import advance, between, find, lay, piece
from simfw.life.cycling import note_segment
from simfw.life.registers import (
    ALIVE,
    CAPACITY_C,
    CHARGE,
    CHARGING,
    COUNTED,
    COUNTS,
    CUT,
    CYCLE_COMB,
    CYCLE_FIXED,
    DEAD_NS,
    FORCED,
    INFO,
    INFOS,
    LEAK,
    LOSS,
    MISS_CODE,
    MISS_WHAT,
    NODES,
    PAID,
    PLACE,
    PLACES,
    RATIO,
    REGIONS,
    TRACKED,
    USB,
    USED,
    WAKE_C,
    WAKE_PERIOD,
    WAKES_HZ,
    Parts,
    Tables,
    World,
)
from simfw.life.standing import joint_place
from simfw.life.waking import wakes_now, wakes_until

__all__ = ["drops_through", "let_pass", "moved_to"]


def drops_through(t: Tables, p: Parts, slot: int, charge: float, more: float) -> bool:
    """Whether a charge falls while a mix is on."""
    k = piece(p.grid, p.bucket, charge)
    return between(p.grid, p.rate, slot * t.size[NODES], k, charge) + more < 0.0


def let_pass(
    t: Tables, p: Parts, w: World, comb: int, slot: int, now: int, then: int, woken: float,
    low: float, low_kind: int, high: float, high_kind: int,
) -> int:
    """Let time pass until `then` (ns), or until the charge reaches one of its bounds; until when.

    `woken`: what is drawn by waking the controller (A).
    """
    i = w.i
    f = w.f
    capacity_c = p.real[CAPACITY_C]
    base = slot * t.size[NODES]
    bits = t.comb_bits[comb]
    more = -woken / capacity_c
    charge = f[CHARGE]
    seconds = (then - now) * 1e-9
    reached, passed = advance(p.grid, p.bucket, p.rate, base, charge, seconds, low, high, more)
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
        k = piece(p.grid, p.bucket, middle)
        used = between(p.grid, p.use, base, k, middle) + woken
        used *= (then - now) * 1e-9
    else:
        # Nothing but the cell gives: what it lost, however the current falls.
        used = (charge - reached) * capacity_c
    f[CHARGE] = reached
    f[USED] += used
    fixed = 0.0
    if woken > 0.0 and i[WAKE_PERIOD] != 0:
        # Those that fall into the stretch, not their mean.
        fixed = (wakes_until(w, then) - wakes_until(w, now)) - f[WAKES_HZ] * ((then - now) * 1e-9)
        fixed *= p.real[WAKE_C]
        f[CHARGE] -= fixed / capacity_c
        if f[CHARGE] < 0.0:
            f[CHARGE] = -1e-13
        f[USED] += fixed
        f[CYCLE_FIXED] += fixed
    if t.size[COUNTS] > 0:
        # What flows past the counter, by the charge on the way (Simpson's rule).
        seconds = (then - now) * 1e-9
        half, passed = advance(
            p.grid, p.bucket, p.rate, base, charge, 0.5 * seconds, low, high, more
        )
        mean = (charge + 4.0 * half + reached) / 6.0
        moved = (reached - charge) * p.real[RATIO] + (
            p.real[LEAK] + p.real[LOSS] * mean
        ) * seconds
        moved -= fixed / capacity_c * p.real[RATIO]
        f[COUNTED] = min(max(f[COUNTED] + moved, 0.0), 1.0)
    lay(w.heat, now, then, used)
    if i[CYCLE_COMB] >= 0:
        note_segment(w, slot, then - now, low, high, woken * ((then - now) * 1e-9),
                     1 if woken > 0.0 else 0)
    for k in range(t.size[TRACKED]):
        r = t.tracked[k]
        w.spent[t.offset[r] + t.comb_state[comb * t.size[REGIONS] + r]] += then - now
    if (bits & (ALIVE | CUT)) == 0:
        i[DEAD_NS] += then - now
    if bits & USB:
        i[CHARGING] += then - now
    return then


def moved_to(t: Tables, p: Parts, w: World, comb: int, now: int) -> int:
    """The combination with those that rest where they stand now; -1 where it is missing."""
    info = w.i[INFO]
    joint = joint_place(t, p, w, info, now)
    moved = comb
    if joint > 0:
        moved = find(
            t.place_key, t.place_value, t.last[PLACE],
            (((comb << INFOS) | info) << PLACES) | joint,
        )
        if moved < 0:
            w.i[MISS_WHAT] = info
            w.i[MISS_CODE] = joint
            return -1
    for k in range(t.info_start[info], t.info_start[info + 1]):
        r = t.rest_region[k]
        w.entered[r] = now - w.lap_left[r]
        w.due[r] = w.entered[r] + p.after[t.lap_group[w.lap_place[r]]]
    w.i[PAID] = wakes_now(t, p, w, info, now)
    return moved
