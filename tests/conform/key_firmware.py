"""Key-hook light: one key, one red light, one coin cell.

Built as a small cooperative kernel: software timers, a mailbox, and five
tasks (debouncer, click decoder, cell monitor, lamp, finder).  The port layer
at the end of the file speaks the host line protocol on stdin and stdout.
"""
import sys
from collections import deque

MS = 1_000_000
S = 1_000 * MS

DEBOUNCE = 15 * MS
CLICK_GAP = 400 * MS
SAMPLE_EVERY = 8 * S
LIT_FOR = 20 * S
WINK_ON = 40 * MS
WINK_OFF = 960 * MS
SEARCH_FOR = 15 * 60 * S

UV_BAR = 2_600_000
UV_BAR_BACK = 2_660_000
UV_LOW = 2_500_000
UV_FLAT = 2_250_000

DUTY_FULL = 1_000_000
DUTY_WEAK = 400_000

# mailbox words that never leave the firmware
M_EDGE = "~edge"
M_SAMPLE = "~sample"
M_EXPIRED = "~expired"


class Timer:
    """One-shot timer.  `serial` tells an expiry in the mailbox from a later start."""

    def __init__(self):
        self.due = None
        self.serial = 0

    def start(self, now, length):
        self.due = now + length
        self.serial += 1

    def stop(self):
        self.due = None
        self.serial += 1


class Debouncer:
    """Raw contact to key.press and key.release."""

    def __init__(self, k):
        self.k = k
        self.timer = Timer()
        self.level = 0
        self.pressed = False

    def awake(self):
        return self.timer.due is not None

    def edge(self, level):
        self.level = level
        self.timer.start(self.k.now, DEBOUNCE)

    def expired(self):
        self.timer.stop()
        if self.level and not self.pressed:
            self.pressed = True
            self.k.post("key.press")
        elif not self.level and self.pressed:
            self.pressed = False
            self.k.post("key.release")

    def hear(self, what):
        pass


class ClickDecoder:
    """Presses and releases to key.click and key.double."""

    REST, HELD, GAP, HELD_TWICE = range(4)

    def __init__(self, k):
        self.k = k
        self.timer = Timer()
        self.phase = self.REST

    def expired(self):
        self.timer.stop()
        self.phase = self.REST
        self.k.post("key.click")

    def hear(self, what):
        if what == "key.press":
            if self.phase == self.GAP:
                self.timer.stop()
                self.phase = self.HELD_TWICE
                self.k.post("key.double")
            else:
                self.phase = self.HELD
        elif what == "key.release":
            if self.phase == self.HELD:
                self.phase = self.GAP
                self.timer.start(self.k.now, CLICK_GAP)
            else:
                self.phase = self.REST


class CellMonitor:
    """Samples the converter, counts the bar, judges low and flat."""

    def __init__(self, k):
        self.k = k
        self.timer = Timer()
        self.bars = None
        self.low = False
        self.flat = False

    def expired(self):
        self.timer.start(self.k.now, SAMPLE_EVERY)
        self.k.post(M_SAMPLE)

    def sample(self):
        uv = self.k.read_uv()
        if uv < UV_LOW and not self.low:
            self.low = True
            self.k.post("cell.low")
        if uv < UV_FLAT and not self.flat:
            self.flat = True
            self.k.post("cell.flat")
        if uv > UV_LOW and self.low:
            self.low = False
            self.flat = False
            self.k.post("cell.back")
        self.count(uv)

    def count(self, uv):
        if self.bars is None:
            self.bars = 1 if uv >= UV_BAR else 0
        elif self.bars and uv < UV_BAR:
            self.bars = 0
            self.k.post("gauge.down")
        elif not self.bars and uv >= UV_BAR_BACK:
            self.bars = 1
            self.k.post("gauge.up")

    def hear(self, what):
        pass


class Lamp:
    """What the light does."""

    DARK, FULL, WEAK, WINK_LIT, WINK_DARK = range(5)
    STAY = {FULL: LIT_FOR, WEAK: LIT_FOR, WINK_LIT: WINK_ON, WINK_DARK: WINK_OFF}

    def __init__(self, k):
        self.k = k
        self.timer = Timer()
        self.mode = self.DARK

    def enter(self, mode):
        self.mode = mode
        if mode in self.STAY:
            self.timer.start(self.k.now, self.STAY[mode])
        else:
            self.timer.stop()

    def winking(self):
        return self.mode in (self.WINK_LIT, self.WINK_DARK)

    def duty(self):
        if self.mode == self.WEAK:
            return DUTY_WEAK
        if self.mode in (self.FULL, self.WINK_LIT):
            return DUTY_FULL
        return 0

    def expired(self):
        if self.mode == self.WINK_LIT:
            self.enter(self.WINK_DARK)
        elif self.mode == self.WINK_DARK:
            self.enter(self.WINK_LIT)
        else:
            self.enter(self.DARK)

    def hear(self, what):
        cell = self.k.cell
        if what == "key.click":
            if self.mode != self.DARK:
                self.enter(self.DARK)
            elif not cell.low:
                self.enter(self.FULL)
            elif not cell.flat:
                self.enter(self.WEAK)
        elif what == "key.double":
            if not self.winking() and not cell.flat:
                self.enter(self.WINK_LIT)
        elif what == "search.over":
            if self.winking():
                self.enter(self.DARK)
        elif what == "cell.low":
            if self.mode == self.FULL:
                self.enter(self.WEAK)
        elif what == "cell.flat":
            if self.mode != self.DARK:
                self.enter(self.DARK)


class Finder:
    """How long keys are looked for."""

    def __init__(self, k):
        self.k = k
        self.timer = Timer()
        self.running = False

    def expired(self):
        self.timer.stop()
        self.running = False
        self.k.post("search.over")

    def hear(self, what):
        if what == "key.double" and not self.running:
            self.running = True
            self.timer.start(self.k.now, SEARCH_FOR)
        elif what == "key.click" and self.running:
            self.running = False
            self.timer.stop()


class Kernel:
    """Time, mailbox and the order of the tasks."""

    def __init__(self, port, now, level, edges):
        self.port = port
        self.now = now
        self.mail = deque()
        self.told = []
        self.contact = Debouncer(self)
        self.clicks = ClickDecoder(self)
        self.cell = CellMonitor(self)
        self.lamp = Lamp(self)
        self.finder = Finder(self)
        self.tasks = (self.contact, self.clicks, self.cell, self.lamp, self.finder)
        self.contact.level = level
        self.duty = 0
        self.was_awake = True
        self.sampled = False
        for level in edges:
            self.mail.append((M_EDGE, level))
        self.cell.timer.start(now, SAMPLE_EVERY)
        self.post(M_SAMPLE)
        self.settle()

    def read_uv(self):
        return self.port.read("gauge.measured")

    def post(self, what):
        self.mail.append((what, None))

    def next_due(self):
        return min((t.timer.due for t in self.tasks if t.timer.due is not None))

    def run_before(self, end):
        while self.next_due() < end:
            self.instant(self.next_due(), ())

    def instant(self, now, edges):
        self.now = now
        for level in edges:
            self.mail.append((M_EDGE, level))
        for task in self.tasks:
            if task.timer.due == now:
                self.mail.append((M_EXPIRED, (task, task.timer.serial)))
        self.settle()

    def settle(self):
        while self.mail:
            what, detail = self.mail.popleft()
            if what == M_EDGE:
                self.contact.edge(detail)
            elif what == M_EXPIRED:
                task, serial = detail
                if task.timer.serial == serial:
                    task.expired()
            elif what == M_SAMPLE:
                self.sampled = True
                self.cell.sample()
            else:
                self.told.append(what)
                for task in self.tasks:
                    task.hear(what)
        self.report()

    def report(self):
        say = self.port.say
        for what in self.told:
            say("event %d %s" % (self.now, what))
        self.told.clear()
        duty = self.lamp.duty()
        if duty != self.duty:
            self.duty = duty
            say("out %d lamp %d" % (self.now, duty))
        awake = self.contact.awake()
        if (awake or self.sampled) and not self.was_awake:
            say("wake %d" % self.now)
            self.was_awake = True
        if self.was_awake and not awake:
            say("sleep %d" % self.now)
        self.was_awake = awake
        self.sampled = False


class Port:
    """The host side: lines in, lines out."""

    def __init__(self):
        self.lines = iter(sys.stdin.readline, "")
        self.numbers = {}
        self.key = 0
        self.pending = []
        self.kernel = None

    def say(self, text):
        sys.stdout.write(text + "\n")

    def read(self, name):
        if name in self.numbers:
            return self.numbers[name]
        self.say("ask " + name)
        sys.stdout.flush()
        answer = next(self.lines).split()
        return int(answer[1])

    def on_set(self, name, value):
        if name == "key":
            self.pending.append(int(value))
        elif value == "?":
            self.numbers.pop(name, None)
        else:
            self.numbers[name] = int(value)

    def take_inputs(self):
        edges = []
        for level in self.pending:
            if level != self.key:
                self.key = level
                edges.append(level)
        self.pending.clear()
        return edges

    def on_power(self, now, names):
        self.take_inputs()
        edges = [self.key] * names.count("key")
        self.kernel = Kernel(self, now, self.key, edges)

    def on_step(self, now):
        edges = self.take_inputs()
        if self.kernel:
            self.kernel.run_before(now)
            self.kernel.instant(now, edges)

    def serve(self):
        for line in self.lines:
            words = line.split()
            if not words:
                continue
            verb, rest = words[0], words[1:]
            if verb == "quit":
                break
            if verb == "set":
                self.on_set(rest[0], rest[1])
                continue
            if verb == "hello":
                self.say("hello 1")
            elif verb == "power":
                self.on_power(int(rest[0]), rest[1:])
            elif verb == "until":
                if self.kernel:
                    self.kernel.run_before(int(rest[0]))
            elif verb == "step":
                self.on_step(int(rest[0]))
            elif verb == "off":
                self.kernel = None
            else:
                self.say("error unknown line: " + line.strip())
            self.say("ok")
            sys.stdout.flush()
        sys.stdout.flush()


if __name__ == "__main__":
    Port().serve()
