"""Faults put into `turnstile_firmware.py` by its author: what is wrong, and the edits that make it so.

`OPEN` are those that no vector tells, each with the reason.
"""

# An end that a clock, which comes round, is held against by "later than".
COMPARED_PLAINLY = (
    "COUNT_TOP = 4\n",
    "COUNT_TOP = 4\n"
    "\n"
    "\n"
    "def end_of(now, length, comes_round, at_least):\n"
    "    end = now + length\n"
    "    if now // comes_round != end // comes_round:\n"
    "        return now + at_least           # the counter is \"past\" the end already\n"
    "    return end\n",
)
FAULTS: dict[str, list[tuple[str, str]]] = {
    "written at a press only, not where a hold clears it": [
        ("            self.count = new\n",
         "            self.count = new\n"
         "            if event == \"key.press\":\n"
         "                self.saved = new\n"),
        ("        self.count = count\n",
         "        self.count = count\n"
         "        self.saved = count\n"),
        ("self.kept_count = self.gadget.count",
         "self.kept_count = self.gadget.saved"),
    ],
    "memory fed by a capacitor: gone after 10 s without supply": [
        ("if now <= self.lost_at:",
         "if now <= self.lost_at or now - self.lost_at > 10 * SECOND:"),
    ],
    "record wiped when it is read, written again only at a change": [
        ("            self.count = new\n",
         "            self.count = new\n"
         "            self.written = True\n"),
        ("        self.count = count\n",
         "        self.count = count\n"
         "        self.written = False\n"),
        ("self.kept_count = self.gadget.count",
         "self.kept_count = self.gadget.count if self.gadget.written else 0"),
    ],
    "a write takes 3 ms, and a loss within loses it": [
        ("            self.count = new\n",
         "            self.old, self.written_at = self.count, self.now\n"
         "            self.count = new\n"),
        ("        self.count = count\n",
         "        self.count = count\n"
         "        self.written_at = -SECOND\n"),
        ("self.kept_count = self.gadget.count",
         "self.kept_count = self.gadget.count if now - self.gadget.written_at >= 3 * MS else self.gadget.old"),
    ],
    "records numbered with 8 bits, the highest taken for the newest": [
        ("COUNT_TOP = 4\n",
         "COUNT_TOP = 4\n"
         "RECORD = {\"number\": 0, \"newest\": 0, \"value\": 0}\n"),
        ("            self.count = new\n",
         "            self.count = new\n"
         "            RECORD[\"number\"] = (RECORD[\"number\"] + 1) & 0xFF\n"
         "            if RECORD[\"number\"] > RECORD[\"newest\"]:\n"
         "                RECORD[\"newest\"], RECORD[\"value\"] = RECORD[\"number\"], new\n"),
        ("self.kept_count = self.gadget.count",
         "self.kept_count = RECORD[\"value\"]"),
        ("            self.kept_count = 0\n",
         "            self.kept_count = 0\n"
         "            RECORD.update(number=0, newest=0, value=0)\n"),
    ],
    "memory read after the edges of the instant of power-up": [
        ("        self.count = count\n",
         "        self.count = 0\n"
         "        self.restore = count\n"),
        ("            work(what)\n"
         "        self.settle()",
         "            work(what)\n"
         "        if self.restore:\n"
         "            self.count, self.restore = self.restore, 0\n"
         "        self.settle()"),
    ],
    "presses counted in 8 bits, shown modulo 5": [
        ("            new = self.count + 1\n"
         "            if new > COUNT_TOP:\n"
         "                new = 0\n",
         "            self.total = (self.total + 1) & 0xFF\n"
         "            new = self.total % (COUNT_TOP + 1)\n"),
        ("        elif event == \"key.hold\":\n"
         "            new = 0\n",
         "        elif event == \"key.hold\":\n"
         "            new = self.total = 0\n"),
        ("        self.count = count\n",
         "        self.count = self.total = count\n"),
    ],
    "32 bits of milliseconds, compared plainly": [
        COMPARED_PLAINLY,
        ("self.due = self.gadget.now + SHOW_TIME",
         "self.due = end_of(self.gadget.now, SHOW_TIME, 2**32 * MS, MS)"),
        ("self.due = self.gadget.now + KEY_IGNORE",
         "self.due = end_of(self.gadget.now, KEY_IGNORE, 2**32 * MS, MS)"),
        ("self.due = self.gadget.now + KEY_HOLD",
         "self.due = end_of(self.gadget.now, KEY_HOLD, 2**32 * MS, MS)"),
        ("self.due = self.gadget.now + DIMMER_SETTLE",
         "self.due = end_of(self.gadget.now, DIMMER_SETTLE, 2**32 * MS, MS)"),
    ],
    "time of the show in 16 bits of seconds, compared plainly": [
        COMPARED_PLAINLY,
        ("self.due = self.gadget.now + SHOW_TIME",
         "self.due = end_of(self.gadget.now, SHOW_TIME, 2**16 * SECOND, MS)"),
    ],
    "time of the show by a counter that comes round each 512 s, compared plainly": [
        COMPARED_PLAINLY,
        ("self.due = self.gadget.now + SHOW_TIME",
         "self.due = end_of(self.gadget.now, SHOW_TIME, 512 * SECOND, MS)"),
    ],
    "an edge while edges are ignored makes a second such time, though nothing changed": [
        ("        self.due = None                 # end of the deaf time\n",
         "        self.due = None                 # end of the deaf time\n"
         "        self.flag = False\n"),
        ("        if not self.deaf():\n"
         "            self.look()\n",
         "        if not self.deaf():\n"
         "            self.look()\n"
         "        else:\n"
         "            self.flag = True\n"),
        ("        if not self.look():\n"
         "            self.due = None\n",
         "        if not self.look():\n"
         "            self.due = self.gadget.now + KEY_IGNORE if self.flag else None\n"
         "        self.flag = False\n"),
    ],
    "behind a press found at the end of such a time the next end is not looked at": [
        ("        self.due = None                 # end of the deaf time\n",
         "        self.due = None                 # end of the deaf time\n"
         "        self.late = False\n"),
        ("        if not self.look():\n"
         "            self.due = None\n",
         "        if self.late or not self.look():\n"
         "            self.due = None\n"
         "            self.late = False\n"
         "        else:\n"
         "            self.late = self.pressed\n"),
    ],
    "the hold runs from an edge, not from a press found at the end of such a time": [
        ("        if not self.deaf():\n"
         "            self.look()\n",
         "        if not self.deaf() and self.look() and self.pressed:\n"
         "            self.gadget.gesture.due = self.gadget.now + KEY_HOLD\n"),
        ("            self.held = False\n"
         "            self.due = self.gadget.now + KEY_HOLD\n",
         "            self.held = False\n"),
    ],
    "settling of the dimmer gives up after 500 ms": [
        ("        self.due = self.gadget.now + DIMMER_SETTLE\n",
         "        if not self.settling():\n"
         "            self.first = self.gadget.now\n"
         "        self.due = min(self.gadget.now + DIMMER_SETTLE, self.first + 500 * MS)\n"),
    ],
    "the time of the show is stopped after the events of the instant in which it ends": [
        ("        self.light_up()\n"
         "\n"
         "    def light_up",
         "        self.ended = None\n"
         "        self.light_up()\n"
         "\n"
         "    def light_up"),
        ("        if event == \"dimmer.press\":\n"
         "            self.light_up()\n",
         "        if event == \"dimmer.press\":\n"
         "            self.light_up()\n"
         "            if self.ended == self.gadget.now:\n"
         "                self.due = None\n"),
        ("        self.lit = False\n"
         "        self.due = None\n",
         "        self.lit = False\n"
         "        self.due = None\n"
         "        self.ended = self.gadget.now\n"),
    ],
    "room for two ends of times in one instant, a third is lost": [
        ("        for part in self.timed:\n"
         "            if part.due == now:\n"
         "                self.queue.append((self.end_time_of, part))\n",
         "        ended = [part for part in self.timed if part.due == now]\n"
         "        for part in ended[:2]:\n"
         "            self.queue.append((self.end_time_of, part))\n"
         "        for part in ended[2:]:\n"
         "            part.due = None\n"),
    ],
    "a hold is not obeyed while the dimmer is pressed": [
        ("elif event == \"key.hold\":",
         "elif event == \"key.hold\" and not self.dimmer.pressed:"),
    ],
    "a press that brings the count to 0 does not begin the 5 min anew": [
        ("elif event == \"key.press\" and self.lit:",
         "elif event == \"key.press\" and self.lit and self.gadget.count:"),
    ],
    "one wake line: asleep, an edge is not seen while the other contact is closed": [
        ("        for name in edges:\n",
         "        for name in edges:\n"
         "            other = \"dimmer\" if name == \"key\" else \"key\"\n"
         "            if not self.told_awake and len(edges) == 1 and self.contacts[other]:\n"
         "                continue\n"),
    ],
    "a dimmer closed at power-up counts as pressed": [
        ("        self.pressed = False\n"
         "        self.due = None                 # end of the time to settle\n",
         "        self.pressed = self.gadget.contacts[\"dimmer\"]\n"
         "        self.due = None                 # end of the time to settle\n"),
    ],
}

OPEN = {
    "the time of the show is stopped after the events of the instant in which it ends":
        "no vector waits 5 min after a press of the dimmer in the instant in which the show ends",
    "room for two ends of times in one instant, a third is lost":
        "no vector has three times end in one instant",
}
