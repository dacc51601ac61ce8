#!/usr/bin/env python3
"""Firmware of the larder lamp, as a program on a host.

It reads the lines of protocol.md on standard input and answers on standard
output.  Time is whole nanoseconds.  The firmware is a handful of parts, each
with one state and at most one time running in it; they share one queue, and
an instant is worked through until the queue is empty and nothing that is
watched has changed (specification, section 4).
"""

import sys
from collections import deque

MS = 1_000_000
SECOND = 1000 * MS
MINUTE = 60 * SECOND

# Times
DEBOUNCE_POWER = 20 * MS
DEBOUNCE_LEVEL = 20 * MS
HOLD_POWER = 2 * SECOND
DOUBLE_LEVEL = 350 * MS
LOOK_EVERY = 125 * MS
LOOK_SETTLE = 2 * MS
LOOK_BURST = 631_579                  # 24 cycles of 38 kHz
REARM = 600 * MS
SAMPLE_EVERY = 1 * SECOND
LIT_AT_MOST = 45 * MINUTE

# Levels of the gauge, microvolts
BAR_BELOW = (3_300_000, 3_520_000, 3_660_000, 3_800_000, 3_980_000)
HYSTERESIS = 40_000
CELL_LOW = 3_450_000
CELL_FLAT = 3_250_000

# Outputs, parts per million
FULL = 1_000_000
HALF = 450_000
GLOW = 40_000
CARRIER = 500_000

STATUS_LOW = 1                        # the pin reads: 0 neither, 1 low, 2 high

TOLD = frozenset("""
    power.press power.release power.click power.hold
    level.press level.release level.click level.double
    wave.near wave.far wave.wave usb.in usb.out
    charge.started charge.completed gauge.up gauge.down
    cell.low cell.flat cell.back""".split())

TELL_EVENTS = True
TELL_SLEEP = False

class Part:
    """A state, the time that runs in it, and what it makes of events.

    A row is (state, event): (next state, events to raise ...).  The end of the
    time of a state is the event "time".
    """

    first = None
    times = {}                        # state: how long it lasts
    rows = {}
    hears = ()

    def __init__(self, lamp):
        self.lamp = lamp
        self.entries = 0              # tells one stay from the next

    def enter(self, state):
        self.state = state
        self.entries += 1
        self.due = None
        length = self.times.get(state)
        if length == 0:
            self.lamp.queue.append((self, self.entries))
        elif length is not None:
            self.due = self.lamp.now + length

    def emit(self, *events):
        self.lamp.queue.extend(events)

    def hear(self, event):
        row = self.rows.get((self.state, event))
        if row:
            self.emit(*row[1:])
            self.enter(row[0])

    def time_up(self):
        self.hear("time")

# --- buttons ---
class Contact(Part):
    """Waits until a contact has kept still."""

    first = "still"

    def __init__(self, lamp, name, debounce):
        self.name = name
        self.hears = (name + ".edge",)
        self.times = {"settling": debounce}
        super().__init__(lamp)

    def hear(self, event):
        self.enter("settling")

    def time_up(self):
        closed = self.lamp.pins[self.name] == 1
        pressed = self.lamp.pressed[self.name]
        if closed and not pressed:
            self.emit(self.name + ".press")
        elif not closed and pressed:
            self.emit(self.name + ".release")
        self.enter("still")

class PowerGesture(Part):
    """A click at the release, or a hold while it is down."""

    first = "idle"
    times = {"down": HOLD_POWER}
    hears = ("power.press", "power.release")
    rows = {
        ("idle", "power.press"): ("down",),
        ("down", "power.release"): ("idle", "power.click"),
        ("down", "time"): ("held", "power.hold"),
        ("held", "power.release"): ("idle",),
    }

class LevelGesture(Part):
    """A click when no second press has come, or a double click."""

    first = "idle"
    times = {"up": DOUBLE_LEVEL}
    hears = ("level.press", "level.release")
    rows = {
        ("idle", "level.press"): ("down",),
        ("down", "level.release"): ("up",),
        ("up", "time"): ("idle", "level.click"),
        ("up", "level.press"): ("second", "level.double"),
        ("second", "level.release"): ("idle",),
    }

# --- proximity ---
class Look(Part):
    """Receiver on, burst, judgement, rest."""

    first = "off"
    times = {"settling": LOOK_SETTLE,
             "emitting": LOOK_BURST,
             "resting": LOOK_EVERY - LOOK_SETTLE - LOOK_BURST}
    hears = ("wave.enable", "wave.disable")
    after = {"settling": "emitting", "emitting": "resting", "resting": "settling"}

    def hear(self, event):
        self.enter("settling" if event == "wave.enable" else "off")

    def time_up(self):
        if self.state == "emitting":
            self.emit("wave.hit" if self.lamp.number("wave.echo") else "wave.miss")
        self.enter(self.after[self.state])

class Field(Part):
    """Counts looks; `.1` after a state: one look of the other kind so far."""

    first = "clear"
    times = {"blocked": REARM}
    hears = ("wave.hit", "wave.miss", "wave.disable")
    rows = {
        ("clear", "wave.hit"): ("clear.1",),
        ("clear.1", "wave.miss"): ("clear",),
        ("clear.1", "wave.hit"): ("near", "wave.near", "wave.wave"),
        ("near", "wave.miss"): ("near.1",),
        ("near.1", "wave.hit"): ("near",),
        ("near.1", "wave.miss"): ("blocked", "wave.far"),
        ("blocked", "time"): ("clear",),
        ("blocked", "wave.hit"): ("blocked.1",),
        ("blocked.1", "wave.miss"): ("blocked",),
        ("blocked.1", "wave.hit"): ("near", "wave.near"),
    }

    def hear(self, event):
        if event == "wave.disable":
            self.enter("clear")
        else:
            super().hear(event)

# --- charger, cell ---
class Charge(Part):
    """What the USB sense and the status pin tell of the charger."""

    first = "unplugged"
    times = {"waiting": 0}
    hears = ("usb.edge", "status.edge")

    def low(self):
        return self.lamp.pins["status"] == STATUS_LOW

    def hear(self, event):
        if event == "usb.edge":
            plugged = self.lamp.pins["usb"] == 1
            if plugged and self.state == "unplugged":
                self.emit("usb.in")
                self.enter("waiting")
            elif not plugged and self.state != "unplugged":
                self.emit("usb.out")
                self.enter("unplugged")
        elif self.state in ("waiting", "complete"):
            self.time_up()
        elif self.state == "charging" and not self.low():
            self.emit("charge.completed")
            self.enter("complete")

    def time_up(self):                # in waiting the pin may say it already
        if self.low():
            self.emit("charge.started")
            self.enter("charging")

class Gauge(Part):
    """Bars of the cell.  A sample is heard (by the cell) before they move."""

    first = "start"
    times = {"start": 0, "reading": 0, "resting": SAMPLE_EVERY}
    hears = ("gauge.sampled",)
    bars = None                       # not known before the first sample
    reading = None

    def time_up(self):
        if self.state == "reading":
            self.judge()
            self.enter("resting")
        else:
            self.emit("gauge.sampled")
            self.enter("reading")

    def hear(self, event):            # one conversion for bars and cell
        self.reading = self.lamp.number("gauge.measured")

    def judge(self):
        volts, old = self.reading, self.bars
        not_undercut = sum(1 for level in BAR_BELOW if volts >= level)
        back = sum(1 for level in BAR_BELOW if volts >= level + HYSTERESIS)
        if old is None:
            self.bars = not_undercut
        elif not_undercut < old:
            self.bars = not_undercut
            self.emit("gauge.down")
        elif back > old:
            self.bars = back
            self.emit("gauge.up")

class Cell(Part):
    """Good, low or flat; flat ends only above the level of low."""

    first = "good"
    hears = ("gauge.sampled",)

    def hear(self, event):
        volts = self.lamp.gauge.reading
        if self.state != "good" and volts > CELL_LOW:
            self.emit("cell.back")
            self.enter("good")
        if self.state == "good" and volts < CELL_LOW:
            self.emit("cell.low")
            self.enter("low")
        if self.state != "flat" and volts < CELL_FLAT:
            self.emit("cell.flat")
            self.enter("flat")

# --- behaviour ---
class Light(Part):
    """The lamp itself: dark, one of three levels, or locked."""

    first = "dark"
    levels = {"full": FULL, "half": HALF, "glow": GLOW}
    next_level = {"full": "half", "half": "glow", "glow": "full"}
    times = {"full": LIT_AT_MOST, "half": LIT_AT_MOST, "glow": LIT_AT_MOST}
    hears = ("power.click", "wave.wave", "level.click", "power.hold", "cell.flat")
    last_lit = "full"

    def lit(self):
        return self.state in self.levels

    def enter(self, state):
        super().enter(state)
        if self.lit():
            self.last_lit = state

    def hear(self, event):
        if event == "power.hold":
            self.enter("dark" if self.state == "locked" else "locked")
        elif self.lit():
            if event == "level.click":
                self.enter(self.next_level[self.state])
            else:                     # power.click, wave.wave, cell.flat
                self.enter("dark")
        elif self.state == "dark" and self.lamp.cell.state != "flat":
            if event == "power.click":
                self.enter("full")
            elif event == "wave.wave":
                self.enter(self.last_lit)

    def time_up(self):
        self.enter("dark")

class Sensor(Part):
    """Whether the lamp looks for hands."""

    first = "armed"
    hears = ("level.double",)

    def hear(self, event):
        if self.state == "armed":
            self.enter("idle")
        elif self.lamp.light.state != "locked":
            self.enter("armed")

# --- the whole ---
class Lamp:
    """Pins, parts and queue.  `number` answers for what is measured."""

    CONTACTS = ("power", "level")
    INPUTS = CONTACTS + ("usb", "status")
    OUTPUTS = ("shelf", "marker", "bars", "wave.receiver", "wave.emitter")

    def __init__(self, number, report):
        self.number, self.report = number, report
        self.pins = dict.fromkeys(self.INPUTS, 0)
        self.coming = []              # inputs for the next instant

    def power_up(self, now, moved):
        self.now = now
        for name, value in self.coming:
            self.pins[name] = value
        self.coming.clear()
        self.queue = deque()
        self.pressed = dict.fromkeys(self.CONTACTS, False)
        self.watched = False
        self.awake = True
        self.outputs = dict.fromkeys(self.OUTPUTS, 0)
        self.make_parts()
        if self.pins["usb"]:
            self.queue.append("usb.edge")
        if self.pins["status"]:
            self.queue.append("status.edge")
        for name in moved:
            self.queue.append(name + ".edge")
        for part in self.parts:
            part.enter(part.first)
        self.settle()

    def make_parts(self):
        self.look, self.charge, self.gauge = Look(self), Charge(self), Gauge(self)
        self.cell, self.light, self.sensor = Cell(self), Light(self), Sensor(self)
        self.contacts = (Contact(self, "power", DEBOUNCE_POWER),
                         Contact(self, "level", DEBOUNCE_LEVEL))
        self.parts = (self.contacts[0], PowerGesture(self),
                      self.contacts[1], LevelGesture(self),
                      self.look, Field(self), self.charge, self.gauge, self.cell,
                      self.light, self.sensor)
        self.listeners = {}
        for part in self.parts:
            for event in part.hears:
                self.listeners.setdefault(event, []).append(part)

    def next_due(self):
        return min(p.due for p in self.parts if p.due is not None)

    def run_before(self, end):
        while (due := self.next_due()) < end:
            self.instant(due)

    def step(self, now):
        self.run_before(now)
        self.instant(now)

    def instant(self, now):
        self.now = now
        for name, value in self.coming:     # all new values hold at once
            if self.pins[name] != value:
                self.pins[name] = value
                self.queue.append(name + ".edge")
        self.coming.clear()
        for part in self.parts:
            if part.due is not None and part.due <= now:
                part.due = None
                self.queue.append((part, part.entries))
        self.settle()

    def settle(self):
        told_awake = False
        while True:
            while self.queue:
                item = self.queue.popleft()
                if isinstance(item, str):
                    self.offer(item)
                else:
                    part, entries = item
                    if part.entries == entries:
                        part.time_up()
                        told_awake |= part.state == "reading"
            wanted = self.sensor.state == "armed" and self.light.state != "locked"
            if wanted == self.watched:
                break
            self.watched = wanted
            self.queue.append("wave.enable" if wanted else "wave.disable")
        self.tell_outputs()
        self.tell_sleep(told_awake)

    def offer(self, event):
        if event in TOLD and TELL_EVENTS:
            self.report(f"event {self.now} {event}")
        if event.endswith(".press"):
            self.pressed[event[:-6]] = True
        elif event.endswith(".release"):
            self.pressed[event[:-8]] = False
        for part in self.listeners.get(event, ()):
            part.hear(event)

    def tell_outputs(self):
        light, look = self.light, self.look.state
        show = light.lit() or self.charge.state in ("charging", "complete")
        levels = {
            "shelf": light.levels.get(light.state, 0),
            "marker": FULL if light.state == "locked" else 0,
            "bars": self.gauge.bars if show else 0,
            "wave.receiver": FULL if look in ("settling", "emitting") else 0,
            "wave.emitter": CARRIER if look == "emitting" else 0,
        }
        for name, level in levels.items():
            if level != self.outputs[name]:
                self.outputs[name] = level
                self.report(f"out {self.now} {name} {level}")

    def tell_sleep(self, sampled):
        was = self.awake
        self.awake = (self.look.state in ("settling", "emitting")
                      or any(c.state == "settling" for c in self.contacts))
        if TELL_SLEEP:
            if not was and (self.awake or sampled):
                self.report(f"wake {self.now}")
            if (was or sampled) and not self.awake:
                self.report(f"sleep {self.now}")

class Line:
    """The protocol on standard input and output."""

    def __init__(self):
        self.numbers, self.answer = {}, []
        self.supplied = False
        self.lamp = Lamp(self.number, self.answer.append)

    def read(self):
        return sys.stdin.readline().split()

    def flush(self):
        sys.stdout.write("".join(line + "\n" for line in self.answer))
        self.answer.clear()
        sys.stdout.flush()

    def number(self, name):
        known = self.numbers.get(name)
        if known is not None:
            return known
        self.answer.append(f"ask {name}")
        self.flush()
        words = self.read()
        if len(words) != 2 or words[0] != "value":
            raise SystemExit(1)
        return int(words[1])

    def set(self, name, value):
        if name in Lamp.INPUTS:
            self.lamp.coming.append((name, int(value)))
        else:
            self.numbers[name] = None if value == "?" else int(value)

    def serve(self):
        while words := self.read():
            word, rest = words[0], words[1:]
            if word == "quit":
                return
            if word == "set":
                self.set(*rest)
                continue
            if word == "hello":
                self.answer.append("hello 1")
            elif word == "power":
                self.supplied = True
                self.lamp.power_up(int(rest[0]), rest[1:])
            elif word == "off":           # at `power` everything begins anew
                self.supplied = False
            elif word == "until" and self.supplied:
                self.lamp.run_before(int(rest[0]))
            elif word == "step" and self.supplied:
                self.lamp.step(int(rest[0]))
            elif word not in ("until", "step"):
                self.answer.append("error " + " ".join(words))
            self.answer.append("ok")
            self.flush()

if __name__ == "__main__":
    Line().serve()
