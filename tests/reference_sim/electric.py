"""The circuit: currents at one charge of the cell, solved on the one node of its terminals.

Laws as `docs/explanation/circuit.md` names them, each solved where it is needed by Newton's rule or
by closing in on a sign change. SI units.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from scipy.optimize import brentq

from tests.reference_sim.reading import point, si

K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # exact constants of the SI, volt per kelvin
VT = K_OVER_Q * 298.15
MONTH_S = 30.4375 * 86400.0
NEAR = 1e-8  # what is left after such a step of Newton's rule is of the order of its square
ITSELF = " itself"  # what the driver of a light takes beside what it lets through


def root(
    f: Callable[[float], float], low: float, high: float, to: float = 1e-15
) -> float:
    """Where a rising `f` is zero between `low` and `high` (Brent's rule), or the nearer end."""
    at_low = f(low)
    if at_low >= 0.0:
        return low
    at_high = f(high)
    if at_high <= 0.0:
        return high
    known = {low: at_low, high: at_high}  # asked for once more

    def at(x: float) -> float:
        return known[x] if x in known else f(x)

    return float(brentq(at, low, high, xtol=to, rtol=8.9e-16, maxiter=200))


class Diode:
    """V = n Vt ln(1 + I/Is) + Rs I through two datasheet points."""

    def __init__(self, forward: list[str]) -> None:
        """Fit two points: n is 2 unless the series resistance would come out negative."""
        (v1, i1), (v2, i2) = sorted((point(text) for text in forward), key=lambda p: p[1])

        def series(n: float, saturation: float) -> float:
            """Resistance that takes the second point, for a saturation current from the first."""
            return (v2 - n * VT * math.log1p(i2 / saturation)) / i2

        def off(n: float, log_is: float) -> float:
            saturation = math.exp(log_is)
            return v1 - n * VT * math.log1p(i1 / saturation) - series(n, saturation) * i1

        # (v1 - n Vt ln(1 + I1/Is)) / I1 = (v2 - n Vt ln(1 + I2/Is)) / I2, for Is
        low, high = math.log(1e-300), math.log(i1 * 1e6)
        sign = 1.0 if off(2.0, high) > off(2.0, low) else -1.0
        log_is = root(lambda x: sign * off(2.0, x), low, high)
        self.n, self.saturation = 2.0, math.exp(log_is)
        self.series = series(2.0, self.saturation)
        if self.series < 0.0:
            self.series = 0.0

            def both(log_is: float) -> float:
                """No resistance: the ratio of the two voltages fixes the saturation current."""
                s = math.exp(log_is)
                return v1 / v2 - math.log1p(i1 / s) / math.log1p(i2 / s)

            sign = 1.0 if both(high) > both(low) else -1.0
            self.saturation = math.exp(root(lambda x: sign * both(x), low, high))
            self.n = v1 / (VT * math.log1p(i1 / self.saturation))

    def drop(self, current: float) -> float:
        """Voltage at a current."""
        return self.n * VT * math.log1p(current / self.saturation) + self.series * current

    def current(self, volt: float, resistance: float) -> float:
        """Current with a resistance in series on `volt`: Newton from above in y = ln(1 + I/Is)."""
        if volt <= 0.0:
            return 0.0
        scale, ohm = self.n * VT, self.series + resistance
        if ohm == 0.0:
            return self.saturation * math.expm1(min(volt / scale, 700.0))
        drop = ohm * self.saturation
        y = min(volt / scale, math.log1p(volt / drop))
        for _ in range(60):
            e = math.exp(y)
            step = (scale * y + drop * (e - 1.0) - volt) / (scale + drop * e)
            y -= step
            if abs(step) < NEAR * (1.0 + y):
                break
        return self.saturation * math.expm1(y)


Law = Callable[[float, int], float]  # supply voltage, lit segments (0: not counted) -> current


Supply = Callable[[float], float]  # voltage of the cell -> supply of the controller


def regulated(controller: dict[str, Any]) -> Supply:
    """The supply of a controller: its regulator's output, or so much less than the cell."""
    spec = controller.get("regulator")
    if spec is None:
        return lambda volt: volt
    output, drop = si(spec["output"]), si(spec.get("drop", "0 V"))
    return lambda volt: min(output, max(volt - drop, 0.0))


def light_law(spec: dict[str, Any], supply: Supply) -> Law:
    """What a light (or an emitter) draws from the cell, base current included."""
    diode, leds = Diode(spec["forward"]), spec.get("leds", 1)
    driver = spec.get("driver")
    resistor, switch = si(spec.get("resistor", "0R")), spec.get("switch", {})
    most = math.inf
    if driver:
        # A sink: its current, or with less than its drop across it a resistance.
        most = si(driver["current"])
        resistor = si(driver.get("drop", "0 V")) / most
    segments = spec.get("segments", False)
    shared = spec.get("shared", False)

    def series_ohm(common: float) -> float:
        """Resistance that each LED sees; a common one counts once for each of them."""
        own = resistor * leds if shared else resistor
        return own + (common if segments else common * leds)

    match switch.get("kind"):
        case None | "pin" | "nmos" | "pmos":
            common = si(switch.get("resistance", switch.get("on_resistance", "0R")))
            ohm = series_ohm(common)

            def plain(volt: float, lit: int) -> float:
                """Without the driver's own supply."""
                many = lit if segments else leds
                across = supply(volt) if switch.get("kind") == "pin" else volt
                return min(many * diode.current(across, ohm), most if shared else many * most)

            return plain
        case "npn":
            base, ohm = si(switch["base"]), series_ohm(0.0)
            if "saturation" in switch:
                fixed = si(switch["saturation"])

                def constant(volt: float, lit: int) -> float:
                    many = lit if segments else leds
                    return many * diode.current(volt - fixed, ohm) + supply(volt) / base

                return constant
            model = Transistor(switch)

            @functools.lru_cache(maxsize=64)  # a node is asked at its ends, and where it settles
            def modelled(volt: float, lit: int) -> float:
                many = lit if segments else leds
                return sum(model.currents(volt, base, diode, ohm, many))

            return modelled
    raise AssertionError(switch)


class Transistor:
    """Transport form of Ebers and Moll."""

    def __init__(self, switch: dict[str, Any]) -> None:
        """`gain`, `reverse_gain` and `saturation_current` of a switch."""
        self.forward = float(switch["gain"])
        self.reverse = float(switch.get("reverse_gain", 1))
        self.saturation = si(switch["saturation_current"])

    def currents(
        self, volt: float, base: float, diode: Diode, ohm: float, leds: int
    ) -> tuple[float, float]:
        """LED and base current with LEDs between supply and collector.

        The collector-emitter voltage is sought. It fixes the base-emitter voltage: with
        vbc = vbe - vce the base is one diode behind the base resistor.
        """
        if volt <= 0.0 or leds == 0:
            return 0.0, 0.0
        found = (0.0, 0.0)

        def off(vce: float) -> float:
            nonlocal found
            fall = math.exp(-vce / VT)
            one = self.saturation * (1.0 / self.forward + fall / self.reverse)
            rest = self.saturation * (1.0 / self.forward + 1.0 / self.reverse)
            # into = one e^(vbe/Vt) - rest = (volt - vbe) / base; Newton from above, as for a diode
            vbe = min(volt, VT * math.log((volt / base + rest) / one))
            for _ in range(60):
                e = one * math.exp(vbe / VT)
                step = (base * (e - rest) + vbe - volt) / (1.0 + base * e / VT)
                vbe -= step
                if abs(step) < NEAR * VT:
                    break
            e_vbe = math.exp(vbe / VT)
            e_vbc = e_vbe * fall
            led = leds * diode.current(volt - vce, ohm)
            found = led, (volt - vbe) / base
            collected = self.saturation * (e_vbe - e_vbc - (e_vbc - 1.0) / self.reverse)
            return collected - led

        off(root(off, 0.0, volt, to=1e-14))
        return found


@dataclass(frozen=True)
class Drives:
    """What is on: (consumer, duty, lit segments) each, whether alive, and the charger's mode."""

    on: tuple[tuple[str, float, int], ...] = ()
    awake: bool = False
    alive: bool = True
    charger: str = "off"
    celsius: float = 25.0
    open: bool = False  # the protection


@dataclass(frozen=True)
class Solution:
    """Mean currents of the period; the voltage with everything on."""

    volt: float
    currents: dict[str, float]
    charger_a: float
    net_a: float
    holds: tuple[int, ...] = ()  # per part of the period: the charger gives all it can (0), holds
    # the terminal at its float voltage (1), gives nothing (2)
    held: tuple[bool, ...] = ()  # per part of the period: what lets through all it can
    node: float = 0.0  # what the loads have with everything on: the terminal, but on a power path
    short: bool = False  # on a power path the cell gives something


class Electrics:
    """A gadget's circuit."""

    def __init__(self, gadget: dict[str, Any], curve: list[tuple[float, float]]) -> None:
        """`curve`: charge and open-circuit voltage, rising."""
        cell = gadget["cell"]
        series = cell.get("series", 1)  # one cell with so many times the voltage and resistance
        self.curve = [(charge, series * volt) for charge, volt in curve]
        self.capacity_c = si(cell["capacity"])
        self.ohm = series * si(cell.get("resistance", "0R"))
        self.ohm_at_charge = [
            (charge, series * ohm) for charge, ohm in _points(cell.get("resistance_at_charge", []))
        ]
        self.ohm_at_celsius = _points(cell.get("resistance_at_temperature", []))
        self.cut_off = si(cell["cut_off"]) if "cut_off" in cell else None
        self.restart = si(cell["restart"]) if "restart" in cell else None
        self.leakage_a = si(cell.get("leakage", "0 A"))
        rate = si(cell.get("self_discharge", "0 %/month"))
        self.decay_per_s = -math.log(1.0 - rate) / MONTH_S
        controller = gadget.get("controller", {})
        self.awake_a = si(controller.get("awake", "0 A"))
        self.asleep_a = si(controller.get("asleep", "0 A"))
        self.wake_c = si(controller.get("wake", "0 C"))
        self.every_instant = "step" in controller
        if self.every_instant:
            cycles = float(str(controller["step"]).removesuffix(" cycles"))
            step_s = cycles / si(controller["frequency"])
            self.wake_c += (self.awake_a - self.asleep_a) * step_s
        self.reference = si(controller["reference"]) if "reference" in controller else None
        self.steps = 2 ** controller["adc_bits"] if "adc_bits" in controller else None
        self.supply = regulated(controller)
        self.drivers = {n for n, spec in gadget.get("lights", {}).items() if "driver" in spec}
        self.regulator_a = si(controller.get("regulator", {}).get("quiescent", "0 A"))
        self.laws: dict[str, Law] = {}
        for name, spec in gadget.get("lights", {}).items():
            self.laws[name] = light_law(spec, self.supply)
            if "quiescent" in spec.get("driver", {}):  # whatever the duty, as long as it is lit
                current = spec["driver"]["quiescent"]
                self.laws[f"{name}{ITSELF}"] = _load_law({"current": current})
        for name, spec in gadget.get("loads", {}).items():
            self.laws[name] = _load_law(spec)
        for section in ("toggles", "measures"):
            for name, spec in gadget.get(section, {}).items():
                if "supply" in spec:
                    self.laws[f"{name}.supply"] = _load_law({"current": spec["supply"]})
        sensors = gadget.get("proximity", {})
        for name, spec in sensors.items():
            before = f"{name}." if len(sensors) > 1 else ""
            if "receiver" in spec and "supply" in spec["receiver"]:
                self.laws[f"{before}receiver"] = _load_law({"current": spec["receiver"]["supply"]})
            if "emitter" in spec:
                self.laws[f"{before}emitter"] = light_law(spec["emitter"], self.supply)
        self.charger = Charger(gadget["charger"]) if "charger" in gadget else None
        source = gadget.get("charger", {}).get("input", {})
        # Without a resistance in front of it a light on USB takes the same all the time.
        self.fed = {
            name: (spec["fed_by"], light_law(spec, self.supply)(si(source["voltage"]), 0))
            for name, spec in gadget.get("lights", {}).items() if "fed_by" in spec
        }
        self.input_a = si(source["limit"]) if "limit" in source else math.inf
        self.path = bool(gadget.get("charger", {}).get("power_path"))
        self.input_v = si(source["voltage"]) if source else 0.0
        self._known: dict[tuple[float, Drives], Solution] = {}

    def ocv(self, s: float) -> float:
        """Open-circuit voltage."""
        return _between(self.curve, s)

    def resistance(self, s: float, celsius: float) -> float:
        """Series resistance at a charge and temperature."""
        ohm = _between(self.ohm_at_charge, s) if self.ohm_at_charge else self.ohm
        if self.ohm_at_celsius:
            ohm *= _between(self.ohm_at_celsius, celsius) / _between(self.ohm_at_celsius, 25.0)
        return ohm

    def solve(self, s: float, drives: Drives) -> Solution:
        """Everything at one charge."""
        found = self._known.get((s, drives))
        if found is None:
            if len(self._known) > 64:
                self._known.clear()
            found = self._known[s, drives] = self._solve(s, drives)
        return found

    def past(self, drives: Drives) -> bool:
        """Whether the input feeds the loads past the cell."""
        return self.path and drives.charger != "off"

    def _solve(self, s: float, drives: Drives) -> Solution:
        if self.past(drives):
            return self._solve_past(s, drives)
        on = drives.on if drives.alive else ()
        on += tuple((f"{name}{ITSELF}", 1.0, 0) for name, duty, _ in on
                    if duty > 0.0 and f"{name}{ITSELF}" in self.laws)
        ends = sorted({1.0, *(duty for _, duty, _ in on if 0.0 < duty < 1.0)})
        totals: dict[str, float] = {}
        charger_a, begin = 0.0, 0.0
        lowest, regimes, held = 0.0, [], []
        for k, end in enumerate(ends):
            active = [(name, lit) for name, duty, lit in on if duty >= end]
            volt, given, regime = self._node(s, active, drives)
            share = end - begin
            for name, lit in active:
                whose = name.removesuffix(ITSELF)
                totals[whose] = totals.get(whose, 0.0) + share * self.laws[name](volt, lit)
            charger_a += share * given
            lowest = volt if k == 0 else lowest
            regimes.append(regime)
            held += self._held(volt, active)
            begin = end
        node = lowest
        if drives.alive:
            totals["controller"] = self.awake_a if drives.awake else self.asleep_a
            if self.regulator_a:
                totals["regulator"] = self.regulator_a
        totals["leakage"] = self.leakage_a
        totals["self_discharge"] = self.decay_per_s * s * self.capacity_c
        net = sum(totals.values()) - charger_a
        if s == 0.0 and net > 0.0:
            # An empty cell gives nothing.
            totals = {name: 0.0 * current for name, current in totals.items()}
            net = -charger_a
        if s == 1.0 and net < 0.0:
            # A full cell takes nothing: the charger feeds the load alone. (Beyond 1 the way there
            # is only gone on with, to find when it ends.)
            charger_a += net
            net = 0.0
        return Solution(lowest, totals, charger_a, net, tuple(regimes), tuple(held), node)

    def _solve_past(self, s: float, drives: Drives) -> Solution:
        """Everything at one charge while the input feeds the loads."""
        on = drives.on if drives.alive else ()
        on += tuple((f"{name}{ITSELF}", 1.0, 0) for name, duty, _ in on
                    if duty > 0.0 and f"{name}{ITSELF}" in self.laws)
        ends = sorted({1.0, *(duty for _, duty, _ in on if 0.0 < duty < 1.0)})
        totals: dict[str, float] = {}
        begin, given_a, short_any = 0.0, 0.0, False
        lowest, nodes, regimes, held = 0.0, 0.0, list[int](), list[bool]()
        for k, end in enumerate(ends):
            share = end - begin
            active = [(name, lit) for name, duty, lit in on if duty >= end]
            volt, node, into, regime = self._past_node(s, active, drives)
            if k == 0:
                lowest, nodes = volt, node
            fade = min(1.0, node / 0.1)
            drawn = {name.removesuffix(ITSELF): 0.0 for name, _ in active}
            for name, lit in active:
                drawn[name.removesuffix(ITSELF)] += self._faded(name, node, lit, fade)
            if drives.alive:
                drawn["controller"] = fade * (self.awake_a if drives.awake else self.asleep_a)
                if self.regulator_a:
                    drawn["regulator"] = fade * self.regulator_a
            for name, current in drawn.items():
                totals[name] = totals.get(name, 0.0) + share * current
            given_a += share * (sum(drawn.values()) + into)
            short_any |= into < 0.0
            regimes.append(regime)
            held += self._held(node, active)
            begin = end
        empty = s == 0.0
        totals["leakage"] = 0.0 if empty else self.leakage_a
        totals["self_discharge"] = self.decay_per_s * s * self.capacity_c
        net = sum(totals.values()) - given_a
        return Solution(lowest, totals, given_a, net, tuple(regimes), tuple(held), nodes, short_any)

    def _faded(self, name: str, volt: float, lit: int, fade: float) -> float:
        """What one draws; a constant current cannot be drawn from nothing."""
        current = self.laws[name](volt, lit)
        constant = self.laws[name](1e3, 0) == self.laws[name](2e3, 0) and name not in self.drivers
        return fade * current if constant else current

    def _past_node(
        self, s: float, active: list[tuple[str, int]], drives: Drives
    ) -> tuple[float, float, float, int]:
        """Terminal and node voltage, what goes into the cell (negative: out of it), the regime."""
        ocv, ohm = self.ocv(s), self.resistance(s, drives.celsius)
        own = self.leakage_a + self.decay_per_s * s * self.capacity_c
        fixed = 0.0
        if drives.alive:
            fixed = (self.awake_a if drives.awake else self.asleep_a) + self.regulator_a
        have = self.input_a - sum(self.fed_a(drives.charger).values())
        top = self.input_v

        def load(volt: float) -> float:
            fade = min(1.0, max(0.0, volt / 0.1))
            return fade * fixed + sum(self._faded(name, volt, lit, fade) for name, lit in active)

        def node(low: float, into: float) -> float:
            """Where loads and charger take what there is."""
            return root(lambda v: load(v) + into - have, low, top)

        alone = ocv - ohm * own
        if not drives.open and load(alone) > have:
            volt = root(lambda v: v - alone + ohm * max(0.0, load(v) - have), 0.0, alone)
            return volt, volt, have - load(volt), 3
        low = 0.0 if drives.open else alone
        most = 0.0
        if self.charger is not None and drives.charger in ("pre", "fast"):
            most = min(self.charger.limit(drives.charger), max(0.0, have - load(top)))
        if most <= 0.0:
            return alone, node(low, 0.0), 0.0, 4
        assert self.charger is not None
        if alone + ohm * most <= self.charger.float_v:
            return alone + ohm * most, node(low, most), most, 0 if have > 1e9 else 5
        into = own + (self.charger.float_v - ocv) / ohm
        if into < 0.0:
            return alone, node(low, 0.0), 0.0, 2
        return self.charger.float_v, node(low, into), into, 1

    def ends_at(self, drives: Drives) -> float:
        """The charge from which on the cell alone ends its charge, on a power path."""
        charger = self.charger
        assert charger is not None
        assert charger.finish_a is not None
        finish_a = charger.finish_a

        def over(s: float) -> float:
            own = self.leakage_a + self.decay_per_s * s * self.capacity_c
            ohm = self.resistance(s, drives.celsius)
            return self.ocv(s) + ohm * (finish_a - own) - charger.float_v

        at = root(over, 0.0, 1.0)
        return 1.0 if at < 1.0 and self.solve(at, drives).short else at

    def _held(self, volt: float, active: list[tuple[str, int]]) -> list[bool]:
        """Whether the regulator holds its output, and each driver its current."""
        found = [self.supply(volt) == self.supply(1e3)]
        return found + [self.laws[name](volt, lit) == self.laws[name](1e3, lit)
                        for name, lit in active if name in self.drivers]

    def _node(
        self, s: float, active: list[tuple[str, int]], drives: Drives
    ) -> tuple[float, float, int]:
        """Terminal voltage, charger output, and how the charger stands."""
        ocv, ohm = self.ocv(s), self.resistance(s, drives.celsius)
        constant = self.leakage_a + self.decay_per_s * s * self.capacity_c
        if drives.alive:
            constant += self.awake_a if drives.awake else self.asleep_a
            constant += self.regulator_a
        laws = [(self.laws[name], lit) for name, lit in active]

        def load(volt: float) -> float:
            return constant + sum(law(volt, lit) for law, lit in laws)

        def settled(given: float) -> float:
            top = ocv + ohm * given
            bottom = max(0.0, top - ohm * load(top))
            return root(lambda v: v - top + ohm * load(v), bottom, top)

        if self.charger is None or drives.charger not in ("pre", "fast"):
            return settled(0.0), 0.0, 0
        limit = min(self.charger.limit(drives.charger),
                    max(0.0, self.input_a - sum(self.fed_a(drives.charger).values())))
        volt = settled(limit)
        if volt <= self.charger.float_v:
            return volt, limit, 0
        given = load(self.charger.float_v) + (self.charger.float_v - ocv) / ohm
        if given >= 0.0:
            return self.charger.float_v, given, 1
        return settled(0.0), 0.0, 2

    def fed_a(self, mode: str) -> dict[str, float]:
        """What lights on USB take: there is USB unless the charger is off."""
        return {name: a for name, (by, a) in self.fed.items()
                if mode in ("pre", "fast") or (by == "usb" and mode != "off")}

    def measured(self, volt: float) -> float:
        """What the converter makes of a voltage of the cell."""
        volt = self.supply(volt)
        if self.reference is None or self.steps is None:
            return volt
        count = math.floor(self.steps * self.reference / volt)
        return round(self.steps * self.reference / count, 9)  # 1126.4 V / 320 is 3.52 V


class Charger:
    """Constant current, precharge, float."""

    def __init__(self, spec: dict[str, Any]) -> None:
        """Read `[charger]`."""
        self.current_a = (
            si(spec["current"]) if "current" in spec else si(spec["gain"]) / si(spec["program"])
        )
        self.float_v = si(spec["float"])
        self.finish_a = si(spec["finish"]) * self.current_a if "finish" in spec else None
        pre = spec.get("precharge")
        self.pre_below = self._level(pre["below"]) if pre else None
        self.pre_a = si(pre["rate"]) * self.current_a if pre else 0.0
        self.pre_back = si(pre.get("hysteresis", "0 V")) if pre else 0.0
        windows = spec.get("windows")
        self.window = (si(windows["cold"]), si(windows["hot"])) if windows else (-1e9, 1e9)
        self.recharge = self._level(spec["recharge"]) if "recharge" in spec else None

    def _level(self, text: str) -> float:
        return si(text) * self.float_v if text.endswith("%") else si(text)

    def limit(self, mode: str) -> float:
        """The most it gives in a mode."""
        return self.pre_a if mode == "pre" else self.current_a


def _load_law(spec: dict[str, Any]) -> Law:
    if "current" in spec:
        current = si(spec["current"])
        return lambda volt, lit: current
    ohm = si(spec["resistance"])
    return lambda volt, lit: volt / ohm


def _points(texts: list[str]) -> list[tuple[float, float]]:
    return sorted((at, value) for value, at in (point(text) for text in texts))


def _between(points: list[tuple[float, float]], x: float) -> float:
    """Straight lines between the points, flat outside."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]
