/* harness.c - the firmware on a host, behind lines on standard input and output.
 *
 * Compile with -DFW_HOST: one tick is then one nanosecond, exactly. The lines are described in
 * README.md beside this file. Only this file uses the C library, and it is no part of the firmware.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "firmware.h"

#include "hooks.h"
#include "names.h"

#define LINE_LENGTH 256

static fw_machine machine;
static bool running;
static bool was_awake;
static uint8_t levels[FW_SIGNAL_COUNT + 1u];
static fw_change changes[64];
static uint8_t change_count;
static fw_level shown[FW_OUTPUT_COUNT + 1u];
static int64_t values[FW_VALUE_COUNT];
static bool given[FW_VALUE_COUNT];
static fw_tick instant;

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

void fw_hook_event(fw_index event)
{
    if (fw_event_names[event][0] != '\0') {
        (void)printf("event %" PRIu64 " %s\n", machine.now, fw_event_names[event]);
    }
}

/* What has changed since it was last told. */
static void report(bool power_up)
{
    fw_index output;
    bool awake = fw_awake(&machine);

    for (output = 0u; output < fw_output_count; output++) {
        fw_level level = fw_output(&machine, output);

        if (level != shown[output]) {
            shown[output] = level;
            (void)printf("out %" PRIu64 " %s %" PRIu32 "\n", instant, fw_output_names[output],
                         level);
        }
    }
    if ((!was_awake) && (awake || fw_woke(&machine))) {
        (void)printf("wake %" PRIu64 "\n", instant);
    }
    if ((!awake) && (was_awake || fw_woke(&machine) || power_up)) {
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

/* Power-up; `name` and what is left on the line are contacts that move in this very instant. */
static void power(fw_tick now, const char *name)
{
    uint8_t moved[64];
    uint8_t count = 0u;
    size_t i;

    while (name != NULL) {
        for (i = 0u; i < fw_signal_count; i++) {
            if ((strcmp(name, fw_signal_names[i]) == 0)
                && (count < (uint8_t)(sizeof moved / sizeof moved[0]))) {
                moved[count] = (uint8_t)i;
                count++;
            }
        }
        name = strtok(NULL, " \r\n");
    }
    instant = now;
    was_awake = false;
    change_count = 0u;
    (void)memset(shown, 0, sizeof shown);
    (void)memset(&machine, 0, sizeof machine);
    running = true;
    machine.now = now;
    check(fw_start_with(&machine, now, levels, moved, count));
    report(true);
}

static void off(fw_tick now)
{
    fw_index output;

    for (output = 0u; output < fw_output_count; output++) {
        if (shown[output] != 0u) {
            shown[output] = 0u;
            (void)printf("out %" PRIu64 " %s 0\n", now, fw_output_names[output]);
        }
    }
    running = false;
    change_count = 0u;
}

static void advance(fw_tick now, bool included)
{
    fw_tick due = 0u;

    while (running && fw_due(&machine, &due) && (due < now)) {
        instant = due;
        check(fw_step(&machine, due, changes, 0u));
        report(false);
    }
    if (running && included) {
        instant = now;
        check(fw_step(&machine, now, changes, change_count));
        report(false);
    }
    change_count = 0u;
}

static void set(const char *name, const char *text)
{
    size_t i;

    for (i = 0u; i < fw_signal_count; i++) {
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
            power((fw_tick)strtoull(first, NULL, 10), second);
        } else if ((strcmp(word, "off") == 0) && (first != NULL)) {
            off((fw_tick)strtoull(first, NULL, 10));
        } else if ((strcmp(word, "step") == 0) && (first != NULL)) {
            advance((fw_tick)strtoull(first, NULL, 10), true);
        } else if ((strcmp(word, "until") == 0) && (first != NULL)) {
            advance((fw_tick)strtoull(first, NULL, 10), false);
        } else {
            complain("not a line of this protocol");
        }
        (void)printf("ok\n");
        (void)fflush(stdout);
    }
    return EXIT_SUCCESS;
}
