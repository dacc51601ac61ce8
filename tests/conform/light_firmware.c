/* Key-hook light: one key, one lamp, a coin cell that is watched.
 * Event driven: a few small state machines, one deadline each, one short
 * queue of events that is drained in every instant. FAULT is the number of
 * the mistake that is built in; 0 is none. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifndef FAULT
#define FAULT 0
#endif

typedef uint64_t instant;
#define NEVER UINT64_MAX
#define MS 1000000ull

#define T_DEBOUNCE (15 * MS)
#define T_DOUBLE   (400 * MS)
#define T_SAMPLE   (8000 * MS)
#define T_LIT      (20000 * MS)
#define T_FLASH    (40 * MS)
#define T_GAP      (960 * MS)
#define T_SEARCH   (900000 * MS)

#define UV_BAR_DOWN 2600000L
#define UV_BAR_UP   2660000L
#define UV_LOW      2500000L
#define UV_FLAT     2250000L

/* ---- the world outside ------------------------------------------------ */

static int pin_key;            /* level of the contact now */
static int next_key;           /* level from the next step on */
static int have_measured;
static long measured_uv;
static char line[512];

static long read_cell(void)
{
    char answer[128];
    if (have_measured)
        return measured_uv;
    printf("ask gauge.measured\n");
    fflush(stdout);
    while (fgets(answer, sizeof answer, stdin))
        if (!strncmp(answer, "value ", 6))
            return strtol(answer + 6, NULL, 10);
    exit(0);
}

/* ---- events ----------------------------------------------------------- */

enum event {
    KEY_PRESS, KEY_RELEASE, KEY_CLICK, KEY_DOUBLE,
    GAUGE_UP, GAUGE_DOWN, CELL_LOW, CELL_FLAT, CELL_BACK,
    SEARCH_OVER,
    TAKE_SAMPLE                /* inside only, not told */
};

#ifndef OUTPUTS_ONLY
static const char *const event_name[] = {
    "key.press", "key.release", "key.click", "key.double",
    "gauge.up", "gauge.down", "cell.low", "cell.flat", "cell.back",
    "search.over"
};
#endif

#if FAULT == 12
#define QUEUE 4u
#else
#define QUEUE 16u
#endif
static uint8_t queue[QUEUE];
static uint8_t q_in, q_out;
static instant now;

static void post(enum event e)
{
    queue[q_in] = (uint8_t)e;
    q_in = (q_in + 1u) % QUEUE;
#ifndef OUTPUTS_ONLY
    if (e != TAKE_SAMPLE)
        printf("event %llu %s\n", (unsigned long long)now, event_name[e]);
#endif
}

#if FAULT == 8
static int queue_holds(enum event e)
{
    uint8_t i;
    for (i = q_out; i != q_in; i = (i + 1u) % QUEUE)
        if (queue[i] == e)
            return 1;
    return 0;
}
#else
#define queue_holds(e) 0
#endif

/* ---- state ------------------------------------------------------------ */

static enum { STILL, BOUNCING } contact;
static enum { UP, DOWN, BETWEEN, DOWN_AGAIN, DEAF } gesture;
static enum { DARK, LIT_FULL, LIT_WEAK, WINK_OUT, WINK_IN } lamp_mode;
static enum { IDLE, RUNNING } search;

static instant contact_due, gesture_due, gauge_due, lamp_due, search_due;

static instant burst_began;    /* first edge of what bounces now */
static instant press_began;
static instant powered_at;
static uint8_t key_pressed;
static uint8_t bars, bars_known;
static uint8_t cell_low, cell_flat;

static uint8_t key_settled;
static uint8_t was_dark;       /* before the event that is handled now */
static uint8_t samples;

static uint8_t powered;
static uint8_t was_awake, woken;
static long lamp_level;

/* ---- the key ---------------------------------------------------------- */

static void key_edge(void)
{
    if (contact == STILL)
        burst_began = now;
    if (FAULT != 1 || contact == STILL)
        contact_due = now + T_DEBOUNCE;
    if (FAULT == 3 && contact_due > burst_began + 1000 * MS)
        contact_due = burst_began + 1000 * MS;
    contact = BOUNCING;
    woken = 1;
}

static void contact_settled(void)
{
    contact = STILL;
    contact_due = NEVER;
    if (FAULT == 4) {
        if (pin_key == key_settled)
            return;
        key_settled = (uint8_t)pin_key;
        post(pin_key ? KEY_PRESS : KEY_RELEASE);
        return;
    }
    if (pin_key && !key_pressed)
        post(KEY_PRESS);
    else if (!pin_key && key_pressed)
        post(KEY_RELEASE);
}

static void gesture_enter(int s)
{
    gesture = s;
    gesture_due = s == BETWEEN || s == DEAF ? now + T_DOUBLE : NEVER;
}

static void gesture_event(enum event e)
{
    switch (gesture) {
    case UP:
        if (e == KEY_PRESS) {
            press_began = now;
            gesture_enter(DOWN);
        }
        break;
    case DOWN:
        if (e == KEY_RELEASE)
            gesture_enter(FAULT == 5 && now - press_began > 10000 * MS ? UP : BETWEEN);
        break;
    case BETWEEN:
        if (e == KEY_PRESS) {
            gesture_enter(DOWN_AGAIN);
            post(KEY_DOUBLE);
        }
        break;
    case DOWN_AGAIN:
        if (e == KEY_RELEASE)
            gesture_enter(FAULT == 6 ? DEAF : UP);
        break;
    case DEAF:                 /* fault 6 only */
        break;
    }
}

static void gesture_timeout(void)
{
    if (FAULT == 7 && contact == BOUNCING) {
        gesture_due = contact_due;
        return;
    }
    if (FAULT == 8 && queue_holds(KEY_PRESS)) {
        gesture_due = NEVER;
        return;
    }
    if (gesture == DEAF) {
        gesture_enter(UP);
        return;
    }
    gesture_enter(UP);
    post(KEY_CLICK);
}

/* ---- the cell --------------------------------------------------------- */

static void take_sample(void)
{
    long uv = read_cell();
    int8_t moved = 0;

    woken = 1;
    if (FAULT == 9 && samples++ == 0) {
        cell_low = cell_flat = 0;
        bars_known = 0;
    }
    if (!bars_known) {
        bars = uv >= UV_BAR_DOWN;
        bars_known = 1;
    } else if (bars && uv < UV_BAR_DOWN) {
        bars = 0;
        moved = -1;
    } else if (!bars && uv >= UV_BAR_UP) {
        bars = 1;
        moved = 1;
    }

    if (uv > UV_LOW) {
        if (cell_low) {
            cell_low = 0;
            cell_flat = 0;
            post(CELL_BACK);
        }
    } else {
        if (uv < UV_LOW && !cell_low) {
            cell_low = 1;
            post(CELL_LOW);
        }
        if (uv < UV_FLAT && !cell_flat) {
            cell_flat = 1;
            post(CELL_FLAT);
        }
    }

    if (FAULT == 2 && uv > UV_FLAT + 60000)
        cell_flat = 0;

    if (moved > 0)
        post(GAUGE_UP);
    else if (moved < 0)
        post(GAUGE_DOWN);
}

static void gauge_timeout(void)
{
    if (FAULT == 18 && contact == BOUNCING) {
        gauge_due = contact_due;
        return;
    }
    gauge_due = now + T_SAMPLE;
    if (FAULT == 13)
        take_sample();
    else
        post(TAKE_SAMPLE);
}

/* ---- the lamp --------------------------------------------------------- */

static uint32_t ms_since_power(instant t)
{
    return (uint32_t)((t - powered_at) / MS);
}

static void lamp_enter(int s)
{
    lamp_mode = s;
    switch (lamp_mode) {
    case LIT_FULL:
    case LIT_WEAK:
        lamp_due = now + T_LIT;
        if (FAULT == 10 && ms_since_power(lamp_due) < ms_since_power(now))
            lamp_due = now + 1 * MS;
        break;
    case WINK_IN:  lamp_due = now + T_FLASH; break;
    case WINK_OUT: lamp_due = now + T_GAP;   break;
    case DARK:     lamp_due = NEVER;         break;
    }
}

static void lamp_event(enum event e)
{
    switch (lamp_mode) {
    case DARK:
        if (e == KEY_CLICK) {
            if (!cell_low)
                lamp_enter(LIT_FULL);
            else if (!cell_flat)
                lamp_enter(LIT_WEAK);
        } else if (e == KEY_DOUBLE && !cell_flat) {
            lamp_enter(WINK_IN);
        }
        break;
    case LIT_FULL:
    case LIT_WEAK:
        if (e == KEY_CLICK || e == CELL_FLAT)
            lamp_enter(DARK);
        else if (e == KEY_DOUBLE && !cell_flat)
            lamp_enter(WINK_IN);
        else if (e == CELL_LOW && lamp_mode == LIT_FULL)
            lamp_enter(LIT_WEAK);
        else if (FAULT == 19 && e == CELL_BACK && lamp_mode == LIT_WEAK)
            lamp_enter(LIT_FULL);
        break;
    case WINK_OUT:
    case WINK_IN:
        if (e == KEY_CLICK || e == SEARCH_OVER || e == CELL_FLAT)
            lamp_enter(DARK);
        break;
    }
}

static void lamp_timeout(void)
{
    switch (lamp_mode) {
    case LIT_FULL:
    case LIT_WEAK: lamp_enter(DARK);     break;
    case WINK_IN:  lamp_enter(WINK_OUT); break;
    case WINK_OUT: lamp_enter(WINK_IN);  break;
    case DARK:     break;
    }
}

static long lamp_wanted(void)
{
    switch (lamp_mode) {
    case LIT_FULL:
    case WINK_IN:  return 1000000;
    case LIT_WEAK: return 400000;
    default:       return 0;
    }
}

/* ---- the search ------------------------------------------------------- */

static uint16_t s_since_power(instant t)
{
    return (uint16_t)((t - powered_at) / (1000 * MS));
}

static void search_event(enum event e)
{
    switch (search) {
    case IDLE:
        if (e == KEY_DOUBLE && !(FAULT == 14 && cell_flat)) {
            search = RUNNING;
            search_due = now + T_SEARCH;
            if (FAULT == 11 && s_since_power(search_due) < s_since_power(now))
                search_due = now + 1000 * MS;
        }
        break;
    case RUNNING:
        if (e == KEY_CLICK) {
            search = IDLE;
            search_due = NEVER;
        } else if (FAULT == 16 && e == KEY_DOUBLE && was_dark && lamp_mode == WINK_IN) {
            search_due = now + T_SEARCH;
        }
        break;
    }
}

static void search_timeout(void)
{
    search = IDLE;
    search_due = NEVER;
    post(SEARCH_OVER);
}

/* ---- one instant ------------------------------------------------------ */

static void drain(void)
{
    while (q_out != q_in) {
        enum event e = queue[q_out];
        q_out = (q_out + 1u) % QUEUE;
        switch (e) {
        case KEY_PRESS:   key_pressed = 1; gesture_event(e); break;
        case KEY_RELEASE: key_pressed = 0; gesture_event(e); break;
        case KEY_CLICK:
        case KEY_DOUBLE:
            was_dark = lamp_mode == DARK;
            lamp_event(e);
            search_event(e);
            break;
        case CELL_LOW:
        case CELL_FLAT:
        case SEARCH_OVER:
        case CELL_BACK:
            was_dark = lamp_mode == DARK;
            lamp_event(e);
            if (FAULT == 15 && e == CELL_FLAT) {
                search = IDLE;
                search_due = NEVER;
            }
            break;
        case TAKE_SAMPLE: take_sample(); break;
        case GAUGE_UP:
        case GAUGE_DOWN:  break;
        }
    }
}

static void settle(void)
{
    int awake;
    long level;

    drain();
    level = lamp_wanted();
    if (level != lamp_level) {
        lamp_level = level;
        printf("out %llu lamp %ld\n", (unsigned long long)now, level);
    }
    awake = contact == BOUNCING;
#if !defined OUTPUTS_ONLY && !defined NO_WAKE
    if (woken && !was_awake)
        printf("wake %llu\n", (unsigned long long)now);
    if (!awake && (woken || was_awake))
        printf("sleep %llu\n", (unsigned long long)now);
#endif
    was_awake = (uint8_t)awake;
    woken = 0;
}

static void timers(void)
{
    if (contact_due == now)
        contact_settled();
    if (gesture_due == now)
        gesture_timeout();
    if (gauge_due == now)
        gauge_timeout();
    if (lamp_due == now)
        lamp_timeout();
    if (search_due == now)
        search_timeout();
}

static instant next_due(void)
{
    instant t = contact_due;
    if (gesture_due < t) t = gesture_due;
    if (gauge_due < t)   t = gauge_due;
    if (lamp_due < t)    t = lamp_due;
    if (search_due < t)  t = search_due;
    return t;
}

static void run_until(instant end)
{
    instant t;
    while (powered && (t = next_due()) < end) {
        now = t;
        timers();
        settle();
    }
    now = end;
}

static void step(instant t)
{
    run_until(t);
    if (next_key != pin_key) {
        pin_key = next_key;
        if (powered && !(FAULT == 17 && gauge_due == t))
            key_edge();
    }
    if (powered) {
        timers();
        settle();
    }
}

static void power_up(instant t, int key_moves)
{
    now = powered_at = t;
    powered = 1;
    samples = 0;
    key_settled = (uint8_t)(next_key != key_moves);
    pin_key = next_key;
    q_in = q_out = 0;

    contact = STILL;
    contact_due = NEVER;
    key_pressed = 0;
    gesture_enter(UP);
    bars = bars_known = 0;
    cell_low = cell_flat = 0;
    lamp_enter(DARK);
    search = IDLE;
    search_due = NEVER;
    lamp_level = 0;
    was_awake = 1;             /* that it wakes here need not be told */
    woken = 0;

    if (key_moves)
        key_edge();
    if (FAULT == 20 && gauge_due > t && gauge_due - t < T_SAMPLE)
        post(TAKE_SAMPLE);
    else
        gauge_timeout();       /* the first sample comes at once */
    settle();
}

static void power_off(instant t)
{
    now = t;
    powered = 0;
    lamp_level = 0;
}

/* ---- the lines -------------------------------------------------------- */

static void set_input(const char *name, const char *value)
{
    if (!strcmp(name, "key")) {
        next_key = value[0] == '1';
    } else if (!strcmp(name, "gauge.measured")) {
        have_measured = value[0] != '?';
        measured_uv = strtol(value, NULL, 10);
    }
}

int main(void)
{
    while (fgets(line, sizeof line, stdin)) {
        char *word[16];
        int n = 0, i, moves = 0;
        char *w = strtok(line, " \r\n");
        instant t;

        while (w && n < 16) {
            word[n++] = w;
            w = strtok(NULL, " \r\n");
        }
        if (n == 0)
            continue;
        if (!strcmp(word[0], "quit"))
            break;
        if (!strcmp(word[0], "set") && n == 3) {
            set_input(word[1], word[2]);
            continue;
        }
        if (!strcmp(word[0], "value"))
            continue;

        t = n > 1 ? strtoull(word[1], NULL, 10) : 0;
        if (!strcmp(word[0], "hello")) {
            printf("hello 1\n");
        } else if (!strcmp(word[0], "until") && n == 2) {
            run_until(t);
        } else if (!strcmp(word[0], "step") && n == 2) {
            step(t);
        } else if (!strcmp(word[0], "off") && n == 2) {
            power_off(t);
        } else if (!strcmp(word[0], "power") && n >= 2) {
            for (i = 2; i < n; i++)
                if (!strcmp(word[i], "key"))
                    moves = 1;
            power_up(t, moves);
        } else {
            printf("error not understood\n");
        }
        printf("ok\n");
        fflush(stdout);
    }
    return 0;
}
