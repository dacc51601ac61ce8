/* firmware.h - the interface of the step function.
 *
 * The behaviour stands in tables.c as constant tables; firmware.c walks them. Nothing here uses the
 * heap, recursion, floating point or function pointers. One variable holds all that changes.
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

/* One change of one input signal, handed to fw_step in the order in which it happened. A signal
 * changes at most once in a call: the queue is sized for that. */
typedef struct {
    uint8_t signal; /* FW_SIGNAL_... */
    uint8_t level;
} fw_change;

/* Everything that changes while the firmware runs. */
typedef struct {
    fw_tick now;
    fw_tick next;                      /* when the next time ends, where `waits` */
#if FW_TIMED_COUNT > 0
    fw_tick due[FW_TIMED_COUNT];       /* when the running time of each region ends */
    fw_index time[FW_TIMED_COUNT];     /* its number behind the events, FW_NONE: none is running */
#endif
    fw_index state[FW_REGION_COUNT];
#if FW_CLOCK_COUNT > 0
    fw_tick edge[FW_CLOCK_COUNT];      /* when the present step of each clock ends */
    fw_index play[FW_CLOCK_COUNT];     /* the sequence that it goes through, FW_NONE: none */
    fw_step_place step[FW_CLOCK_COUNT]; /* and the step */
#endif
#if FW_MEMORY_COUNT > 0
    fw_index memory[FW_MEMORY_COUNT];  /* the resume points that were used last */
#endif
#if FW_KEPT_COUNT > 0
    fw_index kept[FW_KEPT_COUNT];      /* what was kept last for a power loss */
#endif
#if FW_SIGNAL_COUNT > 0
    uint8_t level[FW_SIGNAL_COUNT];    /* input levels */
#endif
#if FW_CONDITION_COUNT > 0
    bool condition[FW_CONDITION_COUNT]; /* watched expressions */
#endif
    /* What is to be handled in this instant: events, and times that have run out. */
    fw_index queue[FW_QUEUE_SIZE];
    fw_count head;
    fw_count held;
    uint8_t fault;                     /* FW_OK, FW_QUEUE_FULL or FW_ENDLESS */
#if FW_AWAKE_STATES
    fw_index awake;                    /* how many regions keep the controller awake */
#endif
#ifdef FW_HOST
    bool woke;                         /* an awake state was entered in this instant */
#endif
    bool waits;                        /* a time is running */
#if FW_TIMED_COUNT > 0
    fw_index first;                    /* the first region whose time ends next, where `waits` */
#endif
    fw_mask changed;                   /* the outputs that may have changed in this call */
} fw_machine;

/* The one machine there is. Guards read it; treat it as private to firmware.c and tables.c. */
extern fw_machine fw;

/* Power-up at `now`: every region enters its first state. `levels` has FW_SIGNAL_COUNT elements. */
uint8_t fw_start(fw_tick now, const uint8_t levels[]);

#ifdef FW_HOST
/* The same where `count` contacts have come to their level in this very instant: an edge each, in
 * this order. `moved` holds their signals. A bench can do that; a board cannot know it. */
uint8_t fw_start_with(fw_tick now, const uint8_t levels[], const uint8_t moved[], uint8_t count);
#endif

/* The instant `now`: first all dwells that are due before it, each at its own time, then the
 * `count` changes of inputs together with the dwells that are due at `now`. Call it when an input
 * changes and when fw_due says so, never with a `now` before the last one. */
uint8_t fw_step(fw_tick now, const fw_change changes[], uint8_t count);

/* When the next dwell ends. False: none is running, only an input can change anything. */
bool fw_due(fw_tick *when);

/* Whether the last call may have changed an output. False: it need not be looked at. */
bool fw_changed(fw_index output);

/* The level of an output: parts per million, or the number of lit segments (see tables.h). */
fw_level fw_output(fw_index output);

/* The same as a rank: the place of the level among those that the output can have, from 0, or the
 * level itself. */
fw_ranked fw_rank(fw_index output);
fw_level fw_level_of(fw_index output, fw_ranked rank);

/* The rank without the regions whose outputs a `show` expression gates. The gates themselves read
 * this one, so that nothing here ever calls itself. */
fw_ranked fw_plain_rank(fw_index output);

/* The compiled guards and gates of tables.c. */
bool fw_guard(fw_index guard);
bool fw_show(fw_index gate);

/* Whether some region keeps the controller awake; if not, it may sleep deeply until fw_due. */
bool fw_awake(void);

#ifdef FW_HOST
/* Whether the last instant entered a state that needs the controller awake, even for no time. */
bool fw_woke(void);
#endif

#endif
