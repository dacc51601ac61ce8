"""Faults put into `larder_firmware.py` by its author: name, and what stands instead of what.

A choice of them, of each kind some. `OPEN` are those that no account of the test tells, and why.
"""

FAULTS: dict[str, list[tuple[str, str]]] = {
    "debounce_power_25ms": [
        ("DEBOUNCE_POWER = 20 * MS",
         "DEBOUNCE_POWER = 25 * MS"),
    ],
    "debounce_level_15ms": [
        ("DEBOUNCE_LEVEL = 20 * MS",
         "DEBOUNCE_LEVEL = 15 * MS"),
    ],
    "double_300ms": [
        ("DOUBLE_LEVEL = 350 * MS",
         "DOUBLE_LEVEL = 300 * MS"),
    ],
    "look_pause_settle_forgotten": [
        ("LOOK_EVERY - LOOK_SETTLE - LOOK_BURST}",
         "LOOK_EVERY - LOOK_BURST}"),
    ],
    "burst_25_cycles": [
        ("LOOK_BURST = 631_579  ",
         "LOOK_BURST = 657_895  "),
    ],
    "rearm_625ms": [
        ("REARM = 600 * MS",
         "REARM = 625 * MS"),
    ],
    "rearm_610ms": [
        ("REARM = 600 * MS",
         "REARM = 610 * MS"),
    ],
    "rearm_none": [
        ("(\"blocked\", \"wave.far\")",
         "(\"clear\", \"wave.far\")"),
    ],
    "sample_1ms_slow": [
        ("SAMPLE_EVERY = 1 * SECOND",
         "SAMPLE_EVERY = 1 * SECOND + MS"),
    ],
    "bar2_10mV_down": [
        ("3_520_000,",
         "3_510_000,"),
    ],
    "bar4_10mV_down": [
        ("3_800_000,",
         "3_790_000,"),
    ],
    "hysteresis_none": [
        ("HYSTERESIS = 40_000",
         "HYSTERESIS = 0"),
    ],
    "hysteresis_50mV": [
        ("HYSTERESIS = 40_000",
         "HYSTERESIS = 50_000"),
    ],
    "flat_10mV_up": [
        ("CELL_FLAT = 3_250_000",
         "CELL_FLAT = 3_260_000"),
    ],
    "low_at_level": [
        ("volts < CELL_LOW",
         "volts <= CELL_LOW"),
    ],
    "back_at_level": [
        ("volts > CELL_LOW",
         "volts >= CELL_LOW"),
    ],
    "flat_at_level": [
        ("volts < CELL_FLAT",
         "volts <= CELL_FLAT"),
    ],
    "bar_back_not_at_level": [
        ("volts >= level + HYSTERESIS",
         "volts > level + HYSTERESIS"),
    ],
    "flat_ends_above_flat_to_low": [
        ("        volts = self.lamp.gauge.reading\n",
         "        volts = self.lamp.gauge.reading\n        if self.state == \"flat\" and CELL_FLAT < volts <= CELL_LOW:\n            self.enter(\"low\")\n"),
    ],
    "flat_only_after_low_next_sample": [
        ("if self.state == \"good\" and volts < CELL_LOW",
         "if self.state == \"good\" and CELL_FLAT <= volts < CELL_LOW"),
    ],
    "first_sample_tells_up": [
        ("            self.bars = not_undercut\n        elif",
         "            self.bars = not_undercut\n            self.emit('gauge.up')\n        elif"),
    ],
    "down_one_bar_a_sample": [
        ("            self.bars = not_undercut\n            self.emit(\"gauge.down\")",
         "            self.bars = old - 1\n            self.emit(\"gauge.down\")"),
    ],
    "sampled_only_when_shown": [
        ("        volts, old = self.reading, self.bars\n",
         "        volts, old = self.reading, self.bars\n        if old is not None and not (self.lamp.light.lit() or self.lamp.charge.state in (\"charging\", \"complete\")):\n            return\n"),
    ],
    "bars_of_moment_of_lighting": [
        ("\"bars\": self.gauge.bars if show else 0",
         "\"bars\": (self.outputs[\"bars\"] or self.gauge.bars) if show else 0"),
    ],
    "bars_before_cell": [
        ("            self.judge()\n            self.enter(\"resting\")",
         "            self.enter(\"resting\")"),
        ("        self.reading = self.lamp.number(\"gauge.measured\")\n",
         "        self.reading = self.lamp.number(\"gauge.measured\")\n        self.judge()\n"),
    ],
    "sample_before_the_queue": [
        ("            self.emit(\"gauge.sampled\")\n            self.enter(\"reading\")",
         "            self.lamp.offer(\"gauge.sampled\")\n            self.enter(\"reading\")"),
    ],
    "wave_always_full": [
        ("                self.enter(self.last_lit)",
         "                self.enter(\"full\")"),
    ],
    "memory_only_by_key": [
        ("        if self.lit():\n            self.last_lit = state\n",
         ""),
        ("                self.enter(self.next_level[self.state])",
         "                self.enter(self.next_level[self.state])\n                self.last_lit = self.state"),
    ],
    "memory_lost_by_flat": [
        ("            else:                     # power.click, wave.wave, cell.flat\n",
         "            else:                     # power.click, wave.wave, cell.flat\n                if event == \"cell.flat\":\n                    self.last_lit = \"full\"\n"),
    ],
    "memory_first_is_half": [
        ("    last_lit = \"full\"",
         "    last_lit = \"half\""),
    ],
    "no_flat_guard": [
        ("elif self.state == \"dark\" and self.lamp.cell.state != \"flat\"",
         "elif self.state == \"dark\""),
    ],
    "flat_guard_reads_now": [
        ("self.lamp.cell.state != \"flat\":",
         "self.lamp.number(\"gauge.measured\") >= CELL_FLAT:"),
    ],
    "flat_lets_glow_on": [
        ("        elif self.lit():\n            if event == \"level.click\"",
         "        elif event == \"cell.flat\" and self.state == \"glow\":\n            pass\n        elif self.lit():\n            if event == \"level.click\""),
    ],
    "lock_only_from_dark": [
        ("            self.enter(\"dark\" if self.state == \"locked\" else \"locked\")",
         "            if self.state == \"locked\":\n                self.enter(\"dark\")\n            elif self.state == \"dark\":\n                self.enter(\"locked\")"),
    ],
    "unlock_to_light": [
        ("self.enter(\"dark\" if self.state == \"locked\" else \"locked\")",
         "self.enter(self.last_lit if self.state == \"locked\" else \"locked\")"),
    ],
    "level_lights": [
        ("            if event == \"power.click\":\n",
         "            if event in (\"power.click\", \"level.click\"):\n"),
    ],
    "levels_other_way": [
        ("{\"full\": \"half\", \"half\": \"glow\", \"glow\": \"full\"}",
         "{\"full\": \"glow\", \"half\": \"full\", \"glow\": \"half\"}"),
    ],
    "wave_does_not_put_out": [
        ("            else:                     # power.click, wave.wave, cell.flat\n",
         "            elif event != \"wave.wave\":\n"),
    ],
    "glow_5": [
        ("GLOW = 40_000",
         "GLOW = 50_000"),
    ],
    "marker_also_idle": [
        ("FULL if light.state == \"locked\" else 0",
         "FULL if light.state == \"locked\" or self.sensor.state == \"idle\" else 0"),
    ],
    "bars_in_waiting": [
        ("(\"charging\", \"complete\")\n",
         "(\"waiting\", \"charging\", \"complete\")\n"),
    ],
    "bars_not_when_locked": [
        ("        show = light.lit() or self",
         "        show = light.lit() or light.state != \"locked\" and self"),
    ],
    "starts_locked": [
        ("    first = \"dark\"",
         "    first = \"locked\""),
    ],
    "double_not_when_locked": [
        ("        if self.state == \"armed\":\n",
         "        if self.lamp.light.state == \"locked\":\n            return\n        if self.state == \"armed\":\n"),
    ],
    "sensor_starts_idle": [
        ("    first = \"armed\"",
         "    first = \"idle\""),
    ],
    "first_look_after_pause": [
        ("self.enter(\"settling\" if event == \"wave.enable\" else \"off\")",
         "self.enter(\"resting\" if event == \"wave.enable\" else \"off\")"),
    ],
    "looks_on_fixed_grid": [
        ("        self.enter(\"settling\" if event == \"wave.enable\" else \"off\")",
         "        self.enter(\"resting\" if event == \"wave.enable\" else \"off\")\n        if event == \"wave.enable\":\n            self.due = self.lamp.now + -self.lamp.now % LOOK_EVERY"),
    ],
    "aborted_look_judged": [
        ("        self.enter(\"settling\" if event == \"wave.enable\" else \"off\")",
         "        if self.state == \"emitting\":\n            self.emit(\"wave.hit\" if self.lamp.number(\"wave.echo\") else \"wave.miss\")\n        self.enter(\"settling\" if event == \"wave.enable\" else \"off\")"),
    ],
    "echo_kept_between_looks": [
        ("        if self.state == \"emitting\":\n",
         "        if self.state == \"resting\":\n            self.early = self.lamp.number(\"wave.echo\")\n        if self.state == \"emitting\":\n"),
        ("if self.lamp.number(\"wave.echo\") else",
         "if self.lamp.number(\"wave.echo\") or getattr(self, \"early\", 0) else"),
    ],
    "field_near_kept_when_disabled": [
        ("        if event == \"wave.disable\":\n",
         "        if event == \"wave.disable\" and self.state in (\"near\", \"near.1\"):\n            self.enter(\"near\")\n        elif event == \"wave.disable\":\n"),
    ],
    "field_rearm_kept_when_disabled": [
        ("        if event == \"wave.disable\":\n",
         "        if event == \"wave.disable\" and self.state == \"blocked\":\n            pass\n        elif event == \"wave.disable\":\n"),
    ],
    "far_when_disabled": [
        ("        if event == \"wave.disable\":\n",
         "        if event == \"wave.disable\":\n            if self.state in (\"near\", \"near.1\"):\n                self.emit(\"wave.far\")\n"),
    ],
    "miss_count_not_anew": [
        ("        (\"near.1\", \"wave.hit\"): (\"near\",),\n",
         ""),
    ],
    "three_echoes": [
        ("(\"clear\", \"wave.hit\"): (\"clear.1\",)",
         "(\"clear\", \"wave.hit\"): (\"clear.0\",),\n        (\"clear.0\", \"wave.hit\"): (\"clear.1\",),\n        (\"clear.0\", \"wave.miss\"): (\"clear\",)"),
    ],
    "one_echo_enough_when_blocked": [
        ("(\"blocked\", \"wave.hit\"): (\"blocked.1\",)",
         "(\"blocked\", \"wave.hit\"): (\"near\", \"wave.near\")"),
    ],
    "rearm_not_stopped_by_echo": [
        ("        (\"blocked\", \"wave.hit\"): (\"blocked.1\",),\n",
         ""),
    ],
    "rearm_anew_by_every_miss": [
        ("(\"blocked\", \"time\"): (\"clear\",)",
         "(\"blocked\", \"time\"): (\"clear\",),\n        (\"blocked\", \"wave.miss\"): (\"blocked\",)"),
    ],
    "near_not_told_when_blocked": [
        ("(\"blocked.1\", \"wave.hit\"): (\"near\", \"wave.near\")",
         "(\"blocked.1\", \"wave.hit\"): (\"near\",)"),
    ],
    "wave_then_near": [
        ("(\"near\", \"wave.near\", \"wave.wave\")",
         "(\"near\", \"wave.wave\", \"wave.near\")"),
    ],
    "debounce_not_anew": [
        ("        self.enter(\"settling\")\n",
         "        if self.state != \"settling\":\n            self.enter(\"settling\")\n"),
    ],
    "closed_at_power_up_is_pressed": [
        ("self.pressed = dict.fromkeys(self.CONTACTS, False)",
         "self.pressed = {name: self.pins[name] == 1 for name in self.CONTACTS}"),
    ],
    "settled_same_is_press": [
        ("        if closed and not pressed:",
         "        if closed:"),
    ],
    "hold_at_release": [
        ("(\"down\", \"time\"): (\"held\", \"power.hold\")",
         "(\"down\", \"time\"): (\"held\",)"),
        ("(\"held\", \"power.release\"): (\"idle\",)",
         "(\"held\", \"power.release\"): (\"idle\", \"power.hold\")"),
    ],
    "hold_again_and_again": [
        ("(\"down\", \"time\"): (\"held\", \"power.hold\")",
         "(\"down\", \"time\"): (\"down\", \"power.hold\")"),
    ],
    "hold_anew_by_bounce": [
        ("        self.enter(\"settling\")\n",
         "        self.enter(\"settling\")\n        hold = self.lamp.parts[1]\n        if self.name == \"power\" and hold.state == \"down\":\n            hold.enter(\"down\")\n"),
    ],
    "double_window_from_press": [
        ("        (\"down\", \"level.release\"): (\"up\",),\n        (\"up\", \"time\"): (\"idle\", \"level.click\"),\n        (\"up\", \"level.press\"): (\"second\", \"level.double\"),\n        (\"second\", \"level.release\"): (\"idle\",),\n    }\n",
         "        (\"up\", \"time\"): (\"idle\", \"level.click\"),\n        (\"up\", \"level.press\"): (\"second\", \"level.double\"),\n        (\"second\", \"level.release\"): (\"idle\",),\n    }\n\n    def hear(self, event):\n        if event == \"level.press\" and self.state == \"idle\":\n            self.began = self.lamp.now\n        if event == \"level.release\" and self.state == \"down\":\n            self.enter(\"up\")\n            self.due = self.began + DOUBLE_LEVEL\n            if self.due <= self.lamp.now:\n                self.time_up()\n        else:\n            super().hear(event)\n"),
    ],
    "double_at_second_release": [
        ("(\"second\", \"level.double\")",
         "(\"second\",)"),
        ("(\"second\", \"level.release\"): (\"idle\",)",
         "(\"second\", \"level.release\"): (\"idle\", \"level.double\")"),
    ],
    "double_is_click_too": [
        ("(\"second\", \"level.double\")",
         "(\"second\", \"level.click\", \"level.double\")"),
    ],
    "buttons_share_debounce": [
        ("        self.enter(\"settling\")\n",
         "        for other in self.lamp.contacts:\n            if other is self or other.state == \"settling\":\n                other.enter(\"settling\")\n"),
    ],
    "status_neither_is_low": [
        ("return self.lamp.pins[\"status\"] == STATUS_LOW",
         "return self.lamp.pins[\"status\"] != 2"),
    ],
    "status_neither_does_not_complete": [
        ("elif self.state == \"charging\" and not self.low()",
         "elif self.state == \"charging\" and self.lamp.pins[\"status\"] == 2"),
    ],
    "waiting_not_read": [
        ("times = {\"waiting\": 0}",
         "times = {}"),
    ],
    "unplugged_not_from_waiting": [
        ("elif not plugged and self.state != \"unplugged\"",
         "elif not plugged and self.state in (\"complete\", \"charging\")"),
    ],
    "charging_without_usb": [
        ("elif self.state in (\"waiting\", \"complete\"):\n",
         "elif self.state in (\"unplugged\", \"waiting\", \"complete\"):\n"),
    ],
    "status_at_power_up_no_edge": [
        ("        if self.pins[\"status\"]:\n",
         "        if False:\n"),
    ],
    "field_before_look": [
        ("self.look, Field(self), self.charge",
         "Field(self), self.look, self.charge"),
    ],
    "lamp_time_before_all": [
        ("        for part in self.parts:\n            if part.due is not None and part.due <= now",
         "        for part in self.parts[::-1]:\n            if part.due is not None and part.due <= now"),
    ],
    "sensor_before_lamp": [
        ("                      self.light, self.sensor)",
         "                      self.sensor, self.light)"),
    ],
    "lamp_before_gauge": [
        ("self.look, Field(self), self.charge, self.gauge, self.cell,\n                      self.light, self.sensor)",
         "self.look, Field(self), self.charge,\n                      self.light, self.sensor, self.gauge, self.cell)"),
    ],
    "cut_dwell_still_counts": [
        ("                    if part.entries == entries:\n",
         "                    if part.state in part.times:\n"),
    ],
    "pressed_at_once": [
        ("            self.emit(self.name + \".press\")\n",
         "            self.lamp.pressed[self.name] = True\n            self.emit(self.name + \".press\")\n"),
    ],
    "off_outputs_kept": [
        ("        self.outputs = dict.fromkeys(self.OUTPUTS, 0)",
         "        self.outputs = getattr(self, \"outputs\", None) or dict.fromkeys(self.OUTPUTS, 0)"),
    ],
    "no_level.click_when_charging": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"level.click\" and self.lamp.charge.state == \"charging\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "no_power.click_when_complete": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"power.click\" and self.lamp.charge.state == \"complete\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "no_level.click_when_complete": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"level.click\" and self.lamp.charge.state == \"complete\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "no_double_when_complete": [
        ("        if self.state == \"armed\":\n",
         "        if self.lamp.charge.state == \"complete\":\n            return\n        if self.state == \"armed\":\n"),
    ],
    "no_power.click_when_low": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"power.click\" and self.lamp.cell.state == \"low\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "no_double_when_level_pressed": [
        ("        if self.state == \"armed\":\n",
         "        if self.lamp.pressed[\"level\"]:\n            return\n        if self.state == \"armed\":\n"),
    ],
    "no_double_when_flat": [
        ("        if self.state == \"armed\":\n",
         "        if self.lamp.cell.state == \"flat\":\n            return\n        if self.state == \"armed\":\n"),
    ],
    "no_double_in_full": [
        ("        if self.state == \"armed\":\n",
         "        if self.lamp.light.state == \"full\":\n            return\n        if self.state == \"armed\":\n"),
    ],
    "no_power.hold_in_full": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"power.hold\" and self.state == \"full\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "no_wave.wave_in_glow": [
        ("        if event == \"power.hold\":\n",
         "        if event == \"wave.wave\" and self.state == \"glow\":\n            return\n        if event == \"power.hold\":\n"),
    ],
    "gauge_clock_anew_at_usb": [
        ("                self.emit(\"usb.in\")\n",
         "                self.emit(\"usb.in\")\n                if self.lamp.gauge.due:\n                    self.lamp.gauge.due = self.lamp.now + SAMPLE_EVERY\n"),
    ],
    "sample_at_lighting": [
        ("        super().enter(state)\n        if self.lit():\n",
         "        super().enter(state)\n        if self.lit() and self.lamp.gauge.state == \"resting\":\n            self.lamp.gauge.time_up()\n        if self.lit():\n"),
    ],
    "field_forgotten_at_light": [
        ("        super().enter(state)\n        if self.lit():\n",
         "        super().enter(state)\n        if self.lit():\n            self.lamp.parts[5].enter(\"clear\")\n        if self.lit():\n"),
    ],
    "memory_lost_by_idle": [
        ("            self.enter(\"idle\")\n        elif",
         "            self.lamp.light.last_lit = \"full\"\n            self.enter(\"idle\")\n        elif"),
    ],
    "flat_forgotten_by_lock": [
        ("        super().enter(state)\n        if self.lit():\n",
         "        super().enter(state)\n        if state == \"locked\" and self.lamp.cell.state == \"flat\":\n            self.lamp.cell.enter(\"low\")\n        if self.lit():\n"),
    ],
    "flat_forgotten_by_usb": [
        ("                self.emit(\"usb.in\")\n",
         "                self.emit(\"usb.in\")\n                if self.lamp.cell.state == \"flat\":\n                    self.lamp.cell.enter(\"low\")\n"),
    ],
    "bars_shown_only_at_samples": [
        ("            \"bars\": self.gauge.bars if show else 0,",
         "            \"bars\": (self.gauge.bars if show else 0) if self.gauge.due == self.now + SAMPLE_EVERY else self.outputs[\"bars\"] if show else 0,"),
    ],
    "hysteresis_off_bar1": [
        ("volts >= level + HYSTERESIS",
         "volts >= level + (HYSTERESIS if level > 3_300_000 else 0)"),
    ],
    "low_ends_10mV_up": [
        ("volts > CELL_LOW",
         "volts > CELL_LOW + 10_000"),
    ],
    "flat_only_when_twice": [
        ("            self.emit(\"cell.flat\")\n            self.enter(\"flat\")",
         "            self.n = getattr(self, \"n\", 0) + 1\n            if self.n > 1:\n                self.emit(\"cell.flat\")\n                self.enter(\"flat\")\n        elif volts >= CELL_FLAT:\n            self.n = 0"),
    ],
    "cell_kept_over_loss": [
        ("            self.enter(\"flat\")\n",
         "            self.enter(\"flat\")\n            Cell.first = \"flat\"\n"),
        ("            self.enter(\"good\")\n",
         "            self.enter(\"good\")\n            Cell.first = \"good\"\n"),
    ],
    "power_gesture_kept_over_loss": [
        ("            self.enter(row[0])\n",
         "            self.enter(row[0])\n            if isinstance(self, PowerGesture):\n                PowerGesture.first = row[0]\n"),
    ],
    "pressed_kept_over_loss": [
        ("        self.pressed = dict.fromkeys(self.CONTACTS, False)",
         "        self.pressed = getattr(self, \"pressed\", None) or dict.fromkeys(self.CONTACTS, False)"),
    ],
    "blocked1_kept_when_disabled": [
        ("        if event == \"wave.disable\":\n",
         "        if event == \"wave.disable\" and self.state == \"blocked.1\":\n            pass\n        elif event == \"wave.disable\":\n"),
    ],
    "blocked_at_disable_of_near": [
        ("        if event == \"wave.disable\":\n",
         "        if event == \"wave.disable\" and self.state in (\"near\", \"near.1\"):\n            self.enter(\"blocked\")\n        elif event == \"wave.disable\":\n"),
    ],
    "rearm_after_echo_starts_at_echo": [
        ("    def hear(self, event):\n        if event == \"wave.disable\":\n            self.enter(\"clear\")\n",
         "    def hear(self, event):\n        was = self.state\n        if event == \"wave.hit\" and was == \"blocked\":\n            self.at = self.lamp.now\n        if event == \"wave.miss\" and was == \"blocked.1\":\n            self.enter(\"blocked\")\n            self.due = self.at + REARM\n        elif event == \"wave.disable\":\n            self.enter(\"clear\")\n"),
    ],
    "charge_edge_at_usb_lost": [
        ("times = {\"waiting\": 0}",
         "times = {}"),
        ("        elif self.state in (\"waiting\", \"complete\"):\n            self.time_up()",
         "        elif self.state in (\"waiting\", \"complete\"):\n            self.time_up()\n        elif self.state == \"unplugged\":\n            pass"),
    ],
    "closed_at_power_up_first_press_lost": [
        ("        if closed and not pressed:",
         "        if closed and getattr(self, \"held\", False):\n            self.held = False\n        elif closed and not pressed:"),
        ("            part.enter(part.first)\n",
         "            part.enter(part.first)\n        for part in self.contacts:\n            part.held = self.pins[part.name] == 1\n"),
    ],
    "double_by_contact_time": [
        ("(\"up\", \"time\"): (\"idle\", \"level.click\")",
         "(\"up\", \"time\"): (\"idle\", \"level.click\"),\n        (\"idle\", \"y\"): (\"idle\",)"),
        ("DOUBLE_LEVEL = 350 * MS",
         "DOUBLE_LEVEL = 370 * MS"),
    ],
    "lock_ends_level_press": [
        ("        super().enter(state)\n        if self.lit():\n",
         "        super().enter(state)\n        if state == \"locked\" and self.lamp.parts[3].state == \"down\":\n            self.lamp.parts[3].enter(\"second\")\n        if self.lit():\n"),
    ],
}

OPEN = {
    "rearm_625ms":
        "Changes nothing: a time that ends in the instant of a look is worked through before its echo is heard.",
    "rearm_610ms":
        "Changes nothing: looks come every 125 ms, and both times end before the same one.",
    "bars_before_cell":
        "The order of different events in one instant is not compared, and no output hangs on it.",
    "sample_before_the_queue":
        "No account has a click wait in the queue at a sample that finds the cell flat.",
    "wave_then_near":
        "The order of different events in one instant is not compared, and no output hangs on it.",
    "status_neither_is_low":
        "No account leaves the pin at neither level while USB is in.",
    "status_neither_does_not_complete":
        "No account leaves the pin at neither level while USB is in.",
    "status_at_power_up_no_edge":
        "Changes nothing: USB that is found at power-up has the pin read at once.",
    "field_before_look":
        "No account has both do something in one instant, where their order shows.",
    "sensor_before_lamp":
        "No account has both do something in one instant, where their order shows.",
    "lamp_before_gauge":
        "No account has both do something in one instant, where their order shows.",
    "pressed_at_once":
        "Changes nothing: only the contact itself reads it, a debounce time later.",
    "memory_lost_by_idle":
        "No account has a light off at half or glow, the sensor idle and armed again, and a wave.",
}
