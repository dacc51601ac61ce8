/* Kaffeemuehle No 7, written from its specification alone. Speaks the line protocol. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef long long ns;
#define NEVER (-1LL)
#define GRAIN_DEBOUNCE 10000000LL
#define GRAIN_HOLD 1000000000LL
#define REED_DEBOUNCE 50000LL
#define LID_DEBOUNCE 30000000LL

enum { GRAIN, REED, LID, PINS };
static const char *pin_names[PINS] = { "grain", "reed", "lid" };

/* timers, in the order of the regions */
enum { T_CONTACT, T_GESTURE, T_REED, T_LID, TIMERS };

enum event {
    GRAIN_EDGE, REED_EDGE, LID_EDGE,
    PRESS, RELEASE, CLICK, HOLD,
    REED_CLOSED, REED_OPENED, LID_CLOSED, LID_OPENED, CHANGED
};
static const char *event_names[] = {
    NULL, NULL, NULL,
    "grain.press", "grain.release", "grain.click", "grain.hold",
    "reed.closed", "reed.opened", "lid.closed", "lid.opened", "grain_size.changed"
};

enum gesture { UP, DOWN, HELD };
enum mill { REST, SLOW, FAST };

static int pins[PINS];
static int changes[256], levels[256], pending;
static int powered, asleep, stirred;
static ns now;
static ns due[TIMERS];

static int pressed, gesture, reed_on, lid_on, tell;
static int mill;
static int motor, led;

/* kept over a power loss: the values of now, and those that stood settled before the last instant */
static int grain_size, memory;
static int grain_before, memory_before;
static ns kept_at = NEVER, last_off = NEVER;

/* the queue of one instant */
struct item { int is_end; int what; ns when; };
static struct item queue[1024];
static int head, tail;

static void put(int is_end, int what)
{
    queue[tail].is_end = is_end;
    queue[tail].what = what;
    queue[tail].when = now;
    tail = (tail + 1) % 1024;
}

static void emit(int event) { put(0, event); }

static void start(int timer, ns length) { due[timer] = now + length; }

static int grain_percent(void)
{
    static const int percent[3] = { 20, 50, 80 };
    return percent[grain_size];
}

static void hear_gesture(int event)
{
    if (event == PRESS) {
        if (gesture == UP) {
            gesture = DOWN;
            start(T_GESTURE, GRAIN_HOLD);
        }
    } else if (event == RELEASE) {
        if (gesture == DOWN) {
            due[T_GESTURE] = NEVER;
            emit(CLICK);
        }
        gesture = UP;
    }
}

static void hear_dial(int event)
{
    if ((event == CLICK || event == HOLD) && lid_on) {
        grain_size = (grain_size + 1) % 3;
        emit(CHANGED);
    }
}

static void enter_mill(int state)
{
    mill = state;
    if (state != REST)
        memory = state;
}

static void hear_mill(int event)
{
    switch (mill) {
    case REST:
        if (event == REED_CLOSED && lid_on)
            enter_mill(memory);
        break;
    case SLOW:
        if (event == REED_OPENED || event == LID_OPENED)
            enter_mill(REST);
        else if (event == HOLD)
            enter_mill(FAST);
        break;
    case FAST:
        if (event == REED_OPENED || event == LID_OPENED)
            enter_mill(REST);
        else if (event == HOLD)
            enter_mill(SLOW);
        break;
    }
}

static void hear_tell(int event)
{
    if (event == LID_CLOSED)
        tell = 1;
    else if (event == LID_OPENED)
        tell = 0;
}

static void hear(int event)
{
    if (event_names[event])
        printf("event %lld %s\n", now, event_names[event]);
    switch (event) {
    case GRAIN_EDGE:
        start(T_CONTACT, GRAIN_DEBOUNCE);
        stirred = 1;
        break;
    case REED_EDGE:
        start(T_REED, REED_DEBOUNCE);
        stirred = 1;
        break;
    case LID_EDGE:
        start(T_LID, LID_DEBOUNCE);
        stirred = 1;
        break;
    case PRESS:
        pressed = 1;
        break;
    case RELEASE:
        pressed = 0;
        break;
    }
    hear_gesture(event);
    hear_dial(event);
    hear_mill(event);
    hear_tell(event);
}

static void end(int timer)
{
    due[timer] = NEVER;
    switch (timer) {
    case T_CONTACT:
        if (pins[GRAIN] && !pressed)
            emit(PRESS);
        else if (!pins[GRAIN] && pressed)
            emit(RELEASE);
        break;
    case T_GESTURE:
        gesture = HELD;
        emit(HOLD);
        break;
    case T_REED:
        if (pins[REED] != reed_on) {
            reed_on = pins[REED];
            emit(reed_on ? REED_CLOSED : REED_OPENED);
        }
        break;
    case T_LID:
        if (pins[LID] != lid_on) {
            lid_on = pins[LID];
            emit(lid_on ? LID_CLOSED : LID_OPENED);
        }
        break;
    }
}

static void outputs(void)
{
    int new_motor = 0, new_led = 0, awake;
    if (mill == SLOW)
        new_motor = grain_percent() * 10000;
    else if (mill == FAST)
        new_motor = 1000000;
    if (tell)
        new_led = grain_percent() * 5000;
    if (new_motor != motor)
        printf("out %lld motor %d\n", now, new_motor);
    if (new_led != led)
        printf("out %lld led %d\n", now, new_led);
    motor = new_motor;
    led = new_led;
    awake = due[T_CONTACT] != NEVER || due[T_REED] != NEVER || due[T_LID] != NEVER;
    if (asleep && (awake || stirred)) {
        printf("wake %lld\n", now);
        asleep = 0;
    }
    if (!asleep && !awake) {
        printf("sleep %lld\n", now);
        asleep = 1;
    }
    stirred = 0;
}

static void settle(void)
{
    if (kept_at != now) {
        grain_before = grain_size;
        memory_before = memory;
        kept_at = now;
    }
    while (head != tail) {
        struct item first = queue[head];
        head = (head + 1) % 1024;
        if (!first.is_end)
            hear(first.what);
        else if (due[first.what] == first.when)
            end(first.what);
    }
    outputs();
}

static void instant(ns t)
{
    int i;
    if (!powered)
        return;
    now = t;
    for (i = 0; i < pending; i++)
        if (pins[changes[i]] != levels[i]) {
            pins[changes[i]] = levels[i];
            emit(GRAIN_EDGE + changes[i]);
        }
    pending = 0;
    for (i = 0; i < TIMERS; i++)
        if (due[i] == t)
            put(1, i);
    settle();
}

static void advance(ns t)
{
    while (powered) {
        ns next = NEVER;
        int i;
        for (i = 0; i < TIMERS; i++)
            if (due[i] != NEVER && (next == NEVER || due[i] < next))
                next = due[i];
        if (next == NEVER || next >= t)
            return;
        instant(next);
    }
}

static void power(ns t, char *moved)
{
    int i;
    char *name;
    for (i = 0; i < pending; i++)
        pins[changes[i]] = levels[i];
    pending = 0;
    if (!(last_off != NEVER && t > last_off)) {
        grain_size = 1;
        memory = SLOW;
    }
    powered = 1;
    now = t;
    kept_at = NEVER;
    head = tail = 0;
    for (i = 0; i < TIMERS; i++)
        due[i] = NEVER;
    pressed = 0;
    gesture = UP;
    reed_on = 0;
    lid_on = 1;
    mill = REST;
    tell = 0;
    motor = led = 0;
    asleep = stirred = 0;
    start(T_REED, REED_DEBOUNCE);
    start(T_LID, LID_DEBOUNCE);
    for (name = strtok(moved, " "); name; name = strtok(NULL, " "))
        for (i = 0; i < PINS; i++)
            if (!strcmp(name, pin_names[i]))
                emit(GRAIN_EDGE + i);
    settle();
}

static void off(ns t)
{
    if (powered && kept_at == t) {
        /* what changed in this very instant is lost */
        grain_size = grain_before;
        memory = memory_before;
    }
    powered = 0;
    last_off = t;
}

int main(void)
{
    char line[4096];
    grain_size = 1;
    memory = SLOW;
    while (fgets(line, sizeof line, stdin)) {
        char word[64] = "", name[256] = "", value[64] = "";
        ns t = 0;
        int n = 0, i;
        line[strcspn(line, "\r\n")] = 0;
        if (sscanf(line, "%63s", word) != 1)
            continue;
        if (!strcmp(word, "quit"))
            break;
        if (!strcmp(word, "set")) {
            if (sscanf(line, "set %255s %63s", name, value) == 2)
                for (i = 0; i < PINS; i++)
                    if (!strcmp(name, pin_names[i]) && pending < 256) {
                        changes[pending] = i;
                        levels[pending++] = atoi(value);
                    }
            continue;
        }
        if (!strcmp(word, "value"))
            continue;
        sscanf(line, "%*s %lld%n", &t, &n);
        if (!strcmp(word, "hello"))
            printf("hello 1\n");
        else if (!strcmp(word, "power"))
            power(t, line + n);
        else if (!strcmp(word, "until"))
            advance(t);
        else if (!strcmp(word, "step")) {
            advance(t);
            instant(t);
        } else if (!strcmp(word, "off"))
            off(t);
        else
            printf("error %s\n", line);
        printf("ok\n");
        fflush(stdout);
    }
    return 0;
}
