"""Stair light: a wave of the hand lights it, another one puts it out.

Speaks the line protocol on standard input and output.
"""
import sys
from collections import deque

MS = 1000000
SETTLE = 1 * MS
BURST = 1 * MS
EVERY = 200 * MS
CLEAR = 1000 * MS
SOON = 30000 * MS
LAST = 60000 * MS
AGREE = 3
NAMES = ("eye.receiver", "eye.emitter", "glow")
NEVER = None


class Firmware:
    def __init__(self):
        self.inputs = {}            # as the pins are now
        self.pending = []           # set, not yet in force
        self.powered = False
        self.levels = dict.fromkeys(NAMES, 0)
        self.awake = False
        self.now = 0

    # talk

    def say(self, text):
        sys.stdout.write(text + "\n")

    def ask(self, name):
        self.say("ask " + name)
        sys.stdout.flush()
        line = sys.stdin.readline().split()
        if len(line) != 2 or line[0] != "value":
            raise SystemExit(1)
        return int(line[1])

    def read_echo(self):
        value = self.inputs.get("eye.echo", "?")
        if value == "?":
            return self.ask("eye.echo")
        return value

    # memory

    def begin(self, t):
        """Power-up: nothing is remembered."""
        self.powered = True
        self.now = t
        self.levels = dict.fromkeys(NAMES, 0)
        self.look = "rest"
        self.look_began = NEVER
        self.look_end = NEVER
        self.field = "clear"        # clear, near, blocked
        self.echoes = 0
        self.misses = 0
        self.field_end = NEVER
        self.lit = False
        self.soon_end = NEVER
        self.last_end = NEVER
        self.awake = True

    # one instant

    def instant(self, t, first=False):
        self.now = t
        queue = deque()
        self.queue = queue
        self.told = []
        if first:
            self.start_look(t)
        if self.look_end == t:
            queue.append("look ends")
        if self.field_end == t:
            queue.append("field ends")
        if self.soon_end == t:
            queue.append("soon ends")
        if self.last_end == t:
            queue.append("last ends")
        while queue:
            self.handle(queue.popleft(), t)
        self.settle(t)

    def handle(self, what, t):
        if what == "look ends":
            self.look_time(t)
        elif what == "field ends":
            if self.field_end == t:
                self.field = "clear"
                self.field_end = NEVER
        elif what == "soon ends":
            if self.soon_end == t:
                self.soon_end = NEVER
                if not self.field == "near":
                    self.put_out()
        elif what == "last ends":
            if self.last_end == t:
                self.put_out()
        elif what == "eye.hit":
            self.hit(t)
        elif what == "eye.miss":
            self.miss(t)
        elif what == "eye.wave":
            self.told.append(what)
            self.wave(t)
        else:
            self.told.append(what)

    # the sensor

    def start_look(self, t):
        self.look = "settling"
        self.look_began = t
        self.look_end = t + SETTLE

    def look_time(self, t):
        if self.look == "settling":
            self.look = "emitting"
            self.look_end = t + BURST
        elif self.look == "emitting":
            self.look = "rest"
            self.look_end = self.look_began + EVERY
            if self.read_echo():
                self.queue.append("eye.hit")
            else:
                self.queue.append("eye.miss")
        else:
            self.start_look(t)

    def hit(self, t):
        self.misses = 0
        if self.field == "near":
            return
        self.echoes += 1
        self.field_end = NEVER      # an echo stops the re-arm time
        if self.echoes == AGREE:
            was_clear = self.field == "clear"
            self.field = "near"
            self.echoes = 0
            self.queue.append("eye.near")
            if was_clear:
                self.queue.append("eye.wave")

    def miss(self, t):
        if self.field == "near":
            self.misses += 1
            if self.misses == AGREE:
                self.field = "blocked"
                self.misses = 0
                self.field_end = t + CLEAR
                self.queue.append("eye.far")
            return
        if self.echoes and self.field == "blocked":
            self.field_end = t + CLEAR
        self.echoes = 0

    # the light

    def wave(self, t):
        if self.lit:
            self.put_out()
        else:
            self.lit = True
            self.soon_end = t + SOON
            self.last_end = t + LAST

    def put_out(self):
        self.lit = False
        self.soon_end = NEVER
        self.last_end = NEVER

    # what shows

    def settle(self, t):
        for name in self.told:
            self.say("event %d %s" % (t, name))
        want = {
            "eye.receiver": 0 if self.look == "rest" else 1000000,
            "eye.emitter": 250000 if self.look == "emitting" else 0,
            "glow": 1000000 if self.lit else 0,
        }
        for name in NAMES:
            if want[name] != self.levels[name]:
                self.say("out %d %s %d" % (t, name, want[name]))
        self.levels = want
        if not self.awake:
            self.say("wake %d" % t)
        self.awake = self.look != "rest"
        if not self.awake:
            self.say("sleep %d" % t)

    # time

    def next_time(self):
        times = [x for x in (self.look_end, self.field_end, self.soon_end,
                             self.last_end) if x is not NEVER]
        return min(times)

    def run_before(self, t):
        if not self.powered:
            return
        while self.next_time() < t:
            self.instant(self.next_time())

    def take_inputs(self):
        for name, value in self.pending:
            self.inputs[name] = value
        self.pending = []

    def power(self, t):
        self.take_inputs()
        self.begin(t)
        self.instant(t, first=True)

    def step(self, t):
        self.run_before(t)
        self.take_inputs()
        if self.powered and self.next_time() == t:
            self.instant(t)

    def off(self, t):
        self.run_before(t)
        for name in NAMES:
            if self.powered and self.levels[name]:
                self.say("out %d %s 0" % (t, name))
        self.levels = dict.fromkeys(NAMES, 0)
        self.powered = False


def main():
    firmware = Firmware()
    while True:
        line = sys.stdin.readline()
        if not line:
            return
        words = line.split()
        try:
            word = words[0]
            if word == "set":
                value = words[2] if words[2] == "?" else int(words[2])
                firmware.pending.append((words[1], value))
                continue
            if word == "value":
                continue
            if word == "hello":
                firmware.say("hello 1 stair light")
            elif word == "power":
                firmware.power(int(words[1]))
            elif word == "until":
                firmware.run_before(int(words[1]))
            elif word == "step":
                firmware.step(int(words[1]))
            elif word == "off":
                firmware.off(int(words[1]))
            elif word != "quit":
                firmware.say("error not understood")
        except (IndexError, ValueError):
            firmware.say("error not understood")
        firmware.say("ok")
        try:
            sys.stdout.flush()
        except BrokenPipeError:
            return
        if words and words[0] == "quit":
            return


if __name__ == "__main__":
    main()
