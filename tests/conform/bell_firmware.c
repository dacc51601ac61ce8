/* Bell counter: counts strokes, shows them on seven segments, chirps at zero.
 *
 * One small kernel (clock, timers, a job queue), one handler per part of the
 * gadget, and at the end the line protocol which takes the place of the board.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifndef TELL            /* 1: events, wake and sleep are told too */
#define TELL 1
#endif

typedef int64_t ns_t;
#define MS ((ns_t)1000000)

#define SHOW_LOCK   (20 * MS)
#define SHOW_HOLD   (1000 * MS)
#define BELL_STILL  (5 * MS)
#define DISPLAY_ON  (3000 * MS)
#define CHIME_LAST  (200 * MS)
#define CHIRP_PART  (50 * MS)
#define CHIRP_PARTS 4
#define POSITIONS   8
#define FULL        1000000

/* ------------------------------------------------------------ kernel --- */

enum contact { C_SHOW, C_BELL, CONTACTS };

/* in the order in which they are taken when they end together */
enum timer { T_LOCK, T_HOLD, T_BELL, T_DISPLAY, T_CHIRP, T_CHIME, TIMERS };

enum event {
    E_PRESS, E_RELEASE, E_CLICK, E_HOLD, E_CLOSED, E_OPENED,
    E_CHANGED, E_CHIME_ENDED, EVENTS
};

static const char *const event_name[EVENTS] = {
    "show.press", "show.release", "show.click", "show.hold",
    "bell.closed", "bell.opened", "count.changed", "chime.ended"
};

enum job_kind { J_EDGE, J_TIMER, J_EVENT };
struct job { enum job_kind kind; int what; };

#define JOBS 64
static struct job jobs[JOBS];
static unsigned job_in, job_out;

static ns_t now;
static bool level[CONTACTS];
static struct { bool armed; ns_t due; } timer[TIMERS];

static void push(enum job_kind kind, int what)
{
    if (job_in - job_out >= JOBS) {
        printf("fault %lld queue full\n", (long long)now);
        exit(1);
    }
    jobs[job_in % JOBS].kind = kind;
    jobs[job_in % JOBS].what = what;
    job_in++;
}

static void emit(enum event e) { push(J_EVENT, (int)e); }

static void arm(enum timer t, ns_t after)
{
    timer[t].armed = true;
    timer[t].due = now + after;
}

static void disarm(enum timer t) { timer[t].armed = false; }

/* ------------------------------------------------------ state, memory --- */

static struct {
    bool show_down;     /* emitted press, no release yet */
    bool show_locked;   /* edges of show are ignored */
    bool hold_told;     /* the present press has become a hold */
    bool bell_on;       /* the position that bell is taken for */
    int  count;
    bool shown;
    bool sounding;
    int  chirp_part;    /* 0..3 within the sequence, 4: it is over */
    bool awake;
} ram;

static struct { int count; int before; ns_t written; } nv = { 0, 0, -1 };

static bool powered;
static ns_t lost_at = -1;

/* ------------------------------------------------------------- button --- */

static void show_look(void)
{
    if (level[C_SHOW] == ram.show_down)
        return;
    ram.show_down = level[C_SHOW];
    ram.show_locked = true;
    arm(T_LOCK, SHOW_LOCK);
    emit(ram.show_down ? E_PRESS : E_RELEASE);
}

static void show_edge(void)
{
    /* a contact closed since before power-up: opening it finds show_down
     * false and changes nothing */
    if (!ram.show_locked)
        show_look();
}

static void show_unlock(void)
{
    ram.show_locked = false;
    show_look();
}

static void gesture_press(void)
{
    ram.hold_told = false;
    arm(T_HOLD, SHOW_HOLD);
}

static void gesture_release(void)
{
    disarm(T_HOLD);
    if (!ram.hold_told)
        emit(E_CLICK);
    ram.hold_told = false;
}

static void gesture_hold(void)
{
    ram.hold_told = true;
    emit(E_HOLD);
}

/* --------------------------------------------------------------- bell --- */

static void bell_edge(void)
{
    arm(T_BELL, BELL_STILL);
}

static void bell_still(void)
{
    if (level[C_BELL] == ram.bell_on)
        return;
    ram.bell_on = level[C_BELL];
    emit(ram.bell_on ? E_CLOSED : E_OPENED);
}

/* -------------------------------------------------------------- count --- */

static void count_to(int position)
{
    if (position == ram.count)
        return;
    ram.count = position;
    emit(E_CHANGED);
}

static void count_stroke(void)
{
    count_to(ram.count + 1 < POSITIONS ? ram.count + 1 : 0);
}

static void count_clear(void)
{
    count_to(0);
}

/* ------------------------------------------------------------ display --- */

static void display_show(void)
{
    ram.shown = true;
    arm(T_DISPLAY, DISPLAY_ON);
}

static void display_blank(void)
{
    ram.shown = false;
}

/* -------------------------------------------------------------- chime --- */

static void chime_changed(void)
{
    if (ram.sounding)
        return;
    if (ram.count != 0)
        return;
    ram.sounding = true;
    ram.chirp_part = 0;
    arm(T_CHIRP, CHIRP_PART);
    arm(T_CHIME, CHIME_LAST);
}

static void chirp_next(void)
{
    ram.chirp_part++;
    if (ram.chirp_part < CHIRP_PARTS)
        arm(T_CHIRP, CHIRP_PART);
}

static void chime_over(void)
{
    emit(E_CHIME_ENDED);
}

static void chime_quiet(void)
{
    ram.sounding = false;
    disarm(T_CHIRP);
    disarm(T_CHIME);
}

/* ----------------------------------------------------------- dispatch --- */

static void on_edge(int c)
{
    if (c == C_SHOW)
        show_edge();
    else
        bell_edge();
}

static void on_timer(int t)
{
    if (!timer[t].armed || timer[t].due != now)
        return;                         /* entered anew meanwhile */
    timer[t].armed = false;
    switch (t) {
    case T_LOCK:    show_unlock();   break;
    case T_HOLD:    gesture_hold();  break;
    case T_BELL:    bell_still();    break;
    case T_DISPLAY: display_blank(); break;
    case T_CHIRP:   chirp_next();    break;
    case T_CHIME:   chime_over();    break;
    default:                         break;
    }
}

static void on_event(int e)
{
#if TELL
    printf("event %lld %s\n", (long long)now, event_name[e]);
#else
    (void)event_name;
#endif
    switch (e) {
    case E_PRESS:
        gesture_press();
        display_show();
        break;
    case E_RELEASE:
        gesture_release();
        break;
    case E_HOLD:
        count_clear();
        break;
    case E_CLOSED:
        count_stroke();
        break;
    case E_CHANGED:
        chime_changed();
        break;
    case E_CHIME_ENDED:
        chime_quiet();
        break;
    default:                            /* click, opened: nobody listens */
        break;
    }
}

/* ------------------------------------------------------------ outputs --- */

static long digit_now, chirp_now;

static void outputs_off(void)
{
    digit_now = 0;
    chirp_now = 0;
}

static void outputs_follow(void)
{
    long digit = ram.shown ? ram.count : 0;
    bool on = ram.sounding && ram.chirp_part < CHIRP_PARTS && ram.chirp_part % 2 == 0;
    long chirp = on ? FULL : 0;

    if (digit != digit_now)
        printf("out %lld digit %ld\n", (long long)now, digit);
    if (chirp != chirp_now)
        printf("out %lld chirp %ld\n", (long long)now, chirp);
    digit_now = digit;
    chirp_now = chirp;
}

static void sleep_follow(void)
{
    bool awake = ram.show_locked || timer[T_BELL].armed;
#if TELL
    if (awake && !ram.awake)
        printf("wake %lld\n", (long long)now);
    if (!awake && ram.awake)
        printf("sleep %lld\n", (long long)now);
#endif
    ram.awake = awake;
}

static void memory_follow(void)
{
    if (nv.count == ram.count)
        return;
    nv.before = nv.count;
    nv.count = ram.count;
    nv.written = now;
}

/* --------------------------------------------------------- an instant --- */

static int edge[JOBS / 2];
static int edges;

static void instant(ns_t t)
{
    now = t;
    for (int i = 0; i < edges; i++)
        push(J_EDGE, edge[i]);
    edges = 0;
    for (int i = 0; i < TIMERS; i++)
        if (timer[i].armed && timer[i].due == now)
            push(J_TIMER, i);
    while (job_out != job_in) {
        struct job j = jobs[job_out++ % JOBS];
        if (j.kind == J_EDGE)
            on_edge(j.what);
        else if (j.kind == J_TIMER)
            on_timer(j.what);
        else
            on_event(j.what);
    }
    outputs_follow();
    sleep_follow();
    memory_follow();
}

static void run_up_to(ns_t t)           /* t excluded */
{
    for (;;) {
        ns_t next = t;
        for (int i = 0; i < TIMERS; i++)
            if (timer[i].armed && timer[i].due < next)
                next = timer[i].due;
        if (next >= t)
            return;
        instant(next);
    }
}

static void power_up(ns_t t)
{
    memset(&ram, 0, sizeof ram);
    for (int i = 0; i < TIMERS; i++)
        disarm((enum timer)i);
    job_in = job_out = 0;
    outputs_off();
    if (t <= lost_at)
        nv.count = 0;
    nv.written = -1;
    ram.count = nv.count;
    ram.awake = true;
    powered = true;
    now = t;
    bell_edge();                        /* its time runs from power-up */
    instant(t);
}

static void power_lost(ns_t t)
{
    if (nv.written == t)                /* not settled before the loss */
        nv.count = nv.before;
    powered = false;
    lost_at = t;
    outputs_off();
}

/* ----------------------------------------------------------- protocol --- */

static bool told[CONTACTS];             /* levels as the test has set them */
static int moved[JOBS / 2];
static int moves;

static int contact_of(const char *name)
{
    if (strcmp(name, "show") == 0)
        return C_SHOW;
    if (strcmp(name, "bell") == 0)
        return C_BELL;
    return -1;
}

static void do_set(const char *name, const char *value)
{
    int c = contact_of(name);
    bool v = value[0] == '1';

    if (c < 0 || told[c] == v)
        return;
    told[c] = v;
    if (moves < JOBS / 2)
        moved[moves++] = c;
}

static void take_levels(bool as_edges)
{
    memcpy(level, told, sizeof level);
    edges = 0;
    if (as_edges)
        for (int i = 0; i < moves; i++)
            edge[edges++] = moved[i];
    moves = 0;
}

int main(void)
{
    char line[1024];

    while (fgets(line, sizeof line, stdin)) {
        char *word = strtok(line, " \r\n");
        char *arg = strtok(NULL, " \r\n");

        if (word == NULL)
            continue;
        if (strcmp(word, "quit") == 0)
            break;
        if (strcmp(word, "value") == 0)
            continue;
        if (strcmp(word, "set") == 0) {
            char *value = strtok(NULL, " \r\n");
            if (arg && value)
                do_set(arg, value);
            continue;
        }
        if (strcmp(word, "hello") == 0) {
            printf("hello 1\n");
        } else if (arg == NULL) {
            printf("error a time is missing\n");
        } else {
            ns_t t = (ns_t)strtoll(arg, NULL, 10);

            if (strcmp(word, "power") == 0) {
                char *name;
                take_levels(false);
                while ((name = strtok(NULL, " \r\n")) != NULL)
                    if (contact_of(name) >= 0 && edges < JOBS / 2)
                        edge[edges++] = contact_of(name);
                power_up(t);
            } else if (strcmp(word, "until") == 0) {
                if (powered)
                    run_up_to(t);
            } else if (strcmp(word, "step") == 0) {
                if (powered) {
                    run_up_to(t);
                    take_levels(true);
                    instant(t);
                } else {
                    take_levels(false);
                }
            } else if (strcmp(word, "off") == 0) {
                power_lost(t);
            } else {
                printf("error unknown word\n");
            }
        }
        printf("ok\n");
        fflush(stdout);
    }
    return 0;
}
