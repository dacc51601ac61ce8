"""What the hot loop works on: its registers, its tables, and the state of one user's gadget.

Everything is flat: a sequence of whole numbers or of reals, lists where the loop runs as it stands
and arrays where it runs compiled.
"""

from __future__ import annotations

from typing import NamedTuple

Ints = list[int]
Reals = list[float]

NEVER = 1 << 62

RANGE_NODES = 65
RANGE_LOW_V = 1.5
RANGE_STEP_V = 0.0625

QUARTER_NS = 900 * 10**9
QUARTERS = 7 * 96
DAY_NS = 86_400 * 10**9
INFOS = 20   # bits of the number of what rests
PLACES = 16  # and of a joint place of resting regions
BUCKETS = 1024  # of the grid's index
LEAST_COUNT = 1e-12  # by how much a count is to move in a step that ends at one of its levels
MOST_CHANGES = 4096  # of regions that are counted over their common period
MOST_LAP = 64  # more than the states of a lap
KEPT_COUNTS = 4  # of wakings: what rests stands so again once what stirred it is over
MOST_WAKES = MOST_CHANGES + MOST_LAP
NOTHING_KEPT = -2  # in place of the kind of a lap
MOST_SEGMENTS = 1024  # of a cycle that is gone along in one step
LEAST_PERIODS = 8  # for which that is worth it
SWITCHES = 1000  # electrical changes that may follow one another in one instant

# What `run` returns.
DONE = 0         # the given time is reached
FINISHED = 1     # the last span between charges has ended
MISS_LOADS = 2   # a load set is not tabulated for these parts
MISS_REST = 3    # a combination with these echoes has not rested yet, the cell being so
MISS_MIX = 4     # a mix of load sets is not tabulated for these parts
MISS_PLACE = 5   # resting regions have not been interrupted in these states yet
MISS_STEP = 6    # a combination has not yet met what it meets now
MISS_PHASE = 7   # resting regions have not stood so yet when one of them reads the cell
MISS_CYCLE = 9   # what a cycle draws is not tabulated for these parts
MISS_POOL = 8    # a habit has used up its prepared draws
MISS_BARE = 10   # a combination with these echoes has not been stepped yet, the cell being so

# Integer registers of the world.
NOW = 0
STAGE = 1
COMB = 2          # the number of the present combination
NEXT = 3          # the stimulus that comes next
GATED = 4         # how far the gated habits have been judged
DUE_FROM = 5      # the region from which on dwells that are due have not been taken up
FORCED = 6        # kind of the mark that the charge has reached, -1 for none
INFO = 7          # what rests
LOADS = 8         # the load set while all that rests is in its longest state
HABITS = 9        # bits of the conditional habits whose condition holds
PENDING = 10      # how many stimuli of begun habits are due later
HOLIDAY = 11
FINISHING = 12
HORIZON = 13
ENDS_EMPTY = 14
SPAN_START = 15
SPANS = 16
PLUGS = 17
ASKED = 18
REFUSED = 19
EMPTIED = 20
EMPTY_AT = 21
LAST_OPEN = 22
FULL_AT = 23
DEAD_NS = 24
CHARGING = 25
HANDS = 26        # hands that are there
INSTANTS = 27
MISS_WHAT = 28
MISS_CODE = 29
FIRST_PLUG = 30   # when somebody charged for the first time
CYCLE_COMB = 31   # the combination from which on it is watched whether all comes round, -1 if not,
CYCLE_AT = 32     # since when,
CYCLE_COUNT = 33  # how many times of rest have gone by since,
CYCLE_LIMIT = 34  # after how many it is begun anew,
CYCLE_RESTING = 35  # and what rests all the while
CYCLE_SLOT = 36   # the row of what the cycle draws, -1 where it is not tabulated
PAID = 37         # whether what rests wakes the controller in this instant: that is counted already
WAKE_START = 38   # from when its wakings are told one by one, over which period (negative: that
WAKE_PERIOD = 39  # once, 0: they are not), and how many they are
WAKE_COUNT = 40
CYCLE_MIXED = 41  # whether they have been counted anew since the cycle began,
CYCLE_EMPTIED = 42  # and how often the protection had opened when it did
MOMENTS = 43      # at how many moments it was looked who is awake, to count wakings
WAKE_PLACE = 44   # where the present count of wakings is kept,
WAKE_NEXT = 45    # and where the next one will be
REGISTERS = 46

# Real registers.
CHARGE = 0
SPAN_SUM = 1
USED = 2
COUNTED = 3       # the count of a gauge that counts charge (0..1)
WAKES_HZ = 4      # how often what rests wakes the controller, as counted last; see `waking`
AWAKE_SHARE = 5   # the share of the time that it is awake more than if all met by chance
CYCLE_CHARGE = 6  # the charge when the cycle began,
CYCLE_LOW = 7     # between which charges it would have gone by alike,
CYCLE_HIGH = 8
CYCLE_WOKEN = 9   # and the charge drawn by wakings since (C),
CYCLE_FIXED = 10  # with what those of resting regions, one by one, are more than their mean
REALS = 11

STAGE_REST = 0
STAGE_PLACE = 1
STAGE_INPUT = 2
STAGE_DUE = 3
STAGE_HABITS = 4

# The hash tables, as `Tables.last` has them.
STEP, REST, PLACE, PHASE, BARE = range(5)

MOST_PENDING = 256  # stimuli of begun habits that may be due later

# Kinds of stimuli.
CONTACT = 0
HAND = 1
PLUG = 2
TEMPERATURE = 3
MEASURE = 4       # its value is the number of the measure's code

# Numbers in `Parts.real`.
CAPACITY_C = 0
WAKE_C = 1
RESTART = 2       # the charge at which the protection closes
RATIO = 3         # the capacity in capacities as the firmware counts
FIRST_COUNT = 4   # the count at power-up
LEAK = 5          # what flows past the counter, in such capacities (1/s): always,
LOSS = 6          # and in proportion to the charge, at charge 1
AWAKE_A = 7       # what the controller draws more awake than asleep
FEEDS_BELOW = 8   # the charge from which on a charger gives nothing to a cell at rest

# Numbers in `Tables.size`: how many there are of what.
REGIONS = 0
SENSORS = 1
LEVELS = 2        # levels of voltage that something asks for
CHARGE_LEVELS = 3
STARTED = 4       # habits that a condition starts
NODES = 5         # of the grid over the charge
# and where the codes of what a combination may meet begin
CODES = 6         # how many codes there are
FORCE = 7         # plus the kind of the mark
GATE = 8          # plus the number of the habit
TOUCH = 9         # plus twice the button, plus 1 where it closes
SUPPLY = 10       # plus 1 where USB comes
WARM = 11         # plus the number of the temperature
MEASURED = 12     # plus the number of a measure's code
TRACKED = 13      # regions whose time per state is kept
COUNTS = 14       # levels of the count that something asks for
KEEPING = 15      # regions of which something is kept over a power loss
SIZES = 16
SETTLE = 0        # an instant in which no dwell has expired
EXPIRE = 1        # plus the region: an instant, this one's dwell being the last that has expired

# What is asked of the cell or of a sensor in the course of a step; a load set, and a number.
ASK_LEVEL = 0     # whether the charge is below that of a level of voltage
ASK_CHARGE = 1    # whether it is below a level of charge
ASK_ECHO = 2      # whether the hand at a sensor is answered
ASK_OPEN = 3      # whether the protection opens
ASK_RESTART = 4   # whether it closes again
ASK_STEP = 5      # whether the charger's next step leads to this mode (-1: whether any is due)
ASK_LOW = 6       # whether charging would begin with precharge
ASK_FULL = 7
ASK_COUNT = 8     # whether the count is below a level
ASK_FIRST = 9     # whether the count at power-up is

# Bits of a combination.
ALIVE = 1
USB = 2
REFUSING = 4      # the cell is flat
CUT = 8           # a toggle has cut the supply off, or the firmware has let go of it

# Bits of what comes of a step.
WAKES = 1
FILLS = 2         # the charger has ended
HOLDS = 4         # the condition of a gated habit
FORGETS = 8       # the count begins anew, at power-up
ANCHORS = 16      # the count is that of a full cell
WAKERS = 5        # from this bit on: the regions that wake the controller

OPENING = 0      # whether the voltage is low enough for the protection to open
PRECHARGING = 1  # and for charging to begin with precharge
FIRST_LEVEL = 2
MARK_OPEN = 0
MARK_RESTART = 1
MARK_MODE = 2  # plus the number of the mode
MARKS = 7


class Tables(NamedTuple):
    """What is known of combinations, whatever the parts: it grows with what is met.

    A combination is everything that stands still between two stimuli but for the cell's charge,
    the distance of hands and the times. What it meets is found by `step_key` and leads over
    questions (`ask_...`) to an outcome; a number from -2 down stands for outcome -2 - number, -1
    for one not met yet.
    """

    size: Ints
    last: Ints            # the last place of each hash table
    offset: Ints          # first flat state of each region
    tracked: Ints
    step_key: Ints        # open hash tables: combination and code
    step_value: Ints
    rest_key: Ints        # combination and echoes: what rests
    rest_value: Ints
    place_key: Ints       # combination, what rests, joint place in the laps: combination
    place_value: Ints
    phase_key: Ints       # combination and echoes, what rests, joint place when the cell is read
    phase_value: Ints     # next: what rests then
    bare_key: Ints        # combination and echoes: that nothing rests
    bare_value: Ints
    ask_kind: Ints
    ask_loads: Ints
    ask_what: Ints
    ask_no: Ints
    ask_yes: Ints
    out_comb: Ints        # per outcome
    out_bits: Ints
    out_opened: Ints      # how often the protection opened
    out_waves: Ints       # bits of the sensors that have noticed a hand
    out_writes: Ints      # bits of the regions of which something else is kept now
    out_habits: Ints      # bits of the started habits whose condition holds
    out_start: Ints       # per outcome and one more: regions that are set anew
    set_region: Ints
    set_entered: Ints     # 1 where the region has entered its state
    set_group: Ints       # the dwell group that comes next, -1 for none
    comb_state: Ints      # per combination and region
    comb_loads: Ints
    comb_bits: Ints
    comb_enabled: Ints    # bits of the sensors that are on
    info_mix: Ints        # per info: what is charged
    info_loads: Ints      # the load set while all that rests is in its longest state
    info_resting: Ints    # bits of the resting regions
    info_wakes: Ints      # how many of them wake the controller, 0 where another keeps it awake
    info_reader: Ints     # the region that reads the cell by its dwell, -1 for none
    info_start: Ints      # and one more: the resting regions
    rest_region: Ints
    rest_lap: Ints
    rest_stride: Ints     # what a place in the lap counts in the number of the joint place
    lap_start: Ints       # and one more
    lap_open: Ints        # 1 where the end of the last place is an instant
    lap_home: Ints        # the place in the lap that counts where it is not known which
    lap_wakes: Ints       # 1 where the controller is woken at any of its places
    lap_kind: Ints        # the same for laps that differ only in where they begin
    lap_group: Ints       # the dwell group of each place
    place_awake: Ints     # 1 where the controller is awake there
    place_wakes: Ints     # 1 where it is woken, for an instant at least


class Parts(NamedTuple):
    """Everything that belongs to one set of parts."""

    real: Reals           # see `CAPACITY_C` and those that follow
    after: Ints           # per dwell group (ns)
    grid: Reals           # the charges of the nodes, rising from 0 to 1
    bucket: Ints          # the piece in which each of BUCKETS equal parts of the charge begins
    loads_slot: Ints      # per load set
    volts: Reals          # per slot and node
    # Per slot, for OPENING, PRECHARGING and each level from FIRST_LEVEL on: the charges at which
    # the voltage passes it. It is below up to the first, then not up to the second, and so on.
    turn_start: Ints      # and one more
    turn_at: Reals
    # Steps and marks are due from `at` up to `until` where rising, else from `until` up to `at`.
    step_start: Ints      # per slot and one more: the charger's steps
    step_rising: Ints
    step_at: Reals
    step_until: Reals
    step_to: Ints
    mix_slot: Ints
    rate: Reals           # per mix slot and node, 1/s
    use: Reals            # per mix slot and node, A
    mark_start: Ints
    mark_rising: Ints
    mark_at: Reals
    mark_until: Reals
    mark_kind: Ints
    range_m: Reals        # per sensor and voltage node; < 0: any hand answers
    charge_level: Reals   # levels of cell.charge, rising
    count_level: Reals    # levels of the count, rising


class World(NamedTuple):
    """The state of one user's gadget while time goes by; everything in it is changed in place."""

    i: Ints
    f: Reals
    entered: Ints         # per region
    due: Ints
    lap_place: Ints       # of a region that has just rested: its place, and how long it is there
    lap_left: Ints
    wake_kind: Ints       # per region, as counted last: the lap, -1 where it does not matter,
    wake_at: Ints         # and when it is at home
    wake_seen: Ints       # of the count: the regions that take part, their laps, the lengths of
    wake_lap: Ints        # these, groups, who is in one, places in laps, times of the next change
    wake_lasts: Ints
    wake_group: Ints
    wake_member: Ints
    wake_place: Ints
    wake_due: Ints
    wake_period: Ints     # per group: the common period, negative for one lap that leads on
    wake_changes: Ints    # and how often something changes in it
    wake_time: Ints       # when what rests wakes the controller, in one period; of each kept count
    kept_kind: Ints       # per kept count and region: `wake_kind` and `wake_at`,
    kept_at: Ints
    kept_count: Ints      # and what came of it: `WAKE_START` and those that follow,
    kept_mean: Reals      # `WAKES_HZ` and `AWAKE_SHARE`
    cycle_due: Ints       # per region, where the cycle began
    cycle_spent: Ints     # ns per flat state, there
    cycle_writes: Ints    # and how often had been written
    cycle_slot: Ints      # the times of rest since: rows of what was drawn, and ns
    cycle_ns: Ints
    cycle_wakes: Ints     # 1 where what rests may wake the controller, 2 more where it ends so
    hand: Reals           # per sensor: distance, below 0 for none
    waving: Ints          # 1 while a hand is there that has not been noticed
    waves: Ints
    caught: Ints
    first: Ints           # per occasion of a gated habit: 0 not judged, 1 it happens, 2 it does not
    spent: Ints           # ns per flat state
    writes: Ints          # per region of which something is kept: how often it was written
    heat: Reals           # C per quarter of an hour of the week
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

    counts: Ints          # how many stimuli, gated occasions, holidays
    time: Ints
    kind: Ints
    target: Ints
    value: Reals
    occasion: Ints        # of a gated habit, -1 for the others
    habit: Ints           # per occasion
    pool_start: Ints      # per habit, occasion: flat start
    pool_end: Ints
    pool_time: Ints
    pool_kind: Ints
    pool_target: Ints
    pool_value: Reals
    pool_offset: Ints     # per habit: its first occasion in pool_start
    pool_count: Ints      # per habit
    away_from: Ints
    away_to: Ints
