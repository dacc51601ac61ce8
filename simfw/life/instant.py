"""The hot loop: one instant, until regions and circuit are at rest."""

from __future__ import annotations

from simfw.life.lookup import (
    flag,
    guard,
    loads_of,
)
from simfw.life.registers import (
    ALIVE,
    AWAKE,
    CHARGE,
    COMPLETE,
    EMPTIED,
    EMPTY_AT,
    ENDLESS,
    EVENTS,
    FORCED,
    FULL_AT,
    HEAD,
    LAST_OPEN,
    MARK_MODE,
    MARK_OPEN,
    MISS,
    MODE,
    MOST_EVENTS,
    NEVER,
    NOW,
    POWER_UP,
    PROTECTED,
    PUBLIC,
    QUEUE,
    RAWS,
    RESTING,
    RESUME,
    SAME,
    SWITCHES,
    TAIL,
    USB,
    USED,
    WOKE,
    Model,
    Parts,
    Tables,
    World,
)


def put(w: World, item: int, region: int, serial: int) -> None:
    """Put an event (item >= 0) or an expired dwell (-1 - row) at the end of the queue."""
    tail = w.i[TAIL]
    if tail >= QUEUE:
        # What has been handled makes room.
        head = w.i[HEAD]
        for k in range(head, tail):
            w.queue[k - head] = w.queue[k]
            w.queue_region[k - head] = w.queue_region[k]
            w.queue_serial[k - head] = w.queue_serial[k]
        tail -= head
        w.i[HEAD] = 0
        if tail >= QUEUE:
            w.i[MISS] = ENDLESS
            tail = QUEUE - 1
    w.queue[tail] = item
    w.queue_region[tail] = region
    w.queue_serial[tail] = serial
    w.i[TAIL] = tail + 1


def expire(m: Model, p: Parts, w: World, r: int) -> None:
    """A dwell of region r has expired: its rows go into the queue."""
    flat = m.offset[r] + w.state[r]
    group = m.group_start[flat] + w.following[r]
    for k in range(m.group_row[group], m.group_row[group + 1]):
        put(w, -1 - m.group_rows[k], r, w.serial[r])
    w.following[r] += 1
    if group + 1 < m.group_start[flat + 1]:
        w.due[r] = w.entered[r] + p.after[group + 1]
    else:
        w.due[r] = NEVER


def enter(m: Model, p: Parts, w: World, r: int, state: int) -> None:
    """Region r goes into a state."""
    flat = m.offset[r] + state
    w.state[r] = state
    w.entered[r] = w.i[NOW]
    w.serial[r] += 1
    if m.resume_point[flat] == 1:
        w.memory[r] = state
    if m.awake[flat] == 1:
        w.i[WOKE] = 1
    w.following[r] = 0
    group = m.group_start[flat]
    if group == m.group_start[flat + 1]:
        w.due[r] = NEVER
    elif p.after[group] == 0:
        expire(m, p, w, r)
    else:
        w.due[r] = w.i[NOW] + p.after[group]


def fire(m: Model, p: Parts, w: World, r: int, row: int) -> None:
    """A row of region r fires."""
    for k in range(m.emit_start[row], m.emit_start[row + 1]):
        put(w, m.emits[k], 0, 0)
    target = m.target[row]
    if target == SAME:
        return
    if target == RESUME:
        target = w.memory[r]
        if target < 0:
            target = m.resume_first[r]
    enter(m, p, w, r, target)


def halt(m: Model, w: World) -> None:
    """Power is lost: everything stands in its start state and nothing runs."""
    for r in range(len(m.starts)):
        w.state[r] = m.starts[r]
        w.entered[r] = w.i[NOW]
        w.serial[r] += 1
        w.following[r] = 0
        w.due[r] = NEVER
        w.memory[r] = -1
    for k in range(len(m.condition)):
        w.condition[k] = 0
    w.i[RESTING] = 0


def settle(m: Model, t: Tables, p: Parts, w: World, raws: int, power_up: int) -> bool:
    """Handle the queue of an instant until it is empty; False on a miss."""
    i = w.i
    i[HEAD] = 0
    i[TAIL] = 0
    if power_up == 1:
        halt(m, w)
        for r in range(len(m.starts)):
            enter(m, p, w, r, m.starts[r])
    for k in range(raws):
        put(w, w.raw[k], 0, 0)
    if power_up == 0:
        for r in range(len(m.starts)):
            if w.due[r] <= i[NOW]:
                expire(m, p, w, r)
    handled = 0
    while True:
        while i[HEAD] < i[TAIL]:
            handled += 1
            if handled > MOST_EVENTS:
                i[MISS] = ENDLESS
            if i[MISS] != 0:
                return False
            at = i[HEAD]
            i[HEAD] = at + 1
            item = w.queue[at]
            if item >= 0:
                if item < m.size[PUBLIC] and i[EVENTS] < len(w.event):
                    w.event[i[EVENTS]] = item
                    i[EVENTS] += 1
                for h in range(m.heard_start[item], m.heard_start[item + 1]):
                    r = m.heard_region[h]
                    cell = m.heard_base[h] + w.state[r]
                    for k in range(m.heard_row[cell], m.heard_row[cell + 1]):
                        row = m.heard_rows[k]
                        if m.guard[row] < 0 or guard(m, t, p, w, m.guard[row]):
                            fire(m, p, w, r, row)
                            break
                        if i[MISS] != 0:
                            return False
            else:
                r = w.queue_region[at]
                row = -1 - item
                if w.queue_serial[at] == w.serial[r] and (
                    m.guard[row] < 0 or guard(m, t, p, w, m.guard[row])
                ):
                    fire(m, p, w, r, row)
        for k in range(len(m.condition)):
            value = 1 if guard(m, t, p, w, m.condition[k]) else 0
            if i[MISS] != 0:
                return False
            if value != w.condition[k]:
                w.condition[k] = value
                put(w, m.rises[k] if value == 1 else m.falls[k], 0, 0)
        if i[HEAD] == i[TAIL]:
            return True


def set_mode(m: Model, w: World, mode: int, low: int, high: int) -> None:
    """The charger goes over to a mode; a raw event where its status pin was otherwise before."""
    w.i[MODE] = mode
    if mode == COMPLETE and w.i[FULL_AT] < 0:
        w.i[FULL_AT] = w.i[NOW]
    if flag(m, w, 1) != low or flag(m, w, 2) != high:
        edge = m.edge[len(m.edge) - 1]
        if edge >= 0:
            w.raw[w.i[RAWS]] = edge
            w.i[RAWS] += 1


def electrical(m: Model, t: Tables, p: Parts, w: World) -> int:
    """Take the next electrical step: 0 none is due, 1 taken, 2 taken and the controller starts,
    -1 on a miss.
    """
    i = w.i
    charge = w.f[CHARGE]
    slot = loads_of(m, t, p, w)
    if slot < 0:
        return -1
    forced = i[FORCED]
    i[FORCED] = -1
    if i[PROTECTED] == 0 and (forced == MARK_OPEN or charge <= p.open_at[slot]):
        i[PROTECTED] = 1
        i[ALIVE] = 0
        halt(m, w)
        i[RAWS] = 0
        return 1
    if i[PROTECTED] == 1 and charge >= p.restart_at[0] and charge > 0.0:
        i[PROTECTED] = 0
        i[ALIVE] = 1
        i[AWAKE] = 0
        i[RAWS] = 0
        count = len(m.edge)
        if i[USB] == 1 and m.edge[count - 2] >= 0:
            w.raw[0] = m.edge[count - 2]
            i[RAWS] = 1
        if flag(m, w, 1) == 1 and m.edge[count - 1] >= 0:
            w.raw[i[RAWS]] = m.edge[count - 1]
            i[RAWS] += 1
        return 2
    if forced >= MARK_MODE:
        i[RAWS] = 0
        set_mode(m, w, forced - MARK_MODE, flag(m, w, 1), flag(m, w, 2))
        return 1
    for k in range(p.step_start[slot], p.step_start[slot + 1]):
        if (charge >= p.step_at[k]) if p.step_rising[k] == 1 else (charge < p.step_at[k]):
            i[RAWS] = 0
            set_mode(m, w, p.step_to[k], flag(m, w, 1), flag(m, w, 2))
            return 1
    return 0


def any_awake(m: Model, w: World) -> int:
    """Whether a state keeps the controller awake."""
    for r in range(len(m.starts)):
        if m.awake[m.offset[r] + w.state[r]] == 1:
            return 1
    return 0


def save(m: Model, w: World) -> None:
    """Keep what an instant changes, so that it can be begun again after a miss."""
    count = len(m.starts)
    saved = w.saved
    for r in range(count):
        saved[r] = w.state[r]
        saved[count + r] = w.entered[r]
        saved[2 * count + r] = w.following[r]
        saved[3 * count + r] = w.due[r]
        saved[4 * count + r] = w.memory[r]
    for k in range(len(m.condition)):
        saved[5 * count + k] = w.condition[k]
    base = 5 * count + len(m.condition)
    i = w.i
    saved[base] = i[MODE]
    saved[base + 1] = i[PROTECTED]
    saved[base + 2] = i[ALIVE]
    saved[base + 3] = i[FORCED]
    saved[base + 4] = i[AWAKE]
    saved[base + 5] = i[RAWS]
    saved[base + 6] = i[POWER_UP]
    for k in range(i[RAWS]):
        saved[base + 7 + k] = w.raw[k]


def restore(m: Model, w: World) -> None:
    """Put everything back as `save` found it."""
    count = len(m.starts)
    saved = w.saved
    for r in range(count):
        w.state[r] = saved[r]
        w.entered[r] = saved[count + r]
        w.following[r] = saved[2 * count + r]
        w.due[r] = saved[3 * count + r]
        w.memory[r] = saved[4 * count + r]
        w.serial[r] += 1
    for k in range(len(m.condition)):
        w.condition[k] = saved[5 * count + k]
    base = 5 * count + len(m.condition)
    i = w.i
    i[MODE] = saved[base]
    i[PROTECTED] = saved[base + 1]
    i[ALIVE] = saved[base + 2]
    i[FORCED] = saved[base + 3]
    i[AWAKE] = saved[base + 4]
    i[RAWS] = saved[base + 5]
    i[POWER_UP] = saved[base + 6]
    for k in range(i[RAWS]):
        w.raw[k] = saved[base + 7 + k]
    i[EVENTS] = 0


def instant(m: Model, t: Tables, p: Parts, w: World) -> bool:
    """Handle everything due now until regions and circuit are at rest; False on a miss."""
    i = w.i
    save(m, w)
    i[EVENTS] = 0
    i[WOKE] = 0
    opened = 0
    rounds = 0
    while True:
        if i[ALIVE] == 1 and not settle(m, t, p, w, i[RAWS], i[POWER_UP]):
            restore(m, w)
            return False
        i[RAWS] = 0
        i[POWER_UP] = 0
        before = i[PROTECTED]
        step = electrical(m, t, p, w)
        if i[PROTECTED] > before:
            opened += 1
        if step < 0:
            restore(m, w)
            return False
        if step == 0:
            break
        if step == 2:
            i[POWER_UP] = 1
        rounds += 1
        if rounds > SWITCHES:
            i[MISS] = ENDLESS
            return False
    awake = any_awake(m, w) if i[ALIVE] == 1 else 0
    if i[ALIVE] == 1 and i[AWAKE] == 0 and (i[WOKE] == 1 or awake == 1):
        w.f[CHARGE] -= p.real[1] / p.real[0]
        w.f[USED] += p.real[1]
    i[AWAKE] = awake
    if opened > 0:
        i[EMPTIED] += opened
        i[LAST_OPEN] = i[NOW]
        if i[EMPTY_AT] < 0:
            i[EMPTY_AT] = i[NOW]
    for k in range(len(m.wave_event)):
        for j in range(i[EVENTS]):
            if w.event[j] == m.wave_event[k] and w.waving[k] == 1:
                w.waving[k] = 0
                w.caught[k] += 1
    return True
