"""Faults put into `egg_firmware.py` by its author: name, what the message names, and what stands
instead of what.

`OPEN` are those that no vector tells, each with the reason.
"""

FAULTS: dict[str, tuple[str, list[tuple[str, str]]]] = {
    "debounce accepts 1 ms early": ("KNOPF-CONTACT", [
        ("DEBOUNCE, SECOND, BEEP, PAUSE = 20 * MS",
         "DEBOUNCE, SECOND, BEEP, PAUSE = 19 * MS"),
    ]),
    "debounce counts from the first edge": ("KNOPF-CONTACT", [
        ("            self.settles = now + DEBOUNCE\n",
         "            self.settles = self.settles or now + DEBOUNCE\n"),
    ]),
    "a contact closed at power-up counts as pressed": ("KNOPF-CONTACT-E7BB", [
        ("self.pressed = False\n"
         "        self.settles",
         "self.pressed = closed\n"
         "        self.settles"),
    ]),
    "a contact closed at power-up is a press": ("KNOPF-CONTACT-E7BB", [
        ("timer = Timer(contact)\n",
         "timer = Timer(contact)\n"
         "            timer.settles = int(rest[0]) + DEBOUNCE if contact else None\n"),
    ]),
    "an edge in the instant of power-up is not seen": ("KNOPF-CONTACT", [
        ("timer.instant(int(rest[0]), rest[1:].count(\"knopf\"))",
         "timer.instant(int(rest[0]))"),
    ]),
    "click told at the press": ("KNOPF-GESTURE", [
        ("            self.pressed = True\n",
         "            self.pressed = True\n"
         "            yield \"click\"\n"),
        ("            self.pressed = False\n"
         "            yield \"click\"\n",
         "            self.pressed = False\n"),
    ]),
    "a blip counts as a press": ("KNOPF-CONTACT", [
        ("if self.closed != self.pressed:\n"
         "                yield \"press\" if self.closed else \"release\"",
         "yield \"release\" if self.pressed else \"press\""),
    ]),
    "press forgotten while beeping": ("ALARM-CF34", [
        ("if self.alarm != \"quiet\":\n"
         "                self.sound(now, \"quiet\")\n"
         "        elif what == \"release\"",
         "pass\n"
         "        elif what == \"release\""),
    ]),
    "release ends the beeping": ("ALARM-CF34", [
        ("            if self.alarm != \"quiet\":\n"
         "                self.sound(now, \"quiet\")\n"
         "        elif what == \"release\":\n",
         "        elif what == \"release\":\n"
         "            if self.alarm != \"quiet\":\n"
         "                self.sound(now, \"quiet\")\n"),
    ]),
    "the press that ends the beeping is no click": ("TAKT-8AD8", [
        ("            self.pressed = True\n"
         "            if self.alarm != \"quiet\":\n",
         "            self.pressed = True\n"
         "            self.eaten = self.alarm != \"quiet\"\n"
         "            if self.alarm != \"quiet\":\n"),
        ("            yield \"click\"\n",
         "            if not self.eaten:\n"
         "                yield \"click\"\n"),
    ]),
    "press ends only a beep, not a pause": ("ALARM-CF34", [
        ("if self.alarm != \"quiet\":\n"
         "                self.sound(now, \"quiet\")\n"
         "        elif what == \"release\"",
         "if self.alarm == \"beep\":\n"
         "                self.sound(now, \"quiet\")\n"
         "        elif what == \"release\""),
    ]),
    "second 1 ns long": ("TAKT-8868", [
        ("20 * MS, 1000 * MS",
         "20 * MS, 1000 * MS + 1"),
    ]),
    "beep 210 ms": ("ALARM-4C5B", [
        ("200 * MS",
         "210 * MS"),
    ]),
    "pause 290 ms": ("ALARM-303A", [
        ("300 * MS",
         "290 * MS"),
    ]),
    "count goes on after a stop": ("EINER-27DD", [
        ("            if self.counting:\n"
         "                self.ones = self.tens = 0\n",
         ""),
    ]),
    "ones begun anew, tens not": ("EINER", [
        ("            if self.counting:\n"
         "                self.ones = self.tens = 0\n",
         "            if self.counting:\n"
         "                self.ones = 0\n"),
    ]),
    "clock of the second runs on after a stop": ("TAKT-8868", [
        ("self.second = now + SECOND if on else None",
         "self.second = (self.second if on and self.second and self.second > now else now"
         " + SECOND)"),
        ("        elif what == \"second\":\n",
         "        elif what == \"second\":\n"
         "            self.second = None\n"
         "            if not self.counting:\n"
         "                return\n"),
    ]),
    "61 seconds": ("ZEHNER", [
        ("(self.ones + 1) % 10",
         "(self.ones + 1) % (11 if self.tens == 5 else 10)"),
    ]),
    "59 seconds": ("EINER", [
        ("(self.ones + 1) % 10",
         "(self.ones + 1) % (9 if self.tens == 5 else 10)"),
    ]),
    "goes on counting after the minute": ("TAKT-DD14", [
        ("            if self.counting:\n"
         "                self.count(now, False)\n",
         ""),
    ]),
    "ninth beep": ("ZAHL-A8BD", [
        ("(self.beeps + 1) % 8",
         "(self.beeps + 1) % 9"),
    ]),
    "seven beeps": ("ZAHL", [
        ("(self.beeps + 1) % 8",
         "(self.beeps + 1) % 7"),
    ]),
    "beeps not begun anew": ("zahl.n", [
        ("            self.beeps = 0\n"
         "        elif",
         "        elif"),
    ]),
    "beeps begun anew by a press": ("ALARM", [
        ("            self.pressed = True\n",
         "            self.pressed = True\n"
         "            self.beeps = 0\n"),
    ]),
    "beeps for ever": ("ALARM-8F1A", [
        ("        elif what == \"genug\" and self.alarm != \"quiet\":\n"
         "            self.sound(now, \"quiet\")\n",
         ""),
    ]),
    "fertig begins the beep anew": ("ALARM", [
        ("            if self.alarm == \"quiet\":\n"
         "                self.sound(now, \"beep\")",
         "            self.sound(now, \"beep\")"),
    ]),
    "the last beep is followed by a pause that counts": ("alarm.ruhe", [
        ("        self.alarm_ends = None if lasts is None else now + lasts",
         "        if lasts is not None:\n"
         "            self.alarm_ends = now + lasts"),
    ]),
    "lamp on while beeping": ("OUT-LAEMPCHEN", [
        ("\"laempchen\": self.counting,",
         "\"laempchen\": self.counting or self.alarm == \"beep\","),
    ]),
    "counting kept over a loss": ("ORDER-35FB", [
        ("            timer = Timer(contact)\n",
         "            was = getattr(run, \"was\", False)\n"
         "            timer = Timer(contact)\n"
         "            timer.count(int(rest[0]), was)\n"),
        ("            timer = None\n",
         "            run.was = timer and timer.counting\n"
         "            timer = None\n"),
    ]),
    "alarm kept over a loss": ("ORDER-35FB", [
        ("            timer = Timer(contact)\n",
         "            was = getattr(run, \"was\", None) or \"quiet\"\n"
         "            timer = Timer(contact)\n"
         "            timer.sound(int(rest[0]), was)\n"),
        ("            timer = None\n",
         "            run.was = timer and timer.alarm\n"
         "            timer = None\n"),
    ]),
    "press kept over a loss": ("KNOPF-CONTACT-E7BB", [
        ("            timer = Timer(contact)\n",
         "            was = getattr(run, \"was\", False)\n"
         "            timer = Timer(contact)\n"
         "            timer.pressed = was and contact\n"),
        ("            timer = None\n",
         "            run.was = timer and timer.pressed\n"
         "            timer = None\n"),
    ]),
    "two edges of one instant are none": ("KNOPF-CONTACT", [
        ("            for level in waiting:\n"
         "                edges += level != contact\n"
         "                contact = level\n",
         "            edges = bool(waiting) and waiting[-1] != contact\n"
         "            contact = (waiting or [contact])[-1]\n"),
    ]),
    "a press comes before the end of a beep in its instant": ("ALARM-4C5B", [
        ("            self.settles = None\n"
         "            if",
         "            self.settles = None\n"
         "            if self.closed and not self.pressed and self.alarm_ends == now:\n"
         "                self.sound(now, \"quiet\")\n"
         "            if"),
    ]),
    "a click in the instant of a second comes first": ("TAKT-8868", [
        ("            self.settles = None\n"
         "            if",
         "            self.settles = None\n"
         "            if self.pressed and not self.closed and self.second == now:\n"
         "                self.second = None\n"
         "            if"),
    ]),
    "a click in the instant of a second is lost": ("TAKT-19BB", [
        ("            yield \"click\"\n",
         "            if not self.counting or self.second != now + SECOND:\n"
         "                yield \"click\"\n"),
    ]),
    "click while beeping does not start": ("TAKT-8AD8", [
        ("            self.count(now, not self.counting)\n",
         "            if self.alarm != \"quiet\":\n"
         "                return\n"
         "            self.count(now, not self.counting)\n"),
    ]),
    "second click within a second is ignored": ("TAKT-19BB", [
        ("            self.count(now, not self.counting)\n",
         "            if self.counting and self.second - now > SECOND - 100 * MS:\n"
         "                return\n"
         "            self.count(now, not self.counting)\n"),
    ]),
}  # fmt: skip

OPEN = {
    "beeps begun anew by a press":
        "Nothing at the pins: they are begun anew where the minute ends.",
    "fertig begins the beep anew":
        "Nothing at the pins: no minute ends while it beeps.",
    "two edges of one instant are none":
        "No vector opens and closes a contact at one time.",
    "a press comes before the end of a beep in its instant":
        "Nothing at the pins: the beep ends either way.",
}
