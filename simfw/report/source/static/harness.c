/* harness.c - the firmware on a host, behind lines on standard input and output.
 *
 * Compile with -DFW_HOST: one tick is then one nanosecond, exactly. With -DFW_TARGET_TICK too, time
 * is counted as on the target: in ticks of FW_TICK_NS in FW_TICK_BITS bits, from FW_TICK_START on.
 * The lines are described in README.md beside this file. Only this file uses the C library, and it
 * is no part of the firmware.
 */
#ifndef FW_HOST
#error "harness.c is the firmware on a host: compile it with -DFW_HOST, and board.c for the target"
#endif

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "firmware.h"

#include "hooks.h"
#include "names.h"

#define LINE_LENGTH 256

/* What the counter of ticks stands at when the time of the lines is 0. */
#ifndef FW_TICK_START
#define FW_TICK_START 0u
#endif

/* The count as a variable: a gadget may have none, and a comparison of an unsigned number with a
 * literal 0 is refused by some compilers. */
static volatile const uint8_t signal_count = FW_SIGNAL_COUNT;

static bool running;
static bool was_awake;
static uint8_t levels[FW_SIGNAL_COUNT + 1u];
static fw_change changes[64];
static uint8_t change_count;
static fw_level shown[FW_OUTPUT_COUNT + 1u];
static int64_t values[FW_VALUE_COUNT];
static bool given[FW_VALUE_COUNT];
static uint64_t instant; /* in nanoseconds */
static uint64_t ticks;   /* the same in whole ticks */

static void complain(const char *text)
{
    (void)printf("error %s\n", text);
}

/* A value that was set, or else the answer to a question on standard output. */
static int64_t value(size_t number)
{
    char line[LINE_LENGTH];

    if (number >= (size_t)FW_VALUE_COUNT) {
        return 0; /* a sensor that this gadget does not have */
    }
    if (given[number]) {
        return values[number];
    }
    (void)printf("ask %s\n", fw_value_names[number]);
    (void)fflush(stdout);
    if (fgets(line, (int)sizeof line, stdin) == NULL) {
        exit(EXIT_FAILURE);
    }
    if (strncmp(line, "value ", 6u) != 0) {
        complain("a line `value N` was expected");
        return 0;
    }
    return strtoll(line + 6, NULL, 10);
}

int32_t fw_hook_measured_uv(void)
{
    return (int32_t)value(0u);
}

int32_t fw_hook_cell_uv(void)
{
    return (int32_t)value(1u);
}

uint32_t fw_hook_charge_ppm(void)
{
    return (uint32_t)value(2u);
}

uint32_t fw_hook_counted_ppm(void)
{
    return (uint32_t)value(3u);
}

bool fw_hook_echo(fw_index sensor)
{
    return value(4u + (size_t)sensor) != 0;
}

bool fw_hook_reached(fw_index level)
{
    return value(4u + (size_t)FW_ECHO_COUNT + (size_t)level) != 0;
}

void fw_hook_event(fw_index event)
{
    if (fw_event_names[event][0] != '\0') {
        (void)printf("event %" PRIu64 " %s\n", instant, fw_event_names[event]);
    }
}

/* What has changed since it was last told. */
static void report(bool power_up)
{
    bool awake = fw_awake();
#if FW_OUTPUT_COUNT > 0
    fw_index output;

    for (output = 0u; output < FW_OUTPUT_COUNT; output++) {
        fw_level level = fw_output(output);

        if (level != shown[output]) {
            shown[output] = level;
            (void)printf("out %" PRIu64 " %s %" PRIu32 "\n", instant, fw_output_names[output],
                         level);
        }
    }
#endif
    if ((!was_awake) && (awake || fw_woke())) {
        (void)printf("wake %" PRIu64 "\n", instant);
    }
    if ((!awake) && (was_awake || fw_woke() || power_up)) {
        (void)printf("sleep %" PRIu64 "\n", instant);
    }
    was_awake = awake;
}

static void check(uint8_t fault)
{
    if (fault != FW_OK) {
        (void)printf("fault %" PRIu64 " %s\n", instant,
                     (fault == FW_ENDLESS) ? "endless instant" : "queue full");
        running = false;
    }
}

/* The counter of the firmware at the instant that `ticks` stands at. */
static fw_tick counter(void)
{
    return (fw_tick)(ticks + (fw_tick)FW_TICK_START);
}

#if FW_KEPT_COUNT > 0
/* What outlives the supply: as new, unless it comes back later than it has gone. */
static fw_index stored[FW_KEPT_COUNT];
static uint64_t off_at = UINT64_MAX;

void fw_hook_keep(fw_index number, fw_index value)
{
    stored[number] = value;
}

fw_index fw_hook_kept(fw_index number)
{
    return stored[number];
}
#endif

/* Power-up; `name` and what is left on the line are contacts that move in this very instant. */
static void power(uint64_t now, const char *name)
{
#if FW_KEPT_COUNT > 0
    fw_index slot;
#endif
    uint8_t moved[64];
    uint8_t count = 0u;
    size_t i;

    while (name != NULL) {
        for (i = 0u; i < signal_count; i++) {
            if ((strcmp(name, fw_signal_names[i]) == 0)
                && (count < (uint8_t)(sizeof moved / sizeof moved[0]))) {
                moved[count] = (uint8_t)i;
                count++;
            }
        }
        name = strtok(NULL, " \r\n");
    }
#if FW_KEPT_COUNT > 0
    for (slot = 0u; (slot < FW_KEPT_COUNT) && (now <= off_at); slot++) {
        stored[slot] = FW_NONE;
    }
    off_at = UINT64_MAX;
#endif
    instant = now;
    ticks = now / FW_TICK_NS;
    was_awake = false;
    change_count = 0u;
    (void)memset(shown, 0, sizeof shown);
    running = true;
    check(fw_start_with(counter(), levels, moved, count));
    report(true);
}

static void off(uint64_t now)
{
#if FW_KEPT_COUNT > 0
    off_at = now;
#endif
#if FW_OUTPUT_COUNT > 0
    fw_index output;

    for (output = 0u; output < FW_OUTPUT_COUNT; output++) {
        if (shown[output] != 0u) {
            shown[output] = 0u;
            (void)printf("out %" PRIu64 " %s 0\n", now, fw_output_names[output]);
        }
    }
#else
    (void)now;
#endif
    running = false;
    change_count = 0u;
}

static void advance(uint64_t now, bool included)
{
    fw_tick due = 0u;

    while (running && fw_due(&due)) {
        uint64_t later = ticks + (fw_tick)(due - fw.now);

        if ((later * FW_TICK_NS) >= now) {
            break;
        }
        ticks = later;
        instant = ticks * FW_TICK_NS;
        check(fw_step(due, changes, 0u));
        report(false);
    }
    if (running && included) {
        instant = now;
        ticks = now / FW_TICK_NS;
        check(fw_step(counter(), changes, change_count));
        report(false);
    }
    change_count = 0u;
}

static void set(const char *name, const char *text)
{
    size_t i;

    for (i = 0u; i < signal_count; i++) {
        if (strcmp(name, fw_signal_names[i]) == 0) {
            levels[i] = (uint8_t)strtoul(text, NULL, 10);
            if (running && (change_count < (uint8_t)(sizeof changes / sizeof changes[0]))) {
                changes[change_count].signal = (uint8_t)i;
                changes[change_count].level = levels[i];
                change_count++;
            }
            return;
        }
    }
    for (i = 0u; i < (size_t)FW_VALUE_COUNT; i++) {
        if (strcmp(name, fw_value_names[i]) == 0) {
            given[i] = text[0] != '?';
            values[i] = strtoll(text, NULL, 10);
            return;
        }
    }
    complain("no such signal or value");
}

int main(void)
{
    char line[LINE_LENGTH];

    while (fgets(line, (int)sizeof line, stdin) != NULL) {
        const char *word = strtok(line, " \r\n");
        const char *first = strtok(NULL, " \r\n");
        const char *second = strtok(NULL, " \r\n");

        if (word == NULL) {
            continue;
        }
        if (strcmp(word, "hello") == 0) {
            (void)printf("hello 1 tick_ns=%lu\n", (unsigned long)FW_TICK_NS);
        } else if (strcmp(word, "quit") == 0) {
            return EXIT_SUCCESS;
        } else if ((strcmp(word, "set") == 0) && (first != NULL) && (second != NULL)) {
            set(first, second);
            continue; /* answered with the next ok */
        } else if ((strcmp(word, "power") == 0) && (first != NULL)) {
            power(strtoull(first, NULL, 10), second);
        } else if ((strcmp(word, "off") == 0) && (first != NULL)) {
            off(strtoull(first, NULL, 10));
        } else if ((strcmp(word, "step") == 0) && (first != NULL)) {
            advance(strtoull(first, NULL, 10), true);
        } else if ((strcmp(word, "until") == 0) && (first != NULL)) {
            advance(strtoull(first, NULL, 10), false);
        } else {
            complain("not a line of this protocol");
        }
        (void)printf("ok\n");
        (void)fflush(stdout);
    }
    return EXIT_SUCCESS;
}
