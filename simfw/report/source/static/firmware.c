/* firmware.c - walks the tables: one instant at a time, in a total order.
 *
 * What a gadget does not use is left out by the counts in tables.h.
 *
 * Deviations from the advice of MISRA C:2012, each with its reason:
 *   15.5 (advisory, one exit per function): early returns keep the searches below flat.
 *   8.9  (advisory, tables at block scope): the tables are shared by several functions here.
 */
#include "firmware.h"

#include "hooks.h"

#define AT(table, index) FW_READ(&(table)[index])

/* Times are numbered on from the events; a gadget may have none of these. */
#if FW_EVENT_COUNT > 0
#define IS_TIME(id) ((id) >= FW_EVENT_COUNT)
#else
#define IS_TIME(id) ((id) != FW_NONE)
#endif

fw_machine fw;

static void put(fw_index id)
{
    fw_count at;

    if (fw.held >= FW_QUEUE_SIZE) {
        fw.fault = FW_QUEUE_FULL;
        return;
    }
    at = (fw_count)(fw.head + fw.held);
    if (at >= FW_QUEUE_SIZE) {
        at = (fw_count)(at - FW_QUEUE_SIZE);
    }
    fw.queue[at] = id;
    fw.held++;
}

#if FW_ZERO_TIMES
/* A region that enters a state of no length waits for its new place in the queue: the old one, of
 * a stay that is over, counts no more. */
static void forget(fw_index id)
{
    fw_count at = fw.head;
    fw_count left;

    for (left = fw.held; left > 0u; left--) {
        if (fw.queue[at] == id) {
            fw.queue[at] = FW_NONE;
        }
        at++;
        if (at >= FW_QUEUE_SIZE) {
            at = 0u;
        }
    }
}
#endif

#if FW_TIMED_COUNT > 0
/* How long a time lasts, in ticks. */
static fw_tick length(fw_index id)
{
    fw_index number = AT(fw_time_lengths, id - FW_EVENT_COUNT);

#if FW_LATER_TIMES
    number = (fw_index)(number & (FW_TIME_MORE - 1u));
#endif
    return FW_READ_TICK(&fw_lengths[number]);
}
#endif

/* The outputs that a state drives or gates may change when it is entered or left. */
static void touch(fw_index state)
{
#if (FW_DRIVE_COUNT > 0) || (FW_DIAL_DRIVE_COUNT > 0) || (FW_CLOCK_COUNT > 0)
    fw.changed |= FW_READ_MASK(&fw_state_outputs[state]);
#else
    (void)state;
#endif
}

#if FW_CLOCK_COUNT > 0
/* A clock comes to a step at the time `now`. */
static void go_to(fw_index clock, fw_step_place step)
{
    fw.step[clock] = step;
    fw.edge[clock] = (fw_tick)(fw.now + FW_READ_TICK(&fw_lengths[AT(fw_step_lengths, step)]));
}

/* The clocks of a region that enters a state begin the sequences of that state. */
static void follow(fw_index region, fw_index state)
{
    fw_index clock;

    for (clock = 0u; clock < FW_CLOCK_COUNT; clock++) {
        if (AT(fw_clocks, clock * FW_CLOCK_SIZE) == region) {
            fw_index at = AT(fw_clock_plays, clock);
            fw_index end = AT(fw_clock_plays, clock + 1u);

            fw.play[clock] = FW_NONE;
            for (; at < end; at++) {
                const FW_FLASH fw_index *play = &fw_plays[at * FW_PLAY_SIZE];

                if ((state >= FW_READ(&play[0])) && (state <= FW_READ(&play[1]))) {
                    fw.play[clock] = FW_READ(&play[2]);
                    go_to(clock, FW_READ_STEP(&fw_sequences[fw.play[clock]]));
                }
            }
        }
    }
}

/* The steps that end now: each clock goes to the next one, round to the first, or comes to its
 * end. A state that is entered in the same instant begins its own after that. */
static void turn_clocks(void)
{
    fw_index clock;

    for (clock = 0u; clock < FW_CLOCK_COUNT; clock++) {
        fw_index play = fw.play[clock];

        if ((play != FW_NONE) && (fw.edge[clock] == fw.now)) {
            fw_step_place next = (fw_step_place)(fw.step[clock] + 1u);

            if (next == FW_READ_STEP(&fw_sequences[play + 1u])) {
                next = FW_READ_STEP(&fw_sequences[play]);
#if FW_ENDLESS_COUNT > 0
                if (play >= FW_ENDLESS_COUNT) {
                    fw.play[clock] = FW_NONE;
                }
#else
                fw.play[clock] = FW_NONE;
#endif
            }
            go_to(clock, next);
            fw.changed = (fw_mask)(fw.changed
                         | ((fw_mask)1u
                            << (AT(fw_clocks, (clock * FW_CLOCK_SIZE) + 1u) % FW_MASK_BITS)));
        }
    }
}
#endif

static void arrive(fw_index region, fw_index state)
{
#if (FW_MEMORY_COUNT > 0) || FW_AWAKE_STATES
    uint8_t flags = FW_READ_BYTE(&fw_state_flags[state]);
#endif

    fw.state[region] = state;
    touch(state);
#if FW_CLOCK_COUNT > 0
    follow(region, state);
#endif
#if FW_MEMORY_COUNT > 0
    if ((flags & FW_STATE_RESUMES) != 0u) {
        fw.memory[region - FW_MEMORY_FIRST] = state;
    }
#endif
#if FW_AWAKE_STATES
    if ((flags & FW_STATE_AWAKE) != 0u) {
        fw.awake++;
#ifdef FW_HOST
        fw.woke = true;
#endif
    }
#endif
#if FW_TIMED_COUNT > 0
    if (region < FW_TIMED_COUNT) {
        fw_index id = AT(fw_state_times, state);

        fw.time[region] = id;
        if (id != FW_NONE) {
            fw_tick lasts = length(id);

            fw.due[region] = (fw_tick)(fw.now + lasts);
#if FW_ZERO_TIMES
            if (lasts == 0u) {
                forget(id);
                put(id);
            }
#endif
        }
    }
#endif
}

static void emit(fw_index event)
{
    put(event);
    fw_hook_event(event);
}

#if FW_ROW_COUNT > 0
/* Do what a row says: emit, and go on. */
static void fire(fw_index region, const FW_FLASH fw_index *row)
{
    fw_index to = FW_READ(&row[4]);
    fw_index emits = FW_READ(&row[5]);

#if FW_EMIT_LISTS
    if ((emits >= FW_EVENT_COUNT) && (emits != FW_NONE)) {
        fw_index at = (fw_index)(emits - FW_EVENT_COUNT);

        for (emits = AT(fw_emits, at); emits != FW_NONE; emits = AT(fw_emits, at)) {
            emit(emits);
            at++;
        }
    }
#endif
    if (emits != FW_NONE) {
        emit(emits);
    }
    if (to == FW_SAME) {
        return;
    }
#if FW_MEMORY_COUNT > 0
    if (to == FW_RESUME) {
        to = fw.memory[region - FW_MEMORY_FIRST];
    }
#endif
#if FW_STEPPED
    if ((to >= FW_STEP_FIRST) && (to < FW_STEP_END)) {
        to = (fw_index)((fw_index)(fw.state[region] + to) - FW_STEP_ZERO); /* a distance */
    }
#endif
#if FW_AWAKE_STATES
    if ((FW_READ_BYTE(&fw_state_flags[fw.state[region]]) & FW_STATE_AWAKE) != 0u) {
        fw.awake--;
    }
#endif
    touch(fw.state[region]);
    arrive(region, to);
}

#if FW_TIMED_COUNT > 0
/* Whether the time `id` has run out in `region` now; it is spent then, and the next one of the
 * stay, if there is one, runs. */
static bool expires(fw_index region, fw_index id)
{
    if ((fw.time[region] != id) || (fw.due[region] != fw.now)) {
        return false; /* the state was left in this instant */
    }
    fw.time[region] = FW_NONE;
#if FW_LATER_TIMES
    if ((AT(fw_time_lengths, id - FW_EVENT_COUNT) & FW_TIME_MORE) != 0u) {
        fw_index next = (fw_index)(id + 1u);

        fw.time[region] = next;
        fw.due[region] = (fw_tick)(fw.now - length(id) + length(next));
        if (fw.due[region] == fw.now) {
            put(next);
        }
    }
#endif
    return true;
}
#endif

/* Offer an event to the rows that wait for it: in each region the first whose state and guard
 * match fires. The rows of a time are tried in order until one of them leaves the state. */
static void offer(fw_index id)
{
    const FW_FLASH fw_index *row = &fw_rows[FW_READ_PLACE(&fw_id_rows[id])];
    const FW_FLASH fw_index *end = &fw_rows[FW_READ_PLACE(&fw_id_rows[id + 1u])];
    fw_index done = FW_NONE;

#if FW_TIMED_COUNT > 0
    if (IS_TIME(id) && !expires(FW_READ(&row[0]), id)) {
        return;
    }
#endif
    for (; row != end; row += FW_ROW_SIZE) {
        fw_index region = FW_READ(&row[0]);
        fw_index state = fw.state[region];

        if ((region != done) && (state >= FW_READ(&row[1])) && (state <= FW_READ(&row[2]))) {
#if FW_GUARD_COUNT > 0
            fw_index guard = FW_READ(&row[3]);

            if ((guard != FW_NONE) && !fw_guard(guard)) {
                continue;
            }
#endif
#if FW_TIMED_COUNT > 0
            if (!IS_TIME(id) || (FW_READ(&row[4]) != FW_SAME)) {
                done = region;
            }
#else
            done = region;
#endif
            fire(region, row);
        }
    }
}
#endif

#if FW_CONDITION_COUNT > 0
static void watch(void)
{
    fw_index i;

    for (i = 0u; i < FW_CONDITION_COUNT; i++) {
        const FW_FLASH fw_index *row = &fw_conditions[i * FW_CONDITION_SIZE];
        bool holds = fw_guard(FW_READ(&row[0]));

        if (holds != fw.condition[i]) {
            fw.condition[i] = holds;
            put(holds ? FW_READ(&row[1]) : FW_READ(&row[2]));
        }
    }
}
#endif

/* Find out when the next time ends. */
static void look_ahead(void)
{
    fw_tick soonest = FW_TICK_MAX; /* no time is so long */
#if FW_TIMED_COUNT > 0
    fw_index region;

    for (region = 0u; region < FW_TIMED_COUNT; region++) {
        if (fw.time[region] != FW_NONE) {
            fw_tick left = (fw_tick)(fw.due[region] - fw.now);

            if (left < soonest) {
                soonest = left;
                fw.first = region;
            }
        }
    }
#endif
#if FW_CLOCK_COUNT > 0
    {
        fw_index clock;

        for (clock = 0u; clock < FW_CLOCK_COUNT; clock++) {
            if (fw.play[clock] != FW_NONE) {
                fw_tick left = (fw_tick)(fw.edge[clock] - fw.now);

                if (left < soonest) {
                    soonest = left;
#if FW_TIMED_COUNT > 0
                    fw.first = 0u; /* a time may end with it */
#endif
                }
            }
        }
    }
#endif
    fw.next = (fw_tick)(fw.now + soonest);
    fw.waits = (soonest != FW_TICK_MAX);
}

/* Empty the queue; when it runs empty, read the conditions, and stop when none has changed. */
static void settle(void)
{
#if FW_ENDLESS_POSSIBLE
    uint16_t handled = 0u;
#endif

    while (fw.fault == FW_OK) {
#if FW_CONDITION_COUNT > 0
        if (fw.held == 0u) {
            watch();
        }
#endif
        if (fw.held == 0u) {
            break;
        }
#if FW_ENDLESS_POSSIBLE
        if (handled == FW_INSTANT_LIMIT) {
            fw.fault = FW_ENDLESS;
            break;
        }
        handled++;
#endif
        {
            fw_index id = fw.queue[fw.head];

            fw.held--;
            fw.head++;
            if (fw.head == FW_QUEUE_SIZE) {
                fw.head = 0u;
            }
#if FW_ROW_COUNT > 0
#if FW_ZERO_TIMES
            if (id == FW_NONE) {
                continue;
            }
#endif
            offer(id);
#else
            (void)id;
#endif
        }
    }
    look_ahead();
}

static void begin(fw_tick now)
{
    fw.now = now;
#ifdef FW_HOST
    fw.woke = false;
#endif
#if FW_GATES_READ_INPUTS
    fw.changed |= FW_GATED_OUTPUTS;
#endif
}

static void put_due(void)
{
#if FW_CLOCK_COUNT > 0
    if (fw.waits && (fw.next == fw.now)) {
        turn_clocks();
    }
#endif
#if FW_TIMED_COUNT > 0
    fw_index region;

    if (fw.waits && (fw.next == fw.now)) {
        for (region = fw.first; region < FW_TIMED_COUNT; region++) {
            if ((fw.time[region] != FW_NONE) && (fw.due[region] == fw.now)) {
                put(fw.time[region]);
            }
        }
    }
#endif
}

static void prepare(fw_tick now, const uint8_t levels[])
{
    fw.head = 0u;
    fw.held = 0u;
    fw.fault = FW_OK;
    fw.waits = false;
#if FW_AWAKE_STATES
    fw.awake = 0u;
#endif
#if FW_CONDITION_COUNT > 0
    {
        fw_index i;

        for (i = 0u; i < FW_CONDITION_COUNT; i++) {
            fw.condition[i] = false;
        }
    }
#endif
    begin(now);
#if FW_SIGNAL_COUNT > 0
    {
        uint8_t i;

        for (i = 0u; i < FW_SIGNAL_COUNT; i++) {
            fw.level[i] = levels[i];
        }
    }
#else
    (void)levels;
#endif
}

#if FW_KEPT_COUNT > 0
/* What is to be kept of a region now. */
static fw_index worth_keeping(fw_index number)
{
    const FW_FLASH fw_index *keep = &fw_keeps[number * FW_KEEP_SIZE];
    fw_index region = FW_READ(&keep[0]);

#if FW_MEMORY_COUNT > 0
    if (FW_READ(&keep[3]) != 0u) {
        return fw.memory[region - FW_MEMORY_FIRST];
    }
#endif
#if FW_KEPT_BUT
    if ((FW_READ_BYTE(&fw_state_flags[fw.state[region]]) & FW_STATE_UNPOWERED) != 0u) {
        return fw.kept[number]; /* what lets go of the supply is not kept: it stays as it was */
    }
#endif
    return fw.state[region];
}

/* The instant is settled: whatever has changed is kept. */
static void keep(void)
{
    fw_index i;

    for (i = 0u; i < FW_KEPT_COUNT; i++) {
        fw_index value = worth_keeping(i);

        if (value != fw.kept[i]) {
            fw.kept[i] = value;
            fw_hook_keep(i, (fw_index)(value - FW_READ(&fw_keeps[(i * FW_KEEP_SIZE) + 1u])));
        }
    }
}

/* What was kept of a region comes back: its state, which is returned, or what it would resume. */
static fw_index come_back(fw_index region, fw_index starts)
{
    fw_index i;

    for (i = 0u; i < FW_KEPT_COUNT; i++) {
        const FW_FLASH fw_index *keep_at = &fw_keeps[i * FW_KEEP_SIZE];
        fw_index first = FW_READ(&keep_at[1]);
        fw_index value;

        if (FW_READ(&keep_at[0]) != region) {
            continue;
        }
        fw.kept[i] = FW_NONE;
        value = fw_hook_kept(i);
        if ((value == FW_NONE) || (value > (fw_index)(FW_READ(&keep_at[2]) - first))) {
            continue; /* nothing, or nothing that can be: as new */
        }
        value = (fw_index)(value + first);
        fw.kept[i] = value;
#if FW_MEMORY_COUNT > 0
        if (FW_READ(&keep_at[3]) != 0u) {
            fw.memory[region - FW_MEMORY_FIRST] = value;
            continue;
        }
#endif
        starts = value;
    }
    return starts;
}
#endif

static uint8_t power_up(void)
{
    fw_index i;

#if FW_FOUND_COUNT > 0
    for (i = 0u; i < FW_FOUND_COUNT; i++) {
        if (fw.level[AT(fw_found, i)] != 0u) {
            put(AT(fw_found, i));
        }
    }
#endif
#if FW_MEMORY_COUNT > 0
    for (i = 0u; i < FW_MEMORY_COUNT; i++) {
        fw.memory[i] = AT(fw_resumes, i);
    }
#endif
    for (i = 0u; i < FW_REGION_COUNT; i++) {
#if FW_KEPT_COUNT > 0
        arrive(i, come_back(i, AT(fw_starts, i)));
#else
        arrive(i, AT(fw_starts, i));
#endif
    }
    fw.changed = FW_ALL_OUTPUTS;
    settle();
#if FW_KEPT_COUNT > 0
    keep();
#endif
    return fw.fault;
}

uint8_t fw_start(fw_tick now, const uint8_t levels[])
{
    prepare(now, levels);
    return power_up();
}

#ifdef FW_HOST
uint8_t fw_start_with(fw_tick now, const uint8_t levels[], const uint8_t moved[], uint8_t count)
{
    uint8_t i;

    prepare(now, levels);
    for (i = 0u; i < count; i++) {
        put(moved[i]);
    }
    return power_up();
}
#endif

bool fw_due(fw_tick *when)
{
    *when = fw.next;
    return fw.waits;
}

uint8_t fw_step(fw_tick now, const fw_change changes[], uint8_t count)
{
    bool late;

    fw.changed = 0u;
    do {
        /* A late call costs no accuracy: what was due before `now` happens at its own time. Ticks
         * wrap; a time is past when it lies less than half the range behind. */
        late = fw.waits && (fw.next != now)
               && ((fw_tick)(now - fw.next) <= (fw_tick)(FW_TICK_MAX / 2u));
        begin(late ? fw.next : now);
#if FW_SIGNAL_COUNT > 0
        while ((count > 0u) && !late) {
            fw.level[changes->signal] = changes->level;
            put(changes->signal);
            changes++;
            count--;
        }
#else
        (void)changes;
        (void)count;
#endif
        put_due();
        settle();
#if FW_KEPT_COUNT > 0
        keep();
#endif
    } while (late && (fw.fault == FW_OK));
    return fw.fault;
}

#if FW_OUTPUT_COUNT > 0
#if (FW_DRIVE_COUNT > 0) || (FW_DIAL_DRIVE_COUNT > 0) || (FW_SCALE_COUNT > 0) \
    || (FW_DIAL_SCALE_COUNT > 0)
/* Whether the region of an entry of fw_drives, or of a table like it, stands in the states of that
 * entry. */
static bool stands(const FW_FLASH fw_index *drive)
{
    fw_index state = fw.state[FW_READ(&drive[0])];

    return (state >= FW_READ(&drive[1])) && (state <= FW_READ(&drive[2]));
}
#endif

/* The most that states give an output by dials: places among the levels that it can be given. */
static fw_index lit_by_dials(fw_index output)
{
    fw_index most = 0u;
#if FW_DIAL_DRIVE_COUNT > 0
    fw_index at = AT(fw_output_dial_drives, output);
    fw_index end = AT(fw_output_dial_drives, output + 1u);

    for (; at < end; at++) {
        const FW_FLASH fw_index *drive = &fw_dial_drives[at * FW_DIAL_DRIVE_SIZE];

        if (stands(drive)) {
            fw_index position = (fw_index)(fw.state[FW_READ(&drive[3])] - FW_READ(&drive[4]));
            fw_index here = AT(fw_dial_ranks, (fw_index)(FW_READ(&drive[5]) + position));

            most = (here > most) ? here : most;
        }
    }
#else
    (void)output;
#endif
    return most;
}

/* What the clocks of sequences give an output now, or `most` where that is more. */
static fw_index in_time(fw_index output, fw_index most)
{
#if FW_CLOCK_COUNT > 0
    fw_index clock;

    for (clock = 0u; clock < FW_CLOCK_COUNT; clock++) {
        if ((fw.play[clock] != FW_NONE)
            && (AT(fw_clocks, (clock * FW_CLOCK_SIZE) + 1u) == output)) {
            fw_index here = AT(fw_step_ranks, fw.step[clock]);

            most = (here > most) ? here : most;
        }
    }
#else
    (void)output;
#endif
    return most;
}

#if FW_PLAIN_TAKES || FW_GATED_TAKES
/* What the entries of a group, up to one of them, light and put out. */
typedef struct {
    fw_index rank;
    fw_index taken;
} group_sum;

/* Add an entry to its group. At the end of the group: what it lights less what it puts out, and the
 * next group begins; before that nothing. */
static fw_index add(group_sum *group, fw_index mark, fw_index here)
{
    fw_index left = 0u;

    if ((mark & FW_DRIVE_TAKES) != 0u) {
        group->taken = (here > group->taken) ? here : group->taken;
    } else {
        group->rank = (here > group->rank) ? here : group->rank;
    }
    if ((mark & FW_DRIVE_ENDS) != 0u) {
        if (group->rank > group->taken) {
            left = (fw_index)(group->rank - group->taken);
        }
        group->rank = 0u;
        group->taken = 0u;
    }
    return left;
}
#endif

/* The most of dials and of the entries that no gate can shut. */
static fw_index lit_plain(fw_index output)
{
#if FW_DRIVE_COUNT > 0
    fw_index at = AT(fw_output_drives, output * FW_DRIVE_LISTS);
    fw_index end = AT(fw_output_drives, (output * FW_DRIVE_LISTS) + 1u);
    fw_index most = lit_by_dials(output);
#if FW_PLAIN_TAKES
    group_sum group = {0u, 0u};
#endif

    for (; at < end; at++) {
        const FW_FLASH fw_index *drive = &fw_drives[at * FW_DRIVE_SIZE];
        fw_index here = stands(drive) ? FW_READ(&drive[3]) : 0u;

#if FW_PLAIN_TAKES
        here = add(&group, FW_READ(&drive[4]), here);
#endif
        most = (here > most) ? here : most;
    }
    return in_time(output, most);
#else
    return in_time(output, lit_by_dials(output));
#endif
}

#if FW_GATE_COUNT > 0
/* The most of all entries, but those of gates that are shut. */
static fw_index lit(fw_index output)
{
    fw_index at = AT(fw_output_drives, (output * FW_DRIVE_LISTS) + 1u);
    fw_index end = AT(fw_output_drives, (output * FW_DRIVE_LISTS) + 2u);
    fw_index most = lit_plain(output);
#if FW_GATED_TAKES
    group_sum group = {0u, 0u};
#endif

    for (; at < end; at++) {
        const FW_FLASH fw_index *drive = &fw_drives[at * FW_DRIVE_SIZE];
        fw_index here = stands(drive) ? FW_READ(&drive[3]) : 0u;
        fw_index mark = FW_READ(&drive[4]);

#if FW_GATED_TAKES
        if (((mark & FW_DRIVE_TAKES) == 0u) && (here > group.rank)
            && !fw_show((fw_index)(mark / FW_DRIVE_GATE))) {
            here = 0u;
        }
        here = add(&group, mark, here);
        most = (here > most) ? here : most;
#else
        if ((here > most) && fw_show((fw_index)(mark / FW_DRIVE_GATE))) {
            most = here;
        }
#endif
    }
    return most;
}
#else
static fw_index lit(fw_index output)
{
    return lit_plain(output);
}
#endif

#if FW_GIVEN_COUNT > 0
/* Two shares, of which 2^32 were the whole, multiplied: rounded, in halves of 16 bits. */
static fw_level share_of(fw_level a, fw_level b)
{
    fw_level a_low = a & 0xFFFFu;
    fw_level b_low = b & 0xFFFFu;
    fw_level low = a_low * b_low;
    fw_level middle = ((a >> 16) * b_low) + (low >> 16);
    fw_level other = (a_low * (b >> 16)) + (middle & 0xFFFFu);

    return ((a >> 16) * (b >> 16)) + (middle >> 16) + (other >> 16) + ((other >> 15) & 1u);
}
#endif

/* The rank that is left of what an output is given under the factors of all regions that scale it
 * now; where none can, it is given its rank. */
static fw_ranked scaled(fw_index output, fw_index given)
{
#if (FW_SCALE_COUNT > 0) || (FW_DIAL_SCALE_COUNT > 0)
    fw_index place = AT(fw_scaled_first, output);
    fw_index at;
    fw_index end;

    if (place == FW_NONE) {
        return given;
    }
#if FW_SCALE_COUNT > 0
    at = AT(fw_output_scales, output);
    end = AT(fw_output_scales, output + 1u);
    for (; at < end; at++) {
        const FW_FLASH fw_index *scale = &fw_scales[at * FW_SCALE_SIZE];

        if (stands(scale)) {
            place = (fw_index)(place + FW_READ(&scale[3]));
        }
    }
#endif
#if FW_DIAL_SCALE_COUNT > 0
    at = AT(fw_output_dial_scales, output);
    end = AT(fw_output_dial_scales, output + 1u);
    for (; at < end; at++) {
        const FW_FLASH fw_index *scale = &fw_dial_scales[at * FW_DIAL_SCALE_SIZE];

        if (stands(scale)) {
            fw_index position = (fw_index)(fw.state[FW_READ(&scale[3])] - FW_READ(&scale[4]));

            position = (fw_index)(position + FW_READ(&scale[5]));
            place = (fw_index)(place + (fw_index)(position * FW_READ(&scale[6])));
        }
    }
#endif
#if FW_GIVEN_COUNT > 0
    at = AT(fw_given_first, output);
    if (at != FW_NONE) {
        fw_level share = share_of(FW_READ_LEVEL(&fw_given[at + given]),
                                  FW_READ_LEVEL(&fw_factors[place]));

        return share_of(share, 1000000u); /* parts per million */
    }
#endif
#if FW_SCALED_COUNT > 0
    return AT(fw_scaled, place + given);
#else
    return given;
#endif
#else
    (void)output;
    return given;
#endif
}

fw_ranked fw_plain_rank(fw_index output)
{
    return scaled(output, lit_plain(output));
}

fw_ranked fw_rank(fw_index output)
{
    return scaled(output, lit(output));
}

fw_level fw_level_of(fw_index output, fw_ranked rank)
{
#if FW_ONE_LEVEL_LIST
    (void)output;
    return FW_READ_LEVEL(&fw_levels[rank]);
#elif FW_LEVEL_COUNT > 0
    fw_index first = AT(fw_output_levels, output);

#if FW_SEGMENTED
    if (first == FW_NONE) {
        return rank;
    }
#endif
    return FW_READ_LEVEL(&fw_levels[first + rank]);
#else
    (void)output;
    return rank;
#endif
}

fw_level fw_output(fw_index output)
{
    return fw_level_of(output, fw_rank(output));
}
#endif

bool fw_changed(fw_index output)
{
#if FW_OUTPUT_COUNT == 1
    (void)output;
    return fw.changed != 0u;
#else
    return ((fw_mask)(fw.changed >> (output % FW_MASK_BITS)) & 1u) != 0u;
#endif
}

bool fw_awake(void)
{
#if FW_AWAKE_STATES
    return fw.awake != 0u;
#else
    return false;
#endif
}

#ifdef FW_HOST
bool fw_woke(void)
{
    return fw.woke;
}
#endif
