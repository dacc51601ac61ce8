"""A firmware of the cellar lamp, written from the folder of its specification.

It shares nothing with simfw but the words of that folder: what happens in one instant, what the
parts are, the rows, and the line protocol. Where it parts from the model, the words are wrong.
"""

import sys
from collections import deque

MS, S = 1_000_000, 1_000_000_000
MIN = 60 * S


def say(*words):
    """Write a line of the protocol."""
    print(*words, flush=False)


class Region:
    """A state with the times that run in it."""

    def __init__(self, board, first):
        self.board, self.state, self.stay, self.due = board, None, 0, []
        self.first = first

    def enter(self, state):
        """Enter a state, the present one too: all its dwells begin anew."""
        self.state, self.due = state, []
        self.stay += 1
        for order, (length, act) in enumerate(self.dwells(state)):
            if length:
                self.due.append((self.board.now + length, order, act, self.stay))
            else:
                self.board.soon.append((self, act, self.stay))

    def dwells(self, _state):
        """The dwells of a state: (length, what happens at its end)."""
        return []

    def hear(self, event):
        """An event is offered."""


class Contact(Region):
    """A contact that is read every 50 ms; two reads that differ count."""

    def __init__(self, board, name):
        super().__init__(board, "wait")
        self.name, self.count = name, 0

    def start(self):
        """Power-up."""
        self.count = 0
        self.enter("wait")

    def dwells(self, _state):
        """The dwells of a state."""
        return [(50 * MS, self.read)]

    def read(self):
        """It is time to read the contact."""
        board = self.board
        closed, pressed = board.inputs[self.name], board.gestures[self.name].pressed()
        if bool(closed) == pressed:
            self.count = 0
        else:
            self.count += 1
        event = None
        if self.count == 2:
            self.count, event = 0, f"{self.name}.{'press' if closed else 'release'}"
        if event:
            board.queue.append(event)
        self.enter("wait")


class Gesture(Region):
    """Click, hold, and what a chord takes away."""

    def __init__(self, board, name, hold):
        super().__init__(board, "up")
        self.name, self.hold = name, hold

    def pressed(self):
        """Whether the button counts as pressed."""
        return self.state in ("down", "held")

    def start(self):
        """Power-up."""
        self.enter("up")

    def dwells(self, state):
        """The dwells of a state."""
        return [(self.hold, self.long)] if state == "down" and self.hold else []

    def long(self):
        """The hold is reached."""
        self.board.queue.append(f"{self.name}.hold")
        self.enter("held")

    def hear(self, event):
        """An event is offered."""
        if event == f"{self.name}.press" and self.state == "up":
            self.enter("held" if self.board.chord.state == "active" else "down")
        elif event == f"{self.name}.release" and self.state == "down":
            self.board.queue.append(f"{self.name}.click")
            self.enter("up")
        elif event == f"{self.name}.release" and self.state == "held":
            self.enter("up")
        elif event == "both.chord" and self.state == "down":
            self.enter("held")


class Chord(Region):
    """Both buttons within 150 ms."""

    def start(self):
        """Power-up."""
        self.enter("idle")

    def dwells(self, state):
        """The dwells of a state."""
        return [(150 * MS, lambda: self.enter("idle"))] if state == "started" else []

    def hear(self, event):
        """An event is offered."""
        name, _, what = event.partition(".")
        if name not in ("up", "down") or what not in ("press", "release"):
            return
        other = self.board.gestures["down" if name == "up" else "up"]
        mine = self.board.gestures[name]
        if what == "press" and self.state in ("idle", "started"):
            if not other.pressed():
                self.enter("started")
            elif self.state == "started" and mine.pressed():
                self.board.queue.append("both.chord")
                self.enter("active")
        elif self.state == "active" and not mine.pressed() and not other.pressed():
            self.enter("idle")


class Charge(Region):
    """What is known of the charger."""

    def start(self):
        """Power-up."""
        self.enter("unplugged")

    def dwells(self, state):
        """The dwells of a state."""
        return [(0, self.look)] if state == "waiting" else []

    def look(self):
        """The status pin as it stands when USB has come."""
        status = self.board.inputs["status"]
        if status == 1:
            self.go("charging", "charge.started")
        elif status == 2:
            self.go("complete", "charge.completed")

    def go(self, state, event):
        """Emit an event and enter a state."""
        self.board.queue.append(event)
        self.enter(state)

    def hear(self, event):
        """An event is offered."""
        inputs = self.board.inputs
        if event == "usb.edge":
            if inputs["usb"] and self.state == "unplugged":
                self.go("waiting", "usb.in")
            elif not inputs["usb"] and self.state != "unplugged":
                self.go("unplugged", "usb.out")
        elif event == "status.edge":
            if inputs["status"] == 1 and self.state in ("waiting", "complete"):
                self.go("charging", "charge.started")
            elif inputs["status"] == 2 and self.state in ("waiting", "charging"):
                self.go("complete", "charge.completed")


OUT, BACK = (3_450_000, 3_620_000, 3_850_000), (3_500_000, 3_670_000, 3_900_000)


class Gauge(Region):
    """Bars by thresholds."""

    def start(self):
        """Power-up."""
        self.bars, self.first_sample = 0, True
        self.enter("unread")

    def dwells(self, state):
        """The dwells of a state."""
        if state == "unread":
            return [(0, self.sample)]
        if state == "reading":
            return [(0, self.set)]
        return [(2 * S, self.sample)]

    def sample(self):
        """One conversion."""
        self.board.measured = self.board.number("gauge.measured")
        self.board.queue.append("gauge.sampled")
        self.enter("reading")

    def set(self):
        """Set the bars by it."""
        value, before = self.board.measured, self.bars
        if self.first_sample:
            self.bars = sum(value >= level for level in OUT)
            self.first_sample = False
        else:
            low = [k for k in range(before) if value < OUT[k]]
            high = [k + 1 for k in range(before, 3) if value >= BACK[k]]
            if low:
                self.bars = low[0]
                self.board.queue.append("gauge.down")
            elif high:
                self.bars = high[-1]
                self.board.queue.append("gauge.up")
        self.enter("bars")


class Blink(Region):
    """The top bar while charging."""

    def start(self):
        """Power-up."""
        self.enter("steady")

    def dwells(self, state):
        """The dwells of a state."""
        if state == "steady":
            return []
        return [(500 * MS, lambda: self.enter("out" if state == "lit" else "lit"))]

    def hear(self, event):
        """An event is offered."""
        if event == "gauge.blink.on" and self.state == "steady":
            self.enter("lit")
        elif event == "gauge.blink.off" and self.state != "steady":
            self.enter("steady")


class Cell(Region):
    """Low and flat."""

    def start(self):
        """Power-up."""
        self.enter("fine")

    def hear(self, event):
        """An event is offered."""
        if event != "gauge.sampled":
            return
        value, queue = self.board.measured, self.board.queue
        if value < 3_200_000 and self.state != "flat":
            queue.extend(["cell.low"] * (self.state == "fine") + ["cell.flat"])
            self.enter("flat")
        elif value < 3_400_000 and self.state == "fine":
            queue.append("cell.low")
            self.enter("low")
        elif value > 3_400_000 and self.state != "fine":
            queue.append("cell.back")
            self.enter("fine")


class Steps(Region):
    """The lamp."""

    def start(self):
        """Power-up."""
        self.enter("dark")

    def dwells(self, state):
        """The dwells of a state."""
        return [(10 * MIN, lambda: self.enter("dark"))] if state in ("low", "high") else []

    def hear(self, event):
        """An event is offered."""
        state, cell = self.state, self.board.cell.state
        if event == "up.click" and state == "dark" and cell != "flat":
            self.enter("low")
        elif (event == "up.hold" and state in ("dark", "low") and cell == "fine") or (
            event == "up.click" and state == "low"
        ):
            self.enter("high")
        elif event == "down.click" and state == "high":
            self.enter("low")
        elif event == "down.click" and state == "low":
            self.enter("dark")
        elif event == "both.chord":
            self.enter("dark" if state == "shut" else "shut")
        elif event == "cell.low" and state == "high":
            self.enter("low")
        elif event == "cell.flat" and state in ("low", "high"):
            self.enter("dark")


class Night(Region):
    """The mark winks."""

    def start(self):
        """Power-up."""
        self.enter("pause")

    def dwells(self, state):
        """The dwells of a state."""
        if state == "wink":
            return [(30 * MS, lambda: self.enter("pause"))]
        return [(1970 * MS, self.wink)]

    def wink(self):
        """Time to wink, unless the cell is flat."""
        if self.board.cell.state != "flat":
            self.enter("wink")

    def hear(self, event):
        """An event is offered."""
        if event == "cell.back" and self.state == "pause":
            self.enter("pause")


class Board:
    """The queue of an instant, the time, the outputs."""

    def __init__(self):
        self.inputs = {"up": 0, "down": 0, "usb": 0, "status": 0, "gauge.measured": 0}
        self.pending, self.alive, self.now, self.measured = [], False, 0, 0
        self.shown = {}

    def number(self, name):
        """A number, asked for where the test wants to be asked."""
        value = self.inputs[name]
        if value is not None:
            return value
        say("ask", name)
        sys.stdout.flush()
        return int(sys.stdin.readline().split()[1])

    def power(self, now, moved):
        """Power-up."""
        self.now, self.alive = now, True
        self.shown = {"lamp": 0, "mark": 0, "bars": 0}
        self.queue, self.soon = deque(), []
        for name, value in self.pending:
            self.inputs[name] = value
        self.pending = []
        self.gestures = {"up": Gesture(self, "up", 1 * S), "down": Gesture(self, "down", None)}
        self.chord, self.charge, self.gauge = (kind(self, "") for kind in (Chord, Charge, Gauge))
        self.blink, self.cell, self.steps, self.night = (
            kind(self, "") for kind in (Blink, Cell, Steps, Night))
        self.regions = []
        for name in ("up", "down"):
            self.regions += [Contact(self, name), self.gestures[name]]
        self.regions += [self.chord, self.charge, self.gauge, self.blink, self.cell, self.steps,
                         self.night]
        self.charging = False
        for region in self.regions:
            region.start()
        first, self.soon = self.soon, []
        self.queue.extend(f"{name}.edge" for name in moved)
        if self.inputs["usb"]:
            self.queue.append("usb.edge")
        if self.inputs["status"]:
            self.queue.append("status.edge")
        self.queue.extend(first)
        self.settle()

    def settle(self):
        """Work the queue off, then read the condition, then show the outputs."""
        while True:
            while self.queue:
                thing = self.queue.popleft()
                if isinstance(thing, str):
                    for region in self.regions:
                        region.hear(thing)
                        self.later()
                else:
                    region, act, stay = thing
                    if region.stay == stay:
                        act()
                        self.later()
            charging = self.charge.state == "charging"
            if charging == self.charging:
                break
            self.charging = charging
            self.queue.append("gauge.blink.on" if charging else "gauge.blink.off")
        self.show()

    def later(self):
        """What has no length comes behind what was emitted."""
        self.queue.extend(self.soon)
        self.soon = []

    def show(self):
        """Tell the outputs that have changed."""
        lit = self.steps.state in ("low", "high")
        bars = self.gauge.bars if lit or self.charge.state != "unplugged" else 0
        if bars and self.blink.state == "out":
            bars -= 1
        levels = {"lamp": {"low": 300_000, "high": 1_000_000}.get(self.steps.state, 0),
                  "mark": 1_000_000 * (self.night.state == "wink"), "bars": bars}
        for name, level in levels.items():
            if level != self.shown[name]:
                self.shown[name] = level
                say("out", self.now, name, level)

    def next_due(self):
        """When the next dwell ends."""
        return min((due[0] for region in self.regions for due in region.due), default=None)

    def ended(self):
        """The dwells that end now, region by region, row by row."""
        for region in self.regions:
            ended = [due for due in region.due if due[0] == self.now]
            region.due = [due for due in region.due if due[0] != self.now]
            for _, _, act, stay in sorted(ended, key=lambda due: due[1]):
                self.queue.append((region, act, stay))

    def go(self, until, included):
        """Let time go on."""
        while self.alive:
            due = self.next_due()
            if due is None or due >= until:
                break
            self.now = due
            self.ended()
            self.settle()
        if self.alive and included:
            self.now = until
            for name, value in self.pending:
                if self.inputs[name] != value:
                    self.inputs[name] = value
                    self.queue.append(f"{name}.edge")
            self.pending = []
            self.ended()
            self.settle()

    def off(self, now):
        """The supply is lost."""
        if self.alive:
            for name, level in self.shown.items():
                if level:
                    say("out", now, name, 0)
        self.alive = False


def main():
    """Answer line by line."""
    board = Board()
    for line in sys.stdin:
        word, *rest = line.split()
        if word == "hello":
            say("hello", 1)
        elif word == "set":
            name, value = rest
            if name == "gauge.measured":
                board.inputs[name] = None if value == "?" else int(value)
            elif name in board.inputs:
                board.pending.append((name, int(value)))
            continue
        elif word == "power":
            board.power(int(rest[0]), rest[1:])
        elif word in ("step", "until"):
            board.go(int(rest[0]), word == "step")
        elif word == "off":
            board.off(int(rest[0]))
        elif word == "quit":
            break
        say("ok")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
