"""A demo lamp, a long session with it, and thirty ways in which its firmware could differ by one
thing. Invented, like every figure in it.
"""

from __future__ import annotations

from typing import NamedTuple

LAMP = """\
[gadget]
name = "Shelf lamp"

[cell]
curve = "lco"
capacity = "650 mAh"
resistance = "180 mΩ"

[controller]
awake = "1.2 mA"
asleep = "4.5 uA"
reference = "1.1 V"

[lights.shelf]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"

[lights.marker]
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "1k8"

[buttons.power]
debounce = "20 ms"
hold = "2 s"

[buttons.level]
debounce = "20 ms"
double = "350 ms"

[proximity.wave]
enabled = "sensor.armed and not lamp.locked"
every = "200 ms"
settle = "2 ms"
agree = 2
clear = "600 ms"
carrier = "38 kHz"
duty = "50 %"
burst = 24

[proximity.wave.receiver]
threshold = "0.7 mW/m2"

[proximity.wave.emitter]
forward = ["1.35 V @ 100 mA", "1.2 V @ 20 mA"]
resistor = "47R"
intensity = "36 mW/sr @ 100 mA"
half_angle = "25 deg"
switch = { kind = "npn", base = "1k", gain = 200, saturation_current = "1e-14 A" }

[proximity.wave.target]
reflectance = "55 %"
area = "80 cm2"

[behaviour.lamp]
starts = "dark"
resume_points = ["lit.full", "lit.half", "lit.glow"]
states.dark = {}
states."lit.full" = { shelf = "100 %" }
states."lit.half" = { shelf = "45 %" }
states."lit.glow" = { shelf = "4 %" }
states.locked = {}
rows = [
  { on = "power.click", from = "dark", to = "resume" },
  { on = "power.click", from = "lit.*", to = "dark" },
  { on = "wave.wave", from = "dark", to = "resume" },
  { on = "wave.wave", from = "lit.*", to = "dark" },
  { on = "level.click", from = "lit.full", to = "lit.half" },
  { on = "level.click", from = "lit.half", to = "lit.glow" },
  { on = "level.click", from = "lit.glow", to = "lit.full" },
  { after = "5 min", from = "lit.*", to = "dark" },
  { on = "power.hold", from = ["dark", "lit.*"], to = "locked" },
  { on = "power.hold", from = "locked", to = "dark", when = "not sign.blinking" },
]

[behaviour.sensor]
starts = "armed"
states.idle = {}
states.armed = {}
rows = [
  { on = "level.double", from = "idle", to = "armed", when = "not lamp.locked" },
  { on = "level.double", from = "armed", to = "idle" },
]

[behaviour.sign]
starts = "off"
states.off = {}
states."blinking.on" = { marker = "on" }
states."blinking.out" = {}
rows = [
  { on = "power.hold", from = "off", to = "blinking.on" },
  { after = "400 ms", from = "blinking.on", to = "blinking.out" },
  { after = "600 ms", from = "blinking.out", to = "blinking.on" },
  { on = "level.click", from = "blinking.*", to = "off" },
]
"""

STEPS = """\
title = "A long session"
gadget = "lamp.toml"
charge = "80 %"
lasts = "12 min"
steps = [
  { at = "2 s", press = "power", for = "100 ms" },
  { at = "4 s", press = "level", for = "100 ms" },
  { at = "6 s", press = "level", for = "100 ms" },
  { at = "8 s", press = "level", for = "100 ms" },
  { at = "10 s", press = "level", for = "100 ms", bounce = "3 ms" },
  { at = "12 s", press = "power", for = "100 ms" },
  { at = "14 s", press = "power", for = "32 ms" },
  { at = "15 s", press = "level", for = "32 ms" },
  { at = "16 s", press = "power", for = "12 ms" },
  { at = "17 s", press = "level", for = "12 ms" },
  { at = "18 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "22 s", wave = "wave", distance = "8 cm", for = "300 ms" },
  { at = "23.2 s", wave = "wave", distance = "8 cm", for = "300 ms" },
  { at = "26 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "26.8 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "30 s", press = "power", for = "1.8 s" },
  { at = "34 s", press = "level", for = "80 ms" },
  { at = "34.3 s", press = "level", for = "80 ms" },
  { at = "36 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "38 s", press = "level", for = "80 ms" },
  { at = "38.55 s", press = "level", for = "80 ms" },
  { at = "41 s", press = "level", for = "80 ms" },
  { at = "41.3 s", press = "level", for = "80 ms" },
  { at = "43 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "45 s", press = "power", for = "2.4 s" },
  { at = "49 s", press = "power", for = "100 ms" },
  { at = "51 s", wave = "wave", distance = "8 cm", for = "400 ms" },
  { at = "53 s", press = "power", for = "2.4 s" },
  { at = "57 s", press = "power", for = "100 ms" },
  { at = "59 s", press = "level", for = "100 ms" },
  { at = "61 s", press = "power", for = "2.4 s" },
  { at = "65 s", press = "level", for = "100 ms" },
  { at = "66 s", press = "power", for = "100 ms" },
  { at = "70 s", press = "level", for = "100 ms" },
  { at = "71 s", press = "power", for = "100 ms" },
  { at = "74 s", press = "power", for = "100 ms" },
  { at = "400 s", press = "power", for = "100 ms" },
]
"""


class Difference(NamedTuple):
    """One change of the file, and the key that a replay should name."""

    name: str
    before: str
    after: str
    key: str


DIFFERENCES = [
    Difference("power settles later", '[buttons.power]\ndebounce = "20 ms"',
               '[buttons.power]\ndebounce = "45 ms"', "buttons.power.debounce"),
    Difference("level settles later", '[buttons.level]\ndebounce = "20 ms"',
               '[buttons.level]\ndebounce = "45 ms"', "buttons.level.debounce"),
    Difference("power hardly settles", '[buttons.power]\ndebounce = "20 ms"',
               '[buttons.power]\ndebounce = "5 ms"', "buttons.power.debounce"),
    Difference("holds sooner", 'hold = "2 s"', 'hold = "1.5 s"', "buttons.power.hold"),
    Difference("holds later", 'hold = "2 s"', 'hold = "3 s"', "buttons.power.hold"),
    Difference("holds a little later", 'hold = "2 s"', 'hold = "2.1 s"', "buttons.power.hold"),
    Difference("doubles faster", 'double = "350 ms"', 'double = "200 ms"', "buttons.level.double"),
    Difference("doubles slower", 'double = "350 ms"', 'double = "600 ms"', "buttons.level.double"),
    Difference("looks less often", 'every = "200 ms"', 'every = "400 ms"', "proximity.wave.every"),
    Difference("re-arms later", 'clear = "600 ms"', 'clear = "1200 ms"', "proximity.wave.clear"),
    Difference("believes one echo", "agree = 2", "agree = 1", "proximity.wave.agree"),
    Difference("wants three echoes", "agree = 2", "agree = 3", "proximity.wave.agree"),
    Difference("looks when idle", 'enabled = "sensor.armed and not lamp.locked"',
               'enabled = "not lamp.locked"', "proximity.wave.enabled"),
    Difference("goes out sooner", 'after = "5 min"', 'after = "4 min"', "behaviour.lamp.rows[7]"),
    Difference("goes out later", 'after = "5 min"', 'after = "6 min"', "behaviour.lamp.rows[7]"),
    Difference("blinks longer", 'after = "400 ms"', 'after = "500 ms"', "behaviour.sign.rows[1]"),
    Difference("rests shorter", 'after = "600 ms"', 'after = "450 ms"', "behaviour.sign.rows[2]"),
    Difference("half is brighter", 'shelf = "45 %"', 'shelf = "60 %"',
               "behaviour.lamp.states.lit.half"),
    Difference("glow is brighter", 'shelf = "4 %"', 'shelf = "8 %"',
               "behaviour.lamp.states.lit.glow"),
    Difference("full is not full", 'shelf = "100 %"', 'shelf = "80 %"',
               "behaviour.lamp.states.lit.full"),
    Difference("half goes to full", 'from = "lit.half", to = "lit.glow"',
               'from = "lit.half", to = "lit.full"', "behaviour.lamp.rows[5]"),
    Difference("glow goes to half", 'from = "lit.glow", to = "lit.full"',
               'from = "lit.glow", to = "lit.half"', "behaviour.lamp.rows[6]"),
    Difference("no memory", '"power.click", from = "dark", to = "resume"',
               '"power.click", from = "dark", to = "lit.full"', "behaviour.lamp.rows[0]"),
    Difference("no memory after a wave", '"wave.wave", from = "dark", to = "resume"',
               '"wave.wave", from = "dark", to = "lit.full"', "behaviour.lamp.rows[2]"),
    Difference("a wave does not put it out", 'on = "wave.wave", from = "lit.*", to = "dark"',
               'on = "wave.wave", from = "lit.*", to = "same"', "behaviour.lamp.rows[3]"),
    Difference("starts at half", 'resume_points = ["lit.full", "lit.half", "lit.glow"]',
               'resume_points = ["lit.half", "lit.full", "lit.glow"]',
               "behaviour.lamp.resume_points"),
    Difference("lights on the press", 'on = "power.click", from = "dark"',
               'on = "power.press", from = "dark"', "behaviour.lamp.rows[0]"),
    Difference("cannot be locked while lit", 'from = ["dark", "lit.*"], to = "locked"',
               'from = "dark", to = "locked"', "behaviour.lamp.rows[8]"),
    Difference("unlocks although blinking", ', when = "not sign.blinking"', "",
               "behaviour.lamp.rows[9]"),
    Difference("blinking is not put out", 'on = "level.click", from = "blinking.*", to = "off"',
               'on = "level.double", from = "blinking.*", to = "off"', "behaviour.sign.rows[3]"),
]
