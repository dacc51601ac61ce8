"""What `simfw` does otherwise than the documents say: each still differs, or its name must go."""

from __future__ import annotations

import pytest

from tests.reference_sim.compare import run
from tests.reference_sim.generator import KNOWN, Case

CURVE = [("0", "3.0"), ("1", "4.2")]
LAMP = {
    "starts": "dark",
    "states": {"dark": {}, "lit": {"motor": "on"}},
    "rows": [
        {"on": "a.press", "from": "dark", "to": "lit"},
        {"on": "b.click", "from": "lit", "to": "dark"},
    ],
}


def small(scenario: dict[str, object], **sections: object) -> Case:
    """A gadget with two buttons and a motor."""
    gadget = {
        "gadget": {"name": "Small"},
        "cell": {"curve": "curve.csv", "capacity": "400 uAh", "resistance": "10R"},
        "loads": {"motor": {"current": "20 mA"}},
        "buttons": {"a": {"debounce": "0 s"}, "b": {"debounce": "0 s"}},
        "behaviour": {"lamp": LAMP},
    }
    written = {"title": "small", "gadget": "gadget.toml", "charge": "60 %", "lasts": "2 s"}
    return Case(gadget | sections, written | scenario, CURVE)


LATE_GADGET = {"gadget": {"name": "Random 10305"},
 "cell": {"curve": "curve.csv",
          "capacity": "7.2 uAh",
          "resistance": "167 mΩ",
          "leakage": "2 uA"},
 "charger": {"current": "99 mA",
             "float": "4.187 V",
             "finish": "17 %",
             "recharge": "4.038 V",
             "status": "low while charging, high when complete"},
 "controller": {"awake": "2.156 mA", "asleep": "17.190 uA", "wake": "685 nC"},
 "lights": {"bars": {"leds": 3,
                     "segments": True,
                     "forward": ["2.051 V @ 4 mA", "2.403 V @ 22 mA"],
                     "resistor": "1k",
                     "switch": {"kind": "pin", "resistance": "22R"}}},
 "buttons": {"power": {"debounce": "10 ms"}, "level": {}},
 "gauge": {"thresholds": ["3.37 V", "3.80 V", "3.88 V"],
           "light": "bars",
           "every": "680 ms",
           "show": "level.closed"}}
LATE_SCENARIO = {"title": "random",
 "gadget": "gadget.toml",
 "charge": "87 %",
 "lasts": "1700 ms",
 "steps": [{"at": "280000000 ns", "press": "power", "for": "80000000 ns"},
           {"at": "310000000 ns", "press": "level", "for": "50000000 ns"},
           {"at": "453000000 ns",
            "press": "level",
            "for": "80000000 ns",
            "bounce": "8000000 ns"},
           {"at": "160000000 ns", "usb": True},
           {"at": "791000000 ns", "press": "level", "for": "80000000 ns"},
           {"at": "370000000 ns",
            "press": "level",
            "for": "50000000 ns",
            "bounce": "3000000 ns"}]}
LATE_CURVE = [("0.0000", "3.1890"),
 ("0.1607", "3.4042"),
 ("0.3157", "3.4414"),
 ("0.4993", "3.5825"),
 ("0.7045", "3.6806"),
 ("0.9796", "4.1104"),
 ("1.0000", "4.2731")]

FULL = {"current": "20 mA", "float": "4.3 V", "status": "low while charging"}
CUT = {"curve": "curve.csv", "capacity": "400 uAh", "resistance": "10R", "cut_off": "3.5 V"}
COLD = {"curve": "curve.csv", "capacity": "400 uAh", "resistance": "10R",
        "resistance_at_temperature": ["20R @ 0 degC", "10R @ 25 degC"]}
CASES = {
    # design: one instant, ends of stimuli before beginnings
    "ends first": small(
        {
            "steps": [
                {"at": "1 s", "press": "a", "for": "500 ms"},
                {"at": "500 ms", "press": "a", "for": "500 ms"},
            ]
        }
    ),
    # design: a gadget below its cut-off is dead, and crossings come before dwells
    "dead start": small(
        {"charge": "30 %"},
        cell=CUT,
        gauge={"thresholds": ["3.3 V"], "low": "3.4 V", "flat": "3.2 V"},
    ),
    # design: at time 0 stimuli come before any zero dwell
    "stimuli at 0": small(
        {"steps": [{"at": "0 s", "press": "a", "for": "1 s"}]},
        gauge={"thresholds": ["3.3 V"], "low": "4.1 V", "flat": "3.2 V"},
    ),
    # design: a chord takes the place of double
    "chord beside double": small(
        {
            "steps": [
                {"at": "100 ms", "press": "a", "for": "100 ms"},
                {"at": "290 ms", "press": "b", "for": "200 ms"},
                {"at": "300 ms", "press": "a", "for": "200 ms"},
            ]
        },
        buttons={"a": {"debounce": "0 s", "double": "300 ms"}, "b": {"debounce": "0 s"}},
        chords={"both": {"buttons": ["a", "b"]}},
    ),
    # design: each asleep-to-awake step costs `wake`, also where the protection opens in its instant
    "wake at the cut": small(
        {"charge": "50 %", "steps": [{"at": "1 s", "press": "a", "for": "500 ms"}]},
        cell=CUT,
        controller={"wake": "500 uC"},
    ),
    # design: electrical crossings come before ended dwells, whatever stimulus makes them
    "fault before dwells": small(
        {
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "c", "for": "280 ms"},
                {"at": "500 ms", "fault": True},
            ]
        },
        charger=FULL,
        buttons={"a": {"debounce": "0 s"}, "b": {"debounce": "0 s"}, "c": {}},
    ),
    # the same of a cell that gets too cold to be charged
    "cold before dwells": small(
        {
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "c", "for": "280 ms"},
                {"at": "500 ms", "temperature": "-5 degC"},
            ]
        },
        charger=FULL | {"windows": {"cold": "0 degC", "hot": "45 degC"}},
        buttons={"a": {"debounce": "0 s"}, "b": {"debounce": "0 s"}, "c": {}},
    ),
    # design: what stands beside an event is read before the instant, input levels included
    "inputs before": small(
        {"steps": [{"at": "100 ms", "press": "a", "for": "100 ms"}]},
        rules=[
            {
                "name": "none",
                "when": "a.press and a.closed",
                "then": "lamp.dark",
                "within": "0 s",
            }
        ],
    ),
    # docs/explanation/engine.md: folded and not, times within one millionth
    "fold while charging": Case(
        {
            "gadget": {"name": "Small"},
            "cell": {"curve": "curve.csv", "capacity": "29.8 uAh", "resistance": "751 mΩ"},
            "charger": {
                "current": "278 mA",
                "float": "3.845 V",
                "finish": "10 %",
                "status": "low while charging",
            },
            "controller": {"wake": "859 nC"},
            "buttons": {"power": {"style": "sample"}},
        },
        {
            "title": "small",
            "gadget": "gadget.toml",
            "charge": "27 %",
            "lasts": "1500 ms",
            "steps": [{"at": "850 ms", "usb": True}],
        },
        [
            ("0", "3.0519"),
            ("0.2398", "3.5779"),
            ("0.6498", "3.7188"),
            ("0.6821", "3.7732"),
            ("0.915", "3.8828"),
            ("1", "4.035"),
        ],
    ),
    # docs/explanation/engine.md: folded and not, charges within one millionth
    "folds of a small cell": Case(
        {
            "gadget": {"name": "Small"},
            "cell": {"curve": "curve.csv", "capacity": "19.2 uAh", "resistance": "5R"},
            "lights": {
                "bars": {
                    "segments": True,
                    "forward": ["2.008 V @ 1 mA", "2.378 V @ 18 mA"],
                    "resistor": "1k",
                }
            },
            "proximity": {
                "wave": {
                    "carrier": "40 kHz",
                    "duty": "50 %",
                    "burst": 28,
                    "emitter": {
                        "forward": ["1.2 V @ 20 mA", "1.35 V @ 100 mA"],
                        "resistor": "47R",
                    },
                }
            },
            "gauge": {"thresholds": ["3.22 V"], "light": "bars"},
        },
        {"title": "small", "gadget": "gadget.toml", "charge": "86 %", "lasts": "1400 ms"},
        [
            ("0", "2.9792"),
            ("0.1520", "3.0345"),
            ("0.3158", "3.166"),
            ("0.6293", "3.3233"),
            ("0.8591", "3.5794"),
            ("1", "4.2792"),
        ],
    ),
    # docs/explanation/circuit.md: V = OCV(s) - R(s) I, also where it falls with rising charge
    "falling voltage": Case(
        {
            "gadget": {"name": "Small"},
            "cell": {
                "curve": "curve.csv",
                "capacity": "280 mAh",
                "resistance_at_charge": ["2918 mΩ @ 0 %", "179 mΩ @ 43 %"],
            },
            "charger": {"current": "178 mA", "float": "4.164 V"},
        },
        {
            "title": "small",
            "gadget": "gadget.toml",
            "charge": "36 %",
            "lasts": "800 ms",
            "steps": [{"at": "590 ms", "usb": True}],
        },
        [("0", "3.165"), ("0.3409", "3.7745"), ("1", "4.2059")],
    ),
    # design: a finished charge starts again when the cell is below `recharge`, here by the sag of
    # a load that is switched on, some 33 uV below
    "late recharge": Case(LATE_GADGET, LATE_SCENARIO, LATE_CURVE),
    # docs/reference/gadget-file.md: without `restart` the protection closes while the charger feeds
    # the cell; here it is on and gives nothing, since the cell at rest stands above its float
    "idle charger": Case(
        {
            "gadget": {"name": "Small"},
            "cell": {"curve": "curve.csv", "capacity": "500 mAh", "resistance": "6R",
                     "cut_off": "3.2 V"},
            "charger": {"current": "125 mA", "float": "4.031 V"},
            "loads": {"motor": {"current": "250 mA"}},
            "buttons": {"key": {"debounce": "0 s"}},
            "behaviour": {
                "r0": {
                    "starts": "idle",
                    "states": {"idle": {}, "busy": {"motor": "on"}},
                    "rows": [{"on": "key.press", "from": "idle", "to": "busy"}],
                }
            },
        },
        {
            "title": "small",
            "gadget": "gadget.toml",
            "charge": "98 %",
            "lasts": "400 ms",
            "steps": [
                {"at": "100 ms", "press": "key", "for": "50 ms"},
                {"at": "300 ms", "usb": True},
            ],
        },
        [("0", "2.9342"), ("0.7529", "3.4908"), ("0.9791", "4.034"), ("1", "4.1683")],
    ),
    # docs/explanation/circuit.md: a charge ends by the mean of the output over the PWM period. The
    # motor takes more than the charger gives, for a fiftieth of the time: 2 mA of 100 are given
    "pulsed finish": small(
        {"charge": "95 %", "steps": [{"at": "100 ms", "usb": True}]},
        charger=FULL | {"current": "100 mA", "float": "4.1 V", "finish": "10 %"},
        loads={"motor": {"current": "200 mA"}},
        behaviour={"lamp": {"starts": "lit", "states": {"lit": {"motor": "2 %"}}}},
    ),
    # docs/reference/gadget-file.md: below `below` only the precharge current flows, also where a
    # load of 20 mA behind 10 ohm takes the terminal there
    "precharge again": small(
        {
            "charge": "30 %",
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "a", "for": "50 ms"},
                {"at": "1 s", "press": "b", "for": "50 ms"},
            ],
        },
        charger=FULL | {"precharge": {"below": "3.3 V", "rate": "10 %"}, "current": "5 mA"},
    ),
    # docs/reference/gadget-file.md: an instant that finds the controller asleep draws for its step;
    # `enabled` is read on what that leaves in the cell
    "step before conditions": small(
        {"charge": "50.1 %", "steps": [{"at": "110 ms", "press": "b", "for": "50 ms"}]},
        controller={"awake": "10 mA", "step": "1000 cycles", "frequency": "10 kHz"},
        proximity={
            "wave": {"enabled": "cell.charge < 0.5005", "carrier": "38 kHz", "duty": "50 %",
                     "burst": 38}
        },
    ),
    # docs/explanation/one-instant.md: at power-up a status pin that reads high is found, pulled up
    # or not, before anything that a row emits
    "pin at power-up": small(
        {"steps": [{"at": "0 s", "usb": True}]},
        charger=FULL | {"status": "high while charging"},
        pins={"status_pin": {"source": "charger.status", "to_supply": "100k"}},
        behaviour={
            "lamp": {
                "starts": "dark",
                "states": {"dark": {}, "lit": {}},
                "rows": [{"on": "usb.in", "from": "dark", "to": "lit", "emit": ["lamp.lights"]}],
            }
        },
    ),
    # docs/explanation/one-instant.md: inputs have their new values at once; the charger meets its
    # fault before the controller gets its supply back and looks at the pin
    "fault with the switch": small(
        {
            "steps": [
                {"at": "100 ms", "toggle": "main", "to": "off"},
                {"at": "200 ms", "usb": True},
                {"at": "500 ms", "toggle": "main", "to": "on"},
                {"at": "500 ms", "fault": True},
            ]
        },
        charger=FULL,
        toggles={"main": {"in_supply": True}},
    ),
    # the same of a cell that has got too warm to be charged
    "warm with the switch": small(
        {
            "steps": [
                {"at": "100 ms", "toggle": "main", "to": "off"},
                {"at": "200 ms", "usb": True},
                {"at": "500 ms", "toggle": "main", "to": "on"},
                {"at": "500 ms", "temperature": "50 degC"},
            ]
        },
        charger=FULL | {"windows": {"cold": "0 degC", "hot": "45 degC"}},
        toggles={"main": {"in_supply": True}},
    ),
    # docs/explanation/one-instant.md: contacts that close at time 0 are found at power-up, also
    # where the load of the start states has opened the protection before that, in the same instant
    "closed at 0 through a cut": small(
        {"charge": "58 %", "steps": [{"at": "0 s", "press": "a", "for": "80 ms"}]},
        cell=CUT | {"restart": "3.6 V"},
        behaviour={
            "lamp": {
                "starts": "lit",
                "states": {"lit": {"motor": "on"}, "dark": {}},
                "rows": [{"after": "0 s", "from": "lit", "to": "dark"}],
            }
        },
    ),
    # docs/explanation/circuit.md: more than 1000 openings in a row end the run, not 700. Each costs
    # 10 mA for 17.1 ms, until the cell at rest is below `restart`: 0.1 V / 1.2 V of 1.44 C
    "many cuts": small(
        {"charge": "59 %"},
        cell=CUT | {"restart": "3.6 V"},
        controller={"awake": "10 mA", "step": "171 cycles", "frequency": "10 kHz"},
        behaviour={
            "lamp": {
                "starts": "dark",
                "states": {"dark": {}, "lit": {"motor": "on"}},
                "rows": [{"after": "0 s", "from": "dark", "to": "lit"}],
            }
        },
    ),
    # the same where USB is what brings back a supply that the firmware has let go of: the charger
    # has begun by then, and the pin, which a pull-up holds high without USB, is found low
    "usb brings it back": small(
        {"steps": [{"at": "100 ms", "usb": True}]},
        charger=FULL,
        controller={"pull_up": "35k", "powered_by": ["usb"]},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # docs/reference/behaviour.md: an unpowered state is never what is kept: that stays as it was
    "kept beside letting go": small(
        {"steps": [
            {"at": "100 ms", "press": "level", "for": "50 ms"},
            {"at": "300 ms", "press": "power", "for": "50 ms"},
            {"at": "500 ms", "press": "level", "for": "50 ms"},
        ]},
        controller={"powered_by": ["level"]},
        buttons={"power": {}, "level": {}},
        behaviour={"lamp": {
            "starts": "dark", "kept": "state",
            "states": {"dark": {}, "lit": {"motor": "on"}, "off": {"controller": "unpowered"}},
            "rows": [
                {"on": "level.press", "from": "dark", "to": "lit"},
                {"on": "power.press", "from": "*", "to": "off"},
            ],
        }},
    ),
    # docs/explanation/engine.md: what comes to rest before a corner of a current is folded like any
    # other; the charger nears its float voltage, and never gets to where it would hold it
    "rest before a corner": Case(
        {
            "gadget": {"name": "Small"},
            "cell": {"curve": "curve.csv", "capacity": "13.1 uAh", "resistance": "494 mΩ",
                     "series": 2},
            "charger": {"current": "222 mA", "float": "3.989 V"},
            "controller": {"awake": "2.572 mA", "step": "6559 cycles", "frequency": "8 MHz"},
            "lights": {
                "mark": {"forward": ["2.248 V @ 5 mA", "2.477 V @ 30 mA"], "resistor": "47R"}
            },
            "buttons": {"power": {"style": "sample"}, "level": {"debounce": "10 ms"}},
            "behaviour": {
                "r1": {
                    "starts": "idle",
                    "states": {"idle": {}, "lit": {"mark": "83 %"}},
                    "rows": [{"on": "power.click", "from": "idle", "to": "lit"}],
                }
            },
        },
        {
            "title": "small",
            "gadget": "gadget.toml",
            "charge": "68 %",
            "lasts": "1700 ms",
            "steps": [
                {"at": "260 ms", "press": "power", "for": "120 ms"},
                {"at": "770 ms", "press": "level", "for": "299581531 ns"},
                {"at": "260 ms", "usb": True},
            ],
        },
        [("0", "1.4376"), ("0.5787", "1.8679"), ("0.7861", "1.9575"), ("1", "2.021")],
    ),
    # the same of a full cell, which ends the charge in that very instant, behind the power-up
    "usb and a full cell": small(
        {"charge": "95 %", "steps": [{"at": "100 ms", "usb": True}]},
        charger=FULL | {"float": "4.1 V", "finish": "20 %"},
        controller={"powered_by": ["usb"]},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # docs/explanation/one-instant.md: a toggle cuts the supply off before a contact gives it back
    "switched off while it is pressed": small(
        {
            "steps": [
                {"at": "100 ms", "toggle": "main", "to": "off"},
                {"at": "100 ms", "press": "a", "for": "300 ms"},
            ]
        },
        controller={"awake": "5 mA", "wake": "500 uC", "powered_by": ["a"]},
        toggles={"main": {"in_supply": True}},
        gauge={"thresholds": ["3.3 V"]},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # the same where USB is what would give it back
    "switched off while usb comes": small(
        {
            "steps": [
                {"at": "100 ms", "toggle": "main", "to": "off"},
                {"at": "100 ms", "usb": True},
            ]
        },
        charger=FULL,
        controller={"awake": "5 mA", "wake": "500 uC", "powered_by": ["usb"]},
        toggles={"main": {"in_supply": True}},
        gauge={"thresholds": ["3.3 V"]},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # the same beside a switch that closes: all of that comes before the charge of a cell that is
    # nearly full ends, so that the pin is found low
    "pressed with the switch as usb comes": small(
        {
            "charge": "99.9 %",
            "steps": [
                {"at": "100 ms", "toggle": "main", "to": "off"},
                {"at": "600 ms", "toggle": "main", "to": "on"},
                {"at": "600 ms", "press": "a", "for": "200 ms"},
                {"at": "600 ms", "usb": True},
            ],
        },
        charger=FULL | {"current": "40 mA", "finish": "60 %"},
        controller={"powered_by": ["a"]},
        toggles={"main": {"in_supply": True}},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # the same as USB goes and the switch opens: the next charge ends when the cell is full
    "switched off as usb goes": small(
        {
            "charge": "93 %",
            "steps": [
                {"at": "0 s", "usb": True},
                {"at": "50 ms", "usb": False},
                {"at": "50 ms", "toggle": "main", "to": "off"},
                {"at": "750 ms", "usb": True},
            ],
        },
        charger=FULL | {"current": "300 mA", "float": "8 V"},
        toggles={"main": {"in_supply": True}},
    ),
    # docs/explanation/one-instant.md: inputs have their new values at once. At 0 degC the lamp
    # takes the terminal to 3.32 V, at 25 degC to 3.52 V
    "cold when usb comes": small(
        {"steps": [{"at": "100 ms", "temperature": "0 degC"}, {"at": "100 ms", "usb": True}]},
        cell=COLD,
        charger=FULL | {"precharge": {"below": "3.45 V", "rate": "10 %"}},
        behaviour={"lamp": LAMP | {"starts": "lit"}},
    ),
    # docs/explanation/one-instant.md: the charger begins with USB before the protection opens,
    # which stays closed since the charger feeds the lamp
    "cut off by the cold when usb comes": small(
        {"steps": [{"at": "100 ms", "temperature": "0 degC"}, {"at": "100 ms", "usb": True}]},
        cell=COLD | {"cut_off": "3.5 V"},
        charger=FULL,
        behaviour={"lamp": LAMP | {"starts": "lit"}},
    ),
    # the same where it ends: the pin tells, and only then does the lamp open the protection
    "cut off when the charger stops for the cold": small(
        {
            "charge": "50 %",
            "steps": [{"at": "100 ms", "usb": True}, {"at": "500 ms", "temperature": "-5 degC"}],
        },
        cell=CUT,
        charger=FULL | {"windows": {"cold": "0 degC", "hot": "45 degC"}},
        controller={"pull_up": "35k"},
        behaviour={"lamp": LAMP | {"starts": "lit"}},
    ),
    # the same at time 0: the cold opens the protection before anything powers up
    "cut off by the cold at 0": small(
        {"steps": [{"at": "0 s", "temperature": "0 degC"}]},
        cell=COLD | {"cut_off": "3.5 V"},
        controller={"wake": "500 uC", "awake": "1 mA"},
        toggles={"slide": {}},
        behaviour={"lamp": LAMP | {"starts": "lit"}},
    ),
    # the same of USB that goes and comes at one time: it has not gone
    "usb goes and comes": small(
        {
            "charge": "99 %",
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "700 ms", "usb": False},
                {"at": "700 ms", "usb": True},
            ],
        },
        charger=FULL | {"float": "4.1 V", "finish": "20 %"},
    ),
    # design: each asleep-to-awake step costs `wake`: of a dead start, which the slide's debounce
    # time makes, it is taken once, when the protection has closed
    "dead start of a slide": small(
        {"charge": "58 %"},
        cell=CUT | {"restart": "3.6 V"},
        controller={"awake": "30 mA", "wake": "500 uC"},
        toggles={"slide": {"debounce": "0 s"}},
    ),
    # docs/reference/behaviour.md: what is open at a power-up lets go at once, without `hold_up`;
    # the slide that opens at time 0 is open then
    "opened at 0": small(
        {"charge": "60 %", "steps": [{"at": "0 s", "toggle": "slide", "to": "off"}]},
        controller={"powered_by": ["slide"], "hold_up": "150 ms"},
        toggles={"slide": {"starts": "on"}},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # docs/reference/behaviour.md: and USB, which comes as the switch opens, then as it closes
    "usb beside the switch": small(
        {"steps": [
            {"at": "200 ms", "usb": True},
            {"at": "200 ms", "toggle": "main", "to": "off"},
            {"at": "400 ms", "usb": False},
            {"at": "600 ms", "usb": True},
            {"at": "600 ms", "toggle": "main", "to": "on"},
        ]},
        charger=FULL,
        controller={"powered_by": ["usb"], "wake": "500 uC", "step": "100 cycles",
                    "frequency": "10 kHz", "awake": "10 mA"},
        toggles={"main": {"in_supply": True}},
        behaviour={"lamp": {"starts": "off", "states": {"off": {"controller": "unpowered"}}}},
    ),
    # docs/reference/gadget-file.md: below `below` only the precharge current flows, also where a
    # finished charge starts again; 20 mA behind 10 ohm take the terminal there
    "recharge with precharge": small(
        {
            "charge": "50 %",
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "a", "for": "50 ms"},
                {"at": "1 s", "press": "b", "for": "50 ms"},
            ],
        },
        charger=FULL | {"float": "3.61 V", "finish": "10 %", "recharge": "3.5 V",
                        "precharge": {"below": "3.45 V", "rate": "10 %"}},
    ),
    # a full cell that a load takes below `recharge`: the charge goes on while the load takes
    # `finish` or more of its output
    "recharge of a full cell": small(
        {
            "charge": "100 %",
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "a", "for": "50 ms"},
                {"at": "1 s", "press": "b", "for": "50 ms"},
            ],
        },
        charger=FULL | {"float": "4.25 V", "finish": "10 %", "recharge": "4.1 V"},
    ),
    # and where it takes the terminal below `below`, it goes on with precharge
    "precharge of a full cell": small(
        {
            "charge": "100 %",
            "steps": [
                {"at": "100 ms", "usb": True},
                {"at": "200 ms", "press": "a", "for": "50 ms"},
                {"at": "1 s", "press": "b", "for": "50 ms"},
            ],
        },
        charger=FULL | {"float": "4.25 V", "finish": "10 %", "recharge": "4.1 V",
                        "precharge": {"below": "4.05 V", "rate": "20 %"}},
    ),
    # docs/reference/behaviour.md: neighbours of one level along a line are one step: each round
    # of 300 ms has three edges, not six
    "level stretches": small(
        {},
        controller={"step": "100 cycles", "frequency": "10 kHz", "awake": "10 mA"},
        sequences={"slow": {"points": ["90 % @ 0 ms", "40 % @ 100 ms", "40 % @ 300 ms"],
                            "every": "50 ms"}},
        behaviour={"lamp": {"starts": "lit", "states": {"lit": {"motor": "slow"}}}},
    ),
    # two written steps of one level are two, and a round of one level begins with an edge
    "steps of one level": small(
        {},
        controller={"step": "100 cycles", "frequency": "10 kHz", "awake": "10 mA"},
        sequences={"slow": {"steps": ["40 % for 70 ms", "40 % for 50 ms"]},
                   "even": {"points": ["30 % @ 0 ms", "30 % @ 170 ms"], "every": "50 ms"}},
        behaviour={"lamp": {"starts": "lit", "states": {"lit": {"motor": "slow"}}},
                   "other": {"starts": "lit", "states": {"lit": {"motor": "even"}}}},
    ),
    # a product of shares has its own last digit on either side
    "product of shares": small(
        {},
        dials={"dim": {"count": 5, "from": "5 %", "to": "100 %", "spacing": "ratio",
                       "starts": 3, "rows": [{"on": "a.press", "step": 1}]}},
        behaviour={
            "lamp": {"starts": "lit",
                     "states": {"lit": {"motor": "dim", "scale": {"motor": "97 %"}}}},
            "veil": {"starts": "lit", "states": {"lit": {"scale": {"motor": "45 %"}}}},
        },
    ),
    # docs/reference/gadget-file.md: a charge ends below `finish`, not at it; a tenth of the time
    # the motor takes all of 5 mA, and the cell stands above the float voltage else
    "output of just the finish": small(
        {"charge": "98 %", "steps": [{"at": "100 ms", "usb": True}]},
        charger=FULL | {"current": "5 mA", "float": "4.1 V", "finish": "10 %"},
        behaviour={"lamp": {"starts": "lit", "states": {"lit": {"motor": "10 %"}}}},
    ),
    # a contact opens in the very instant in which the cell is full: 5 mA for 100 ms from 0.5 mC
    # below 0.36 C
    "full in an instant": small(
        {
            "charge": "100 %",
            "steps": [
                {"at": "50 ms", "press": "b", "for": "350 ms"},
                {"at": "300 ms", "usb": True},
                {"at": "350 ms", "press": "a", "for": "50 ms"},
            ],
        },
        cell={"curve": "curve.csv", "capacity": "100 uAh", "resistance": "1R"},
        charger=FULL | {"current": "5 mA"},
        behaviour={"lamp": {
            "starts": "lit",
            "states": {"lit": {"motor": "50 %"}, "dark": {}},
            "rows": [{"after": "50 ms", "from": "lit", "to": "dark"}],
        }},
    ),
    # design: charge 1 ends charging, whatever the charger still feeds
    "full cell": small(
        {"charge": "99.9 %", "steps": [{"at": "100 ms", "usb": True}]},
        charger=FULL,
        behaviour={},
    ),
    # periods of a state that lets go of the supply, kept on by a contact, were written as kept
    "unpowered and held on": small(
        {"lasts": "1500 ms", "steps": [
            {"at": "400 ms", "press": "level", "for": "1 s", "bounce": "5000000 ns"}]},
        controller={"powered_by": ["level"]},
        buttons={"level": {}},
        behaviour={"lamp": {
            "starts": "lit", "kept": "state",
            "states": {"lit": {"motor": "on"}, "dark": {"controller": "unpowered"}},
            "rows": [{"after": "40 ms", "from": "*", "to": "dark"}],
        }},
    ),
    # the same of a cell behind a switch that opens in the instant in which USB goes: what charges
    # it later ends at charge 1
    "full behind a switch": small(
        {
            "charge": "100 %",
            "steps": [
                {"at": "150 ms", "usb": True},
                {"at": "200 ms", "toggle": "main", "to": "off"},
                {"at": "200 ms", "usb": False},
                {"at": "400 ms", "usb": True},
            ],
        },
        cell={"curve": "curve.csv", "capacity": "20 mAh", "resistance": "10R"},
        charger={"current": "5 mA", "float": "4.3 V"},
        toggles={"main": {"in_supply": True}},
        behaviour={"lamp": {
            "starts": "lit",
            "states": {"lit": {"motor": "on"}, "dark": {}},
            "rows": [{"after": "100 ms", "from": "lit", "to": "dark"}],
        }},
    ),
}


def test_every_name_has_a_case() -> None:
    """No difference is left out of the random gadgets without a case that shows it."""
    assert set(CASES) >= KNOWN


@pytest.mark.parametrize("name", sorted(CASES))
def test_known_differences_are_still_there(name: str) -> None:
    """A name in KNOWN differs; one that is not in KNOWN does not."""
    verdict = run(CASES[name], judge_known=True)
    assert verdict.refused is None
    assert bool(verdict.differences) == (name in KNOWN), verdict.differences
