"""Time between two instants, and the steps of protection and charger."""

from __future__ import annotations

import math
from typing import Any

from tests.reference_sim import electric

NS = 1e-9
MOST_CROSSINGS = 2_000  # in one case: a level that is met every few us would take many minutes


class TooLong(Exception):
    """A case that meets more levels than the second simulator goes through."""


class Passing:
    """The part of the simulator that lets time pass."""

    electrics: electric.Electrics
    gadget: dict[str, Any]
    inputs: dict[str, Any]
    queue: Any
    result: Any
    judge: Any
    now: int
    s: float
    alive: bool
    released: bool
    cut: bool
    protected: bool
    mode: str
    pin: str
    counter_c: float  # charge that a counting gauge takes for a full cell; 0 for another gauge
    counted: float
    flown_c: float = 0.0
    closed_ns: int
    crossings: int = 0

    # ---- the circuit ----

    def circuit_changed(self) -> bool:
        """Whether the circuit goes to another state by what the loads now are."""
        if self.switched() or (self.released and self.latched()):
            return True
        for kind in self.circuit_kinds():
            if self.circuit_holds(kind, self.s):
                self.circuit_step(kind)
                return True
        return False

    def circuit_kinds(self) -> list[str]:
        """Steps that the circuit may take from where it is."""
        # The charger begins and ends with USB, a fault and the temperature, whatever comes of it.
        kinds = ["close"] if self.protected else ["open"]
        if self.electrics.charger is None:
            return kinds
        if not self.inputs["usb"]:
            return [*(["unplug"] if self.mode != "off" else []), *kinds]
        if self.faulty() != (self.mode == "fault"):
            return ["fault" if self.faulty() else "plug", *kinds]
        if self.mode == "fault":
            return kinds
        if self.mode == "off":
            return ["plug", *kinds]
        if self.mode == "done":
            return [*kinds, "recharge"]
        return [*kinds, "full", *(["quick"] if self.mode == "pre" else ["finish", "slow"])]

    def faulty(self) -> bool:
        """Whether the charger stands still: a fault of its own, or a cell too cold or too hot."""
        assert self.electrics.charger is not None
        window = self.electrics.charger.window
        return self.inputs["fault"] or not window[0] <= self.inputs["celsius"] <= window[1]

    def circuit_holds(self, kind: str, s: float) -> bool:
        """Whether a step is due at charge `s`."""
        return self.circuit_margin(kind, s) >= 0.0

    def circuit_margin(self, kind: str, s: float) -> float:
        """0 or more where the step is due."""
        e, charger = self.electrics, self.electrics.charger
        if kind in ("plug", "unplug", "fault"):
            return 0.0
        if kind == "close":
            if s <= 0.0:
                return -1.0
            if e.restart is not None:
                return e.ocv(s) - e.restart
            if not e.path and e.solve(s, self.drives()).charger_a <= 0.0:
                return -1.0
            if e.path and self.mode not in ("pre", "fast"):
                return -1.0
            return s if e.cut_off is None else math.nextafter(e.ocv(s) - e.cut_off, -1.0)
        now = e.solve(s, self.drives())
        if kind == "open":
            return max(-s, -1.0 if e.cut_off is None else e.cut_off - now.volt)
        assert charger is not None
        if e.path and kind == "full":
            return s - 1.0
        if e.path and kind == "finish":
            return -1.0 if charger.finish_a is None else s - e.ends_at(self.drives())
        if kind == "full":
            # It ends there unless the load alone keeps the output from falling below `finish`.
            fed = e.solve(min(s, 1.0), self.drives()).charger_a
            goes_on = charger.finish_a is not None and fed >= charger.finish_a
            return -1.0 if goes_on else s - 1.0
        if kind == "finish":
            # Its output is the mean over the period, as all currents are.
            if charger.finish_a is None:
                return -1.0
            return charger.finish_a * (1.0 - 1e-12) - now.charger_a  # below it, not at it
        if kind == "quick":
            return -1.0 if charger.pre_below is None else now.volt - charger.pre_below
        if kind == "slow":
            below = charger.pre_below
            return -1.0 if below is None else below - charger.pre_back - now.volt - 1e-12
        assert kind == "recharge"
        return -1.0 if charger.recharge is None else charger.recharge - now.volt - 1e-12

    def circuit_step(self, kind: str) -> None:
        """Take a step of protection or charger."""
        if kind == "watched":
            return
        if kind == "open":
            self.power_down()
            return
        if kind == "close":
            if self.now > 0 and not self.alive:
                self.queue.clear()  # a contact that has closed by then gives no edge
            self.crossed()
            self.protected = False
            if self.alive:
                return  # the input feeds it
            self.closed_ns = self.now
            self.power_up()
            return
        if kind not in ("plug", "unplug", "fault"):
            self.crossed()
        self.mode = self._next_mode(kind)
        pin = self._pin_level()
        if pin == "open" and self.pulled:
            pin = "high"
        if pin != self.pin:
            self.pin = pin
            self.queue.append(("event", "status.edge"))
        if self.electrics.path and self.protected:
            self.past(kind)

    def past(self, kind: str) -> None:
        """USB gives the supply past an open protection, or takes it away."""
        if kind == "unplug" and self.alive:
            self.queue.clear()
            self.go_dead()
        elif kind in ("plug", "fault") and not (self.alive or self.cut or self.released):
            kept = [item for item in self.queue if self.now == 0 and item[0] == "event"
                    and item[1] not in ("usb.edge", "status.edge")]
            self.queue.clear()
            self.queue.extend(kept)
            self.power_up()

    def _next_mode(self, kind: str) -> str:
        if kind in ("unplug", "fault"):
            return "off" if kind == "unplug" else kind
        # A full cell takes nothing when USB comes; a charge that its load began goes on by `full`.
        if kind in ("full", "finish") or (kind == "plug" and self.s >= 1.0):
            return "done"
        charger = self.electrics.charger
        assert charger is not None
        if kind in ("plug", "recharge") and charger.pre_below is not None:
            # As it stands before the charger gives anything.
            volt = self.electrics.solve(self.s, self.drives()).volt
            return "pre" if volt < charger.pre_below else "fast"
        return "pre" if kind == "slow" else "fast"

    def _pin_level(self) -> str:
        """Low, high or open."""
        charging = self.mode in ("pre", "fast")
        if self.mode in ("off", "fault"):
            return "open"
        match self.gadget["charger"].get("status"):
            case "low while charging":
                return "low" if charging else "open"
            case "high while charging":
                return "high" if charging else "low"
            case "low while charging, high when complete":
                return "low" if charging else "high" if self.mode == "done" else "open"
        return "open"

    # ---- time between instants ----

    def spend(self, name: str, charge_c: float) -> None:
        """Book the charge of a consumer."""
        self.consumed[name] = self.consumed.get(name, 0.0) + charge_c
        if name not in ("leakage", "self_discharge"):  # these flow past the counter
            self.count(-charge_c)

    def count(self, charge_c: float) -> None:
        """What flows through the counter of a gauge that counts charge."""
        if self.counter_c and self.alive:
            self.flown_c += charge_c

    def count_up(self) -> None:
        """Bring the count up to date; it stops at both ends."""
        if self.counter_c:
            self.counted = min(1.0, max(0.0, self.counted + self.flown_c / self.counter_c))
        self.flown_c = 0.0

    def advance(self, until: int) -> str | None:
        """Let time go on to `until` or to the first crossing, whose kind is returned."""
        drives, begin = self.drives(), self.now
        spent, self.lump_c = self.lump_c, 0.0
        whole = (until - begin) * NS
        passed, crossing = 0.0, None
        self.over_corner = 0.0
        while self.now < until and crossing is None:
            step, s, charges, charger_c = self.step(drives, whole - passed)
            kind, limit = self.crossed_within(drives, s)
            if kind is not None:
                self.crossings += 1
                if self.crossings > MOST_CROSSINGS:
                    raise TooLong
                low, high = 0.0, step  # the crossing lies in (low, high]
                while high - low > 0.02 * NS:
                    middle = 0.5 * (low + high)
                    found, at = self.crossed_within(drives, self.stepped(drives, middle)[0])
                    if found is None:
                        low = middle
                    else:
                        high, kind, limit = middle, found, at
                self.now = min(until, max(self.now + 1, begin + math.ceil((passed + high) / NS)))
                step = (self.now - begin) * NS - passed
                s, charges, charger_c = self.stepped(drives, step)
                self.over_corner = 0.0
            passed += step
            self.s = min(1.0, max(0.0, s))
            for name, charge_c in charges.items():
                self.spend(name, charge_c)
                spent += charge_c
            self.result.charger_c += charger_c
            for name, current in self.electrics.fed_a(drives.charger).items():
                self.result.fed_c[name] = self.result.fed_c.get(name, 0.0) + current * step
            self.count(charger_c)
            self.count_up()
            if kind is None:
                if passed >= whole - 1e-3 * NS:
                    self.now = until
            elif kind.startswith("limit:"):
                nudge = 1.0 if kind.endswith("up") else -1.0
                self.judge.between(self.now, self.seen(), kind.split(":")[1], limit, nudge)
            else:
                crossing = kind
        self.note(begin, spent)
        return crossing

    def note(self, begin: int, spent: float) -> None:
        """Write the stretch of time down."""
        states = tuple(r.name for r in self.regions)
        self.result.stretches.append(
            (begin, self.now, states, self.levels(), self.bars(), self.alive)
        )
        for r in self.regions:
            key = (r.region.name, r.name)
            self.result.state_ns[key] = self.result.state_ns.get(key, 0) + self.now - begin
            self.result.state_c[key] = self.result.state_c.get(key, 0.0) + spent

    def crossed_within(self, drives: electric.Drives, s: float) -> tuple[str | None, float]:
        """What lies between the present charge and `s`."""
        for kind in self.circuit_kinds():
            if self.circuit_holds(kind, s):
                return kind, 0.0
        if s >= 1.0 > self.s:
            self.result.full = True
            return "watched", 0.0  # the charger goes on, and feeds the load alone from here
        for name, limit in self.watched_limits:
            if name == "cell.charge":
                a, b = self.s, s
            else:
                a, b = (self.electrics.solve(x, drives).volt for x in (self.s, s))
            if (a - limit) * (b - limit) < 0.0:
                return f"limit:{name}:{'up' if b > a else 'down'}", limit
        if self.alive:
            for name, limit in self.condition_limits:
                if name == "cell.charge":
                    a, b = self.s, s
                else:
                    a, b = (self.electrics.solve(x, drives).volt for x in (self.s, s))
                if (a - limit) * (b - limit) < 0.0:
                    return "watched", limit
        return None, 0.0

    def step(
        self, drives: electric.Drives, left: float
    ) -> tuple[float, float, dict[str, float], float]:
        """The longest step of at most `left` that is sure to be exact: its end and charges.

        The current may change by a twelfth of itself for the rule of Runge and Kutta to be exact to
        a few parts in 1e8; a step ends just before a corner of a table, or before the charger takes
        hold of the terminal, and a short one leads over it.
        """
        e = self.electrics
        now = e.solve(self.s, drives)
        step, self.over_corner = self.over_corner or left, 0.0
        if step < left:
            return step, *self.stepped(drives, step)
        while step > NS:
            ahead = self.s - 0.5 * step * now.net_a / e.capacity_c
            if ahead == self.s:
                break
            slope = (e.solve(ahead, drives).net_a - now.net_a) / (self.s - ahead)
            steep = abs(slope) / e.capacity_c * step
            if steep <= 0.08 or abs(ahead - self.s) < 1e-9:
                break
            step *= max(0.05, 0.06 / steep)
        s = self.stepped(drives, step)[0]
        if abs(s - self.s) > 1e-8 and self.corner_within(drives, step):
            low, high = 0.0, step
            while high - low > 1e-4 * step:
                middle = 0.5 * (low + high)
                if self.corner_within(drives, middle):
                    high = middle
                else:
                    low = middle
            if low > 0.0:
                self.over_corner = high - low
            step = low or high
        while self.rough(drives, step):
            step *= 0.5
            self.over_corner = 0.0
        return step, *self.stepped(drives, step)

    def rough(self, drives: electric.Drives, step: float) -> bool:
        """Whether two half steps lead elsewhere: what is drawn bends too much for one."""
        begin, s = self.s, self.stepped(drives, step)[0]
        if abs(s - begin) < 1e-3:
            return False
        self.s = self.stepped(drives, 0.5 * step)[0]
        twice = self.stepped(drives, 0.5 * step)[0]
        self.s = begin
        return abs(twice - s) > 1e-8

    def corner_within(self, drives: electric.Drives, step: float) -> bool:
        """Whether something bends within a step, or where its straight continuation leads."""
        rate = self.electrics.solve(self.s, drives).net_a / self.electrics.capacity_c
        ends = (self.s - step * rate, self.stepped(drives, step)[0])
        return any(self.corner_before(drives, s) for s in ends)

    def corner_before(self, drives: electric.Drives, s: float) -> bool:
        """Whether something bends between the present charge and `s`."""
        tables = (self.electrics.curve, self.electrics.ohm_at_charge)
        if any(min(self.s, s) < x < max(self.s, s) for table in tables for x, _ in table):
            return True
        here, there = self.electrics.solve(self.s, drives), self.electrics.solve(s, drives)
        return (here.holds, here.held) != (there.holds, there.held)

    def stepped(
        self, drives: electric.Drives, step: float
    ) -> tuple[float, dict[str, float], float]:
        """Charge after `step` seconds and what each consumer took: Runge and Kutta's rule."""
        e = self.electrics
        s0, q = self.s, e.capacity_c

        def on_the_way(s: float) -> electric.Solution:
            """The circuit at a charge on the way: what has just got to an end still moves."""
            if s in (0.0, 1.0) and s != s0:
                s = math.nextafter(s, 2.0 * s - s0)
            return e.solve(s, drives)

        k1 = e.solve(s0, drives)
        if abs(k1.net_a) * step / q < 1e-7:
            middle = on_the_way(s0 - 0.5 * step * k1.net_a / q)
            charges = {name: step * current for name, current in middle.currents.items()}
            return s0 - step * middle.net_a / q, charges, step * middle.charger_a
        k2 = on_the_way(s0 - 0.5 * step * k1.net_a / q)
        k3 = on_the_way(s0 - 0.5 * step * k2.net_a / q)
        k4 = on_the_way(s0 - step * k3.net_a / q)

        def mean(a: float, b: float, c: float, d: float) -> float:
            return step * (a + 2.0 * b + 2.0 * c + d) / 6.0

        charges = {
            name: mean(current, k2.currents[name], k3.currents[name], k4.currents[name])
            for name, current in k1.currents.items()
        }
        given = mean(k1.charger_a, k2.charger_a, k3.charger_a, k4.charger_a)
        net = mean(k1.net_a, k2.net_a, k3.net_a, k4.net_a)
        return s0 - net / q, charges, given
