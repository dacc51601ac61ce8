"""Faults put into `bell_firmware.c` by its author: what is wrong, and what stands instead of what.

`OPEN` are those that no vector tells, each with the reason.
"""

FAULTS: dict[str, list[tuple[str, str]]] = {
    "lock of show 5 ms too short": [
        ("(20 * MS)",
         "(15 * MS)"),
    ],
    "lock of show 10 ms too long": [
        ("(20 * MS)",
         "(30 * MS)"),
    ],
    "hold 20 ms early (counted as if debounced before)": [
        ("(1000 * MS)",
         "(980 * MS)"),
    ],
    "hold 20 ms late (counted from the end of the lock)": [
        ("(1000 * MS)",
         "(1020 * MS)"),
    ],
    "bell settles one ms late": [
        ("(5 * MS)",
         "(6 * MS)"),
    ],
    "bell settles one ms early": [
        ("(5 * MS)",
         "(4 * MS)"),
    ],
    "display 20 ms too long": [
        ("(3000 * MS)",
         "(3020 * MS)"),
    ],
    "three beeps instead of two, chime time longer to match": [
        ("CHIRP_PARTS 4",
         "CHIRP_PARTS 6"),
        ("(200 * MS)",
         "(300 * MS)"),
    ],
    "one beep only": [
        ("CHIRP_PARTS 4",
         "CHIRP_PARTS 2"),
    ],
    "last beep never ends its off: chime time 150 ms": [
        ("(200 * MS)",
         "(150 * MS)"),
    ],
    "sequence without end, chime stays 250 ms": [
        ("CHIRP_PARTS 4",
         "CHIRP_PARTS 100"),
        ("(200 * MS)",
         "(250 * MS)"),
    ],
    "show counts at the end of 20 ms (debounced), not at once": [
        ("    if (!ram.show_locked)\n"
         "        show_look();",
         "    ram.show_locked = true;\n"
         "    arm(T_LOCK, SHOW_LOCK);"),
    ],
    "edges within the lock are lost for good (no look at its end)": [
        ("    ram.show_locked = false;\n"
         "    show_look();",
         "    ram.show_locked = false;"),
    ],
    "what counts at the end of the lock does not lock again": [
        ("    ram.show_locked = false;\n"
         "    show_look();",
         "    show_look();\n"
         "    ram.show_locked = false;\n"
         "    disarm(T_LOCK);"),
    ],
    "lock restarted by every edge inside it": [
        ("    if (!ram.show_locked)\n"
         "        show_look();",
         "    if (!ram.show_locked)\n"
         "        show_look();\n"
         "    else\n"
         "        arm(T_LOCK, SHOW_LOCK);"),
    ],
    "edges not locked out at all": [
        ("    if (!ram.show_locked)\n"
         "        show_look();",
         "    show_look();"),
    ],
    "release does not lock": [
        ("    ram.show_locked = true;\n"
         "    arm(T_LOCK, SHOW_LOCK);",
         "    if (ram.show_down) {\n"
         "        ram.show_locked = true;\n"
         "        arm(T_LOCK, SHOW_LOCK);\n"
         "    }"),
    ],
    "button held at power-up taken for a press": [
        ("    bell_edge();                        /*",
         "    show_look();\n"
         "    bell_edge();                        /*"),
    ],
    "button held at power-up taken for pressed (first press after it lost? release raised)": [
        ("    ram.awake = true;",
         "    ram.show_down = level[C_SHOW];\n"
         "    ram.awake = true;"),
    ],
    "show looked at 20 ms after power-up though no edge came": [
        ("    ram.awake = true;",
         "    ram.show_locked = true;\n"
         "    arm(T_LOCK, SHOW_LOCK);\n"
         "    ram.awake = true;"),
    ],
    "hold timer not stopped by release": [
        ("    disarm(T_HOLD);\n",
         ""),
    ],
    "hold raised at the release instead of at 1 s": [
        ("    disarm(T_HOLD);\n"
         "    if (!ram.hold_told)\n"
         "        emit(E_CLICK);",
         "    if (!timer[T_HOLD].armed)\n"
         "        emit(E_HOLD);\n"
         "    disarm(T_HOLD);"),
        ("    ram.hold_told = true;\n"
         "    emit(E_HOLD);",
         "    ram.hold_told = true;"),
    ],
    "hold repeats every second": [
        ("    ram.hold_told = true;\n",
         "    ram.hold_told = true;\n"
         "    arm(T_HOLD, SHOW_HOLD);\n"),
    ],
    "release at exactly 1 s beats the hold": [
        ("static void show_edge(void)\n"
         "{\n",
         "static void show_edge(void)\n"
         "{\n"
         "    if (!ram.show_locked && !level[C_SHOW] && ram.show_down)\n"
         "        disarm(T_HOLD);\n"),
    ],
    "hold lost while the bell is settling": [
        ("    ram.hold_told = true;\n"
         "    emit(E_HOLD);",
         "    ram.hold_told = true;\n"
         "    if (!timer[T_BELL].armed)\n"
         "        emit(E_HOLD);"),
    ],
    "hold clears only while the display is on": [
        ("    count_to(0);",
         "    if (ram.shown)\n"
         "        count_to(0);"),
    ],
    "click clears the count too": [
        ("    case E_HOLD:\n",
         "    case E_CLICK:\n"
         "    case E_HOLD:\n"),
    ],
    "bell time runs from the first edge, not the last": [
        ("    arm(T_BELL, BELL_STILL);",
         "    if (!timer[T_BELL].armed)\n"
         "        arm(T_BELL, BELL_STILL);"),
    ],
    "bell time restarted only by closing": [
        ("    arm(T_BELL, BELL_STILL);",
         "    if (level[C_BELL] || !timer[T_BELL].armed)\n"
         "        arm(T_BELL, BELL_STILL);"),
    ],
    "bell glitch: opening edge stops the time and forgets": [
        ("    arm(T_BELL, BELL_STILL);",
         "    if (level[C_BELL] == ram.bell_on)\n"
         "        disarm(T_BELL);\n"
         "    else\n"
         "        arm(T_BELL, BELL_STILL);"),
    ],
    "bell counts at the closing edge, at once": [
        ("    arm(T_BELL, BELL_STILL);",
         "    if (level[C_BELL] && !timer[T_BELL].armed)\n"
         "        emit(E_CLOSED);\n"
         "    arm(T_BELL, BELL_STILL);"),
        ("    emit(ram.bell_on ? E_CLOSED : E_OPENED);",
         "    if (!ram.bell_on)\n"
         "        emit(E_OPENED);"),
    ],
    "bell counts on opening": [
        ("    case E_CLOSED:\n",
         "    case E_OPENED:\n"),
    ],
    "bell counts both ways": [
        ("    case E_CLOSED:\n",
         "    case E_CLOSED:\n"
         "    case E_OPENED:\n"),
    ],
    "bell: same position counted again after a bounce": [
        ("    if (level[C_BELL] == ram.bell_on)\n"
         "        return;",
         "    if (!level[C_BELL] && !ram.bell_on)\n"
         "        return;"),
    ],
    "bell closed at power-up taken for on, stroke not counted": [
        ("    ram.awake = true;",
         "    ram.bell_on = level[C_BELL];\n"
         "    ram.awake = true;"),
    ],
    "bell not looked at from power-up on": [
        ("    bell_edge();                        /* its time runs from power-up */\n",
         ""),
    ],
    "bell closed at power-up counted at once": [
        ("    bell_edge();                        /*",
         "    bell_still();\n"
         "    bell_edge();                        /*"),
    ],
    "bell position kept over the loss": [
        ("    memset(&ram, 0, sizeof ram);",
         "    bool on = ram.bell_on;\n"
         "    memset(&ram, 0, sizeof ram);\n"
         "    ram.bell_on = t > lost_at && on;"),
    ],
    "edge of bell at exactly 5 ms comes too late": [
        ("    for (int i = 0; i < edges; i++)\n"
         "        push(J_EDGE, edge[i]);",
         "    if (timer[T_BELL].armed && timer[T_BELL].due == now)\n"
         "        for (int i = 0; i < edges; i++)\n"
         "            if (edge[i] == C_BELL) {\n"
         "                level[C_BELL] = !level[C_BELL];\n"
         "                on_timer(T_BELL);\n"
         "                level[C_BELL] = !level[C_BELL];\n"
         "                break;\n"
         "            }\n"
         "    for (int i = 0; i < edges; i++)\n"
         "        push(J_EDGE, edge[i]);"),
    ],
    "bell deaf while show is locked": [
        ("    else\n"
         "        bell_edge();",
         "    else if (!ram.show_locked)\n"
         "        bell_edge();"),
    ],
    "second edge of one instant lost": [
        ("    edges = 0;\n"
         "    for (int i = 0; i < TIMERS; i++)",
         "    while (job_in - job_out > 1)\n"
         "        job_in--;\n"
         "    edges = 0;\n"
         "    for (int i = 0; i < TIMERS; i++)"),
    ],
    "count stops at 7": [
        ("ram.count + 1 < POSITIONS ? ram.count + 1 : 0",
         "ram.count + 1 < POSITIONS ? ram.count + 1 : ram.count"),
    ],
    "count wraps one late (8)": [
        ("ram.count + 1 < POSITIONS ?",
         "ram.count < POSITIONS ?"),
    ],
    "count wraps one early": [
        ("ram.count + 1 < POSITIONS ?",
         "ram.count + 2 < POSITIONS ?"),
    ],
    "count wraps to 1": [
        ("ram.count + 1 : 0);",
         "ram.count + 1 : 1);"),
    ],
    "hold at 0 chirps too": [
        ("    count_to(0);",
         "    if (ram.count == 0)\n"
         "        emit(E_CHANGED);\n"
         "    count_to(0);"),
    ],
    "chirp not told when a hold clears": [
        ("    count_to(0);",
         "    ram.count = 0;"),
    ],
    "chirp on any change": [
        ("    if (ram.count != 0)\n"
         "        return;\n",
         ""),
    ],
    "a change to 0 while sounding starts the chirp anew": [
        ("    if (ram.sounding)\n"
         "        return;\n",
         ""),
    ],
    "a change while sounding (to 1) stops the chirp": [
        ("    if (ram.sounding)\n"
         "        return;\n",
         "    if (ram.sounding) {\n"
         "        ram.sounding = false;\n"
         "        disarm(T_CHIRP);\n"
         "        disarm(T_CHIME);\n"
         "        return;\n"
         "    }\n"),
    ],
    "guard judged when the count moves, not when the chime hears (hold and stroke in one instant)": [
        ("    ram.count = position;\n"
         "    emit(E_CHANGED);",
         "    ram.count = position;\n"
         "    if (position == 0)\n"
         "        emit(E_CHANGED);"),
        ("    if (ram.count != 0)\n"
         "        return;\n",
         ""),
    ],
    "stroke taken before the hold of the same instant": [
        ("T_LOCK, T_HOLD, T_BELL, T_DISPLAY",
         "T_BELL, T_LOCK, T_HOLD, T_DISPLAY"),
    ],
    "chime ends after the other events of its instant (change to 0 then lost)": [
        ("    emit(E_CHIME_ENDED);",
         "    if (job_out != job_in) {\n"
         "        arm(T_CHIME, 0);\n"
         "        push(J_TIMER, T_CHIME);\n"
         "        return;\n"
         "    }\n"
         "    emit(E_CHIME_ENDED);"),
    ],
    "change in the instant in which the chime ends is lost": [
        ("    case E_CHIME_ENDED:\n"
         "        chime_quiet();\n"
         "        break;",
         "    case E_CHIME_ENDED:\n"
         "        if (job_out != job_in) {\n"
         "            job_out = job_in;\n"
         "        }\n"
         "        chime_quiet();\n"
         "        break;"),
    ],
    "press while shown does not begin the 3 s anew": [
        ("    ram.shown = true;\n"
         "    arm(T_DISPLAY, DISPLAY_ON);",
         "    if (!ram.shown)\n"
         "        arm(T_DISPLAY, DISPLAY_ON);\n"
         "    ram.shown = true;"),
    ],
    "press while shown blanks (toggle)": [
        ("    ram.shown = true;\n",
         "    ram.shown = !ram.shown;\n"),
    ],
    "press in the instant of 3 s lost": [
        ("    case E_PRESS:\n"
         "        gesture_press();\n"
         "        display_show();",
         "    case E_PRESS:\n"
         "        gesture_press();\n"
         "        if (timer[T_DISPLAY].due != now || timer[T_DISPLAY].armed || now < DISPLAY_ON)\n"
         "            display_show();"),
    ],
    "stroke prolongs the display": [
        ("        count_stroke();\n",
         "        count_stroke();\n"
         "        if (ram.shown)\n"
         "            display_show();\n"),
    ],
    "hold prolongs the display": [
        ("        count_clear();\n",
         "        count_clear();\n"
         "        display_show();\n"),
    ],
    "release begins the 3 s anew": [
        ("        gesture_release();\n",
         "        gesture_release();\n"
         "        display_show();\n"),
    ],
    "display shows from the release on only": [
        ("        gesture_press();\n"
         "        display_show();",
         "        gesture_press();"),
        ("        gesture_release();\n",
         "        gesture_release();\n"
         "        display_show();\n"),
    ],
    "display stays on while the button is down": [
        ("    ram.shown = false;\n",
         "    if (ram.show_down)\n"
         "        arm(T_DISPLAY, SHOW_HOLD);\n"
         "    else\n"
         "        ram.shown = false;\n"),
    ],
    "digit latched at the press, does not follow a stroke": [
        ("    ram.shown = true;\n",
         "    ram.chirp_part = ram.sounding ? ram.chirp_part : 0;\n"
         "    ram.shown = true;\n"),
        ("    long digit = ram.shown ? ram.count : 0;",
         "    static int latched;\n"
         "    if (!ram.shown || timer[T_DISPLAY].due == now + DISPLAY_ON)\n"
         "        latched = ram.count;\n"
         "    long digit = ram.shown ? latched : 0;"),
    ],
    "digit left on after 3 s": [
        ("    ram.shown = false;\n",
         ""),
    ],
    "display not lit while the chirp sounds": [
        ("    long digit = ram.shown ? ram.count : 0;",
         "    long digit = ram.shown && !ram.sounding ? ram.count : 0;"),
    ],
    "digit shows seven as six": [
        ("    long digit = ram.shown ? ram.count : 0;",
         "    long digit = ram.shown ? (ram.count > 6 ? 6 : ram.count) : 0;"),
    ],
    "chirp left on at its end": [
        ("ram.chirp_part < CHIRP_PARTS && ram.chirp_part % 2 == 0",
         "(ram.chirp_part % 2 == 0 || ram.chirp_part == CHIRP_PARTS - 1)"),
    ],
    "chirp phases swapped": [
        ("ram.chirp_part % 2 == 0",
         "ram.chirp_part % 2 == 1"),
    ],
    "sequence goes on where it was, not from its first step": [
        ("    ram.chirp_part = 0;\n",
         ""),
    ],
    "chime never ends: second chirp of a life lost": [
        ("    case E_CHIME_ENDED:\n"
         "        chime_quiet();",
         "    case E_CHIME_ENDED:\n"
         "        (void)chime_quiet;"),
    ],
    "chime kept sounding over the loss": [
        ("    memset(&ram, 0, sizeof ram);",
         "    bool on = ram.sounding;\n"
         "    memset(&ram, 0, sizeof ram);\n"
         "    if (on && t > lost_at)\n"
         "        emit(E_CHANGED);"),
        ("    job_in = job_out = 0;\n"
         "    outputs_off();\n",
         "    outputs_off();\n"),
    ],
    "display on kept over the loss": [
        ("    memset(&ram, 0, sizeof ram);",
         "    bool on = ram.shown;\n"
         "    memset(&ram, 0, sizeof ram);\n"
         "    ram.shown = on && t > lost_at;"),
    ],
    "display timer not stopped at power-up": [
        ("        disarm((enum timer)i);",
         "        if (i != T_DISPLAY)\n"
         "            disarm((enum timer)i);"),
    ],
    "hold timer not stopped at power-up": [
        ("        disarm((enum timer)i);",
         "        if (i != T_HOLD)\n"
         "            disarm((enum timer)i);"),
    ],
    "pressed kept over the loss": [
        ("    memset(&ram, 0, sizeof ram);",
         "    bool on = ram.show_down;\n"
         "    memset(&ram, 0, sizeof ram);\n"
         "    ram.show_down = on && t > lost_at;"),
    ],
    "count not kept over the loss": [
        ("    if (t <= lost_at)\n"
         "        nv.count = 0;",
         "    nv.count = 0;"),
    ],
    "count kept only where the display was shown when written": [
        ("    if (nv.count == ram.count)\n"
         "        return;",
         "    if (nv.count == ram.count || !ram.shown)\n"
         "        return;"),
    ],
    "clearing is not written to memory": [
        ("    if (nv.count == ram.count)\n"
         "        return;",
         "    if (nv.count == ram.count || ram.count == 0)\n"
         "        return;"),
    ],
    "count written in the next instant only": [
        ("    nv.count = ram.count;\n"
         "    nv.written",
         "    static int last;\n"
         "    nv.count = last;\n"
         "    last = ram.count;\n"
         "    nv.written"),
    ],
    "time of the last write not forgotten at a fresh start": [
        ("    nv.written = -1;\n",
         ""),
    ],
    "dwells that end at T taken before the edges at T, and before a loss at T": [
        ("        ns_t next = t;",
         "        ns_t next = t + 1;"),
        ("        if (next >= t)",
         "        if (next > t)"),
    ],
    "kept count of 0 chirps at power-up": [
        ("    instant(t);\n"
         "}\n"
         "\n"
         "static void power_lost",
         "    if (nv.count == 0 && t > lost_at && lost_at > 0)\n"
         "        emit(E_CHANGED);\n"
         "    instant(t);\n"
         "}\n"
         "\n"
         "static void power_lost"),
    ],
    "a lost supply in the very instant keeps the change": [
        ("        nv.count = nv.before;",
         "        nv.count = ram.count;"),
    ],
    "edge in the instant of power-up not seen": [
        ("                        edge[edges++] = contact_of(name);",
         "                        (void)0;"),
    ],
    "edge in the instant of power-up lost where the other contact moves too": [
        ("                        edge[edges++] = contact_of(name);",
         "                        edge[0] = contact_of(name), edges = 1;"),
    ],
    "contact that moves twice in one instant read at each edge, not once for all": [
        ("static void on_edge(int c)\n"
         "{\n",
         "static bool live;\n"
         "\n"
         "static void on_edge(int c)\n"
         "{\n"
         "    if (live)\n"
         "        level[c] = !level[c];\n"),
        ("    memcpy(level, told, sizeof level);\n",
         "    if (!as_edges)\n"
         "        memcpy(level, told, sizeof level);\n"
         "    live = as_edges;\n"),
    ],
    "stroke lost while the chirp sounds": [
        ("        count_stroke();\n",
         "        if (!ram.sounding)\n"
         "            count_stroke();\n"),
    ],
    "stroke lost while the display is blank": [
        ("        count_stroke();\n",
         "        if (ram.shown)\n"
         "            count_stroke();\n"),
    ],
    "stroke lost while show is held": [
        ("        count_stroke();\n",
         "        if (!ram.show_down)\n"
         "            count_stroke();\n"),
    ],
    "press while sounding silences and is used up": [
        ("        gesture_press();\n"
         "        display_show();",
         "        gesture_press();\n"
         "        if (!ram.sounding)\n"
         "            display_show();"),
    ],
    "a second hold without a release between counted by its press only: hold_told not cleared": [
        ("    ram.hold_told = false;\n"
         "    arm(T_HOLD, SHOW_HOLD);",
         "    arm(T_HOLD, SHOW_HOLD);"),
        ("        emit(E_CLICK);\n"
         "    ram.hold_told = false;",
         "        emit(E_CLICK);"),
    ],
    "awake forgotten while the bell settles (only the time asleep)": [
        ("ram.show_locked || timer[T_BELL].armed",
         "ram.show_locked"),
    ],
}

OPEN = {
    "hold clears only while the display is on":
        "changes nothing that shows: the display is lit at every hold",
    "display timer not stopped at power-up":
        "changes nothing that shows: whatever lights the display arms its time anew",
    "time of the last write not forgotten at a fresh start":
        "shows where one program gets a power-up that is no later than a loss before it; no account has that",
    "a lost supply in the very instant keeps the change":
        "changes nothing that a program is told: time goes on up to a loss before it comes",
    "edge in the instant of power-up lost where the other contact moves too":
        "shows where both contacts move in the instant of power-up; no vector has that",
    "contact that moves twice in one instant read at each edge, not once for all":
        "no contact moves twice in one instant, as the protocol says",
}
