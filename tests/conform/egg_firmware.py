"""Egg timer: one button, a lamp while it counts, eight beeps after a minute."""

import sys
from collections import deque

MS = 1_000_000
DEBOUNCE, SECOND, BEEP, PAUSE = 20 * MS, 1000 * MS, 200 * MS, 300 * MS


class Timer:
    def __init__(self, closed):
        self.closed = closed
        self.pressed = False
        self.settles = None  # when the contact has kept still for long enough
        self.counting = False
        self.second = None  # end of the running second
        self.ones = self.tens = 0
        self.alarm = "quiet"  # quiet, beep, pause
        self.alarm_ends = None
        self.beeps = 0
        self.shown = {"laempchen": 0, "summer": 0}

    def next_time(self):
        times = [t for t in (self.settles, self.second, self.alarm_ends) if t is not None]
        return min(times, default=None)

    def count(self, now, on):
        self.counting = on
        self.second = now + SECOND if on else None

    def sound(self, now, state):
        self.alarm = state
        lasts = {"quiet": None, "beep": BEEP, "pause": PAUSE}[state]
        self.alarm_ends = None if lasts is None else now + lasts

    def instant(self, now, edges=0):
        todo = deque(["edge"] * edges)
        todo += [name for name in ("settles", "second", "alarm_ends") if getattr(self, name) == now]
        while todo:
            what = todo.popleft()
            if what in ("settles", "second", "alarm_ends") and getattr(self, what) != now:
                continue  # begun anew or left in this instant
            todo.extend(self.handle(now, what))
        out = {"laempchen": self.counting, "summer": self.alarm == "beep"}
        for name, on in out.items():
            level = 1_000_000 if on else 0
            if level != self.shown[name]:
                self.shown[name] = level
                print(f"out {now} {name} {level}")

    def handle(self, now, what):
        if what == "edge":
            self.settles = now + DEBOUNCE
        elif what == "settles":
            self.settles = None
            if self.closed != self.pressed:
                yield "press" if self.closed else "release"
        elif what == "second":
            self.count(now, True)
            yield "sekunde"
        elif what == "alarm_ends":
            if self.alarm == "beep":
                self.sound(now, "pause")
                yield "gepiept"
            else:
                self.sound(now, "beep")
        elif what == "press":
            self.pressed = True
            if self.alarm != "quiet":
                self.sound(now, "quiet")
        elif what == "release":
            self.pressed = False
            yield "click"
        elif what == "click":
            self.count(now, not self.counting)
            if self.counting:
                self.ones = self.tens = 0
        elif what == "sekunde":
            self.ones = (self.ones + 1) % 10
            if self.ones == 0:
                yield "voll"
        elif what == "voll":
            self.tens = (self.tens + 1) % 6
            if self.tens == 0:
                yield "fertig"
        elif what == "fertig":
            if self.counting:
                self.count(now, False)
            if self.alarm == "quiet":
                self.sound(now, "beep")
            self.beeps = 0
        elif what == "gepiept":
            self.beeps = (self.beeps + 1) % 8
            if self.beeps == 0:
                yield "genug"
        elif what == "genug" and self.alarm != "quiet":
            self.sound(now, "quiet")


def main():
    contact, waiting, timer = False, [], None

    def run(until):
        while timer and (at := timer.next_time()) is not None and at < until:
            timer.instant(at)

    for line in sys.stdin:
        words = line.split()
        if not words:
            continue
        what, rest = words[0], words[1:]
        if what == "hello":
            print("hello 1")
        elif what == "set":
            if rest[0] == "knopf":
                waiting.append(rest[1] != "0")
            continue
        elif what == "value":
            continue
        elif what == "power":
            contact, waiting = (waiting or [contact])[-1], []
            timer = Timer(contact)
            timer.instant(int(rest[0]), rest[1:].count("knopf"))
        elif what == "until":
            run(int(rest[0]))
        elif what == "step":
            now, edges = int(rest[0]), 0
            run(now)
            for level in waiting:
                edges += level != contact
                contact = level
            waiting = []
            if timer:
                timer.closed = contact
                timer.instant(now, edges)
        elif what == "off":
            timer = None
        elif what == "quit":
            return
        else:
            print("error not understood")
        print("ok", flush=True)


main()
