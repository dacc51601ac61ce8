"""What the hot loop works on: its registers, its tables, and the state of one user's gadget.

Everything is flat: a sequence of whole numbers or of reals, lists where the loop runs as it stands
and arrays where it runs compiled.
"""

from __future__ import annotations

from typing import NamedTuple

Ints = list[int]
Reals = list[float]

NEVER = 1 << 62
SAME = -1
RESUME = -2

# The grid: FINE pieces over the lowest BEND of the charge, COARSE pieces above.
BEND = 0.05
FINE = 40
COARSE = 120
NODES = FINE + COARSE + 1
RANGE_NODES = 65
RANGE_LOW_V = 1.5
RANGE_STEP_V = 0.0625

QUARTER_NS = 900 * 10**9
QUARTERS = 7 * 96
DAY_NS = 86_400 * 10**9
QUEUE = 4096
BITS = 30  # of a band
MOST_EVENTS = 10_000
SWITCHES = 1000

# The hash tables.
PHASE = 0  # from what drives to the load set
REST = 1   # from a combination at rest to its number
BAND = 2   # from that and the levels of the cell to what rests

# What `run` returns.
DONE = 0        # the given time is reached
FINISHED = 1    # the last span between charges has ended
MISS_PHASE = 2  # no load set known for a combination
MISS_LOADS = 3  # a load set is not tabulated for these parts
MISS_REST = 4
MISS_BAND = 5
MISS_MIX = 6
MISS_POOL = 7   # a habit has used up its prepared draws
ENDLESS = 8

# Operations of guard programs.
CONST = 0
INSIDE = 1
FLAG = 2
ECHO = 3
HAPPENED = 4
NOT = 5
AND = 6
OR = 7
BELOW = 8
COMPARE = 9

# Integer registers of the world.
NOW = 0
STAGE = 1
ALIVE = 2
PROTECTED = 3
MODE = 4
USB = 5
WARMTH = 6
NEXT = 7
MISS = 8
MISS_WHAT = 9
MISS_KEY = 10
RAWS = 11
EVENTS = 12
AWAKE = 13
LOADS = 14
SPAN_START = 15
SPANS = 16
PLUGS = 17
ASKED = 18
REFUSED = 19
EMPTIED = 20
EMPTY_AT = 21
LAST_OPEN = 40
FULL_AT = 41
WOKE = 22
RESTING = 23
HEAD = 24
TAIL = 25
SWITCHED = 26
PENDING = 27
HORIZON = 28
ENDS_EMPTY = 29
FORCED = 30
POWER_UP = 31
HOLIDAY = 32
FINISHING = 33
SAVED_MODE = 34
SAVED_PROTECTED = 35
SAVED_ALIVE = 36
INFO = 37
DEAD_NS = 38
CHARGING = 39
REGISTERS = 48

# Real registers.
CHARGE = 0
SPAN_SUM = 1
SPAN_SQUARES = 2
USED = 3
SAVED_CHARGE = 4
LAST_CROSS = 5

STAGE_REST = 0
STAGE_INPUT = 1
STAGE_INSTANT = 2
STAGE_AFTER = 3

CONTACT = 0
HAND = 1
PLUG = 2
TEMPERATURE = 3

# Numbers in `Model.size`.
PUBLIC = 0     # events below it are public
LEVELS = 1     # levels of voltage that something asks for
CHARGER = 2    # 1 with a charger
OUTPUTS = 3
IDLE_LOW = 4   # what the status pin reads without USB
IDLE_HIGH = 5
CONTEXTS = 6   # combinations of inputs
BARRED = 7     # the phase key while the protection is open
ROOM = 8       # places of the evaluation stack that guards may use

# Modes of the charger, as `layout.MODES` has them.
PRECHARGE = 1
FAST = 2
COMPLETE = 3

MARK_OPEN = 0
MARK_RESTART = 1
MARK_MODE = 2  # plus the number of the mode


class Model(NamedTuple):
    """The rows of a system, numbered; see `layout` for what builds it."""

    offset: Ints        # first flat state of each region
    starts: Ints
    resume_first: Ints
    resume_point: Ints  # per flat state
    awake: Ints         # per flat state
    group_start: Ints   # per flat state, one more at the end: its dwell groups
    group_row: Ints     # per group, one more at the end: its rows
    group_rows: Ints
    heard_start: Ints   # per event, one more at the end
    heard_region: Ints
    heard_base: Ints
    heard_row: Ints     # per (hearing, state), one more at the end
    heard_rows: Ints
    guard: Ints         # per row
    target: Ints
    emit_start: Ints
    emits: Ints
    condition: Ints     # programs
    rises: Ints
    falls: Ints
    program: Ints       # start of each program, one more at the end
    op: Ints
    arg: Ints
    compare: Ints       # per comparison: kind, index, sign, kind, index
    number: Reals
    gate: Ints          # programs of the gated regions, and what each adds to the phase key
    gate_weight: Ints
    phase_stride: Ints  # per flat state: what it adds to the phase key
    joint_stride: Ints  # per region
    size: Ints          # see PUBLIC .. BARRED below
    edge: Ints          # event of each contact's edge, then usb.edge, status.edge (-1: none)
    status_low: Ints    # per mode with USB in
    status_high: Ints
    bars: Ints          # per flat state, bars of the gauge
    wave_event: Ints    # per sensor
    enabled: Ints       # number of the condition of each sensor
    flat: Ints          # [region of the cell's warning or -1, state "flat"]
    tracked: Ints       # regions whose time per state is kept
    habit: Ints         # programs of the habits that a condition starts


class Tables(NamedTuple):
    """What is known of combinations, whatever the parts: filled on misses."""

    hash_key: Ints      # the three hash tables, one behind the other
    hash_value: Ints
    hash_base: Ints     # of PHASE, REST and BAND
    hash_size: Ints     # a power of two
    levels: Reals        # per load set and output
    rest_major: Ints    # load set while all that rests is in its longest state
    info_resting: Ints  # bits of the resting regions
    info_mix: Ints
    info_lap: Ints      # per info and region
    lap_start: Ints
    lap_state: Ints


class Parts(NamedTuple):
    """Everything that belongs to one set of parts."""

    real: Reals          # [capacity (C), wake charge (C)]
    after: Ints         # per dwell group (ns)
    lap_period: Ints    # ns
    lap_stay: Ints      # ns, as `Tables.lap_state`
    loads_slot: Ints    # per load set
    volts: Reals         # per slot and node
    cross: Reals         # per slot and level: the charge at which it is passed
    open_at: Reals       # per slot
    step_start: Ints    # per slot and one more: the charger's steps
    step_rising: Ints
    step_at: Reals
    step_to: Ints
    start_cross: Reals   # per slot: below this charge charging begins with precharge
    mix_slot: Ints
    rate: Reals          # per mix slot and node, 1/s
    use: Reals           # per mix slot and node, A
    mark_start: Ints
    mark_rising: Ints
    mark_at: Reals
    mark_kind: Ints
    range_m: Reals       # per sensor and voltage node; < 0: any hand answers
    charge_level: Reals  # levels of cell.charge, rising
    restart_at: Reals    # [charge]


class World(NamedTuple):
    """The state of one user's gadget while time goes by; everything in it is changed in place."""

    i: Ints
    f: Reals
    state: Ints
    entered: Ints
    following: Ints
    due: Ints
    serial: Ints
    memory: Ints
    condition: Ints
    closed: Ints
    hand: Reals
    waving: Ints        # per sensor: 1 while a hand is there that has not been noticed
    waves: Ints
    caught: Ints
    queue: Ints
    queue_region: Ints
    queue_serial: Ints
    stack: Ints
    raw: Ints
    event: Ints
    saved: Ints
    missed: Ints       # the states, charger mode and protection that a load set is missed for
    first: Ints        # per occasion of a gated habit: 0 not judged, 1 it happens, 2 it does not
    spent: Ints         # ns per flat state
    heat: Reals          # C per quarter of an hour of the week
    pending_time: Ints
    pending_kind: Ints
    pending_target: Ints
    pending_value: Reals
    habit_true: Ints
    habit_until: Ints
    habit_again: Ints
    habit_used: Ints


class Stimuli(NamedTuple):
    """The stimuli of a stretch of time, by time, and what conditional habits will do."""

    time: Ints
    kind: Ints
    target: Ints
    value: Reals
    occasion: Ints      # of a gated habit, -1 for the others
    program: Ints       # per occasion
    pool_start: Ints    # per habit, occasion: flat start
    pool_end: Ints
    pool_time: Ints
    pool_kind: Ints
    pool_target: Ints
    pool_value: Reals
    pool_offset: Ints   # per habit: its first occasion in pool_start
    pool_count: Ints    # per habit
    away_from: Ints
    away_to: Ints
