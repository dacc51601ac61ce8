"""Hen-house light, written from its specification alone. Speaks the line protocol."""
import sys
from collections import deque

MS = 1_000_000
S = 1000 * MS
MIN = 60 * S
HOUR = 60 * MIN

DEBOUNCE = 20 * MS
SETTLE = 20 * MS
PAUSE = 30 * S - SETTLE
EVERY = 60 * S
EVENING = 3 * HOUR
STEP = 5 * MIN
LOW, FLAT, BACK = 3_100_000, 2_900_000, 3_100_000
FADE = (1_000_000, 600_000, 350_000, 180_000, 80_000, 30_000)
LAST = len(FADE) - 1
SAVING = 40  # percent
AGREE = 2

TOLD = {
    "auto.closed", "auto.opened", "daylight.up", "daylight.down", "usb.in", "usb.out",
    "charge.started", "charge.completed", "cell.low", "cell.flat", "cell.back",
    "fade.changed", "fade.end", "darker",
}
# order of the timers in one instant: that of the regions
TIMERS = ("auto", "look", "charge", "gauge", "house")


class Firmware:
    def __init__(self):
        self.pins = {"auto": 0, "usb": 0, "status": 0}
        self.pending = []  # (name, level) of the next instant
        self.numbers = {}
        self.on = False
        self.now = 0
        self.out = []

    # -- lines -------------------------------------------------------------
    def say(self, text):
        self.out.append(text)

    def number(self, name):
        if name not in self.numbers:
            sys.stdout.write("\n".join([*self.out, "ask " + name]) + "\n")
            sys.stdout.flush()
            self.out = []
            word = sys.stdin.readline().split()
            return int(word[1])
        return self.numbers[name]

    def line(self, words):
        what = words[0]
        if what == "set":
            name, level = words[1], words[2]
            if name in self.pins:
                self.pending.append((name, int(level)))
            elif level == "?":
                self.numbers.pop(name, None)
            else:
                self.numbers[name] = int(level)
            return False
        if what == "hello":
            self.say("hello 1")
        elif what == "power":
            self.power(int(words[1]), words[2:])
        elif what == "until":
            self.advance(int(words[1]))
        elif what == "step":
            t = int(words[1])
            self.advance(t)
            self.instant(t)
        elif what == "off":
            self.on = False
        else:
            self.say("error " + " ".join(words))
        self.say("ok")
        return True

    # -- time --------------------------------------------------------------
    def power(self, t, moved):
        for name, level in self.pending:
            self.pins[name] = level
        self.pending = []
        self.on = True
        self.now = t
        self.queue = deque()
        self.due = {}
        self.lit = {"daylight.supply": 0, "lamp": 0}
        self.asleep = False
        self.stirred = False
        # first states
        self.auto = False
        self.passed = 2
        self.says, self.count = 0, 0
        self.look = "asleep"
        self.charge = "unplugged"
        self.cell = "ok"
        self.fade = 0
        self.house = "off"
        self.saving = False
        self.watched = False
        self.start("auto", DEBOUNCE)
        self.start("look", PAUSE)
        for name in moved:
            self.queue.append(("event", name + ".edge"))
        if self.pins["usb"]:
            self.queue.append(("event", "usb.edge"))
        if self.pins["status"] in (1, 2):
            self.queue.append(("event", "status.edge"))
        # the gauge takes its first sample
        self.start("gauge", 0)
        self.settle()

    def start(self, timer, length):
        if length == 0:
            self.due[timer] = self.now
            self.queue.append(("end", timer, self.now))
        else:
            self.due[timer] = self.now + length

    def stop(self, timer):
        self.due.pop(timer, None)

    def advance(self, t):
        if not self.on:
            return
        while True:
            coming = min(self.due.values(), default=None)
            if coming is None or coming >= t:
                return
            self.instant(coming)

    def instant(self, t):
        if not self.on:
            return
        self.now = t
        for name, level in self.pending:
            if self.pins[name] != level:
                self.pins[name] = level
                self.queue.append(("event", name + ".edge"))
        self.pending = []
        for timer in TIMERS:
            if self.due.get(timer) == t:
                self.queue.append(("end", timer, t))
        self.settle()

    def settle(self):
        while True:
            while self.queue:
                first = self.queue.popleft()
                if first[0] == "event":
                    self.hear(first[1])
                elif self.due.get(first[1]) == first[2]:
                    del self.due[first[1]]
                    getattr(self, "end_" + first[1])()
            if self.auto != self.watched:
                self.watched = self.auto
                self.queue.append(("event", "daylight.enable" if self.auto else "daylight.disable"))
            else:
                break
        self.outputs()

    def emit(self, event):
        self.queue.append(("event", event))

    def outputs(self):
        level = 0
        if self.house == "evening":
            level = 1_000_000
        elif self.house == "fading":
            level = FADE[self.fade]
        if self.saving:
            level = level * SAVING // 100
        new = {"daylight.supply": 1_000_000 if self.look == "settling" else 0, "lamp": level}
        for name, value in new.items():
            if self.lit[name] != value:
                self.say(f"out {self.now} {name} {value}")
        self.lit = new
        awake = "auto" in self.due or self.look == "settling"
        if self.asleep and (awake or self.stirred):
            self.say(f"wake {self.now}")
            self.asleep = False
        if not awake and not self.asleep:
            self.say(f"sleep {self.now}")
            self.asleep = True
        self.stirred = False

    # -- ends of times -------------------------------------------------------
    def end_auto(self):
        closed = self.pins["auto"] == 1
        if closed and not self.auto:
            self.auto = True
            self.emit("auto.closed")
        elif not closed and self.auto:
            self.auto = False
            self.emit("auto.opened")

    def end_look(self):
        if self.look == "settling":
            self.look = "asleep"
            self.start("look", PAUSE)
            self.emit("daylight.sampled")
        elif self.auto:
            self.begin_measurement()

    def begin_measurement(self):
        self.look = "settling"
        self.stirred = True
        self.start("look", SETTLE)

    def end_charge(self):
        if self.charge == "waiting" and self.pins["status"] == 1:
            self.charge = "charging"
            self.emit("charge.started")

    def end_gauge(self):
        self.stirred = True
        self.emit("gauge.sampled")
        self.start("gauge", EVERY)

    def end_house(self):
        if self.house == "evening":
            self.enter_house("fading")
        elif self.house == "fading":
            self.enter_house("fading")
            self.emit("darker")

    def enter_house(self, state):
        self.house = state
        self.stop("house")
        if state == "evening":
            self.start("house", EVENING)
        elif state == "fading":
            self.start("house", STEP)

    # -- events ----------------------------------------------------------------
    def hear(self, event):
        if event in TOLD:
            self.say(f"event {self.now} {event}")
        if event == "auto.edge":
            self.start("auto", DEBOUNCE)
            self.stirred = True
        # daylight.look
        elif event == "daylight.enable":
            self.begin_measurement()
        elif event == "daylight.disable":
            self.look = "asleep"
            self.start("look", PAUSE)
            self.says, self.count = 0, 0
        elif event == "daylight.sampled":
            self.judge()
        elif event == "usb.edge":
            self.usb_edge()
        elif event == "status.edge":
            self.status_edge()
        elif event == "gauge.sampled":
            self.sample()
        # fade, before house
        if event == "darker":
            if self.fade < LAST:
                self.move_fade(self.fade + 1)
            else:
                self.emit("fade.end")
        elif event in ("daylight.up", "auto.closed"):
            self.move_fade(0)
        self.hear_house(event)
        if event == "cell.low" and not self.saving:
            self.saving = True
        elif event == "charge.completed" and self.saving:
            self.saving = False

    def move_fade(self, position):
        if self.fade != position:
            self.fade = position
            self.emit("fade.changed")

    def hear_house(self, event):
        state = self.house
        if event == "auto.closed":
            if state == "off":
                self.enter_house("day")
        elif event == "auto.opened":
            self.enter_house("off")
        elif event == "daylight.down":
            if state == "day" and self.passed == 0 and self.cell != "flat":
                self.enter_house("evening")
        elif event == "daylight.up":
            if state in ("evening", "fading", "night") and self.passed == 2:
                self.enter_house("day")
        elif event == "fade.end":
            if state == "fading":
                self.enter_house("night")
        elif event == "cell.flat":
            if state in ("evening", "fading"):
                self.enter_house("night")

    def judge(self):
        reached = [self.number(f"daylight.reached.{k}") for k in (1, 2, 3, 4)]
        # the thresholds that would be passed by falling, and by rising
        below = min((k for k in range(self.passed) if not reached[k]), default=None)
        above = max((k + 1 for k in range(self.passed, 2) if reached[2 + k]), default=None)
        if below is not None:
            says, to = -1, below
        elif above is not None:
            says, to = 1, above
        else:
            self.says, self.count = 0, 0
            return
        self.count = self.count + 1 if says == self.says else 1
        self.says = says
        if self.count >= AGREE:
            self.passed = to
            self.says, self.count = 0, 0
            self.emit("daylight.up" if says > 0 else "daylight.down")

    def usb_edge(self):
        if self.pins["usb"]:
            if self.charge == "unplugged":
                self.charge = "waiting"
                self.emit("usb.in")
                self.start("charge", 0)
        elif self.charge != "unplugged":
            self.charge = "unplugged"
            self.stop("charge")
            self.emit("usb.out")

    def status_edge(self):
        low = self.pins["status"] == 1
        if low and self.charge in ("waiting", "complete"):
            self.charge = "charging"
            self.stop("charge")
            self.emit("charge.started")
        elif not low and self.charge == "charging":
            self.charge = "complete"
            self.emit("charge.completed")

    def sample(self):
        volts = self.number("gauge.measured")
        if self.cell == "ok":
            if volts < FLAT:
                self.cell = "flat"
                self.emit("cell.low")
                self.emit("cell.flat")
            elif volts < LOW:
                self.cell = "low"
                self.emit("cell.low")
        elif self.cell == "low" and volts < FLAT:
            self.cell = "flat"
            self.emit("cell.flat")
        elif volts > BACK:
            self.cell = "ok"
            self.emit("cell.back")


def main():
    firmware = Firmware()
    for line in sys.stdin:
        words = line.split()
        if not words:
            continue
        if words[0] == "quit":
            break
        if firmware.line(words):
            sys.stdout.write("\n".join(firmware.out) + "\n")
            sys.stdout.flush()
            firmware.out = []


if __name__ == "__main__":
    main()
