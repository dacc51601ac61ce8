"""How often resting regions wake the controller, and for how long it is awake.

One instant in which several of them wake it costs one `wake`, and where one keeps it awake the
others wake nobody. So it depends on how they stand to one another: regions that are driven by their
own dwells only have stood alike since power-up. It is counted over their common period; where that
is too long, those that have a short one in common are counted together, and such groups are taken
to meet as often as chance has it, which is exact where their periods do not lock. One group's
wakings are told one by one: a stretch of rest has those that fall into it.

Plain functions on flat sequences, compiled or as they stand; see `kernel`.
"""

from __future__ import annotations

from simfw.life.registers import (
    AWAKE_SHARE,
    KEPT_COUNTS,
    MOMENTS,
    MOST_CHANGES,
    MOST_WAKES,
    NEVER,
    REGIONS,
    WAKE_COUNT,
    WAKE_NEXT,
    WAKE_PERIOD,
    WAKE_PLACE,
    WAKE_START,
    WAKES_HZ,
    Parts,
    Tables,
    World,
)

__all__ = ["count_wakes", "same_as_counted", "wakes_now", "wakes_until"]


def same_as_counted(t: Tables, p: Parts, w: World, info: int) -> bool:
    """Whether what rests stands to one another as when it was counted last; noted for the count."""
    same = True
    after = p.after
    regions = t.size[REGIONS]
    for r in range(regions):
        w.wake_seen[r] = 0
    for k in range(t.info_start[info], t.info_start[info + 1]):
        lap = t.rest_lap[k]
        if t.lap_wakes[lap] == 0:
            continue
        r = t.rest_region[k]
        n = t.lap_start[lap]
        lasts = 0
        at = w.entered[r]
        for place in range(n, t.lap_start[lap + 1]):
            if place == n + t.lap_home[lap]:
                at += lasts
            lasts += after[t.lap_group[place]]
        if t.lap_open[lap] == 0:
            at %= lasts
        w.wake_seen[r] = 1
        if w.wake_kind[r] != t.lap_kind[lap] or w.wake_at[r] != at:
            same = False
            w.wake_kind[r] = t.lap_kind[lap]
            w.wake_at[r] = at
        w.wake_lasts[r] = lasts
        w.wake_lap[r] = lap
    for r in range(regions):
        if w.wake_seen[r] == 0 and w.wake_kind[r] >= 0:
            same = False
            w.wake_kind[r] = -1
    return same


def count_wakes(t: Tables, p: Parts, w: World, now: int) -> None:
    """Count what `same_as_counted` has noted, into the registers of the world.

    `WAKES_HZ`: how often a second the controller is woken. `AWAKE_SHARE`: the share of the time
    that they keep it awake, less what it would be if all of them met as often as chance has it.
    The latest counts are kept: of the same laps, home at the same times, nothing else comes.
    """
    if recall_count(t, w):
        return
    count_anew(t, p, w, now)
    keep_count(t, w)


def recall_count(t: Tables, w: World) -> bool:
    """Whether one of the kept counts is of what is to be counted; it holds again then.

    What leads on to another state never stands so again, and goes to a place of its own.
    """
    i = w.i
    regions = t.size[REGIONS]
    i[WAKE_PLACE] = i[WAKE_NEXT]
    for r in range(regions):
        if w.wake_kind[r] >= 0 and t.lap_open[w.wake_lap[r]] == 1:
            i[WAKE_PLACE] = KEPT_COUNTS
            return False
    for n in range(KEPT_COUNTS):
        same = True
        for r in range(regions):
            kind = w.wake_kind[r]
            if w.kept_kind[n * regions + r] != kind or (
                kind >= 0 and w.kept_at[n * regions + r] != w.wake_at[r]
            ):
                same = False
                break
        if same:
            i[WAKE_PLACE] = n
            i[WAKE_START] = w.kept_count[3 * n]
            i[WAKE_PERIOD] = w.kept_count[3 * n + 1]
            i[WAKE_COUNT] = w.kept_count[3 * n + 2]
            w.f[WAKES_HZ] = w.kept_mean[2 * n]
            w.f[AWAKE_SHARE] = w.kept_mean[2 * n + 1]
            return True
    return False


def keep_count(t: Tables, w: World) -> None:
    """Keep what has just been counted, in the place of the oldest."""
    i = w.i
    n = i[WAKE_PLACE]
    if n == KEPT_COUNTS:
        return
    regions = t.size[REGIONS]
    for r in range(regions):
        w.kept_kind[n * regions + r] = w.wake_kind[r]
        w.kept_at[n * regions + r] = w.wake_at[r]
    w.kept_count[3 * n] = i[WAKE_START]
    w.kept_count[3 * n + 1] = i[WAKE_PERIOD]
    w.kept_count[3 * n + 2] = i[WAKE_COUNT]
    w.kept_mean[2 * n] = w.f[WAKES_HZ]
    w.kept_mean[2 * n + 1] = w.f[AWAKE_SHARE]
    i[WAKE_NEXT] = (n + 1) % KEPT_COUNTS


def count_anew(t: Tables, p: Parts, w: World, now: int) -> None:
    """Go through the common period of what is to be counted, or through those of groups."""
    after = p.after
    first_time = w.i[WAKE_PLACE] * MOST_WAKES
    regions = t.size[REGIONS]
    alone = 1.0
    groups = 0
    for r in range(regions):
        w.wake_group[r] = -1
        if w.wake_kind[r] < 0:
            continue
        lap = w.wake_lap[r]
        lasts = w.wake_lasts[r]
        awake = 0
        for place in range(t.lap_start[lap], t.lap_start[lap + 1]):
            if t.place_awake[place] == 1:
                awake += after[t.lap_group[place]]
        alone *= 1.0 - awake / lasts
        # With those before it that it has a short common period with.
        for g in range(groups):
            if t.lap_open[lap] == 1 or w.wake_group[r] >= 0 or w.wake_period[g] < 0:
                continue
            a = w.wake_period[g]
            b = lasts
            while b > 0:
                c = a % b
                a = b
                b = c
            times = w.wake_period[g] // a
            if max(times, lasts // a) > MOST_CHANGES or times > NEVER // lasts:
                continue
            changes = times * (t.lap_start[lap + 1] - t.lap_start[lap])
            changes += w.wake_changes[g] * (lasts // a)
            if changes <= MOST_CHANGES:
                w.wake_group[r] = g
                w.wake_period[g] = lasts * times
                w.wake_changes[g] = changes
        if w.wake_group[r] < 0:
            w.wake_group[r] = groups
            w.wake_period[groups] = lasts if t.lap_open[lap] == 0 else -lasts
            w.wake_changes[groups] = t.lap_start[lap + 1] - t.lap_start[lap]
            groups += 1
    # Each group: how often it wakes the controller, and the share of the time that it sleeps.
    wakes_hz = 0.0
    asleep = 1.0
    for g in range(groups):
        start = now
        members = 0
        for r in range(regions):
            if w.wake_group[r] == g:
                w.wake_member[members] = r
                members += 1
                w.wake_place[r] = 0
                w.wake_due[r] = w.entered[r] + after[t.lap_group[t.lap_start[w.wake_lap[r]]]]
                if w.wake_period[g] < 0:
                    start = w.entered[r]
        period = abs(w.wake_period[g])
        end = start + period
        before = start
        wakes = 0
        slept = 0
        while True:
            at = end + 1
            is_awake = False
            for m in range(members):
                r = w.wake_member[m]
                if w.wake_due[r] < at:
                    at = w.wake_due[r]
                if t.place_awake[t.lap_start[w.wake_lap[r]] + w.wake_place[r]] == 1:
                    is_awake = True
            if not is_awake:
                slept += min(at, end) - before
            if at > end:
                break
            before = at
            w.i[MOMENTS] += 1
            stirs = False
            for m in range(members):
                r = w.wake_member[m]
                if w.wake_due[r] != at:
                    continue
                lap = w.wake_lap[r]
                first = t.lap_start[lap]
                while w.wake_due[r] == at:
                    if first + w.wake_place[r] + 1 < t.lap_start[lap + 1]:
                        w.wake_place[r] += 1
                    elif t.lap_open[lap] == 1:
                        w.wake_due[r] = NEVER
                        break
                    else:
                        w.wake_place[r] = 0
                    place = first + w.wake_place[r]
                    if t.place_wakes[place] == 1:
                        stirs = True
                    w.wake_due[r] += after[t.lap_group[place]]
            if stirs and not is_awake:
                w.wake_time[first_time + wakes] = at - start
                wakes += 1
        share = slept / period
        # Woken by this group while the others sleep, or by the others while this one does.
        wakes_hz = wakes_hz * share + wakes / (period * 1e-9) * asleep
        asleep *= share
        w.i[WAKE_START] = start
        w.i[WAKE_PERIOD] = w.wake_period[g]
        w.i[WAKE_COUNT] = wakes
    if groups != 1:
        w.i[WAKE_PERIOD] = 0
    w.f[WAKES_HZ] = wakes_hz
    w.f[AWAKE_SHARE] = alone - asleep


def wakes_until(w: World, time: int) -> int:
    """How often one group wakes the controller after `WAKE_START` until a time (ns), included."""
    i = w.i
    left = time - i[WAKE_START]
    whole = 0
    if i[WAKE_PERIOD] > 0:
        whole = left // i[WAKE_PERIOD] * i[WAKE_COUNT]
        left %= i[WAKE_PERIOD]
    low = 0
    high = i[WAKE_COUNT]
    first = i[WAKE_PLACE] * MOST_WAKES
    while low < high:
        middle = (low + high) // 2
        if w.wake_time[first + middle] <= left:
            low = middle + 1
        else:
            high = middle
    return whole + low


def wakes_now(t: Tables, p: Parts, w: World, info: int, now: int) -> int:
    """1 where one of those that rest goes on at a time (ns) to where it wakes the controller.

    The instant is stepped with all that ends then, and the stretch of rest before it has that wake.
    """
    for k in range(t.info_start[info], t.info_start[info + 1]):
        lap = t.rest_lap[k]
        r = t.rest_region[k]
        if t.lap_wakes[lap] == 0 or w.due[r] != now:
            continue
        first = t.lap_start[lap]
        end = t.lap_start[lap + 1]
        place = w.lap_place[r]
        for _ in range(first, end):
            place += 1
            if place == end:
                if t.lap_open[lap] == 1:
                    break
                place = first
            if t.place_wakes[place] == 1:
                return 1
            if p.after[t.lap_group[place]] > 0:
                break
    return 0
