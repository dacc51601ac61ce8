/* firmware.c - walks the tables: one instant at a time, in a total order.
 *
 * Deviations from the advice of MISRA C:2012, each with its reason:
 *   15.5 (advisory, one exit per function): early returns keep the searches below flat.
 *   8.9  (advisory, tables at block scope): the tables are shared by several functions here.
 */
#include "firmware.h"

#include "hooks.h"

/* Ticks wrap; a time is past when it lies less than half the range behind. */
static bool reached(fw_tick now, fw_tick when)
{
    return (fw_tick)(now - when) <= (fw_tick)(FW_TICK_MAX / 2u);
}

static void put(fw_machine *m, fw_index id, fw_index region, uint16_t stay)
{
    uint16_t at;

    if (m->held >= (uint16_t)FW_QUEUE_SIZE) {
        m->fault = FW_QUEUE_FULL;
        return;
    }
    at = (uint16_t)((m->head + m->held) % (uint16_t)FW_QUEUE_SIZE);
    m->queue[at].id = id;
    m->queue[at].region = region;
    m->queue[at].stay = stay;
    m->held = (uint16_t)(m->held + 1u);
}

/* Put the dwells of `region` that end now behind the queue, in row order. */
static void put_dwells(fw_machine *m, fw_index region)
{
    const fw_state_info *info = &fw_states[m->state[region]];
    fw_index end = (fw_index)(info->dwells + info->dwell_count);

    while (m->dwell[region] < end) {
        const fw_dwell *dwell = &fw_dwells[m->dwell[region]];

        if ((fw_tick)(m->now - m->entered[region]) < dwell->after) {
            break;
        }
        m->dwell[region] = (fw_index)(m->dwell[region] + 1u);
        put(m, dwell->row, region, m->stay[region]);
    }
}

static void enter(fw_machine *m, fw_index region, fw_index state)
{
    const fw_state_info *info = &fw_states[state];

    m->state[region] = state;
    m->entered[region] = m->now;
    m->dwell[region] = info->dwells;
    m->stay[region] = (uint16_t)(m->stay[region] + 1u);
    if ((info->flags & FW_STATE_RESUMES) != 0u) {
        m->memory[region] = state;
    }
    if ((info->flags & FW_STATE_AWAKE) != 0u) {
        m->woke = true;
    }
    put_dwells(m, region); /* those of no length */
}

static void fire(fw_machine *m, fw_index region, fw_index number)
{
    const fw_row *row = &fw_rows[number];
    fw_index i;

    for (i = 0u; i < row->emit_count; i++) {
        put(m, fw_emits[row->emits + i], FW_NONE, 0u);
        fw_hook_event(fw_emits[row->emits + i]);
    }
    if (row->to == FW_RESUME) {
        enter(m, region, m->memory[region]);
    } else if (row->to != FW_SAME) {
        enter(m, region, row->to);
    } else {
        /* the stay goes on */
    }
}

static bool may(const fw_machine *m, fw_index number)
{
    return (fw_rows[number].guard == FW_NONE) || fw_guard(m, fw_rows[number].guard);
}

/* Offer an event to one region: the first row whose source, event and guard match fires. */
static void offer(fw_machine *m, fw_index region, fw_index event)
{
    const fw_state_info *info = &fw_states[m->state[region]];
    fw_index i;

    for (i = 0u; i < info->row_count; i++) {
        fw_index number = fw_state_rows[info->rows + i];

        if ((fw_rows[number].on == event) && may(m, number)) {
            fire(m, region, number);
            return;
        }
    }
}

static void watch(fw_machine *m)
{
    fw_index i;

    for (i = 0u; i < fw_condition_count; i++) {
        bool holds = fw_guard(m, fw_conditions[i].guard);

        if (holds != m->condition[i]) {
            m->condition[i] = holds;
            put(m, holds ? fw_conditions[i].rises : fw_conditions[i].falls, FW_NONE, 0u);
        }
    }
}

/* Empty the queue; when it runs empty, read the conditions, and stop when none has changed. */
static void settle(fw_machine *m)
{
    fw_index region;

    m->handled = 0u;
    if (m->held == 0u) {
        watch(m);
    }
    while ((m->held > 0u) && (m->fault == FW_OK)) {
        fw_entry entry = m->queue[m->head];

        m->head = (uint16_t)((m->head + 1u) % (uint16_t)FW_QUEUE_SIZE);
        m->held = (uint16_t)(m->held - 1u);
        m->handled = (uint16_t)(m->handled + 1u);
        if (m->handled > FW_INSTANT_LIMIT) {
            m->fault = FW_ENDLESS;
            return;
        }
        if (entry.region == FW_NONE) {
            for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
                offer(m, region, entry.id);
            }
        } else if ((entry.stay == m->stay[entry.region]) && may(m, entry.id)) {
            fire(m, entry.region, entry.id);
        } else {
            /* the state was left in this instant, or the row is spent for this stay */
        }
        if (m->held == 0u) {
            watch(m);
        }
    }
}

static void begin(fw_machine *m, fw_tick now)
{
    m->now = now;
    m->woke = false;
}

static void put_due(fw_machine *m)
{
    fw_index region;

    for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
        put_dwells(m, region);
    }
}

uint8_t fw_start(fw_machine *m, fw_tick now, const uint8_t levels[])
{
    return fw_start_with(m, now, levels, levels, 0u);
}

uint8_t fw_start_with(fw_machine *m, fw_tick now, const uint8_t levels[],
                      const uint8_t moved[], uint8_t count)
{
    fw_index i;

    m->head = 0u;
    m->held = 0u;
    m->fault = FW_OK;
    begin(m, now);
    for (i = 0u; i < fw_condition_count; i++) {
        m->condition[i] = false;
    }
    for (i = 0u; i < (fw_index)FW_REGION_COUNT; i++) {
        m->stay[i] = 0u;
        m->memory[i] = fw_regions[i].resumes;
        m->state[i] = fw_regions[i].starts;
    }
    /* One place is spare, so that the array is never empty. */
    for (i = 0u; i < (fw_index)(FW_SIGNAL_COUNT + 1u); i++) {
        m->level[i] = (i < (fw_index)fw_signal_count) ? levels[i] : (uint8_t)0u;
    }
    for (i = 0u; i < count; i++) {
        put(m, fw_signals[moved[i]].event, FW_NONE, 0u);
    }
    for (i = 0u; i < fw_signal_count; i++) {
        if (fw_signals[i].at_power_up && (levels[i] != 0u)) {
            put(m, fw_signals[i].event, FW_NONE, 0u);
        }
    }
    for (i = 0u; i < (fw_index)FW_REGION_COUNT; i++) {
        enter(m, i, fw_regions[i].starts);
    }
    settle(m);
    return m->fault;
}

bool fw_due(const fw_machine *m, fw_tick *when)
{
    fw_tick soonest = 0u;
    bool any = false;
    fw_index region;

    for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
        const fw_state_info *info = &fw_states[m->state[region]];

        if (m->dwell[region] < (fw_index)(info->dwells + info->dwell_count)) {
            fw_tick left = (fw_tick)(m->entered[region] + fw_dwells[m->dwell[region]].after
                                     - m->now);

            if ((!any) || (left < soonest)) {
                soonest = left;
                any = true;
            }
        }
    }
    *when = (fw_tick)(m->now + soonest);
    return any;
}

uint8_t fw_step(fw_machine *m, fw_tick now, const fw_change changes[], uint8_t count)
{
    fw_tick due = now;
    uint8_t i;

    /* A late call costs no accuracy: what was due before `now` happens at its own time. */
    while ((m->fault == FW_OK) && fw_due(m, &due) && (due != now) && reached(now, due)) {
        begin(m, due);
        put_due(m);
        settle(m);
    }
    if (m->fault != FW_OK) {
        return m->fault;
    }
    begin(m, now);
    for (i = 0u; i < count; i++) {
        m->level[changes[i].signal] = changes[i].level;
        put(m, fw_signals[changes[i].signal].event, FW_NONE, 0u);
    }
    put_due(m);
    settle(m);
    return m->fault;
}

/* The level that `count` entries from `first` on give to `output`. */
static fw_level listed(fw_index first, uint8_t count, fw_index output)
{
    uint8_t i;

    for (i = 0u; i < count; i++) {
        if (fw_drives[first + i].output == output) {
            return fw_drives[first + i].level;
        }
    }
    return 0u;
}

/* What one region drives an output with, less what a region of its group puts out. */
static fw_level driven(const fw_machine *m, fw_index region, fw_index output)
{
    const fw_state_info *info = &fw_states[m->state[region]];
    fw_level level = listed(info->drives, info->drive_count, output);
    fw_level taken = 0u;
    fw_index other;

    if (level == 0u) {
        return 0u;
    }
    for (other = 0u; other < (fw_index)FW_REGION_COUNT; other++) {
        if (fw_regions[other].group == fw_regions[region].group) {
            const fw_state_info *there = &fw_states[m->state[other]];
            fw_level here = listed((fw_index)(there->drives + there->drive_count),
                                   there->take_count, output);

            taken = (here > taken) ? here : taken;
        }
    }
    return (taken < level) ? (level - taken) : 0u;
}

fw_level fw_plain_output(const fw_machine *m, fw_index output)
{
    fw_level level = 0u;
    fw_index region;

    for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
        if (fw_regions[region].show == FW_NONE) {
            fw_level here = driven(m, region, output);

            if (here > level) {
                level = here;
            }
        }
    }
    return level;
}

fw_level fw_output(const fw_machine *m, fw_index output)
{
    fw_level level = fw_plain_output(m, output);
    fw_index region;

    for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
        if (fw_regions[region].show != FW_NONE) {
            fw_level here = driven(m, region, output);

            if ((here > level) && fw_show(m, fw_regions[region].show)) {
                level = here;
            }
        }
    }
    return level;
}

bool fw_awake(const fw_machine *m)
{
    fw_index region;

    for (region = 0u; region < (fw_index)FW_REGION_COUNT; region++) {
        if ((fw_states[m->state[region]].flags & FW_STATE_AWAKE) != 0u) {
            return true;
        }
    }
    return false;
}

bool fw_woke(const fw_machine *m)
{
    return m->woke;
}
