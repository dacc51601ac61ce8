/* board.c - the part to fill in: pins, converter, clock, sleep. It compiles as it stands, and then
 * does nothing: each place that needs the real hardware says FILL IN.
 */
#include "firmware.h"

#include "hooks.h"

/* Stands in for the hardware until the places below are filled in: a compiler cannot know what it
 * reads, so that nothing is left out of an image made for its size. */
static volatile uint8_t stand_in;

/* The time in ticks of FW_TICK_NS nanoseconds; it may wrap. It must go on counting in sleep. */
static fw_tick board_now(void)
{
    return stand_in; /* FILL IN: read the timer that runs in sleep */
}

#if FW_SIGNAL_COUNT > 0
/* The level of an input pin now: contacts 1 = closed, USB 1 = present, status FW_RELEASED, FW_LOW
 * or FW_HIGH. No filtering: the tables settle the contacts. */
static uint8_t board_level(uint8_t signal)
{
    (void)signal;
    return stand_in; /* FILL IN: read the pin */
}
#endif

#if FW_OUTPUT_COUNT > 0
/* Drive an output: parts per million of duty, or a number of segments (see tables.h). */
static void board_drive(fw_index output, fw_level level)
{
    stand_in = (uint8_t)(output + level); /* FILL IN: set the pin, the PWM compare value, or the carrier of the emitter */
}
#endif

/* The longest time, in ticks, that the timer which ends the sleep can be set for. Such a timer often
 * stops at the end of its range instead of going on: a longer time is slept through in pieces. */
#ifndef BOARD_TIMER_RANGE
#define BOARD_TIMER_RANGE 60000u
#endif

/* What the timer is set for, in ticks: the time that is left, or a piece of it. */
static fw_tick board_piece(fw_tick until)
{
    fw_tick left = (fw_tick)(until - board_now());

    return (left > BOARD_TIMER_RANGE) ? (fw_tick)BOARD_TIMER_RANGE : left;
}

/* Sleep until an input changes or, if `bounded`, until the time `until`. Must return at once when
 * an input has changed since it was last read, or that change is slept through. It may return too
 * soon: the main loop then sleeps on. `awake` says that some region needs what deep sleep stops (a
 * receiver that settles, a carrier that runs): sleep lightly then, with the clocks that it needs. */
static void board_sleep(bool awake, bool bounded, fw_tick until)
{
    (void)awake;
    (void)bounded;
    stand_in = (uint8_t)board_piece(until); /* FILL IN: arm the pin-change interrupts, set the timer, sleep */
}

/* The tables cannot go on (FW_QUEUE_FULL or FW_ENDLESS). */
static void board_halt(uint8_t reason)
{
    (void)reason; /* FILL IN: all outputs off, then a reset, for instance by the watchdog */
}

#if FW_ASKS_MEASURED
int32_t fw_hook_measured_uv(void)
{
    return stand_in; /* FILL IN: one conversion, scaled to microvolts in whole numbers */
}
#endif

#if FW_ASKS_COUNTED
uint32_t fw_hook_counted_ppm(void)
{
    return stand_in; /* FILL IN: what is left of the capacity figure */
}
#endif

#if FW_ASKS_CELL
int32_t fw_hook_cell_uv(void)
{
    return stand_in; /* FILL IN: one conversion, scaled to microvolts in whole numbers */
}
#endif

#if FW_ASKS_CHARGE
uint32_t fw_hook_charge_ppm(void)
{
    return stand_in; /* FILL IN */
}
#endif

#if FW_ECHO_COUNT > 0
bool fw_hook_echo(fw_index sensor)
{
    (void)sensor;
    return stand_in != 0u; /* FILL IN: whether the receiver has answered the burst that ends now */
}
#endif

#if FW_REACHED_COUNT > 0
bool fw_hook_reached(fw_index level)
{
    (void)level;
    return stand_in != 0u; /* FILL IN: whether what is measured is at least at this level */
}
#endif

#if FW_KEPT_COUNT > 0
void fw_hook_keep(fw_index number, fw_index value)
{
    (void)number; /* FILL IN: into memory that outlives the supply, safe against its loss meanwhile */
    (void)value;
}

fw_index fw_hook_kept(fw_index number)
{
    (void)number;
    return FW_NONE; /* FILL IN: what was kept last */
}
#endif

void fw_hook_event(fw_index event)
{
    (void)event; /* may stay empty */
}

/* Only outputs that may have changed are worked out. */
static void show(void)
{
#if FW_OUTPUT_COUNT > 0
    fw_index output;

    for (output = 0u; output < FW_OUTPUT_COUNT; output++) {
        if (fw_changed(output)) {
            board_drive(output, fw_output(output));
        }
    }
#endif
}

/* Whether a time has come. Ticks wrap: it has, if it lies less than half the range behind. */
static bool passed(fw_tick when)
{
    return (fw_tick)(board_now() - when) <= (fw_tick)(FW_TICK_MAX / 2u);
}

/* The inputs that have changed since they were last read, into `changes`; how many. */
static uint8_t read_inputs(uint8_t levels[], fw_change changes[])
{
    uint8_t count = 0u;
#if FW_SIGNAL_COUNT > 0
    uint8_t signal;

    for (signal = 0u; signal < FW_SIGNAL_COUNT; signal++) {
        uint8_t level = board_level(signal);

        if (level != levels[signal]) {
            levels[signal] = level;
            changes[count].signal = signal;
            changes[count].level = level;
            count++;
        }
    }
#else
    (void)levels;
    (void)changes;
#endif
    return count;
}

int main(void)
{
    static uint8_t levels[FW_SIGNAL_COUNT + 1u];
    static fw_change changes[FW_SIGNAL_COUNT + 1u];
    uint8_t fault;

    (void)read_inputs(levels, changes);
    fault = fw_start(board_now(), levels);
    while (fault == FW_OK) {
        fw_tick due;
        bool bounded = fw_due(&due);
        uint8_t count;

        show();
        /* Between two instants there is nothing to do, whether some region is awake or not. */
        count = read_inputs(levels, changes);
        while ((count == 0u) && !(bounded && passed(due))) {
            board_sleep(fw_awake(), bounded, due);
            count = read_inputs(levels, changes);
        }
        fault = fw_step(board_now(), changes, count);
    }
    board_halt(fault);
    return 0;
}
