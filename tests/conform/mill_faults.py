"""Faults put into `mill_firmware.c` by its author: name, what the message names, and what stands
instead of what.

`OPEN` are those that no vector tells, each with the reason.
"""

FAULTS: dict[str, tuple[str, list[tuple[str, str]]]] = {
    "bounce does not restart the debounce of grain": ("GRAIN-CONTACT", [
        ("        start(T_CONTACT, GRAIN_DEBOUNCE);\n",
         "        if (due[T_CONTACT] == NEVER)\n"
         "            start(T_CONTACT, GRAIN_DEBOUNCE);\n"),
    ]),
    "bounce does not restart the debounce of lid": ("LID-F365", [
        ("        start(T_LID, LID_DEBOUNCE);\n"
         "        stirred",
         "        if (due[T_LID] == NEVER)\n"
         "            start(T_LID, LID_DEBOUNCE);\n"
         "        stirred"),
    ]),
    "release not debounced": ("GRAIN-CONTACT-F9A3", [
        ("        start(T_CONTACT, GRAIN_DEBOUNCE);\n",
         "        start(T_CONTACT, GRAIN_DEBOUNCE);\n"
         "        if (pressed && !pins[GRAIN])\n"
         "            emit(RELEASE);\n"),
    ]),
    "opening of reed not debounced": ("REED-EFCF", [
        ("        start(T_REED, REED_DEBOUNCE);\n"
         "        stirred",
         "        start(T_REED, REED_DEBOUNCE);\n"
         "        if (reed_on && !pins[REED]) {\n"
         "            reed_on = 0;\n"
         "            emit(REED_OPENED);\n"
         "        }\n"
         "        stirred"),
    ]),
    "hold counted from the contact": ("GRAIN-GESTURE-3B83", [
        ("#define GRAIN_HOLD 1000000000LL",
         "#define GRAIN_HOLD 990000000LL"),
    ]),
    "blip begins the hold anew": ("GRAIN-GESTURE-3B83", [
        ("        start(T_CONTACT, GRAIN_DEBOUNCE);\n",
         "        start(T_CONTACT, GRAIN_DEBOUNCE);\n"
         "        if (gesture == DOWN)\n"
         "            start(T_GESTURE, GRAIN_HOLD);\n"),
    ]),
    "hold only where the contact is closed just then": ("GRAIN-GESTURE-3B83", [
        ("        gesture = HELD;\n"
         "        emit(HOLD);",
         "        gesture = HELD;\n"
         "        if (pins[GRAIN])\n"
         "            emit(HOLD);"),
    ]),
    "click after a hold": ("GRAIN-GESTURE-F7B2", [
        ("        if (gesture == DOWN) {\n"
         "            due",
         "        if (gesture != UP) {\n"
         "            due"),
    ]),
    "release in the instant of the hold wins": ("GRAIN-GESTURE-3B83", [
        ("            emit(RELEASE);\n"
         "        break;\n"
         "    case T_GESTURE",
         "            hear(RELEASE);\n"
         "        break;\n"
         "    case T_GESTURE"),
        ("static void end(int timer)\n",
         "static void hear(int event);\n"
         "static void end(int timer)\n"),
    ]),
    "closed at power-up counts as pressed": ("GRAIN-CONTACT-958E", [
        ("    pressed = 0;\n"
         "    gesture",
         "    pressed = pins[GRAIN];\n"
         "    gesture"),
    ]),
    "closed at power-up becomes a press": ("GRAIN-CONTACT-958E", [
        ("    start(T_LID, LID_DEBOUNCE);\n"
         "    for",
         "    start(T_LID, LID_DEBOUNCE);\n"
         "    if (pins[GRAIN])\n"
         "        start(T_CONTACT, GRAIN_DEBOUNCE);\n"
         "    for"),
    ]),
    "reed taken as it stands at power-up": ("REED-9A0E", [
        ("    reed_on = 0;\n",
         "    reed_on = pins[REED];\n"),
    ]),
    "lid taken as it stands at power-up": ("MILL-2E5E", [
        ("    lid_on = 1;\n",
         "    lid_on = pins[LID];\n"),
    ]),
    "mill looks at the lid's contact": ("MILL-2E5E", [
        ("event == REED_CLOSED && lid_on",
         "event == REED_CLOSED && pins[LID]"),
    ]),
    "dial moves with the lid open: guard forgotten": ("GRAIN-SIZE-7F42", [
        ("(event == CLICK || event == HOLD) && lid_on",
         "event == CLICK || event == HOLD"),
    ]),
    "dial looks at the lid's contact": ("GRAIN-SIZE-7F42", [
        ("(event == CLICK || event == HOLD) && lid_on",
         "(event == CLICK || event == HOLD) && pins[LID]"),
    ]),
    "memory written on leaving": ("KEEP-78A2", [
        ("    mill = state;\n"
         "    if (state != REST)\n"
         "        memory = state;",
         "    if (state == REST && mill != REST)\n"
         "        memory = mill;\n"
         "    mill = state;"),
    ]),
    "memory lost at lid.opened": ("MILL-2E5E", [
        ("        tell = 0;\n"
         "}",
         "        tell = 0;\n"
         "    if (event == LID_OPENED)\n"
         "        memory = SLOW;\n"
         "}"),
    ]),
    "memory lost with the supply": ("KEEP-78A2", [
        ("        memory = SLOW;\n"
         "    }\n"
         "    powered = 1;",
         "    }\n"
         "    memory = SLOW;\n"
         "    powered = 1;"),
    ]),
    "grain lost with the supply": ("KEEP-76A6", [
        ("        grain_size = 1;\n"
         "        memory = SLOW;\n"
         "    }\n"
         "    powered",
         "        memory = SLOW;\n"
         "    }\n"
         "    grain_size = 1;\n"
         "    powered"),
    ]),
    "mill runs on after a loss": ("ORDER-35FB", [
        ("    mill = REST;\n"
         "    tell",
         "    tell"),
    ]),
    "gesture kept over a loss": ("GRAIN-GESTURE-3B83", [
        ("    gesture = UP;\n"
         "    reed_on",
         "    reed_on"),
    ]),
    "press kept over a loss": ("GRAIN-CONTACT-EF65", [
        ("    pressed = 0;\n"
         "    gesture",
         "    gesture"),
    ]),
    "dial stops at the end": ("GRAIN-SIZE-7F42", [
        ("grain_size = (grain_size + 1) % 3;",
         "if (grain_size < 2)\n"
         "            grain_size++;"),
    ]),
    "led not dimmed by the dial": ("SCALE-LED", [
        ("new_led = grain_percent() * 5000;",
         "new_led = 500000;"),
    ]),
    "run.fast dimmed by the dial": ("OUT-MOTOR", [
        ("new_motor = 1000000;",
         "new_motor = grain_percent() * 10000;"),
    ]),
    "hold at rest changes what is resumed": ("MILL-2E5E", [
        ("            enter_mill(memory);\n"
         "        break;",
         "            enter_mill(memory);\n"
         "        else if (event == HOLD)\n"
         "            memory = memory == SLOW ? FAST : SLOW;\n"
         "        break;"),
    ]),
    "led on from power-up": ("OUT-LED", [
        ("    tell = 0;\n"
         "    motor",
         "    tell = 1;\n"
         "    motor"),
    ]),
    "closing the lid starts the mill": ("OUT-MOTOR", [
        ("        if (event == REED_CLOSED && lid_on)",
         "        if ((event == REED_CLOSED && lid_on) || (event == LID_CLOSED && reed_on))"),
    ]),
    "times that end now before the inputs of now": ("GRAIN-CONTACT-EDB3", [
        ("next >= t)",
         "next > t)"),
    ]),
    "a contact that opens and closes at one time gives no edge": ("REED", [
        ("    for (i = 0; i < pending; i++)\n"
         "        if (pins[changes[i]] != levels[i]) {",
         "    for (i = 0; i + 1 < pending; i++)\n"
         "        if (changes[i] == changes[i + 1])\n"
         "            levels[i] = levels[i + 1];\n"
         "    for (i = 0; i < pending; i++)\n"
         "        if (pins[changes[i]] != levels[i]) {"),
    ]),
    "ends of times in the wrong order of regions": ("GRAIN-SIZE-7F42", [
        ("    for (i = 0; i < TIMERS; i++)\n"
         "        if (due[i] == t)",
         "    for (i = TIMERS - 1; i >= 0; i--)\n"
         "        if (due[i] == t)"),
    ]),
    "dial moves as the hold's time ends, not as the hold is heard": ("GRAIN-SIZE-7F42", [
        ("        emit(HOLD);",
         "        hear_dial(HOLD);\n"
         "        emit(HOLD);"),
        ("    hear_dial(event);\n"
         "    hear_mill",
         "    if (event != HOLD)\n"
         "        hear_dial(event);\n"
         "    hear_mill"),
    ]),
    "hold repeats": ("GRAIN-GESTURE-3B83", [
        ("        emit(HOLD);",
         "        emit(HOLD);\n"
         "        start(T_GESTURE, GRAIN_HOLD);"),
    ]),
    "reed.opened not heard in run.fast": ("MILL-5568", [
        ("    case FAST:\n"
         "        if (event == REED_OPENED || event == LID_OPENED)",
         "    case FAST:\n"
         "        if (event == LID_OPENED)"),
    ]),
    "lid open at power-up never told": ("LID-F365", [
        ("    start(T_LID, LID_DEBOUNCE);\n"
         "    for",
         "    if (pins[LID])\n"
         "        start(T_LID, LID_DEBOUNCE);\n"
         "    for"),
    ]),
    "hold in run.fast goes nowhere": ("MILL-56DB", [
        ("        else if (event == HOLD)\n"
         "            enter_mill(SLOW);\n",
         ""),
    ]),
    "edge of another contact lost while one settles": ("REED-EFCF", [
        ("    case REED_EDGE:\n"
         "        start(T_REED",
         "    case REED_EDGE:\n"
         "        if (due[T_CONTACT] == NEVER)\n"
         "            start(T_REED"),
    ]),
    "hold's clock not stopped by release": ("GRAIN-SIZE-7F42", [
        ("            due[T_GESTURE] = NEVER;\n"
         "            emit(CLICK);",
         "            emit(CLICK);"),
    ]),
}  # fmt: skip

OPEN = {
    "a contact that opens and closes at one time gives no edge":
        "No vector opens and closes a contact at one time.",
    "ends of times in the wrong order of regions":
        "No vector ends a hold in the instant in which the open lid settles.",
}
