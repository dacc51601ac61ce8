"""Faults put into `shed_firmware.c` by its author: name, what the message names, and what stands
instead of what.

A choice of them, of each kind some. `OPEN` are those that no vector tells, each with the reason.
"""

FAULTS: dict[str, tuple[str, list[tuple[str, str]]]] = {
    "debounce accepts 1 ms early": ("KNOB-CONTACT", [
        ("DEBOUNCE = 10,",
         "DEBOUNCE = 9,"),
    ]),
    "debounce counts from the first edge": ("KNOB-CONTACT", [
        ("case EDGE: start(T_CONTACT, DEBOUNCE)",
         "case EDGE: if (due[T_CONTACT] == NEVER) start(T_CONTACT, DEBOUNCE)"),
    ]),
    "a contact closed at power-up counts as pressed": ("KNOB-CONTACT-0FC9", [
        ("closed = contact; pressed = 0;",
         "closed = contact; pressed = contact;"),
    ]),
    "a contact closed at power-up is a press": ("KNOB-CONTACT-0FC9", [
        ("            due[T_GAUGE] = now;\n",
         "            due[T_GAUGE] = now;\n"
         "            if (closed) due[T_CONTACT] = now + DEBOUNCE * MS;\n"),
    ]),
    "an edge in the instant of power-up is not seen": ("KNOB-CONTACT", [
        ("if (!strcmp(name, \"knob\")) put(EDGE);",
         "(void)name;"),
    ]),
    "double 340 ms": ("KNOB-GESTURE", [
        ("DOUBLE = 350",
         "DOUBLE = 340"),
    ]),
    "a double may become a hold": ("KNOB-GESTURE-F9B5", [
        ("gesture = SECOND; stop(T_GESTURE); emit(DOUBLED);",
         "gesture = PRESSED; start(T_GESTURE, HOLD); emit(DOUBLED);"),
    ]),
    "a double is a click as well": ("KNOB-GESTURE-5620", [
        ("        else gesture = IDLE;\n"
         "        stop(T_REPEATS);",
         "        else { if (gesture == SECOND) emit(CLICK); gesture = IDLE; }\n"
         "        stop(T_REPEATS);"),
    ]),
    "a release in the instant of the hold cancels it": ("KNOB-GESTURE-BBB9", [
        ("        if (gesture == PRESSED) { gesture = HOLDING; emit(HELD); }",
         "        if (gesture == PRESSED && closed) { gesture = HOLDING; emit(HELD); }\n"
         "        else if (gesture == PRESSED) { gesture = WAITING; start(T_GESTURE, DOUBLE); }"),
    ]),
    "a second press in the last instant of the double": ("KNOB-GESTURE-F9B5", [
        ("        else { gesture = IDLE; emit(CLICK); }",
         "        else if (closed && !pressed) { gesture = SECOND; emit(DOUBLED); }\n"
         "        else { gesture = IDLE; emit(CLICK); }"),
    ]),
    "repeats go on after a release in the instant of the hold": ("KNOB-REPEATS-0C12", [
        ("case HELD: if (pressed) start",
         "case HELD: start"),
    ]),
    "the first repeat comes with the hold": ("KNOB-REPEATS-0C12", [
        ("case HELD: if (pressed) start(T_REPEATS, REPEAT); break;",
         "case HELD: if (pressed) { start(T_REPEATS, REPEAT); emit(REPEATED); } break;"),
    ]),
    "repeats go on after a release": ("KNOB-REPEATS-0C12", [
        ("        stop(T_REPEATS);\n",
         ""),
    ]),
    "gauge first at 10 s": ("GAUGE-F54D", [
        ("due[T_GAUGE] = now;",
         "due[T_GAUGE] = now + SAMPLE * MS;"),
    ]),
    "gauge every 10.001 s": ("GAUGE-F54D", [
        ("SAMPLE = 10000",
         "SAMPLE = 10001"),
    ]),
    "first sample with hysteresis": ("GAUGE-A135", [
        ("if (!sampled) bar = c <= 312;",
         "if (!sampled) bar = c <= 296;"),
    ]),
    "bar goes out a code late": ("GAUGE-A135", [
        ("bar && c >= 313",
         "bar && c >= 314"),
    ]),
    "hysteresis the wrong way": ("GAUGE", [
        ("bar && c >= 313",
         "bar && c >= 330"),
        ("!bar && c <= 296",
         "!bar && c <= 312"),
    ]),
    "low a code late": ("CELL-A409", [
        ("if (c >= 327) low",
         "if (c >= 328) low"),
    ]),
    "flat a code late": ("CELL-05B9", [
        ("if (c >= 376) flat",
         "if (c >= 377) flat"),
    ]),
    "flat ends at 3.00 V": ("cell.flat", [
        ("    if (gone) low = flat = 0;",
         "    if (gone) low = flat = 0;\n"
         "    if (c < 376) flat = 0;"),
    ]),
    "back at 3.45 V": ("CELL-9A1D", [
        ("reading() > 3450000",
         "reading() >= 3450000"),
    ]),
    "back leaves flat": ("CELL-9A1D", [
        ("if (gone) low = flat = 0;",
         "if (gone) low = 0;"),
    ]),
    "flat told before low": ("CELL", [
        ("    if (low && !was_low) emit(LOW);\n"
         "    if (flat && !was_flat) emit(FLAT);",
         "    if (flat && !was_flat) emit(FLAT);\n"
         "    if (low && !was_low) emit(LOW);"),
    ]),
    "a sample is judged before all else of its instant": ("CELL", [
        ("case T_GAUGE: start(T_GAUGE, SAMPLE); put(SAMPLED); break;",
         "case T_GAUGE: start(T_GAUGE, SAMPLE); sample(); break;"),
    ]),
    "level moves in full, too": ("LEVEL-CDA5", [
        ("if (torch != LIGHT) break;",
         "if (torch == OFF) break;"),
    ]),
    "level turns with the last step": ("LEVEL", [
        ("        emit(CHANGED);\n",
         "        emit(CHANGED);\n"
         "        if (level == 0 || level == 7) emit(END);\n"),
    ]),
    "level kept over a loss": ("LEVEL-0B2B", [
        ("level = 5; down = 0;",
         "level = kept ? level : 5; kept = 1; down = 0;"),
        ("static int level, down;",
         "static int level, down, kept;"),
    ]),
    "turn kept over a loss": ("ORDER-35FB", [
        ("level = 5; down = 0;",
         "level = 5;"),
    ]),
    "click lights flat cells": ("TORCH-D617", [
        ("else if (!flat) enter",
         "else enter"),
    ]),
    "double on low cells": ("TORCH-9F52", [
        ("torch != FULL && !low",
         "torch != FULL"),
    ]),
    "double in full begins the 15 min anew": ("TORCH-C4CC", [
        ("torch != FULL && !low",
         "!low"),
    ]),
    "double in full goes back to lit": ("TORCH-C4CC", [
        ("if (torch != FULL && !low) enter_torch(FULL);",
         "if (torch == FULL) enter_torch(LIGHT); else if (!low) enter_torch(FULL);"),
    ]),
    "full to lit runs the 15 min on": ("TORCH-AF20", [
        ("if (torch == FULL) enter_torch(LIGHT);\n",
         "if (torch == FULL) torch = LIGHT;\n"),
    ]),
    "lit to full runs the 15 min on": ("TORCH-9F52", [
        ("!low) enter_torch(FULL);",
         "!low) { if (torch == LIGHT) torch = FULL; else enter_torch(FULL); }"),
    ]),
    "low puts out": ("TORCH-AF20", [
        ("if (torch == FULL) enter_torch(LIGHT);\n",
         "if (torch == FULL) enter_torch(OFF);\n"),
    ]),
    "flat does not put out": ("TORCH-353D", [
        ("case FLAT: if (torch != OFF) enter_torch(OFF); break;",
         "case FLAT: break;"),
    ]),
    "a repeat begins the 15 min anew": ("TORCH-311D", [
        ("        level += down",
         "        start(T_TORCH, LIT);\n"
         "        level += down"),
    ]),
    "warning 10 min from the last low": ("WARNING-B05F", [
        ("        if (!winking) {",
         "        if (winking) start(T_WARNING, WARN);\n"
         "        if (!winking) {"),
    ]),
    "warning ends with back": ("warning.winking", [
        ("    if (gone) emit(BACK);",
         "    if (gone) { emit(BACK); winking = wink_on = 0; stop(T_WINK); stop(T_WARNING); }"),
    ]),
    "wink begun anew by a low": ("WARNING-AA00", [
        ("        if (!winking) {",
         "        if (winking) { wink_on = 1; start(T_WINK, WINK); }\n"
         "        if (!winking) {"),
    ]),
    "wink begins dark": ("SEQUENCE-MARK", [
        ("winking = wink_on = 1; start(T_WINK, WINK);",
         "winking = 1; wink_on = 0; start(T_WINK, DARK);"),
    ]),
    "mark stays on at the end of the warning": ("WARNING-B05F", [
        ("case T_WARNING: winking = wink_on = 0; stop",
         "case T_WARNING: winking = 0; stop"),
    ]),
    "no second warning": ("WARNING-AA00", [
        ("case T_WARNING: winking = wink_on = 0;",
         "case T_WARNING: wink_on = 0;"),
    ]),
    "torch kept over a loss": ("ORDER-35FB", [
        ("torch = OFF; winking",
         "if (torch != OFF) enter_torch(torch); winking"),
    ]),
    "low kept over a loss": ("ORDER-35FB", [
        ("sampled = bar = low = flat = 0;",
         "sampled = bar = flat = 0;"),
    ]),
    "press kept over a loss": ("ORDER-35FB", [
        ("closed = contact; pressed = 0;",
         "closed = contact; pressed = pressed && contact;"),
    ]),
    "clock of the gauge kept over a loss": ("GAUGE-F54D", [
        ("for (int t = 0; t < TIMERS; t++) stop(t);",
         "for (int t = 0; t < TIMERS; t++) if (t != T_GAUGE) stop(t);"),
        ("due[T_GAUGE] = now;",
         "if (due[T_GAUGE] <= now || due[T_GAUGE] == NEVER) due[T_GAUGE] = now;"),
        ("int waiting[64], n = 0, contact = 0;",
         "int waiting[64], n = 0, contact = 0;\n"
         "    for (int t = 0; t < TIMERS; t++) stop(t);"),
    ]),
    "two edges of one instant are none": ("KNOB-CONTACT", [
        ("{ if (waiting[i] != contact && powered) put(EDGE); contact = waiting[i]; }",
         "{ if (i == n - 1 && waiting[i] != closed && powered) put(EDGE); contact = waiti"
         "ng[i]; }"),
    ]),
    "low at the end of the warning is lost": ("WARNING-AA00", [
        ("case T_WARNING: winking = wink_on = 0; stop(T_WINK); stop(T_WARNING); break;",
         "case T_WARNING: winking = wink_on = 0; stop(T_WINK); stop(T_WARNING); ended = n"
         "ow; break;"),
        ("        if (!winking) {",
         "        if (!winking && ended != now) {"),
        ("static long beam, mark;",
         "static long beam, mark;\n"
         "static int64_t ended = -1;"),
    ]),
    "a first click kept over a loss": ("ORDER-35FB", [
        ("gesture = IDLE;\n"
         "            sampled",
         "gesture = gesture == WAITING ? WAITING : IDLE;\n"
         "            sampled"),
    ]),
}  # fmt: skip

OPEN = {
    "flat told before low":
        "The order of the events of one instant is not compared.",
    "warning 10 min from the last low":
        "No vector has a second `cell.low` and waits for the end behind it.",
    "two edges of one instant are none":
        "No vector opens and closes a contact at one time.",
    "a first click kept over a loss":
        "No vector loses the supply between a click and a second press.",
}
