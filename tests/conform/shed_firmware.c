/* Potting-shed torch: one knob, a beam in eight levels, a red mark that winks. Written for a host: speaks the line protocol. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MS 1000000LL
#define NEVER INT64_MAX

enum { DEBOUNCE = 10, HOLD = 700, REPEAT = 200, DOUBLE = 350, SAMPLE = 10000, LIT = 900000, WARN = 600000, WINK = 40, DARK = 3960 };

/* what waits in the queue of an instant; the timers come first, in the order in which they are served */
enum { T_CONTACT, T_GESTURE, T_REPEATS, T_GAUGE, T_TORCH, T_WINK, T_WARNING, TIMERS,
       EDGE, PRESS, RELEASE, CLICK, DOUBLED, HELD, REPEATED, SAMPLED, UP, DOWN, LOW, FLAT, BACK, CHANGED, END };
static const char *const names[] = {
    [PRESS] = "knob.press", [RELEASE] = "knob.release", [CLICK] = "knob.click", [DOUBLED] = "knob.double",
    [HELD] = "knob.hold", [REPEATED] = "knob.repeat", [UP] = "gauge.up", [DOWN] = "gauge.down", [LOW] = "cell.low",
    [FLAT] = "cell.flat", [BACK] = "cell.back", [CHANGED] = "level.changed", [END] = "level.end" };

static const long levels[8] = { 30000, 49508, 81701, 134829, 222504, 367191, 605963, 1000000 };

static int64_t now, due[TIMERS];
static int queue[64], first, last;
static int powered, closed, pressed;
static enum { IDLE, PRESSED, HOLDING, WAITING, SECOND } gesture;
static int sampled, bar, low, flat;
static int level, down;
static enum { OFF, LIGHT, FULL } torch;
static int winking, wink_on;
static long beam, mark;
static long measured = -1;

static void put(int what) { queue[last++] = what; }
static void emit(int what) { put(what); }
static void start(int timer, int64_t ms) { due[timer] = now + ms * MS; }
static void stop(int timer) { due[timer] = NEVER; }

static long reading(void)
{
    char line[200];
    long value = 0;
    if (measured >= 0) return measured;
    printf("ask gauge.measured\n");
    fflush(stdout);
    if (fgets(line, sizeof line, stdin)) sscanf(line, "value %ld", &value);
    return value;
}

/* the reference of 1.1 V against the supply, in 10 bits: a lower supply has a higher code */
static int code(void)
{
    long uv = reading();
    long c = uv > 0 ? 1024L * 1100000L / uv : 1023;
    return c > 1023 ? 1023 : (int)c;
}

static void enter_torch(int state)
{
    torch = state;
    if (state == OFF) stop(T_TORCH); else start(T_TORCH, LIT);
}

static void sample(void)
{
    int c = code(), was_low = low, was_flat = flat, had = bar, gone;
    gone = low && reading() > 3450000;
    if (c >= 327) low = 1;
    if (c >= 376) flat = 1;
    if (gone) low = flat = 0;
    if (!sampled) bar = c <= 312;
    else if (bar && c >= 313) bar = 0;
    else if (!bar && c <= 296) bar = 1;
    if (low && !was_low) emit(LOW);
    if (flat && !was_flat) emit(FLAT);
    if (gone) emit(BACK);
    if (sampled && bar != had) emit(bar ? UP : DOWN);
    sampled = 1;
}

static void handle(int what)
{
    switch (what) {
    case EDGE: start(T_CONTACT, DEBOUNCE); break;
    case T_CONTACT:
        stop(T_CONTACT);
        if (closed != pressed) emit(closed ? PRESS : RELEASE);
        break;
    case PRESS:
        pressed = 1;
        if (gesture == WAITING) { gesture = SECOND; stop(T_GESTURE); emit(DOUBLED); }
        else { gesture = PRESSED; start(T_GESTURE, HOLD); }
        break;
    case RELEASE:
        pressed = 0;
        if (gesture == PRESSED) { gesture = WAITING; start(T_GESTURE, DOUBLE); }
        else gesture = IDLE;
        stop(T_REPEATS);
        break;
    case T_GESTURE:
        stop(T_GESTURE);
        if (gesture == PRESSED) { gesture = HOLDING; emit(HELD); }
        else { gesture = IDLE; emit(CLICK); }
        break;
    case HELD: if (pressed) start(T_REPEATS, REPEAT); break;
    case T_REPEATS: start(T_REPEATS, REPEAT); emit(REPEATED); break;
    case REPEATED:
        if (torch != LIGHT) break;
        if (level == (down ? 0 : 7)) { emit(END); break; }
        level += down ? -1 : 1;
        emit(CHANGED);
        break;
    case END: down = !down; break;
    case T_GAUGE: start(T_GAUGE, SAMPLE); put(SAMPLED); break;
    case SAMPLED: sample(); break;
    case CLICK:
        if (torch != OFF) enter_torch(OFF);
        else if (!flat) enter_torch(LIGHT);
        break;
    case DOUBLED: if (torch != FULL && !low) enter_torch(FULL); break;
    case LOW:
        if (torch == FULL) enter_torch(LIGHT);
        if (!winking) { winking = wink_on = 1; start(T_WINK, WINK); start(T_WARNING, WARN); }
        break;
    case FLAT: if (torch != OFF) enter_torch(OFF); break;
    case T_TORCH: enter_torch(OFF); break;
    case T_WINK: wink_on = !wink_on; start(T_WINK, wink_on ? WINK : DARK); break;
    case T_WARNING: winking = wink_on = 0; stop(T_WINK); stop(T_WARNING); break;
    }
}

static void instant(void)
{
    long b, m;
    for (int t = 0; t < TIMERS; t++) if (due[t] == now) put(t);
    while (first < last) {
        int what = queue[first++];
        if (what < TIMERS && due[what] != now) continue;
        if (what > EDGE && names[what]) printf("event %lld %s\n", (long long)now, names[what]);
        handle(what);
    }
    first = last = 0;
    b = torch == FULL ? 1000000 : torch == LIGHT ? levels[level] : 0;
    m = wink_on ? 1000000 : 0;
    if (b != beam) printf("out %lld beam %ld\n", (long long)now, beam = b);
    if (m != mark) printf("out %lld mark %ld\n", (long long)now, mark = m);
}

static void run(int64_t until)
{
    for (;;) {
        int64_t next = NEVER;
        for (int t = 0; t < TIMERS; t++) if (due[t] < next) next = due[t];
        if (!powered || next >= until) return;
        now = next;
        instant();
    }
}

int main(void)
{
    static char line[1000];
    int waiting[64], n = 0, contact = 0;
    while (fgets(line, sizeof line, stdin)) {
        char *word = strtok(line, " \r\n"), *name;
        if (!word) continue;
        if (!strcmp(word, "quit")) return 0;
        if (!strcmp(word, "set")) {
            name = strtok(NULL, " \r\n");
            word = strtok(NULL, " \r\n");
            if (!name || !word) continue;
            if (!strcmp(name, "knob") && n < 64) waiting[n++] = *word == '1';
            if (!strcmp(name, "gauge.measured")) measured = *word == '?' ? -1 : atol(word);
            continue;
        }
        if (!strcmp(word, "hello")) printf("hello 1\n");
        else if (!strcmp(word, "power")) {
            now = atoll(strtok(NULL, " \r\n"));
            for (int t = 0; t < TIMERS; t++) stop(t);
            if (n) contact = waiting[n - 1];
            n = 0;
            powered = 1; closed = contact; pressed = 0; gesture = IDLE;
            sampled = bar = low = flat = 0; level = 5; down = 0; torch = OFF; winking = wink_on = 0; beam = mark = 0;
            while ((name = strtok(NULL, " \r\n"))) if (!strcmp(name, "knob")) put(EDGE);
            due[T_GAUGE] = now;
            instant();
        } else if (!strcmp(word, "until")) run(atoll(strtok(NULL, " \r\n")));
        else if (!strcmp(word, "step")) {
            int64_t t = atoll(strtok(NULL, " \r\n"));
            run(t);
            for (int i = 0; i < n; i++) { if (waiting[i] != contact && powered) put(EDGE); contact = waiting[i]; }
            n = 0;
            if (powered) { now = t; closed = contact; instant(); }
        } else if (!strcmp(word, "off")) powered = 0;
        else printf("error not understood\n");
        printf("ok\n");
        fflush(stdout);
    }
    return 0;
}
