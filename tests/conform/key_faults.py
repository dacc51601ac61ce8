"""Faults put into `key_firmware.py` by its author: what is wrong, and what stands instead of what.

`OPEN` are those that no vector tells, each with the reason. One more
than stand here made it hang.
"""

FAULTS: dict[str, list[tuple[str, str]]] = {
    "debounce not restarted by a bounce": [
        ("        self.timer.start(self.k.now, DEBOUNCE)",
         "        if self.timer.due is None:\n"
         "            self.timer.start(self.k.now, DEBOUNCE)"),
    ],
    "debounce 16 ms": [
        ("DEBOUNCE = 15 * MS",
         "DEBOUNCE = 16 * MS"),
    ],
    "release not debounced (raised at once)": [
        ("        self.timer.start(self.k.now, DEBOUNCE)",
         "        self.timer.start(self.k.now, DEBOUNCE)\n"
         "        if not level and self.pressed:\n"
         "            self.pressed = False\n"
         "            self.k.post(\"key.release\")"),
    ],
    "blip on a held key taken as a new press": [
        ("if self.level and not self.pressed:",
         "if self.level:"),
    ],
    "blip on an open key taken as a release": [
        ("elif not self.level and self.pressed:",
         "elif not self.level:"),
    ],
    "contact closed at power-up taken as pressed already": [
        ("        self.contact.level = level\n",
         "        self.contact.level = level\n"
         "        self.contact.pressed = bool(level)\n"),
    ],
    "contact closed at power-up debounced like an edge": [
        ("        for level in edges:\n"
         "            self.mail.append((M_EDGE, level))\n"
         "        self.cell.timer.start(now, SAMPLE_EVERY)",
         "        for level in edges or ([1] if level else []):\n"
         "            self.mail.append((M_EDGE, level))\n"
         "        self.cell.timer.start(now, SAMPLE_EVERY)"),
    ],
    "edge in the instant of power-up lost": [
        ("edges = [self.key] * names.count(\"key\")",
         "edges = []"),
    ],
    "debounce that ends with an edge in its instant still counts": [
        ("                if task.timer.serial == serial:",
         "                if task.timer.serial == serial or task is self.contact:"),
    ],
    "window of the second press 500 ms": [
        ("CLICK_GAP = 400 * MS",
         "CLICK_GAP = 500 * MS"),
    ],
    "window counted from the press": [
        ("                self.phase = self.HELD\n"
         "        elif",
         "                self.phase = self.HELD\n"
         "                self.timer.start(self.k.now, CLICK_GAP + 100 * MS)\n"
         "        elif"),
        ("                self.timer.start(self.k.now, CLICK_GAP)\n"
         "            else",
         "            else"),
    ],
    "release of a double click begins a click": [
        ("            if self.phase == self.HELD:",
         "            if self.phase in (self.HELD, self.HELD_TWICE):"),
    ],
    "double told at the second release": [
        ("                self.phase = self.HELD_TWICE\n"
         "                self.k.post(\"key.double\")",
         "                self.phase = self.HELD_TWICE"),
        ("            else:\n"
         "                self.phase = self.REST\n",
         "            else:\n"
         "                self.phase = self.REST\n"
         "                self.k.post(\"key.double\")\n"),
    ],
    "double takes the first click with it (click told too)": [
        ("                self.phase = self.HELD_TWICE\n"
         "                self.k.post(\"key.double\")",
         "                self.phase = self.HELD_TWICE\n"
         "                self.k.post(\"key.click\")\n"
         "                self.k.post(\"key.double\")"),
    ],
    "click time not stopped by the second press": [
        ("                self.timer.stop()\n"
         "                self.phase = self.HELD_TWICE",
         "                self.phase = self.HELD_TWICE"),
    ],
    "third press told as a double again": [
        ("            else:\n"
         "                self.phase = self.REST\n",
         "            else:\n"
         "                self.phase = self.GAP\n"
         "                self.timer.start(self.k.now, CLICK_GAP)\n"),
    ],
    "second press in the very instant of the end still a double": [
        ("    def expired(self):\n"
         "        self.timer.stop()\n"
         "        self.phase = self.REST\n"
         "        self.k.post(\"key.click\")",
         "    def expired(self):\n"
         "        if any(m[0] == \"key.press\" for m in self.k.mail):\n"
         "            return\n"
         "        self.timer.stop()\n"
         "        self.phase = self.REST\n"
         "        self.k.post(\"key.click\")"),
    ],
    "click told at the release, without waiting": [
        ("                self.timer.start(self.k.now, CLICK_GAP)\n"
         "            else",
         "                self.timer.start(self.k.now, CLICK_GAP)\n"
         "                self.k.post(\"key.click\")\n"
         "            else"),
        ("        self.phase = self.REST\n"
         "        self.k.post(\"key.click\")",
         "        self.phase = self.REST"),
    ],
    "long press (over 1 s) gives no click": [
        ("                self.phase = self.HELD\n"
         "        elif",
         "                self.phase = self.HELD\n"
         "                self.since = self.k.now\n"
         "        elif"),
        ("            if self.phase == self.HELD:",
         "            if self.phase == self.HELD and self.k.now - self.since < S:"),
    ],
    "sampled every 10 s": [
        ("SAMPLE_EVERY = 8 * S",
         "SAMPLE_EVERY = 10 * S"),
    ],
    "no sample at power-up, the first after 8 s": [
        ("        self.post(M_SAMPLE)\n"
         "        self.settle()",
         "        self.settle()"),
    ],
    "sample clock begun anew by a press": [
        ("    def hear(self, what):\n"
         "        pass\n"
         "\n"
         "\n"
         "class Lamp",
         "    def hear(self, what):\n"
         "        if what == \"key.press\":\n"
         "            self.timer.start(self.k.now, SAMPLE_EVERY)\n"
         "\n"
         "\n"
         "class Lamp"),
    ],
    "low taken at <= 2.50 V": [
        ("if uv < UV_LOW and not self.low",
         "if uv <= UV_LOW and not self.low"),
    ],
    "flat taken at <= 2.25 V": [
        ("if uv < UV_FLAT and not",
         "if uv <= UV_FLAT and not"),
    ],
    "back taken at >= 2.50 V": [
        ("if uv > UV_LOW and self.low",
         "if uv >= UV_LOW and self.low"),
    ],
    "back at the return level of the bar (2.66 V)": [
        ("if uv > UV_LOW and self.low",
         "if uv > UV_BAR_BACK and self.low"),
    ],
    "flat ends at its own level (above 2.25 V)": [
        ("        if uv > UV_LOW and self.low:",
         "        if uv > UV_FLAT:\n"
         "            self.flat = False\n"
         "        if uv > UV_LOW and self.low:"),
    ],
    "flat not ended by back": [
        ("            self.low = False\n"
         "            self.flat = False\n",
         "            self.low = False\n"),
    ],
    "low ends by a sample that is flat (else-if chain)": [
        ("        if uv < UV_FLAT and not",
         "        elif uv < UV_FLAT and not"),
    ],
    "flat replaces low": [
        ("            self.flat = True\n"
         "            self.k.post(\"cell.flat\")",
         "            self.flat = True\n"
         "            self.low = False\n"
         "            self.k.post(\"cell.flat\")"),
    ],
    "bar without hysteresis": [
        ("UV_BAR_BACK = 2_660_000",
         "UV_BAR_BACK = 2_600_000"),
    ],
    "first sample with hysteresis": [
        ("self.bars = 1 if uv >= UV_BAR else 0",
         "self.bars = 1 if uv >= UV_BAR_BACK else 0"),
    ],
    "bar goes out at <=": [
        ("elif self.bars and uv < UV_BAR:",
         "elif self.bars and uv <= UV_BAR:"),
    ],
    "first sample raises gauge.down": [
        ("            self.bars = 1 if uv >= UV_BAR else 0",
         "            self.bars = 1 if uv >= UV_BAR else 0\n"
         "            if not self.bars:\n"
         "                self.k.post(\"gauge.down\")"),
    ],
    "sample taken at the end of its time, before what stands in the queue": [
        ("        self.timer.start(self.k.now, SAMPLE_EVERY)\n"
         "        self.k.post(M_SAMPLE)",
         "        self.timer.start(self.k.now, SAMPLE_EVERY)\n"
         "        self.sample()"),
    ],
    "events of flat before low": [
        ("            self.low = True\n"
         "            self.k.post(\"cell.low\")",
         "            self.low = True\n"
         "            self.k.mail.append((\"cell.low\", None)) if uv >= UV_FLAT else None"),
        ("            self.k.post(\"cell.flat\")",
         "            self.k.post(\"cell.flat\")\n"
         "            self.k.post(\"cell.low\")"),
    ],
    "click when low still full": [
        ("elif not cell.low:\n",
         "elif not cell.flat:\n"),
    ],
    "click when flat still weak": [
        ("            elif not cell.flat:\n"
         "                self.enter(self.WEAK)",
         "            else:\n"
         "                self.enter(self.WEAK)"),
    ],
    "double when flat still winks": [
        ("if not self.winking() and not cell.flat:",
         "if not self.winking():"),
    ],
    "double begins the wink anew": [
        ("if not self.winking() and not cell.flat:",
         "if not cell.flat:"),
    ],
    "double does nothing when low": [
        ("if not self.winking() and not cell.flat:",
         "if not self.winking() and not cell.low:"),
    ],
    "double ignored while lit": [
        ("if not self.winking() and not cell.flat:",
         "if self.mode == self.DARK and not cell.flat:"),
    ],
    "wink begins with its dark part": [
        ("                self.enter(self.WINK_LIT)\n"
         "        elif what == \"search.over\"",
         "                self.enter(self.WINK_DARK)\n"
         "        elif what == \"search.over\""),
    ],
    "click does not end a wink in its dark part": [
        ("            if self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "            elif not cell.low",
         "            if self.mode == self.WINK_DARK:\n"
         "                pass\n"
         "            elif self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "            elif not cell.low"),
    ],
    "search.over puts out any light": [
        ("            if self.winking():\n"
         "                self.enter(self.DARK)",
         "            self.enter(self.DARK)"),
    ],
    "search.over in the dark part of a wink not heard": [
        ("            if self.winking():\n"
         "                self.enter(self.DARK)",
         "            if self.mode == self.WINK_LIT:\n"
         "                self.enter(self.DARK)"),
    ],
    "low does not dim a full light": [
        ("            if self.mode == self.FULL:\n"
         "                self.enter(self.WEAK)",
         "            pass"),
    ],
    "low dims and keeps the 20 s running": [
        ("            if self.mode == self.FULL:\n"
         "                self.enter(self.WEAK)",
         "            if self.mode == self.FULL:\n"
         "                self.mode = self.WEAK"),
    ],
    "low dims a wink too": [
        ("            if self.mode == self.FULL:\n"
         "                self.enter(self.WEAK)",
         "            if self.mode != self.DARK:\n"
         "                self.enter(self.WEAK)"),
    ],
    "flat does not end a weak light": [
        ("            if self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "\n",
         "            if self.mode not in (self.DARK, self.WEAK):\n"
         "                self.enter(self.DARK)\n"
         "\n"),
    ],
    "flat does not end a wink": [
        ("            if self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "\n",
         "            if self.mode in (self.FULL, self.WEAK):\n"
         "                self.enter(self.DARK)\n"
         "\n"),
    ],
    "flat ends the search too": [
        ("        elif what == \"key.click\" and self.running:",
         "        elif what in (\"key.click\", \"cell.flat\") and self.running:"),
    ],
    "no search begun on a flat cell": [
        ("if what == \"key.double\" and not self.running:",
         "if what == \"key.double\" and not self.running and not self.k.cell.flat:"),
    ],
    "20 s not for the weak light": [
        ("STAY = {FULL: LIT_FOR, WEAK: LIT_FOR, ",
         "STAY = {FULL: LIT_FOR, "),
    ],
    "lit time 30 s": [
        ("LIT_FOR = 20 * S",
         "LIT_FOR = 30 * S"),
    ],
    "wink period 960 ms (dark part 920 ms)": [
        ("WINK_OFF = 960 * MS",
         "WINK_OFF = 920 * MS"),
    ],
    "weak light at 50 %": [
        ("DUTY_WEAK = 400_000",
         "DUTY_WEAK = 500_000"),
    ],
    "20 s clock of the lit lamp runs on into the wink": [
        ("        if mode in self.STAY:\n"
         "            self.timer.start(self.k.now, self.STAY[mode])\n"
         "        else:",
         "        if mode in self.STAY:\n"
         "            if mode == self.WINK_LIT and self.mode_was in (self.FULL, self.WEAK):\n"
         "                return\n"
         "            self.timer.start(self.k.now, self.STAY[mode])\n"
         "        else:"),
        ("        self.mode = mode\n",
         "        self.mode_was = self.mode\n"
         "        self.mode = mode\n"),
    ],
    "click in the instant of the 20 s end lost": [
        ("            if self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "            elif not cell.low",
         "            if self.k.now == getattr(self, 'ended', None):\n"
         "                pass\n"
         "            elif self.mode != self.DARK:\n"
         "                self.enter(self.DARK)\n"
         "            elif not cell.low"),
        ("        else:\n"
         "            self.enter(self.DARK)\n"
         "\n"
         "    def hear",
         "        else:\n"
         "            self.ended = self.k.now\n"
         "            self.enter(self.DARK)\n"
         "\n"
         "    def hear"),
    ],
    "double begins the search anew": [
        ("if what == \"key.double\" and not self.running:",
         "if what == \"key.double\":"),
    ],
    "click does not stop the search": [
        ("elif what == \"key.click\" and self.running:",
         "elif False:"),
    ],
    "click marks the search ended but its clock runs on": [
        ("            self.running = False\n"
         "            self.timer.stop()\n",
         "            self.running = False\n"),
    ],
    "search does not begin again after it was over": [
        ("        self.timer.stop()\n"
         "        self.running = False\n"
         "        self.k.post(\"search.over\")",
         "        self.timer.stop()\n"
         "        self.k.post(\"search.over\")"),
    ],
    "search 14 min": [
        ("SEARCH_FOR = 15 * 60 * S",
         "SEARCH_FOR = 14 * 60 * S"),
    ],
    "15 min wrap at 2^19 ms (16-bit-like counter of 8 ms)": [
        ("SEARCH_FOR = 15 * 60 * S",
         "SEARCH_FOR = (15 * 60 * S) % (524_288 * MS)"),
    ],
    "search begun by a click": [
        ("if what == \"key.double\" and not self.running:",
         "if what in (\"key.double\", \"key.click\") and not self.running:"),
    ],
    "state of the lamp kept over a loss of power": [
        ("        self.kernel = Kernel(self, now, self.key, edges)",
         "        old = getattr(self, 'last_lamp', None)\n"
         "        self.kernel = Kernel(self, now, self.key, edges)\n"
         "        if old is not None and old != 0:\n"
         "            self.kernel.lamp.enter(old)\n"
         "            self.kernel.report()"),
        ("                self.kernel = None\n"
         "            else",
         "                self.last_lamp = self.kernel.lamp.mode if self.kernel else None\n"
         "                self.kernel = None\n"
         "            else"),
    ],
    "low and flat kept over a loss of power": [
        ("        self.kernel = Kernel(self, now, self.key, edges)",
         "        old = getattr(self, 'last_cell', (False, False))\n"
         "        self.kernel = Kernel(self, now, self.key, edges)\n"
         "        self.kernel.cell.low = self.kernel.cell.low or old[0]\n"
         "        self.kernel.cell.flat = self.kernel.cell.flat or old[1]"),
        ("                self.kernel = None\n"
         "            else",
         "                self.last_cell = (self.kernel.cell.low, self.kernel.cell.flat) if self.kernel else (False, False)\n"
         "                self.kernel = None\n"
         "            else"),
    ],
    "search kept over a loss of power": [
        ("        self.kernel = Kernel(self, now, self.key, edges)",
         "        old = getattr(self, 'last_search', 0)\n"
         "        self.kernel = Kernel(self, now, self.key, edges)\n"
         "        if old > 0:\n"
         "            self.kernel.finder.running = True\n"
         "            self.kernel.finder.timer.start(now, old)"),
        ("                self.kernel = None\n"
         "            else",
         "                f = self.kernel.finder if self.kernel else None\n"
         "                self.last_search = f.timer.due - int(rest[0]) if f and f.running else 0\n"
         "                self.kernel = None\n"
         "            else"),
    ],
    "pressed kept over a loss of power": [
        ("        self.contact.level = level\n",
         "        self.contact.level = level\n"
         "        self.contact.pressed = getattr(port, 'was_pressed', False)\n"),
        ("                self.kernel = None\n"
         "            else",
         "                self.was_pressed = bool(self.kernel and self.kernel.contact.pressed)\n"
         "                self.kernel = None\n"
         "            else"),
    ],
    "finder before lamp in the order of tasks": [
        ("self.cell, self.lamp, self.finder)",
         "self.cell, self.finder, self.lamp)"),
    ],
    "clicks lost while a sample is due within 100 ms": [
        ("        self.phase = self.REST\n"
         "        self.k.post(\"key.click\")",
         "        self.phase = self.REST\n"
         "        if self.k.cell.timer.due - self.k.now > 100 * MS:\n"
         "            self.k.post(\"key.click\")"),
    ],
    "edge lost while a wink is lit (busy)": [
        ("    def edge(self, level):\n",
         "    def edge(self, level):\n"
         "        if self.k.lamp.mode == 3:\n"
         "            return\n"),
    ],
    "times end as 16 bits of milliseconds come round": [
        ("        self.due = now + length\n",
         "        self.due = min(now + length, (now // (65536 * MS) + 1) * 65536 * MS)\n"),
    ],
    "times end as 32 bits of microseconds come round": [
        ("        self.due = now + length\n",
         "        self.due = min(now + length, (now // 4294967296000 + 1) * 4294967296000)\n"),
    ],
    "the light is as it was after a loss of up to 50 ms": [
        ("                self.kernel = None\n",
         "                self.old, self.gone, self.kernel = self.kernel, int(rest[0]), None\n"),
        ("        self.kernel = Kernel(self, now, self.key, edges)\n",
         "        self.kernel = Kernel(self, now, self.key, edges)\n"
         "        if getattr(self, 'old', None) and now - self.gone <= 50 * MS:\n"
         "            self.kernel.lamp.mode = self.old.lamp.mode\n"
         "            self.kernel.report()\n"),
    ],
    "old expiry still counts after a new entry in its instant": [
        ("                if task.timer.serial == serial:",
         "                if task.timer.due is not None:"),
    ],
}

OPEN = {
    "bar goes out at <=":
        "nobody hears the bars: only an event differs, and no vector reads 2.60 V exactly",
    "finder before lamp in the order of tasks":
        "changes nothing that shows: neither asks for the other",
}
