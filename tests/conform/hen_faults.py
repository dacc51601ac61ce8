"""Faults put into `hen_firmware.py` by its author: name, what the message names, and what stands
instead of what.

`OPEN` are those that no vector tells, each with the reason.
"""

FAULTS: dict[str, tuple[str, list[tuple[str, str]]]] = {
    "bounce does not restart the debounce": ("AUTO-", [
        ("            self.start(\"auto\", DEBOUNCE)\n"
         "            self.stirred = True",
         "            if \"auto\" not in self.due:\n"
         "                self.start(\"auto\", DEBOUNCE)\n"
         "            self.stirred = True"),
    ]),
    "evening on a flat cell: guard forgotten": ("HOUSE-FAF5", [
        (" and self.cell != \"flat\"",
         ""),
    ]),
    "evening at half light: daylight == 0 forgotten": ("HOUSE-FAF5", [
        (" and self.passed == 0",
         ""),
    ]),
    "day at half light: daylight == 2 forgotten": ("HOUSE-DDC4", [
        (" and self.passed == 2",
         ""),
    ]),
    "fade not reset by auto.closed": ("FADE-E12B", [
        ("(\"daylight.up\", \"auto.closed\")",
         "(\"daylight.up\",)"),
    ]),
    "fade reset at daylight.up only where it becomes day": ("FADE-E12B", [
        ("        elif event in (\"daylight.up\", \"auto.closed\"):",
         "        elif event == \"auto.closed\" or event == \"daylight.up\" and self.passed == 2:"),
    ]),
    "fade ends one step early": ("FADE-C43A", [
        ("            if self.fade < LAST:\n",
         "            if self.fade < LAST - 1:\n"),
    ]),
    "the 5 min run once": ("HOUSE-F363", [
        ("            self.enter_house(\"fading\")\n"
         "            self.emit(\"darker\")",
         "            self.emit(\"darker\")"),
    ]),
    "evening's 3 h not restarted on re-entry": ("HOUSE-F363", [
        ("        self.stop(\"house\")\n"
         "        if state == \"evening\":\n"
         "            self.start(\"house\", EVENING)",
         "        if state == \"evening\":\n"
         "            if \"house\" not in self.due:\n"
         "                self.start(\"house\", EVENING)"),
    ]),
    "step clock restarted by daylight.up at half light": ("HOUSE-F363", [
        ("            if state in (\"evening\", \"fading\", \"night\") and self.passed == 2:\n"
         "                self.enter_house(\"day\")",
         "            if state in (\"evening\", \"fading\", \"night\") and self.passed == 2:\n"
         "                self.enter_house(\"day\")\n"
         "            elif state == \"fading\":\n"
         "                self.start(\"house\", STEP)"),
    ]),
    "count of measurements kept over auto off": ("DAYLIGHT-5C43", [
        ("            self.start(\"look\", PAUSE)\n"
         "            self.says, self.count = 0, 0\n"
         "        elif event == \"daylight.sampled\"",
         "            self.start(\"look\", PAUSE)\n"
         "        elif event == \"daylight.sampled\""),
    ]),
    "count kept over a measurement as it was": ("DAYLIGHT-C797", [
        ("        else:\n"
         "            self.says, self.count = 0, 0\n"
         "            return",
         "        else:\n"
         "            return"),
    ]),
    "count kept over a change of direction": ("DAYLIGHT-C797", [
        ("self.count + 1 if says == self.says else 1",
         "self.count + 1"),
    ]),
    "count kept after it led to a change": ("DAYLIGHT-FECE", [
        ("            self.passed = to\n"
         "            self.says, self.count = 0, 0\n",
         "            self.passed = to\n"),
    ]),
    "no hysteresis: returns at the level it fell at": ("DAYLIGHT-FECE", [
        ("if reached[2 + k]",
         "if reached[k]"),
    ]),
    "falls one threshold at a time": ("DAYLIGHT-93D1", [
        ("says, to = -1, below",
         "says, to = -1, self.passed - 1"),
    ]),
    "rises one threshold at a time": ("DAYLIGHT-FECE", [
        ("says, to = 1, above",
         "says, to = 1, self.passed + 1"),
    ]),
    "measures every 30 s from judging": ("DAYLIGHT-ABD5", [
        ("PAUSE = 30 * S - SETTLE",
         "PAUSE = 30 * S"),
    ]),
    "measurement not ended by auto off": ("DAYLIGHT-5C43", [
        ("            self.look = \"asleep\"\n"
         "            self.start(\"look\", PAUSE)\n"
         "            self.says",
         "            self.says"),
    ]),
    "value read at the beginning of the measurement": ("DAYLIGHT-CF3E", [
        ("        self.look = \"settling\"\n",
         "        self.look = \"settling\"\n"
         "        self.taken = [self.number(f\"daylight.reached.{k}\") for k in (1, 2, 3, 4)]\n"),
        ("        reached = [self.number(f\"daylight.reached.{k}\") for k in (1, 2, 3, 4)]",
         "        reached = self.taken"),
    ]),
    "back only with the hysteresis of 80 mV": ("CELL-9A1D", [
        ("LOW, FLAT, BACK = 3_100_000, 2_900_000, 3_100_000",
         "LOW, FLAT, BACK = 3_100_000, 2_900_000, 3_180_000"),
    ]),
    "low not told where it is flat at once": ("CELL-A409", [
        ("                self.emit(\"cell.low\")\n"
         "                self.emit(\"cell.flat\")",
         "                self.emit(\"cell.flat\")"),
    ]),
    "flat ends above 2.90 V": ("CELL-05B9", [
        ("        elif volts > BACK:",
         "        elif self.cell == \"flat\" and FLAT <= volts <= BACK:\n"
         "            self.cell = \"low\"\n"
         "        elif volts > BACK:"),
    ]),
    "back at 3.10 V itself": ("CELL-9A1D", [
        ("elif volts > BACK:",
         "elif volts >= BACK:"),
    ]),
    "saving ended by cell.back too": ("SCALE-LAMP", [
        ("elif event == \"charge.completed\" and self.saving:",
         "elif event in (\"charge.completed\", \"cell.back\") and self.saving:"),
    ]),
    "saving dims the evening only": ("SCALE-LAMP", [
        ("        if self.saving:\n"
         "            level",
         "        if self.saving and self.house == \"evening\":\n"
         "            level"),
    ]),
    "a charge that begins again after complete is not seen": ("CHARGE-6747", [
        ("(\"waiting\", \"complete\")",
         "(\"waiting\",)"),
    ]),
    "status pin not read on plugging in": ("CHARGE-6747", [
        ("                self.start(\"charge\", 0)\n",
         ""),
    ]),
    "USB not looked for at power-up": ("CHARGE-8F12", [
        ("        if self.pins[\"usb\"]:\n"
         "            self.queue.append((\"event\", \"usb.edge\"))\n",
         ""),
    ]),
    "unplugging not seen while charging": ("CHARGE-E528", [
        ("elif self.charge != \"unplugged\":",
         "elif self.charge in (\"waiting\", \"complete\"):"),
    ]),
    "auto taken as it stands at power-up": ("DAYLIGHT-ABD5", [
        ("        self.auto = False\n"
         "        self.passed = 2",
         "        self.auto = self.pins[\"auto\"] == 1\n"
         "        self.passed = 2"),
    ]),
    "saving kept over a loss": ("ORDER-35FB", [
        ("        self.saving = False\n"
         "        self.watched",
         "        self.saving = getattr(self, \"saving\", False)\n"
         "        self.watched"),
    ]),
    "thresholds kept over a loss": ("ORDER-35FB", [
        ("        self.passed = 2\n",
         "        self.passed = getattr(self, \"passed\", 2)\n"),
    ]),
    "times that end now before the inputs of now": ("CELL-A409", [
        ("coming >= t:",
         "coming > t:"),
    ]),
    "flat not heard in fading": ("HOUSE-0731", [
        ("            if state in (\"evening\", \"fading\"):\n",
         "            if state == \"evening\":\n"),
    ]),
    "switching off not heard at night": ("HOUSE-FAF5", [
        ("            self.enter_house(\"off\")\n",
         "            if state != \"night\":\n"
         "                self.enter_house(\"off\")\n"),
    ]),
    "light not heard at night": ("HOUSE-DDC4", [
        ("(\"evening\", \"fading\", \"night\")",
         "(\"evening\", \"fading\")"),
    ]),
    "status edge lost while a measurement runs": ("CHARGE-", [
        ("            self.status_edge()\n"
         "        elif event == \"gauge",
         "            if self.look != \"settling\":\n"
         "                self.status_edge()\n"
         "        elif event == \"gauge"),
    ]),
    "sample left out while a measurement runs": ("GAUGE-F54D", [
        ("        self.emit(\"gauge.sampled\")\n",
         "        if self.look != \"settling\":\n"
         "            self.emit(\"gauge.sampled\")\n"),
    ]),
    "status pin before USB in one instant": ("CHARGE-E528", [
        ("        for name, level in self.pending:\n"
         "            if self.pins",
         "        for name, level in sorted(self.pending, key=lambda p: p[0] == \"usb\"):\n"
         "            if self.pins"),
    ]),
    "gauge clock restarted by USB": ("GAUGE-F54D", [
        ("                self.emit(\"usb.in\")\n",
         "                self.emit(\"usb.in\")\n"
         "                self.start(\"gauge\", EVERY)\n"),
    ]),
    "measurements go on from the old rhythm after off and on": ("DAYLIGHT-ABD5", [
        ("        elif event == \"daylight.enable\":\n"
         "            self.begin_measurement()",
         "        elif event == \"daylight.enable\":\n"
         "            if \"look\" not in self.due:\n"
         "                self.begin_measurement()"),
    ]),
}  # fmt: skip

OPEN = {
    "status edge lost while a measurement runs":
        "No vector moves the status pin within the 20 ms of a measurement.",
}
