"""Planted faults: a faulty gadget, its sound twin, what must be found, and a way made by hand.

`id` is the number in docs/reference/checks.md. Each gadget is a small lamp of our own; only the
part that matters differs between the twins.
"""

from __future__ import annotations

from dataclasses import dataclass

HEAD = """
[gadget]
name = "Bench lamp"
"""
CELL = """
[cell]
curve = "lco"
capacity = "650 mAh"
resistance = "180 mΩ"
cut_off = "3.05 V"
restart = "3.25 V"
"""
CONTROLLER = """
[controller]
awake = "1.2 mA"
asleep = "4.5 uA"
reference = "1.1 V"
adc_bits = 10
"""
LAMP = """
[lights.lamp]
leds = 4
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
switch = { kind = "nmos", on_resistance = "60 mΩ" }
"""
BARS = """
[lights.bars]
leds = 5
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
switch = { kind = "pin", resistance = "25R" }
"""
CHARGER = """
[charger]
program = "3k3"
gain = "1000 V"
float = "4.20 V"
finish = "10 %"
precharge = { below = "2.9 V", rate = "10 %" }
recharge = "4.05 V"
status = "low while charging"
"""
KEY = """
[buttons.key]
debounce = "20 ms"
"""
CLICKS = """
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
  { after = "45 min", from = "lit", to = "dark" },
]
"""
SENSOR = """
[proximity.wave]
every = "125 ms"
settle = "2 ms"
agree = 2
clear = "600 ms"
carrier = "38 kHz"
duty = "50 %"
burst = 24
receiver = { supply = "0.37 mA", threshold = "0.7 mW/m2", gain_control = "AGC2" }
target = { reflectance = "55 %", area = "80 cm2" }
[proximity.wave.emitter]
forward = ["1.35 V @ 100 mA", "1.2 V @ 20 mA"]
resistor = "47R"
intensity = "36 mW/sr @ 100 mA"
half_angle = "25 deg"
switch = { kind = "npn", base = "1k", gain = 200, saturation_current = "1e-14 A" }
"""
GAUGE = """
[gauge]
light = "bars"
thresholds = ["3.30 V", "3.52 V", "3.66 V", "3.80 V", "3.98 V"]
hysteresis = "80 mV"
low = "3.45 V"
flat = "3.25 V"
every = "1 s"
show = "lamp.lit"
"""
FLASH = """
[loads.flash]
current = "400 mA"
"""
BASE = HEAD + CELL + CONTROLLER + LAMP
PLAIN = BASE + KEY + CLICKS
TAP = '{ at = "1 s", press = "key", for = "100 ms" }'
TAP2 = '{ at = "3 s", press = "key", for = "100 ms" }'


def behaviour(name: str, starts: str, states: str, *rows: str) -> str:
    """A written region as text."""
    written = "\n".join(f"states.{state}" for state in states.split("; "))
    return f'\n[behaviour.{name}]\nstarts = "{starts}"\n{written}\nrows = [\n' + "".join(
        f"  {{ {row} }},\n" for row in rows) + "]\n"


def rule(text: str) -> str:
    """One rule as text."""
    return f'\n[[rules]]\nname = "wanted"\n{text}\n'


@dataclass(frozen=True)
class Case:
    """A fault, its twins, and what finds it. `hand`: steps that break the rule, made by hand."""

    id: str
    title: str
    check: str
    sound: str
    faulty: str
    hand: tuple[str, ...] = ()
    charge: str = "80 %"
    lasts: str = "10 s"
    effort: float = 0.3
    runs: int = 40


def swapped(whole: str, old: str, new: str) -> str:
    """`whole` with one part replaced; it must be there."""
    assert old in whole, old
    return whole.replace(old, new, 1)


def pair(whole: str, sound: str, faulty: str) -> dict[str, str]:
    """The sound text and the one with `sound` replaced by `faulty`."""
    return {"sound": whole, "faulty": swapped(whole, sound, faulty)}


def _key(extra: str) -> str:
    return KEY + extra + "\n"


LIT = "dark = {}; lit = { lamp = \"on\" }"
OFF = 'on = "key.click", from = "lit", to = "dark"'
ON = 'on = "key.click", from = "dark", to = "lit"'

TAPS = behaviour(
    "tap", "rest", "rest = {}; blind = {}; down = {}; long = {}",
    'on = "key.press", from = "rest", to = "blind"',
    'after = "50 ms", from = "blind", to = "down"',
    'on = "key.release", from = ["blind", "down", "long"], to = "rest"',
    'after = "3 s", from = "down", to = "long"',
)
POLL = behaviour(
    "poll", "idle", 'idle = {}; seen = { lamp = "on" }',
    'on = "key.press", from = "idle", to = "seen"',
    'on = "key.release", from = "seen", to = "idle"',
)
POLL_SLOW = behaviour(
    "poll", "idle", 'idle = {}; seen = { lamp = "on" }',
    'after = "500 ms", from = "idle", to = "seen", when = "key.pressed"',
    'after = "501 ms", from = "idle", to = "idle"',
    'on = "key.release", from = "seen", to = "idle"',
)
DOUBLE = _key('double = "350 ms"')
HOLD = _key('hold = "1 s"')
BOOST = behaviour("lamp", "dark", LIT + "; armed = {}", ON, OFF,
                  'on = "key.double", from = "dark", to = "lit"')
LOCK = behaviour("lamp", "dark", LIT + "; locked = {}", ON, OFF,
                 'on = "key.hold", from = ["dark", "lit"], to = "locked"',
                 'on = "key.hold", from = "locked", to = "dark"')
CLASSES = behaviour(
    "tap", "rest", "rest = {}; short = {}; middle = {}; long = {}",
    'on = "key.press", from = "rest", to = "short"',
    'after = "500 ms", from = "short", to = "middle"',
    'after = "100 ms", from = "middle", to = "long", emit = "tap.held"',
    'on = "key.release", from = ["short", "middle"], to = "rest", emit = "tap.click"',
    'on = "key.release", from = "long", to = "rest"',
) + behaviour("lamp", "dark", LIT, 'on = "tap.click", from = "dark", to = "lit"',
              'on = "tap.held", from = "lit", to = "dark"')
TWO = """
[buttons.up]
debounce = "20 ms"
[buttons.down]
debounce = "20 ms"
[chords]
both = { buttons = ["up", "down"], within = "80 ms" }
"""
CHORD = behaviour("lamp", "dark", LIT + "; locked = {}",
                  'on = "up.click", from = "dark", to = "lit"',
                  'on = "down.click", from = "lit", to = "dark"',
                  'on = "both.chord", from = ["dark", "lit"], to = "locked"',
                  'on = "both.chord", from = "locked", to = "dark"')
BOOT = behaviour("boot", "fresh", "fresh = {}; normal = {}; service = {}",
                 'after = "0 s", from = "fresh", to = "normal"',
                 'on = "key.hold", from = "normal", to = "normal"')
MOMENT = behaviour("lamp", "dark", LIT, 'on = "key.press", from = "dark", to = "lit"',
                   'on = "key.release", from = "lit", to = "dark"',
                   'after = "30 s", from = "lit", to = "dark"')
SLEEP = behaviour("lamp", "dark", LIT, 'on = "key.press", from = "dark", to = "lit"',
                  'on = "key.press", from = "lit", to = "dark"') + behaviour(
    "sleep", "awake", "awake = {}; asleep = {}", 'after = "10 s", from = "awake", to = "asleep"',
    'on = "key.press", from = ["awake", "asleep"], to = "awake"')
WAVED = behaviour("lamp", "dark", LIT, 'on = "wave.wave", from = "dark", to = "lit"',
                  'on = "wave.wave", from = "lit", to = "dark"')
WAVE_OR_KEY = behaviour("lamp", "dark", LIT, 'on = "wave.wave", from = "dark", to = "lit"',
                        'on = "key.click", from = "lit", to = "dark"')
CUT = behaviour("lamp", "dark", 'dark = {}; lit = { lamp = "on", flash = "on" }; cut = {}', ON, OFF,
                'on = "cell.flat", from = "lit", to = "cut"',
                'on = "cell.back", from = "cut", to = "dark"')
DOUBT = behaviour(
    "lamp", "dark",
    'dark = {}; lit = { lamp = "on", flash = "on" }; doubt = { lamp = "on" }', ON, OFF,
    'on = "cell.flat", from = "lit", to = "doubt"',
    'after = "3 s", from = "doubt", to = "dark", when = "cell.flat"',
    'after = "3 s", from = "doubt", to = "lit"')
GAUGED = BASE + BARS + KEY + GAUGE + CLICKS
FLASHED = BASE + FLASH + BARS + KEY + GAUGE
USB_OFF = behaviour("lamp", "dark", LIT, ON + ', when = "charge.unplugged"', OFF,
                    'on = "usb.in", from = "lit", to = "dark"')
SIGN = behaviour("sign", "off", "off = {}; full = {}",
                 'on = "charge.completed", from = "off", to = "full"',
                 'on = "usb.out", from = "full", to = "off"')
TIMER = behaviour("timer", "idle", "idle = {}; running = {}; expired = {}",
                  'on = "charge.started", from = "idle", to = "running"',
                  'on = "charge.completed", from = "running", to = "idle"',
                  'on = "usb.out", from = ["running", "expired"], to = "idle"',
                  'after = "12 h", from = "running", to = "expired"')
TRAPS = behaviour("lamp", "dark", LIT + '; boost = { lamp = "on" }', ON, OFF,
                  'on = "key.double", from = "lit", to = "boost"',
                  'on = "key.click", from = "boost", to = "dark"')
PINS = """
[pins.sense]
source = "usb"
series = "100k"
to_ground = "47k"
"""

CASES = (
    Case("A1", "one press counted as several", "several-per-press",
         **pair(PLAIN, 'debounce = "20 ms"', 'debounce = "1 ms"'), runs=60),
    Case("A2", "bounce on release gives a second click", "several-per-press",
         **pair(BASE + '\n[buttons.key]\nstyle = "sample"\nsamples = 5\nsample_every = "4 ms"\n'
                + CLICKS, "samples = 5", "samples = 1"), runs=60),
    Case("A3", "ghost hold", "rule",
         **pair(BASE + KEY + TAPS + rule('never = "tap.long and not key.pressed"'),
                'from = ["blind", "down", "long"]', 'from = ["down", "long"]'),
         hand=('{ at = "1 s", press = "key", for = "30 ms" }',)),
    Case("A4", "fast taps missed", "rule",
         sound=BASE + KEY + POLL + rule('when = "key.press"\nthen = "poll.seen"\n'
                                        'within = "600 ms"'),
         faulty=BASE + KEY + POLL_SLOW + rule('when = "key.press"\nthen = "poll.seen"\n'
                                              'within = "600 ms"'),
         hand=('{ at = "1.1 s", press = "key", for = "50 ms" }',)),
    Case("A5", "click acted on before the window for a double closes", "rule",
         **pair(BASE + DOUBLE + BOOST + rule('when = "key.release and lamp.dark"\n'
                                             'then = "lamp.dark"\nwithin = "1 ms"'),
                ON, ON.replace("key.click", "key.release")), hand=(TAP,)),
    Case("A6", "every single click feels slow", "double-unused",
         **pair(BASE + DOUBLE + BOOST, '  { on = "key.double", from = "dark", to = "lit" },\n',
                "")),
    Case("A7", "double click impossible for people", "double-too-short",
         **pair(BASE + DOUBLE + BOOST, '"350 ms"', '"120 ms"')),
    Case("A8", "double click acted on only when the finger lets go", "rule",
         **pair(BASE + DOUBLE + BOOST + rule('when = "key.double and lamp.dark"\n'
                                             'then = "lamp.lit"\nwithin = "100 ms"'),
                'on = "key.double", from = "dark", to = "lit"',
                'on = "key.double", from = "dark", to = "armed" },\n'
                '  { on = "key.release", from = "armed", to = "lit"'),
         hand=(TAP, '{ at = "1.2 s", press = "key", for = "900 ms" }')),
    Case("A9", "hold also yields an action on release", "rule",
         **pair(BASE + HOLD + LOCK + rule('stays = "lamp.locked"\nfor = "500 ms"'),
                'on = "key.hold", from = "locked"', 'on = "key.release", from = "locked"'),
         hand=('{ at = "1 s", press = "key", for = "1100 ms" }',)),
    Case("A10", "a press length that belongs to no class", "rule",
         **pair(BASE + KEY + CLASSES + rule('when = "key.release and tap.middle and lamp.dark"\n'
                                            'then = "lamp.lit"\nwithin = "1 ms"'),
                'on = "key.release", from = ["short", "middle"], to = "rest", emit = "tap.click"',
                'on = "key.release", from = "middle", to = "rest" },\n'
                '  { on = "key.release", from = "short", to = "rest", emit = "tap.click"'),
         hand=('{ at = "1 s", press = "key", for = "550 ms" }',)),
    Case("A11", "chord seen as a single press", "rule",
         **pair(BASE + TWO + CHORD + rule('when = "up.press and lamp.dark"\n'
                                          'then = "lamp.dark or lamp.locked"\nwithin = "1 ms"'),
                'on = "up.click"', 'on = "up.press"'),
         hand=('{ at = "1 s", press = "up", for = "300 ms" }',
               '{ at = "1.03 s", press = "down", for = "300 ms" }')),
    Case("A12", "letting go of a chord acts", "rule",
         **pair(BASE + TWO + CHORD + rule('stays = "lamp.locked"\nfor = "30 ms"'),
                'on = "both.chord", from = "locked", to = "dark"',
                'on = "up.release", from = "locked", to = "lit"'),
         hand=('{ at = "1 s", press = "up", for = "60 ms" }',
               '{ at = "1.05 s", press = "down", for = "300 ms" }')),
    Case("A13", "button held while power comes up", "rule",
         **pair(BASE + HOLD + BOOT + rule('never = "boot.service"'),
                '  { after = "0 s", from = "fresh", to = "normal" },\n',
                '  { after = "0 s", from = "fresh", to = "service", when = "key.closed" },\n'
                '  { after = "0 s", from = "fresh", to = "normal" },\n'),
         hand=('{ at = "0 s", press = "key", for = "1 s" }',)),
    Case("A14", "stuck key keeps the light on", "rule",
         **pair(BASE + KEY + MOMENT + rule('when = "key.press"\nthen = "lamp.dark"\n'
                                           'within = "35 s"'),
                '  { after = "30 s", from = "lit", to = "dark" },\n', ""),
         hand=('{ at = "1 s", press = "key", for = "1 min" }',), lasts="2 min"),
    Case("A15", "switched on in the pocket, for ever", "rule",
         **pair(PLAIN + rule('when = "key.click and lamp.dark"\nthen = "lamp.dark"\n'
                             'within = "46 min"'),
                '  { after = "45 min", from = "lit", to = "dark" },\n', ""),
         hand=(TAP,), lasts="1 h"),
    Case("A16", "first press after sleep swallowed", "rule",
         **pair(BASE + KEY + SLEEP + rule('when = "key.press and lamp.dark"\nthen = "lamp.lit"\n'
                                          'within = "10 ms"'),
                'on = "key.press", from = "dark", to = "lit"',
                'on = "key.press", from = "dark", to = "lit", when = "sleep.awake"'),
         hand=('{ at = "20 s", press = "key", for = "100 ms" }',), lasts="30 s"),
    Case("A17", "awake without end", "never-asleep",
         **pair(PLAIN, "states.dark = {}", 'states.dark = { controller = "awake" }')),
    Case("B3", "presence fades by the receiver's gain control", "burst-rule",
         **pair(BASE + SENSOR.replace("125 ms", "5 ms") + WAVED, "burst = 24", "burst = 80")),
    Case("B4", "burst too short", "burst-too-short",
         **pair(BASE + SENSOR + WAVED, "burst = 24", "burst = 6")),
    Case("B6", "a step of sunlight counts as a wave", "single-echo",
         **pair(BASE + SENSOR + WAVED, "agree = 2", "agree = 1")),
    Case("B7", "waves missed because looks are far apart", "look-too-slow",
         **pair(BASE + SENSOR + WAVED, 'every = "125 ms"', 'every = "500 ms"')),
    Case("B8", "one wave toggles twice", "rule",
         **pair(BASE + SENSOR + WAVED + rule('stays = "lamp.lit"\nfor = "600 ms"'),
                'on = "wave.wave", from = "lit"', 'on = "wave.near", from = "lit"'),
         hand=('{ at = "1 s", wave = "wave", distance = "10 cm", for = "250 ms" }',
               '{ at = "1.5 s", wave = "wave", distance = "10 cm", for = "300 ms" }'),
         effort=0.5),
    Case("B9", "buttons dead while something stays in front", "rule",
         **pair(BASE + KEY + SENSOR + WAVE_OR_KEY + rule(
             'when = "key.click and lamp.lit"\nthen = "lamp.dark"\nwithin = "50 ms"'),
             'on = "key.click", from = "lit", to = "dark"',
             'on = "key.click", from = "lit", to = "dark", when = "not wave.near"'),
         hand=('{ at = "1 s", wave = "wave", distance = "10 cm", for = "5 s" }',
               '{ at = "3 s", press = "key", for = "100 ms" }'), effort=0.5),
    Case("B10", "echo read before the receiver has settled", "no-settling",
         **pair(BASE + SENSOR + WAVED, 'settle = "2 ms"', 'settle = "0 s"')),
    Case("B11", "sensor left running while locked", "rule",
         **pair(BASE + HOLD + SENSOR.replace("agree", 'enabled = "not lamp.locked"\nagree', 1)
                + LOCK
                + rule('never = "lamp.locked and wave.emitting"'),
                'enabled = "not lamp.locked"\n', ""),
         hand=('{ at = "1 s", press = "key", for = "1500 ms" }',)),
    Case("B12", "emitter on for too long", "emitter-too-long",
         **pair(BASE + SENSOR + WAVED, "burst = 24", "burst = 2000")),
    Case("B14", "an input that nothing drives", "pin-level",
         **pair(PLAIN + '\n[pins.key]\nsource = "button.key"\nto_supply = "100k"\n',
                'to_supply = "100k"\n', "")),
    Case("C1", "bars flicker at a threshold", "gauge-no-hysteresis",
         **pair(GAUGED, 'hysteresis = "80 mV"\n', "")),
    Case("C2", "bars sag under load", "gauge-sag-bars",
         **pair(FLASHED + CUT, '"3.52 V", "3.66 V"', '"3.62 V", "3.66 V"')),
    Case("C3", "bars rise while discharging", "gauge-sag",
         **pair(GAUGED, 'hysteresis = "80 mV"', 'hysteresis = "5 mV"')),
    Case("C5", "the reference's tolerance shifts the thresholds", "flat-below-cut-off",
         **pair(GAUGED, 'reference = "1.1 V"', 'reference = "1.1 V ± 9 %"')),
    Case("C6", "full shown before the charge ends", "rule",
         **pair(BASE + BARS + KEY + CHARGER + GAUGE.replace('show = "lamp.lit"',
                                                            'show = "not charge.charging"')
                + CLICKS + rule('never = "charge.charging and bars > 0.9"'),
                'show = "not charge.charging"', 'show = "not charge.unplugged"'),
         hand=('{ at = "1 s", usb = true }',), charge="99 %", effort=0.5),
    Case("C8", "the low-cell action comes on one dip", "rule",
         **pair(FLASHED + DOUBT + rule('when = "cell.flat and lamp.lit"\n'
                                       'then = "lamp.lit or lamp.doubt"\nwithin = "1 ms"'),
                'on = "cell.flat", from = "lit", to = "doubt"',
                'on = "cell.flat", from = "lit", to = "dark"'),
         hand=(TAP,), charge="1.04 %", effort=0.5),
    Case("C9", "light comes back by itself after the cut", "rule",
         **pair(FLASHED.replace('low = "3.45 V"\n', "") + CUT + rule(
             'when = "cell.back and lamp.cut"\nthen = "not lamp.lit"\nwithin = "1 ms"'),
             'on = "cell.back", from = "cut", to = "dark"',
             'on = "cell.back", from = "cut", to = "lit"'),
         hand=(TAP,), charge="1.04 %", effort=0.5),
    Case("C10", "protection opens and closes again and again", "cut-off-hunting",
         **pair(FLASHED.replace(GAUGE, "") + behaviour(
             "lamp", "dark", 'dark = {}; lit = { lamp = "on", flash = "on" }', ON, OFF),
             'restart = "3.25 V"', 'restart = "3.07 V"')),
    Case("C11", "over-discharge on the shelf", "reserve-short",
         **pair(GAUGED.replace('flat = "3.25 V"', 'flat = "3.40 V"'), 'asleep = "4.5 uA"',
                'asleep = "300 uA"')),
    Case("D1", "charged and unplugged look the same", "rule",
         **pair(BASE + KEY + CHARGER + CLICKS + SIGN + rule('never = "sign.full and not usb"'),
                'on = "usb.out", from = "full"', 'on = "key.click", from = "full"'),
         hand=('{ at = "1 s", usb = true }', '{ at = "5 h", usb = false }'), charge="100 %",
         lasts="6 h", effort=1.0, runs=60),
    Case("D4", "a sense input powers the controller from behind", "pin-level",
         **pair(swapped(PLAIN + CHARGER + PINS.replace('"47k"', '"10k"'), "adc_bits = 10\n",
                        'adc_bits = 10\n[controller.limits]\nabove = "0.5 V"\n'
                        'below = "0.5 V"\nclamp = "0.5 V"\ninjection = "1 mA"\n'),
                'series = "100k"', 'series = "330R"')),
    Case("D6", "a sense divider drains the cell", "divider-drain",
         **pair(PLAIN + CHARGER + PINS.replace('"usb"', '"cell"').replace('"100k"', '"4M7"')
                .replace('"47k"', '"4M7"'), 'series = "4M7"\nto_ground = "4M7"',
                'series = "47k"\nto_ground = "47k"')),
    Case("D7", "a charge that never ends", "charge-never-ends",
         sound=BASE + KEY + CHARGER + USB_OFF, faulty=BASE + KEY + CHARGER + CLICKS),
    Case("D8", "a safety timer ends the charge too early", "rule",
         **pair(BASE + KEY + CHARGER + CLICKS + TIMER + rule('never = "timer.expired"'),
                'after = "12 h"', 'after = "20 min"'),
         hand=('{ at = "1 s", usb = true }',), charge="20 %", lasts="3 h", effort=0.6),
    Case("D9", "top-up cycles on the charger", "recharge-cycling",
         **pair(PLAIN.replace('asleep = "4.5 uA"', 'asleep = "500 uA"') + CHARGER,
                'recharge = "4.05 V"', 'recharge = "4.195 V"')),
    Case("D10", "plugging in acts like a key", "rule",
         **pair(BASE + KEY + CHARGER + USB_OFF + rule('when = "usb.in and lamp.dark"\n'
                                                      'then = "lamp.dark"\nwithin = "1 ms"'),
                'on = "usb.in", from = "lit", to = "dark"',
                'on = "usb.in", from = "dark", to = "lit"'),
         hand=('{ at = "1 s", usb = true }',)),
    Case("D11", "lamp allowed while charging", "rule",
         **pair(BASE + KEY + CHARGER + USB_OFF + rule('never = "charge.charging and lamp > 0"'),
                ', when = "charge.unplugged"', ""),
         hand=('{ at = "1 s", usb = true }', TAP2)),
    Case("D13", "a deeply discharged cell does not start", "precharge-starved",
         **pair(PLAIN + CHARGER, 'rate = "10 %"', 'rate = "0.3 %"')),
    Case("E1", "intervals far from nominal", "clock-margin",
         **pair(PLAIN + rule('when = "key.click and lamp.dark"\nthen = "lamp.dark"\n'
                             'within = "55 min"'), 'within = "55 min"', 'within = "46 min"')),
    Case("E6", "sleeping with something on", "never-asleep",
         **pair(PLAIN + '\n[loads.probe]\ncurrent = "280 uA"\n',
                "states.dark = {}", 'states.dark = { probe = "on" }')),
    Case("E7", "an input near half the supply", "pin-level",
         **pair(swapped(PLAIN + CHARGER + PINS, "adc_bits = 10\n", "adc_bits = 10\n"
                        '[controller.limits]\ninput_low = "30 %"\ninput_high = "60 %"\n').replace(
             'series = "100k"\nto_ground = "47k"', 'series = "100k"\nto_ground = "180k"'),
             'to_ground = "180k"', 'to_ground = "47k"')),
    Case("E9", "trap", "trap",
         **pair(BASE + DOUBLE + TRAPS, '  { on = "key.click", from = "boost", to = "dark" },\n',
                "")),
    Case("F1", "flash at start", "light-at-power-up",
         **pair(PLAIN, 'starts = "dark"', 'starts = "lit"')),
    Case("F5", "brightness follows the cell", "light-fades",
         **pair(GAUGED.replace('low = "3.45 V"', 'low = "3.70 V"').replace(
             'flat = "3.25 V"', 'flat = "3.6 V"'), 'flat = "3.6 V"', 'flat = "3.10 V"')),
)

NOT_EXPRESSIBLE = {
    "A18": "which action is dangerous is not in a gadget file; a rule can say it of one gadget",
    "B1": "the model has no light path from emitter to receiver but the hand",
    "B2": "the model has no coupling from the lamp to the receiver",
    "B5": "the model has no foreign sources of infra-red",
    "B13": "the model has no ringing of the receiver after a burst",
    "C4": "the stock gauge has no one-way filter",
    "C7": "the drift of a counting gauge is a matter of months, not of a change of state",
    "C12": "a gadget file always has a cell",
    "D2": "a gadget file states one polarity of the status pin; comparing rivals is another job",
    "D3": "the status pin of the model does not flash",
    "D5": "the model has no leakage from the cell to the USB node",
    "D12": "the model has no inductance",
    "E2": "the model has no watchdog", "E3": "the model has no slow decay of the supply",
    "E4": "the model has no non-volatile memory", "E5": "the model has no non-volatile memory",
    "E8": "the model's clocks do not wrap", "E10": "latch-up is not simulated",
    "F2": "pulse widths below the PWM period are not in a gadget file",
    "F3": "the PWM frequency is not in a gadget file",
    "F4": "the PWM step is not in a gadget file",
    "F6": "the model has no temperature of its own", "F7": "the model has no case temperature",
    "G1": "an error of the bench, not of the gadget", "G2": "an error of the bench",
    "G3": "an error of the bench", "G4": "an error of the bench", "G5": "an error of the bench",
    "G6": "an error of the bench",
}
