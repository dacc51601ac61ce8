/* board.c - the part to fill in: pins, converter, clock, sleep. It compiles as it stands, and then
 * does nothing: each place that needs the real hardware says FILL IN.
 */
#include "firmware.h"

#include "hooks.h"

/* The time in ticks of FW_TICK_NS nanoseconds; it may wrap. It must go on counting in sleep. */
static fw_tick board_now(void)
{
    return 0u; /* FILL IN: read the timer that runs in sleep */
}

/* The level of an input pin now: contacts 1 = closed, USB 1 = present, status FW_RELEASED, FW_LOW
 * or FW_HIGH. No filtering: the tables settle the contacts. */
static uint8_t board_level(uint8_t signal)
{
    (void)signal;
    return 0u; /* FILL IN: read the pin */
}

/* Drive an output: parts per million of duty, or a number of segments (see tables.h). */
static void board_drive(fw_index output, fw_level level)
{
    (void)output;
    (void)level; /* FILL IN: set the pin, the PWM compare value, or the carrier of the emitter */
}

/* Sleep until an input changes or, if `bounded`, until the time `until`. Must return at once when
 * an input has changed since it was last read, or that change is slept through. */
static void board_sleep(bool bounded, fw_tick until)
{
    (void)bounded;
    (void)until; /* FILL IN: arm the pin-change interrupts and the timer, then sleep */
}

/* The tables cannot go on (FW_QUEUE_FULL or FW_ENDLESS). */
static void board_halt(uint8_t reason)
{
    (void)reason; /* FILL IN: all outputs off, then a reset, for instance by the watchdog */
}

int32_t fw_hook_measured_uv(void)
{
    return 0; /* FILL IN: one conversion, scaled to microvolts in whole numbers */
}

uint32_t fw_hook_counted_ppm(void)
{
    return 0u; /* FILL IN, if the gauge counts charge: what is left of its capacity figure */
}

int32_t fw_hook_cell_uv(void)
{
    return fw_hook_measured_uv(); /* FILL IN, if a guard needs more than the gauge's reading */
}

uint32_t fw_hook_charge_ppm(void)
{
    return 0u; /* FILL IN, if a guard names cell.charge */
}

bool fw_hook_echo(fw_index sensor)
{
    (void)sensor;
    return false; /* FILL IN: whether the receiver has answered the burst that ends now */
}

void fw_hook_event(fw_index event)
{
    (void)event; /* may stay empty */
}

static void show(const fw_machine *m)
{
    fw_index output;

    for (output = 0u; output < fw_output_count; output++) {
        board_drive(output, fw_output(m, output));
    }
}

int main(void)
{
    static fw_machine machine;
    uint8_t levels[FW_SIGNAL_COUNT + 1u];
    fw_change changes[FW_SIGNAL_COUNT + 1u];
    uint8_t fault;
    uint8_t signal;

    for (signal = 0u; signal < fw_signal_count; signal++) {
        levels[signal] = board_level(signal);
    }
    fault = fw_start(&machine, board_now(), levels);
    show(&machine);
    while (fault == FW_OK) {
        fw_tick now = board_now();
        fw_tick due = now;
        uint8_t count = 0u;

        for (signal = 0u; signal < fw_signal_count; signal++) {
            uint8_t level = board_level(signal);

            if (level != levels[signal]) {
                levels[signal] = level;
                changes[count].signal = signal;
                changes[count].level = level;
                count++;
            }
        }
        fault = fw_step(&machine, now, changes, count);
        show(&machine);
        if (!fw_awake(&machine)) {
            bool bounded = fw_due(&machine, &due);

            board_sleep(bounded, due);
        }
    }
    board_halt(fault);
    return 0;
}
