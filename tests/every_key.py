"""A gadget that uses every key of the gadget file, and for each key what else to write there.

Invented: no figure here is that of a part. They are chosen so that each key bears on something.
"""

from __future__ import annotations

import re

__all__ = ["CASES", "CHECKED", "GADGET", "HOLD_ELSEWHERE", "LIFE", "LOW", "OFF", "RUN", "parts_of"]

GADGET = """\
[gadget]
name = "Every key"
about = "one of each"
[cell]
curve = "nmc-150mah-pouch"
capacity = "20 mAh"
cut_off = "3.1 V"
restart = "3.2 V"
leakage = "2 uA"
self_discharge = "3 %/month"
resistance_at_charge = ["900 mΩ @ 10 %", "700 mΩ @ 90 %"]
resistance_at_temperature = ["2 ohm @ 0 degC", "1 ohm @ 25 degC"]
[charger]
program = "10k"
program_open = "300k"
gain = "1000 V"
float = "4.10 V"
finish = "10 %"
precharge = { below = "3.7 V", rate = "10 %", hysteresis = "50 mV" }
recharge = "4.05 V"
status = "low while charging"
pass_resistance = "400 mΩ"
[charger.input]
voltage = "5 V"
resistance = "500 mΩ"
limit = "90 mA"
hold = "4.98 V"
start = "4.95 V"
stop = "4.9 V"
start_above_cell = "850 mV"
stop_above_cell = "800 mV"
[charger.heat]
resistance = "900 K/W"
limit = "120 degC"
[charger.windows]
cold = "0 degC"
hot = "50 degC"
cool = "28 degC"
cool_rate = "50 %"
warm = "40 degC"
warm_float = "4.0 V"
[controller]
awake = "1 mA"
asleep = "3 uA"
wake = "50 nC"
step = "2000 cycles"
frequency = "1 MHz"
reference = "1.1 V ± 3 %"
adc_bits = 8
pull_up = "35k"
clock = "2 %"
[controller.limits]
input_low = "30 %"
input_high = "60 %"
above = "500 mV"
below = "400 mV"
clamp = "450 mV"
injection = "1 mA"
injection_sum = "2 mA"
leakage = "1 uA"
pin_current = "1 mA"
[lights.lamp]
leds = 2
colour = "white"
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "47R"
shared = false
switch = { kind = "nmos", on_resistance = "60 mΩ" }
[lights.flag]
colour = "red"
forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]
resistor = "330R"
switch = { kind = "pin", resistance = "25R" }
[lights.beam]
forward = ["2.7 V @ 4 mA", "2.9 V @ 20 mA"]
driver = { kind = "sink", current = "12 mA", drop = "800 mV", quiescent = "30 uA" }
switch = { kind = "pmos", on_resistance = "70 mΩ" }
[lights.plug]
forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]
resistor = "1k5"
fed_by = "usb"
[lights.bars]
leds = 3
segments = true
forward = ["1.9 V @ 2 mA", "2.1 V @ 10 mA"]
resistor = "1k"
switch = { kind = "npn", base = "4k7", saturation = "150 mV" }
[loads.motor]
current = "5 mA"
[loads.coil]
resistance = "2k"
[buttons.power]
debounce = "20 ms"
hold = "1 s"
double = "300 ms"
[buttons.level]
style = "sample"
samples = 3
sample_every = "6 ms"
[buttons.aux]
style = "first-edge"
debounce = "22 ms"
debounce_release = "35 ms"
holds = { far = "500 ms" }
repeat = "200 ms"
double = "250 ms"
clicks = 3
second_hold = "450 ms"
[chords]
both = { buttons = ["power", "level"], within = "80 ms" }
[toggles.slide]
debounce = "25 ms"
supply = "4 uA"
starts = "off"
[toggles.main]
in_supply = true
[proximity.eye]
enabled = "lamp.lit"
every = "150 ms"
settle = "3 ms"
agree = 2
clear = "500 ms"
carrier = "38 kHz"
duty = "40 %"
burst = 24
[proximity.eye.receiver]
supply = "400 uA"
threshold = "0.7 mW/m2"
threshold_in_light = "2 mW/m2"
gain_control = "AGC2"
[proximity.eye.emitter]
forward = ["1.2 V @ 20 mA", "1.35 V @ 100 mA"]
resistor = "47R"
intensity = "36 mW/sr @ 100 mA"
half_angle = "25 deg"
switch = { kind = "npn", base = "1k", gain = 200, reverse_gain = 4, \
saturation_current = "1e-14 A", storage = "1 us" }
[proximity.eye.target]
reflectance = "55 %"
area = "80 cm2"
[measures.light]
unit = "lx"
thresholds = ["10 lx", "100 lx"]
hysteresis = "5 lx"
every = "400 ms"
settle = "30 ms"
supply = "150 uA"
enabled = "lamp.lit or lamp.dark"
agree = 2
starts = 1
[measures.warmth]
unit = "degC"
thresholds = ["15 degC"]
source = "temperature"
[gauge]
light = "bars"
method = "voltage"
thresholds = ["3.5 V", "3.7 V", "3.9 V"]
hysteresis = "40 mV"
low = "3.6 V"
flat = "3.4 V"
every = "1 s"
sample = "lamp.lit or lamp.dark or usb"
show = "lamp.lit or charge.charging"
blink = "400 ms"
[dials.dim]
values = ["10 %", "37 %", "80 %"]
starts = 2
rows = [
  { on = "aux.press", step = 2, wrap = true },
  { on = "aux.repeat", to = 0, when = "lamp.hum", note = "back" },
]
[dials.slow]
count = 4
from = "20 %"
to = "95 %"
spacing = "ratio"
kept = false
rows = [ { on = "power.click", step = 1 } ]
[pins.usb_sense]
source = "usb"
series = "100k"
to_ground = "180k"
[pins.status]
source = "charger.status"
to_supply = "220k"
pull_up = true
[pins.cell_sense]
source = "cell"
series = "1M"
to_ground = "470k"
analog = true
[sequences.wink]
steps = ["on for 500 ms", "off for 300 ms"]
times = 3
[sequences.glow]
points = ["10 % @ 0 s", "100 % @ 1 s", "10 % @ 3 s"]
every = "1000 ms"
[behaviour.lamp]
starts = "dark"
resume_points = ["lit.full", "lit.half"]
states.dark = {}
states."lit.full" = { lamp = "100 %", flag = "on" }
states."lit.half" = { lamp = "40 %", controller = "awake" }
states.hum = { motor = "slow", coil = "dim", beam = "80 %", flag = "glow", bars = "wink" }
rows = [
  { on = "power.click", from = "dark", to = "resume", when = "not cell.flat", note = "on" },
  { on = "power.click", from = "lit.*", to = "dark", emit = "gone" },
  { on = "level.press", from = "lit.full", to = "lit.half" },
  { on = "power.double", from = "dark", to = "hum" },
  { on = "both.chord", from = "*", to = "hum" },
  { on = "eye.wave", from = "lit.*", to = "dark" },
  { on = "power.hold", from = "dark", to = "hum" },
  { after = "20 s", from = "lit.*", to = "dark" },
  { after = "7 s", from = "hum", to = "dark" },
]
[behaviour.count]
starts = "none"
states.none = { scale = { flag = "90 %" } }
states.one = { coil = "on" }
rows = [
  { on = "gone", from = "none", to = "one" },
  { on = "cell.low", from = "one", to = "none" },
  { on = "usb.in", from = "one", to = "none" },
]
[[rules]]
name = "a flat cell stays dark"
never = "lamp.lit and cell.voltage < 3.2"
[[rules]]
name = "charge is a share"
always = "cell.charge <= 1"
[[rules]]
name = "a click is answered"
when = "power.click and lamp.lit"
then = "lamp.dark"
within = "50 ms"
[[rules]]
name = "a breath"
stays = "lamp.lit.half"
for = "20 ms"
[readings]
"lamp.hum" = "7 mA ± 1 mA"
"""

# What `circuit` is asked about: light, infra-red, charger and gauge do not depend on what plays.
_PLAYS = ("dials", "sequences", "behaviour", "rules", "readings")
_LAMP = """\
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "100 %" }
rows = [ { on = "power.click", from = "dark", to = "lit" } ]
"""


def parts_of(gadget: str) -> str:
    """The gadget with all its parts, and one lamp instead of all that plays on them."""
    tables = re.split(r"(?m)^(?=\[)", gadget)
    return "".join(text for text in tables if not text.strip("[").startswith(_PLAYS)) + _LAMP


RUN = """\
title = "all"
gadget = "gadget.toml"
charge = "60 %"
lasts = "2 h"
steps = [
 { at = "1 s", press = "power", for = "100 ms", bounce = "3 ms" },
 { at = "5 s", press = "level", for = "100 ms" },
 { at = "8 s", wave = "eye", distance = "10 cm", for = "600 ms" },
 { at = "9 s", press = "power", for = "100 ms" },
 { at = "10 s", wave = "eye", distance = "10 cm", for = "600 ms" },
 { at = "20 s", press = "power", for = "100 ms" },
 { at = "20200 ms", press = "power", for = "100 ms" },
 { at = "40 s", press = "power", for = "1100 ms" },
 { at = "60 s", press = "power", for = "200 ms" },
 { at = "60050 ms", press = "level", for = "200 ms" },
 { at = "63 s", press = "aux", for = "100 ms", bounce = "28 ms" },
 { at = "64 s", press = "aux", for = "900 ms" },
 { at = "66 s", press = "aux", for = "100 ms" },
 { at = "66200 ms", press = "aux", for = "500 ms" },
 { at = "68 s", press = "aux", for = "100 ms" },
 { at = "68200 ms", press = "aux", for = "100 ms" },
 { at = "68400 ms", press = "aux", for = "100 ms" },
 { at = "70 s", temperature = "10 degC" },
 { at = "80 s", press = "power", for = "100 ms" },
 { at = "110 s", temperature = "25 degC" },
 { at = "95 s", measure = "light", value = "13 lx" },
 { at = "97 s", measure = "light", value = "8 lx" },
 { at = "99 s", measure = "light", value = "12 lx" },
 { at = "100 s", toggle = "slide", to = "on" },
 { at = "104 s", measure = "light", value = "200 lx" },
 { at = "2 min", usb = true },
 { at = "20 min", temperature = "10 degC" },
 { at = "25 min", temperature = "45 degC" },
 { at = "30 min", fault = true },
 { at = "31 min", fault = false },
 { at = "110 min", usb = false },
 { at = "111 min", expect = "lamp.dark" },
]
"""

# With the supply cut off for a while.
OFF = """\
title = "off"
gadget = "gadget.toml"
charge = "60 %"
lasts = "20 min"
steps = [
 { at = "2 min", toggle = "main", to = "off" },
 { at = "12 min", toggle = "main", to = "on" },
]
"""

# From an empty cell.
LOW = """\
title = "empty"
gadget = "gadget.toml"
charge = "0 %"
lasts = "20 min"
steps = [ { at = "2 min", usb = true } ]
"""

LIFE = """\
title = "all"
gadget = "gadget.toml"
charge = "90 %"
horizon = "3 days"
[[habits]]
name = "on"
each = "day"
times = 2
steps = [ { press = "power", for = "100 ms" } ]
[[habits]]
name = "charge"
when = "gauge <= 1"
steps = [ { usb = true }, { wait = "1 h" }, { usb = false } ]
"""

# The command whose answer changes, the text of GADGET that is replaced, and by what.
CASES: dict[str, tuple[str, str, str]] = {
    "gadget.name": ("run", 'name = "Every key"', 'name = "Another"'),
    "gadget.about": ("spec", 'about = "one of each"', 'about = "two"'),
    "cell.curve": ("run", 'curve = "nmc-150mah-pouch"', 'curve = "lco"'),
    "cell.series": ("run", 'curve = "nmc-150mah-pouch"', 'curve = "nmc-150mah-pouch"\nseries = 2'),
    "cell.capacity": ("run", 'capacity = "20 mAh"', 'capacity = "25 mAh"'),
    "cell.cut_off": ("run", 'cut_off = "3.1 V"', 'cut_off = "3.15 V"'),
    "cell.restart": ("low", 'restart = "3.2 V"', 'restart = "3.6 V"'),
    "cell.leakage": ("run", 'leakage = "2 uA"', 'leakage = "3 uA"'),
    "cell.self_discharge": ("run", '"3 %/month"', '"4 %/month"'),
    "cell.resistance_at_charge": ("run", "700 mΩ @ 90 %", "600 mΩ @ 90 %"),
    "cell.resistance_at_temperature": ("run", '"2 ohm @ 0 degC"', '"3 ohm @ 0 degC"'),
    "charger.program": ("run", 'program = "10k"', 'program = "11k"'),
    "charger.program_open": ("run", '"300k"', '"9k"'),
    "charger.gain": ("run", '"1000 V"', '"900 V"'),
    "charger.current": ("run", 'program = "10k"\nprogram_open = "300k"\ngain = "1000 V"',
        'current = "30 mA"'),
    "charger.float": ("run", 'float = "4.10 V"', 'float = "4.15 V"'),
    "charger.finish": ("run", 'finish = "10 %"', 'finish = "20 %"'),
    "charger.precharge.below": ("circuit", 'below = "3.7 V"', 'below = "3.6 V"'),
    "charger.precharge.rate": ("circuit", 'rate = "10 %"', 'rate = "20 %"'),
    "charger.recharge": ("circuit", 'recharge = "4.05 V"', 'recharge = "4.0 V"'),
    "charger.status": ("run", '"low while charging"', '"high while charging"'),
    "charger.pass_resistance": ("circuit", '"400 mΩ"', '"60 ohm"'),
    "charger.input.voltage": ("run", 'voltage = "5 V"', 'voltage = "5.2 V"'),
    "charger.input.resistance": ("run", 'resistance = "500 mΩ"\nlimit',
        'resistance = "400 mΩ"\nlimit'),
    "charger.input.limit": ("run", '"90 mA"', '"20 mA"'),
    "charger.input.hold": ("run", 'hold = "4.98 V"', 'hold = "4.99 V"'),
    "charger.heat.resistance": ("run", '"900 K/W"', '"9000 K/W"'),
    "charger.heat.limit": ("run", '"120 degC"', '"60 degC"'),
    "charger.windows.cold": ("run", 'cold = "0 degC"', 'cold = "12 degC"'),
    "charger.windows.hot": ("run", 'hot = "50 degC"', 'hot = "42 degC"'),
    "charger.windows.cool": ("circuit", 'cool = "28 degC"', 'cool = "20 degC"'),
    "charger.windows.cool_rate": ("circuit", 'cool_rate = "50 %"', 'cool_rate = "40 %"'),
    "charger.windows.warm": ("run", 'warm = "40 degC"', 'warm = "48 degC"'),
    "controller.awake": ("run", 'awake = "1 mA"', 'awake = "2 mA"'),
    "controller.asleep": ("run", 'asleep = "3 uA"', 'asleep = "4 uA"'),
    "controller.wake": ("run", '"50 nC"', '"60 nC"'),
    "controller.step": ("run", '"2000 cycles"', '"3000 cycles"'),
    "controller.frequency": ("run", '"1 MHz"', '"4 MHz"'),
    "controller.reference": ("circuit", "± 3 %", "± 2 %"),
    "controller.adc_bits": ("run", "adc_bits = 8", "adc_bits = 7"),
    "controller.pull_up": ("pins", 'pull_up = "35k"', 'pull_up = "70k"'),
    "controller.clock": ("spec", 'clock = "2 %"', 'clock = "3 %"'),
    "controller.limits.input_low": ("pins", 'input_low = "30 %"', 'input_low = "1 %"'),
    "controller.limits.input_high": ("pins", '"60 %"', '"99 %"'),
    "controller.limits.above": ("pins", 'above = "500 mV"', 'above = "400 mV"'),
    "controller.limits.clamp": ("pins", 'clamp = "450 mV"', 'clamp = "600 mV"'),
    "controller.limits.injection": ("pins", 'injection = "1 mA"', 'injection = "1 uA"'),
    "controller.limits.injection_sum": ("pins", '"2 mA"', '"2 uA"'),
    "controller.limits.leakage": ("pins", 'leakage = "1 uA"', 'leakage = "2 uA"'),
    "controller.limits.pin_current": ("pins", 'pin_current = "1 mA"', 'pin_current = "20 mA"'),
    "lights.leds": ("run", "leds = 2", "leds = 3"),
    "lights.colour": ("spec", 'colour = "white"', 'colour = "green"'),
    "lights.forward": ("run", '"3.0 V @ 20 mA"', '"3.1 V @ 20 mA"'),
    "lights.resistor": ("run", 'resistor = "47R"\nshared', 'resistor = "68R"\nshared'),
    "lights.driver": ("run", 'driver = { kind = "sink", current = "12 mA", drop = "800 mV", '
        'quiescent = "30 uA" }', 'resistor = "100R"'),
    "lights.fed_by": ("run", 'fed_by = "usb"', 'fed_by = "charger.status"'),
    "driver.current": ("run", 'current = "12 mA"', 'current = "11 mA"'),
    "driver.drop": ("run", 'drop = "800 mV"', 'drop = "1600 mV"'),
    "driver.quiescent": ("run", 'quiescent = "30 uA"', 'quiescent = "40 uA"'),
    "lights.shared": ("run", "shared = false", "shared = true"),
    "lights.switch": ("run", 'switch = { kind = "pin", resistance = "25R" }\n[lights.beam]',
        '[lights.beam]'),
    "switch.kind": ("pins", 'kind = "nmos", on_resistance = "60 mΩ"',
        'kind = "pin", resistance = "60 mΩ"'),
    "switch.on_resistance": ("run", 'on_resistance = "60 mΩ"', 'on_resistance = "900 mΩ"'),
    "switch.kind_p": ("spec", 'kind = "pmos"', 'kind = "nmos"'),
    "switch.on_resistance_p": ("run", '"70 mΩ"', '"70 ohm"'),
    "switch.resistance": ("run", 'kind = "pin", resistance = "25R"',
        'kind = "pin", resistance = "50R"'),
    "switch.saturation": ("run", 'saturation = "150 mV"', 'saturation = "200 mV"'),
    "switch.base": ("run", 'base = "4k7"', 'base = "10k"'),
    "switch.base2": ("run", 'base = "1k"', 'base = "2k"'),
    "switch.gain": ("run", "gain = 200", "gain = 100"),
    "switch.reverse_gain": ("run", "reverse_gain = 4", "reverse_gain = 8"),
    "switch.saturation_current": ("run", '"1e-14 A"', '"1e-13 A"'),
    "switch.storage": ("run", '"1 us"', '"3 us"'),
    "loads.current": ("run", 'current = "5 mA"', 'current = "6 mA"'),
    "loads.resistance": ("run", 'resistance = "2k"', 'resistance = "3k"'),
    "buttons.debounce": ("run", 'debounce = "20 ms"', 'debounce = "30 ms"'),
    "buttons.hold": ("run", 'hold = "1 s"', 'hold = "1050 ms"'),
    "buttons.double": ("run", 'double = "300 ms"', 'double = "60 ms"'),
    "buttons.style": ("run", 'style = "sample"\nsamples = 3\nsample_every = "6 ms"\n',
        'debounce = "50 ms"\n'),
    "buttons.samples": ("run", "samples = 3", "samples = 4"),
    "buttons.sample_every": ("run", '"6 ms"', '"7 ms"'),
    "buttons.debounce_release": ("run", 'debounce_release = "35 ms"', 'debounce_release = "15 ms"'),
    "buttons.holds": ("run", '{ far = "500 ms" }', '{ far = "550 ms" }'),
    "buttons.repeat": ("run", 'repeat = "200 ms"', 'repeat = "150 ms"'),
    "buttons.clicks": ("run", "clicks = 3", "clicks = 2"),
    "buttons.second_hold": ("run", 'second_hold = "450 ms"', 'second_hold = "550 ms"'),
    "chords.within": ("run", 'within = "80 ms"', 'within = "40 ms"'),
    "toggles.debounce": ("run", 'debounce = "25 ms"', 'debounce = "30 ms"'),
    "toggles.supply": ("run", '"4 uA"', '"5 uA"'),
    "toggles.starts": ("run", 'starts = "off"', 'starts = "on"'),
    "toggles.in_supply": ("off", "in_supply = true", 'debounce = "20 ms"'),
    "proximity.enabled": ("run", 'enabled = "lamp.lit"', 'enabled = "lamp.dark"'),
    "proximity.every": ("run", 'every = "150 ms"', 'every = "180 ms"'),
    "proximity.settle": ("run", 'settle = "3 ms"', 'settle = "4 ms"'),
    "proximity.agree": ("run", "agree = 2\nclear", "agree = 3\nclear"),
    "proximity.carrier": ("run", '"38 kHz"', '"36 kHz"'),
    "proximity.duty": ("run", 'duty = "40 %"', 'duty = "50 %"'),
    "proximity.burst": ("run", "burst = 24", "burst = 30"),
    "receiver.supply": ("run", '"400 uA"', '"500 uA"'),
    "receiver.threshold": ("circuit", 'threshold = "0.7 mW/m2"', 'threshold = "0.8 mW/m2"'),
    "receiver.threshold_in_light": ("circuit", '"2 mW/m2"', '"3 mW/m2"'),
    "bursts.shortest": ("circuit", 'gain_control = "AGC2"',
        'bursts = { shortest = 60, short = 70, gap = 10, long_gap = 4 }'),
    "bursts.short": ("circuit", 'gain_control = "AGC2"',
        'bursts = { shortest = 6, short = 7, gap = 10, long_gap = 4000 }'),
    "emitter.forward": ("run", '"1.35 V @ 100 mA"', '"1.4 V @ 100 mA"'),
    "emitter.resistor": ("run", 'resistor = "47R"\nintensity', 'resistor = "56R"\nintensity'),
    "emitter.intensity": ("circuit", '"36 mW/sr', '"30 mW/sr'),
    "emitter.half_angle": ("circuit", '"25 deg"', '"3 deg"'),
    "target.reflectance": ("circuit", '"55 %"', '"50 %"'),
    "target.area": ("circuit", '"80 cm2"', '"70 cm2"'),
    "measures.thresholds": ("run", '"100 lx"', '"300 lx"'),
    "measures.hysteresis": ("run", 'hysteresis = "5 lx"', 'hysteresis = "1 lx"'),
    "measures.every": ("run", 'every = "400 ms"', 'every = "500 ms"'),
    "measures.settle": ("run", 'settle = "30 ms"', 'settle = "20 ms"'),
    "measures.supply": ("run", '"150 uA"', '"170 uA"'),
    "measures.enabled": ("run", 'enabled = "lamp.lit or lamp.dark"', 'enabled = "lamp.lit"'),
    "measures.agree": ("run", "agree = 2\nstarts", "agree = 3\nstarts"),
    "measures.starts": ("run", "starts = 1", "starts = 0"),
    "measures.source": ("run", 'source = "temperature"\n', ""),
    "gauge.thresholds": ("run", '"3.9 V"]', '"3.95 V"]'),
    "gauge.hysteresis": ("run", 'hysteresis = "40 mV"', 'hysteresis = "90 mV"'),
    "gauge.low": ("run", 'low = "3.6 V"', 'low = "3.85 V"'),
    "gauge.flat": ("low", 'flat = "3.4 V"', 'flat = "3.0 V"'),
    "gauge.sample": ("run", 'sample = "lamp.lit or lamp.dark or usb"', 'sample = "lamp.lit"'),
    "gauge.every": ("run", 'every = "1 s"', 'every = "2 s"'),
    "gauge.show": ("run", 'show = "lamp.lit or charge.charging"', 'show = "lamp.lit"'),
    "gauge.blink": ("run", 'blink = "400 ms"', 'blink = "500 ms"'),
    "dials.values": ("run", '"37 %"', '"38 %"'),
    "dials.count": ("run", "count = 4", "count = 5"),
    "dials.from": ("run", 'from = "20 %"', 'from = "21 %"'),
    "dials.to": ("run", 'to = "95 %"', 'to = "96 %"'),
    "dials.spacing": ("run", 'spacing = "ratio"', 'spacing = "even"'),
    "dials.starts": ("run", "starts = 2\nrows", "starts = 0\nrows"),
    "dials.kept": ("off", "kept = false", "kept = true"),
    "behaviour.kept": ("off", '["lit.full", "lit.half"]\n',
        '["lit.full", "lit.half"]\nkept = "state"\n'),
    "dial row.on": ("run", 'on = "aux.press"', 'on = "aux.release"'),
    "dial row.step": ("run", "step = 2, wrap", "step = 1, wrap"),
    "dial row.wrap": ("run", "step = 2, wrap = true", "step = 2"),
    "dial row.to": ("run", 'on = "aux.repeat", to = 0', 'on = "aux.repeat", to = 1'),
    "dial row.when": ("run", 'when = "lamp.hum", note', 'when = "lamp.lit", note'),
    "dial row.note": ("spec", 'note = "back"', 'note = "to the first"'),
    "pins.source": ("pins", 'source = "cell"', 'source = "usb"'),
    "pins.series": ("pins", '"100k"', '"120k"'),
    "pins.to_ground": ("pins", '"180k"', '"150k"'),
    "pins.to_supply": ("pins", '"220k"', '"270k"'),
    "pins.pull_up": ("pins", "pull_up = true", "pull_up = false"),
    "pins.analog": ("pins", "analog = true", "analog = false"),
    "sequences.steps": ("run", '"on for 500 ms"', '"on for 600 ms"'),
    "sequences.points": ("run", '"100 % @ 1 s"', '"90 % @ 1 s"'),
    "sequences.every": ("run", 'every = "1000 ms"', 'every = "500 ms"'),
    "sequences.times": ("run", "times = 3", "times = 2"),
    "behaviour.starts": ("run", 'starts = "dark"', 'starts = "lit.full"'),
    "behaviour.resume": ("run", '["lit.full", "lit.half"]', '["lit.half", "lit.full"]'),
    "states": ("run", 'lamp = "40 %", controller', 'lamp = "50 %", controller'),
    "states.scale": ("run", 'flag = "90 %"', 'flag = "80 %"'),
    "states.controller": ("run", ', controller = "awake"', ''),
    "row.on": ("run", 'on = "power.double", from', 'on = "power.press", from'),
    "row.after": ("run", 'after = "20 s"', 'after = "19 s"'),
    "row.from": ("run", '{ on = "both.chord", from = "*"', '{ on = "both.chord", from = "hum"'),
    "row.to": ("run", 'from = "dark", to = "resume"', 'from = "dark", to = "lit.half"'),
    "row.when": ("run", 'when = "not cell.flat"', 'when = "cell.flat"'),
    "row.note": ("spec", 'note = "on"', 'note = "off"'),
    "rules.name": ("run", '"a breath"', '"breath"'),
    "rules.never": ("run", 'cell.voltage < 3.2"', 'cell.voltage < 5"'),
    "rules.always": ("run", "cell.charge <= 1", "cell.charge <= 0.1"),
    "rules.when": ("run", 'when = "power.click and lamp.lit"', 'when = "power.click"'),
    "rules.stays": ("run", 'stays = "lamp.lit.half"', 'stays = "lamp.hum"'),
    "rules.for": ("run", 'for = "20 ms"', 'for = "30 s"'),
    "readings": ("modes", '"7 mA ± 1 mA"', '"8 mA ± 1 mA"'),
}

# Keys that forbid files: tests/gadget/test_wiring.py has each of them.
CHECKED = {"input.start", "input.stop", "input.start_above_cell", "input.stop_above_cell"}

# Keys of a supply that is let go of: tests/engine/test_unpowered.py.
LET_GO = {"controller.powered_by", "controller.hold_up"}

# Beside the charge of a wake-up it is refused: tests/engine/test_power_path.py.
PAST_THE_CELL = {"charger.power_path"}

# Keys whose effect needs another gadget than this one, and tables whose keys stand in the list.
HOLD_ELSEWHERE = CHECKED | LET_GO | PAST_THE_CELL | {
    "charger.precharge", "charger.input", "charger.heat", "charger.windows", "windows.warm_float",
    "controller.limits", "controller.regulator", "regulator.output", "lights.segments",
    "chords.buttons", "proximity.clear",
    "proximity.receiver", "proximity.emitter", "proximity.target", "receiver.gain_control",
    "receiver.bursts", "bursts.gap", "bursts.long_gap", "bursts.most", "gauge.light",
    "gauge.method", "gauge.power_up", "measures.unit", "dials.rows", "behaviour.resume_points",
    "behaviour.rows", "rows.emit",
    "rules.then",
}
