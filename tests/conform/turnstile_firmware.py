"""Turnstile tally: a counting key, a dimmer, a lamp, four segments."""

import sys
from collections import deque

MS = 1_000_000
SECOND = 1000 * MS
MINUTE = 60 * SECOND

KEY_IGNORE = 30 * MS
KEY_HOLD = 1500 * MS
DIMMER_SETTLE = 20 * MS
SHOW_TIME = 5 * MINUTE

LAMP_LEVELS = (100_000, 400_000, 1_000_000)
DIM_AT_START = 1
COUNT_TOP = 4


class KeyContact:
    """Answers the first edge at once, then is deaf for a while."""

    def __init__(self, gadget):
        self.gadget = gadget
        self.pressed = False
        self.due = None                 # end of the deaf time

    def deaf(self):
        return self.due is not None

    def look(self):
        closed = self.gadget.contacts["key"]
        if closed == self.pressed:
            return False
        self.pressed = closed
        self.due = self.gadget.now + KEY_IGNORE
        self.gadget.emit("key.press" if closed else "key.release")
        return True

    def edge(self):
        if not self.deaf():
            self.look()

    def time_is_up(self):
        if not self.look():
            self.due = None


class KeyGesture:
    """Click or hold."""

    def __init__(self, gadget):
        self.gadget = gadget
        self.due = None                 # end of the time to a hold
        self.held = False

    def hear(self, event):
        if event == "key.press":
            self.held = False
            self.due = self.gadget.now + KEY_HOLD
        elif event == "key.release":
            self.due = None
            if not self.held:
                self.gadget.emit("key.click")
            self.held = False

    def time_is_up(self):
        self.due = None
        self.held = True
        self.gadget.emit("key.hold")


class DimmerContact:
    """Counts once it has kept still."""

    def __init__(self, gadget):
        self.gadget = gadget
        self.pressed = False
        self.due = None                 # end of the time to settle

    def settling(self):
        return self.due is not None

    def edge(self):
        self.due = self.gadget.now + DIMMER_SETTLE

    def time_is_up(self):
        self.due = None
        closed = self.gadget.contacts["dimmer"]
        if closed == self.pressed:
            return
        self.pressed = closed
        self.gadget.emit("dimmer.press" if closed else "dimmer.release")


class Show:
    """Lit for five minutes after the last press."""

    def __init__(self, gadget):
        self.gadget = gadget
        self.light_up()

    def light_up(self):
        self.lit = True
        self.due = self.gadget.now + SHOW_TIME

    def hear(self, event):
        if event == "dimmer.press":
            self.light_up()
        elif event == "key.press" and self.lit:
            self.light_up()

    def time_is_up(self):
        self.lit = False
        self.due = None


class Gadget:
    """All that runs while the supply is there."""

    def __init__(self, now, contacts, count, report):
        self.now = now
        self.contacts = contacts
        self.report = report
        self.queue = deque()
        self.told_lamp = 0
        self.told_tally = 0
        self.told_awake = True
        self.count = count
        self.dim = DIM_AT_START
        self.key = KeyContact(self)
        self.gesture = KeyGesture(self)
        self.dimmer = DimmerContact(self)
        self.show = Show(self)
        self.timed = (self.key, self.gesture, self.dimmer, self.show)

    # events -------------------------------------------------------------

    def emit(self, event):
        self.queue.append((self.hear, event))

    def hear(self, event):
        self.report(f"event {self.now} {event}")
        self.gesture.hear(event)
        if event == "dimmer.release":
            self.emit("dimmer.click")
        self.turn_count(event)
        self.turn_dim(event)
        self.show.hear(event)

    def turn_count(self, event):
        if event == "key.press":
            new = self.count + 1
            if new > COUNT_TOP:
                new = 0
        elif event == "key.hold":
            new = 0
        else:
            return
        if new != self.count:
            self.count = new
            self.emit("count.changed")

    def turn_dim(self, event):
        if event == "dimmer.click":
            self.dim = (self.dim + 1) % len(LAMP_LEVELS)
            self.emit("dim.changed")

    # time ---------------------------------------------------------------

    def next_due(self):
        times = [part.due for part in self.timed if part.due is not None]
        return min(times, default=None)

    def end_time_of(self, part):
        if part.due == self.now:        # else begun anew in this instant
            part.time_is_up()

    def instant(self, now, edges=()):
        self.now = now
        for name in edges:
            edge = self.key.edge if name == "key" else self.dimmer.edge
            self.queue.append((lambda _, edge=edge: edge(), None))
        for part in self.timed:
            if part.due == now:
                self.queue.append((self.end_time_of, part))
        while self.queue:
            work, what = self.queue.popleft()
            work(what)
        self.settle()

    def run_before(self, end):
        while True:
            due = self.next_due()
            if due is None or due >= end:
                return
            self.instant(due)

    # pins ---------------------------------------------------------------

    def settle(self):
        lamp = LAMP_LEVELS[self.dim] if self.show.lit else 0
        tally = self.count if self.show.lit else 0
        if lamp != self.told_lamp:
            self.told_lamp = lamp
            self.report(f"out {self.now} lamp {lamp}")
        if tally != self.told_tally:
            self.told_tally = tally
            self.report(f"out {self.now} tally {tally}")
        awake = self.key.deaf() or self.dimmer.settling()
        if awake != self.told_awake:
            self.told_awake = awake
            self.report(f"{'wake' if awake else 'sleep'} {self.now}")


class Board:
    """The supply, the contacts, the memory, and the lines."""

    def __init__(self):
        self.contacts = {"key": False, "dimmer": False}
        self.pending = {}               # set, but not yet stepped
        self.gadget = None              # none while the supply is off
        self.kept_count = 0
        self.lost_at = 0

    def report(self, line):
        sys.stdout.write(line + "\n")

    def take_inputs(self):
        changed = [n for n, v in self.pending.items() if v != self.contacts[n]]
        self.contacts.update(self.pending)
        self.pending.clear()
        return changed

    def set(self, name, value):
        if name in self.contacts:
            self.pending[name] = value == "1"

    def power(self, now, edges):
        self.take_inputs()
        if now <= self.lost_at:
            self.kept_count = 0
        self.gadget = Gadget(now, self.contacts, self.kept_count, self.report)
        self.gadget.instant(now, edges)

    def until(self, now):
        if self.gadget:
            self.gadget.run_before(now)

    def step(self, now):
        self.until(now)
        edges = self.take_inputs()
        if self.gadget:
            self.gadget.instant(now, edges)

    def off(self, now):
        self.until(now)
        self.take_inputs()
        if self.gadget:
            self.kept_count = self.gadget.count
        self.gadget = None
        self.lost_at = now

    def line(self, words):
        order = words[0]
        if order == "hello":
            self.report("hello 1")
        elif order == "power":
            self.power(int(words[1]), words[2:])
        elif order == "until":
            self.until(int(words[1]))
        elif order == "step":
            self.step(int(words[1]))
        elif order == "off":
            self.off(int(words[1]))
        else:
            self.report("error " + " ".join(words))


def main():
    board = Board()
    for text in sys.stdin:
        words = text.split()
        if not words or words[0] == "value":
            continue
        if words[0] == "quit":
            return
        if words[0] == "set":
            board.set(words[1], words[2])
            continue
        board.line(words)
        sys.stdout.write("ok\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
