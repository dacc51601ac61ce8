/* firmware.h - the interface of the step function.
 *
 * The behaviour stands in tables.c as constant tables; firmware.c walks them. Nothing here uses the
 * heap, recursion, floating point or function pointers. One variable of type fw_machine holds all
 * that changes.
 */
#ifndef FIRMWARE_H
#define FIRMWARE_H

#include <stdbool.h>
#include <stdint.h>

#include "tables.h"

/* What fw_start and fw_step return. */
#define FW_OK 0u         /* the instant came to rest */
#define FW_QUEUE_FULL 1u /* FW_QUEUE_SIZE is too small; the instant is incomplete */
#define FW_ENDLESS 2u    /* more than FW_INSTANT_LIMIT occurrences in one instant */

/* A level of a three-level signal (a status pin); contacts and USB use 0 and 1. */
#define FW_RELEASED 0u
#define FW_LOW 1u
#define FW_HIGH 2u

/* One change of one input signal, handed to fw_step in the order in which it happened. */
typedef struct {
    uint8_t signal; /* FW_SIGNAL_... */
    uint8_t level;
} fw_change;

/* One entry of the queue of an instant: an event, or a dwell that ran out in a region. */
typedef struct {
    fw_index id;     /* event, or row of a dwell */
    fw_index region; /* FW_NONE for an event */
    uint16_t stay;   /* the stay the dwell belongs to */
} fw_entry;

/* Everything that changes while the firmware runs. Treat it as private to firmware.c. */
typedef struct {
    fw_index state[FW_REGION_COUNT];
    fw_tick entered[FW_REGION_COUNT];  /* when the present stay began */
    fw_index dwell[FW_REGION_COUNT];   /* next dwell of the present stay, in fw_dwells */
    uint16_t stay[FW_REGION_COUNT];    /* counts entries, so that stale dwells are recognised */
    fw_index memory[FW_REGION_COUNT];  /* the resume point that was used last */
    uint8_t level[FW_SIGNAL_COUNT + 1u];        /* input levels; the last element is never used */
    bool condition[FW_CONDITION_COUNT + 1u];    /* watched expressions; likewise */
    fw_entry queue[FW_QUEUE_SIZE];
    uint16_t head;
    uint16_t held;
    uint16_t handled;                  /* occurrences in this instant */
    uint8_t fault;                     /* FW_OK, FW_QUEUE_FULL or FW_ENDLESS */
    bool woke;                         /* an awake state was entered in this instant */
    fw_tick now;
} fw_machine;

/* Power-up at `now`: every region enters its first state. `levels` has FW_SIGNAL_COUNT elements. */
uint8_t fw_start(fw_machine *m, fw_tick now, const uint8_t levels[]);

/* The same where `count` contacts have come to their level in this very instant: an edge each, in
 * this order. `moved` holds their signals. */
uint8_t fw_start_with(fw_machine *m, fw_tick now, const uint8_t levels[],
                      const uint8_t moved[], uint8_t count);

/* The instant `now`: first all dwells that are due before it, each at its own time, then the
 * `count` changes of inputs together with the dwells that are due at `now`. Call it when an input
 * changes and when fw_due says so, never with a `now` before the last one. */
uint8_t fw_step(fw_machine *m, fw_tick now, const fw_change changes[], uint8_t count);

/* When the next dwell ends. False: none is running, only an input can change anything. */
bool fw_due(const fw_machine *m, fw_tick *when);

/* The level of an output: parts per million, or the number of lit segments (see tables.h). */
fw_level fw_output(const fw_machine *m, fw_index output);

/* The same without the regions whose outputs a `show` expression gates. The gates themselves read
 * this one, so that nothing here ever calls itself. */
fw_level fw_plain_output(const fw_machine *m, fw_index output);

/* The compiled guards and gates of tables.c. */
bool fw_guard(const fw_machine *m, fw_index guard);
bool fw_show(const fw_machine *m, fw_index guard);

/* Whether some region keeps the controller awake; if not, it may sleep until fw_due. */
bool fw_awake(const fw_machine *m);

/* Whether the last instant entered a state that needs the controller awake, even for no time. */
bool fw_woke(const fw_machine *m);

#endif
