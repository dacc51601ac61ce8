"""Where resting regions stand: places in their laps, worked out from the time.

A resting region is not stepped, see `kernel`. The places of all that rest at a time are told by one
number, the joint place. Plain functions on flat sequences, compiled or as they stand.
"""

from __future__ import annotations

from simfw.life.registers import Parts, Tables, World

__all__ = ["at_reading", "joint_place", "next_end"]


def at_reading(t: Tables, p: Parts, w: World, info: int, reader: int) -> int:
    """The joint place when region `reader` reads the cell next; -1 if all are at home then.

    At home is where a region counts as standing while it is not known where it does.
    """
    lap_start = t.lap_start
    lap_group = t.lap_group
    after = p.after
    joint = 0
    elsewhere = False
    period = w.due[reader] - w.entered[reader]
    for k in range(t.info_start[info], t.info_start[info + 1]):
        r = t.rest_region[k]
        if r == reader:
            continue
        lap = t.rest_lap[k]
        n = lap_start[lap]
        place = n + t.lap_home[lap]
        lasts = 0
        for at_place in range(n, lap_start[lap + 1]):
            lasts += after[lap_group[at_place]]
        # Unless it stands elsewhere at each reading: where it stands at the next one.
        # What changes at the very time of the reading has changed before it.
        if t.lap_open[lap] == 0 and period % lasts == 0:
            left = (w.due[reader] - w.entered[r]) % lasts
            place = n
            while left >= after[lap_group[place]]:
                left -= after[lap_group[place]]
                place += 1
            if place != n + t.lap_home[lap]:
                elsewhere = True
        joint += (place - n) * t.rest_stride[k]
    return joint if elsewhere else -1


def next_end(t: Tables, p: Parts, w: World, info: int, then: int) -> int:
    """The time (ns) at which the first lap that does not go round ends, `then` at the latest."""
    for k in range(t.info_start[info], t.info_start[info + 1]):
        lap = t.rest_lap[k]
        if t.lap_open[lap] == 1:
            end = w.entered[t.rest_region[k]]
            for n in range(t.lap_start[lap], t.lap_start[lap + 1]):
                end += p.after[t.lap_group[n]]
            if end < then:
                then = end
    return then


def joint_place(t: Tables, p: Parts, w: World, info: int, now: int) -> int:
    """The joint place at a time (ns); each region's place and time there are left in `w`."""
    lap_start = t.lap_start
    lap_group = t.lap_group
    after = p.after
    joint = 0
    for k in range(t.info_start[info], t.info_start[info + 1]):
        r = t.rest_region[k]
        lap = t.rest_lap[k]
        n = lap_start[lap]
        left = now - w.entered[r]
        if left <= after[lap_group[n]]:
            w.lap_left[r] = left
            w.lap_place[r] = n
            continue
        period = 0
        for place in range(n, lap_start[lap + 1]):
            period += after[lap_group[place]]
        left %= period
        if left == 0:
            left = period
        place = n
        while left > after[lap_group[place]]:
            left -= after[lap_group[place]]
            place += 1
        w.lap_left[r] = left
        w.lap_place[r] = place
        joint += (place - n) * t.rest_stride[k]
    return joint
