"""The hot loop: what holds now - load sets, guards, levels, answers."""

from __future__ import annotations

from simfw.life.registers import (
    AND,
    BARRED,
    BELOW,
    BEND,
    CHARGE,
    COARSE,
    COMPARE,
    ECHO,
    EVENTS,
    FINE,
    FLAG,
    HAPPENED,
    IDLE_HIGH,
    IDLE_LOW,
    INSIDE,
    LEVELS,
    LOADS,
    MISS,
    MISS_KEY,
    MISS_LOADS,
    MISS_PHASE,
    MISS_WHAT,
    MODE,
    NODES,
    NOT,
    OR,
    OUTPUTS,
    PHASE,
    PROTECTED,
    RANGE_LOW_V,
    RANGE_NODES,
    RANGE_STEP_V,
    ROOM,
    USB,
    WARMTH,
    Model,
    Parts,
    Tables,
    World,
)


def node_charges() -> list[float]:
    """The charges of the grid's nodes, rising from 0 to 1."""
    low = [BEND * k / FINE for k in range(FINE)]
    return [*low, *(BEND + (1.0 - BEND) * k / COARSE for k in range(COARSE + 1))]


def find(t: Tables, which: int, key: int) -> int:
    """The value of a key in an open hash table, -1 where it is not there."""
    base = t.hash_base[which]
    last = t.hash_size[which] - 1
    at = ((key ^ (key >> 15) ^ (key >> 31)) * 40503) & last
    while True:
        here = t.hash_key[base + at]
        if here == key:
            return t.hash_value[base + at]
        if here < 0:
            return -1
        at = (at + 1) & last


def piece(charge: float) -> int:
    """The number of the grid's piece on which a charge lies."""
    if charge >= BEND:
        k = FINE + int((charge - BEND) * (COARSE / (1.0 - BEND)))
        return k if k < NODES - 1 else NODES - 2
    k = int(charge * (FINE / BEND))
    if k < 0:
        return 0
    return k if k < FINE else FINE - 1


def node(k: int) -> float:
    """The charge of a node."""
    if k >= FINE:
        return BEND + (1.0 - BEND) * (k - FINE) / COARSE
    return BEND * k / FINE


def volts_at(p: Parts, slot: int, charge: float) -> float:
    """The terminal voltage with a load set, linear between nodes (V)."""
    k = piece(charge)
    low = p.volts[slot * NODES + k]
    left = node(k)
    share = (charge - left) / (node(k + 1) - left)
    return low + (p.volts[slot * NODES + k + 1] - low) * share


def rate_at(p: Parts, slot: int, charge: float) -> float:
    """The change of charge with a mix of load sets, linear between nodes (1/s)."""
    k = piece(charge)
    low = p.rate[slot * NODES + k]
    left = node(k)
    return low + (p.rate[slot * NODES + k + 1] - low) * ((charge - left) / (node(k + 1) - left))


def use_at(p: Parts, slot: int, charge: float) -> float:
    """What a mix of load sets draws, linear between nodes (A)."""
    k = piece(charge)
    low = p.use[slot * NODES + k]
    left = node(k)
    return low + (p.use[slot * NODES + k + 1] - low) * ((charge - left) / (node(k + 1) - left))


def loads_of(m: Model, t: Tables, p: Parts, w: World) -> int:
    """The slot of the load set of the present combination; -1 and a miss where unknown."""
    i = w.i
    key = 0
    if i[PROTECTED] == 0:
        offset = m.offset
        stride = m.phase_stride
        state = w.state
        for r in range(len(m.starts)):
            key += stride[offset[r] + state[r]]
        for k in range(len(m.gate)):
            if shown(m, w, m.gate[k]):
                key += m.gate_weight[k]
    else:
        key = m.size[BARRED]
    key = (key * 5 + i[MODE]) * 16 + i[WARMTH]
    loads = find(t, PHASE, key)
    if loads < 0:
        i[MISS] = MISS_PHASE
        for r in range(len(m.starts)):
            w.missed[r] = w.state[r]
        w.missed[len(m.starts)] = i[MODE]
        w.missed[len(m.starts) + 1] = i[PROTECTED]
        i[MISS_KEY] = key
        return -1
    slot = p.loads_slot[loads]
    if slot < 0:
        i[MISS] = MISS_LOADS
        i[MISS_WHAT] = loads
        return -1
    i[LOADS] = loads
    return slot


def shown(m: Model, w: World, program: int) -> bool:
    """Whether a gate is open: a program that reads states, bars and inputs only."""
    stack = w.stack
    base = m.size[ROOM]
    top = base
    for k in range(m.program[program], m.program[program + 1]):
        what = m.op[k]
        a = m.arg[2 * k]
        b = m.arg[2 * k + 1]
        if what == INSIDE:
            stack[top] = (b >> w.state[a]) & 1
            top += 1
        elif what == NOT:
            stack[top - 1] = 1 - stack[top - 1]
        elif what in (AND, OR):
            top = joined(w, top, a, what)
        elif what == FLAG:
            stack[top] = flag(m, w, a)
            top += 1
        elif what == COMPARE:
            left = plain_term(m, w, m.compare[5 * a], m.compare[5 * a + 1])
            right = plain_term(m, w, m.compare[5 * a + 3], m.compare[5 * a + 4])
            stack[top] = 1 if compared(left, m.compare[5 * a + 2], right) else 0
            top += 1
        else:
            stack[top] = a
            top += 1
    return stack[base] == 1


def joined(w: World, top: int, count: int, what: int) -> int:
    """Replace the topmost truths by their conjunction or disjunction; the new top."""
    stack = w.stack
    value = 1 if what == AND else 0
    for j in range(top - count, top):
        if stack[j] != value:
            value = 1 - value
            break
    top -= count
    stack[top] = value
    return top + 1


def guard(m: Model, t: Tables, p: Parts, w: World, program: int) -> bool:
    """Whether a guard program holds now; False with a miss where something is unknown."""
    stack = w.stack
    top = 0
    for k in range(m.program[program], m.program[program + 1]):
        what = m.op[k]
        a = m.arg[2 * k]
        b = m.arg[2 * k + 1]
        if what == INSIDE:
            stack[top] = (b >> w.state[a]) & 1
            top += 1
        elif what == BELOW:
            if a == 0:
                stack[top] = 1 if w.f[CHARGE] < p.charge_level[b] else 0
            else:
                slot = loads_of(m, t, p, w)
                if slot < 0:
                    return False
                stack[top] = 1 if w.f[CHARGE] < p.cross[slot * m.size[LEVELS] + b] else 0
            top += 1
        elif what == NOT:
            stack[top - 1] = 1 - stack[top - 1]
        elif what in (AND, OR):
            top = joined(w, top, a, what)
        elif what == FLAG:
            stack[top] = flag(m, w, a)
            top += 1
        elif what == ECHO:
            value = 0
            if w.hand[a] >= 0.0:
                slot = loads_of(m, t, p, w)
                if slot < 0:
                    return False
                if answers(p, a, w.hand[a], volts_at(p, slot, w.f[CHARGE])):
                    value = 1
            stack[top] = value
            top += 1
        elif what == HAPPENED:
            value = 0
            for j in range(w.i[EVENTS]):
                if w.event[j] == a:
                    value = 1
            stack[top] = value
            top += 1
        elif what == COMPARE:
            left = term(m, t, p, w, m.compare[5 * a], m.compare[5 * a + 1])
            right = term(m, t, p, w, m.compare[5 * a + 3], m.compare[5 * a + 4])
            if w.i[MISS] != 0:
                return False
            stack[top] = 1 if compared(left, m.compare[5 * a + 2], right) else 0
            top += 1
        else:
            stack[top] = a
            top += 1
    return stack[0] == 1


def compared(left: float, sign: int, right: float) -> bool:
    """A comparison; signs are numbered < <= > >= == !=."""
    if sign == 0:
        return left < right
    if sign == 1:
        return left <= right
    if sign == 2:
        return left > right
    if sign == 3:
        return left >= right
    if sign == 4:
        return left == right
    return left != right


def plain_term(m: Model, w: World, kind: int, index: int) -> float:
    """A side of a comparison: a number, or the bars of the gauge."""
    if kind == 0:
        return m.number[index]
    return float(m.bars[m.offset[index] + w.state[index]])


def term(m: Model, t: Tables, p: Parts, w: World, kind: int, index: int) -> float:
    """A side of a comparison: a number, the bars of the gauge, or the level of an output."""
    if kind < 2:
        return plain_term(m, w, kind, index)
    slot = loads_of(m, t, p, w)
    if slot < 0:
        return 0.0
    return t.levels[w.i[LOADS] * m.size[OUTPUTS] + index]


def flag(m: Model, w: World, number: int) -> int:
    """An input: usb, status.low, status.high, then the contacts."""
    i = w.i
    if number == 0:
        return i[USB]
    if number == 1:
        return m.status_low[i[MODE]] if i[USB] == 1 else m.size[IDLE_LOW]
    if number == 2:
        return m.status_high[i[MODE]] if i[USB] == 1 else m.size[IDLE_HIGH]
    return w.closed[number - 3]


def answers(p: Parts, sensor: int, distance_m: float, voltage_v: float) -> bool:
    """Whether a hand at a distance is answered, the terminal at a voltage."""
    base = sensor * RANGE_NODES
    if p.range_m[base] < 0.0:
        return True
    x = (voltage_v - RANGE_LOW_V) / RANGE_STEP_V
    if x < 0.0:
        x = 0.0
    k = int(x)
    if k > RANGE_NODES - 2:
        k = RANGE_NODES - 2
    low = p.range_m[base + k]
    return distance_m <= low + (p.range_m[base + k + 1] - low) * (x - k)
