"""Published worked examples of duty-cycled averages as gadget files.

`test_duty_cycles` drives them through the simulator, `test_life_rows` through studies.
"""

from __future__ import annotations

__all__ = ["IRIS", "LEAK", "MONTH_H", "PULSES", "SENSOR"]

MONTH_H = 720.0  # the examples count months of 30 days

# Four loads, each on for a share of every second. Source: "IRIS OEM Edition Hardware Reference
# Manual", Crossbow / MEMSIC document 7430-0549-01, table 5-2, p. 23.
IRIS = """
[gadget]
name = "Four loads"
[cell]
curve = "lco"
capacity = "{capacity} mAh"
[loads]
processor_on = {{ current = "6 mA" }}
processor_off = {{ current = "10 uA" }}
radio_receives = {{ current = "16 mA" }}
radio_sends = {{ current = "17 mA" }}
radio_off = {{ current = "1 uA" }}
memory_off = {{ current = "2 uA" }}
sensor_on = {{ current = "5 mA" }}
sensor_off = {{ current = "5 uA" }}
[behaviour.processor]
starts = "on"
states.on = {{ processor_on = "on" }}
states.off = {{ processor_off = "on" }}
rows = [
  {{ after = "10 ms", from = "on", to = "off" }},
  {{ after = "990 ms", from = "off", to = "on" }},
]
[behaviour.radio]
starts = "receives"
states.receives = {{ radio_receives = "on" }}
states.sends = {{ radio_sends = "on" }}
states.off = {{ radio_off = "on" }}
rows = [
  {{ after = "7.5 ms", from = "receives", to = "sends" }},
  {{ after = "2.5 ms", from = "sends", to = "off" }},
  {{ after = "990 ms", from = "off", to = "receives" }},
]
[behaviour.memory]
starts = "off"
states.off = {{ memory_off = "on" }}
[behaviour.sensor]
starts = "on"
states.on = {{ sensor_on = "on" }}
states.off = {{ sensor_off = "on" }}
rows = [
  {{ after = "10 ms", from = "on", to = "off" }},
  {{ after = "990 ms", from = "off", to = "on" }},
]
"""

# Source: "Calculating sensor battery life", iocare.in/post/calculating-sensor-battery-life.
SENSOR = """
[gadget]
name = "Sensor"
[cell]
curve = "lco"
capacity = "2000 mAh"
[loads]
measuring = { current = "28 mA" }
sending = { current = "31 mA" }
sleeping = { current = "120 uA" }
[behaviour.work]
starts = "measures"
states.measures = { measuring = "on" }
states.sends = { sending = "on" }
states.sleeps = { sleeping = "on" }
rows = [
  { after = "0.65 s", from = "measures", to = "sends" },
  { after = "50 ms", from = "sends", to = "sleeps" },
  { after = "15 min", from = "sleeps", to = "measures" },
]
"""

# Source: Atmel picoPower product training (ATmega164P), slide 8, at DigiKey.
PULSES = """
[gadget]
name = "Pulses"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
awake = "0.5 mA"
asleep = "0.65 uA"
[behaviour.tick]
starts = "asleep"
states.asleep = {}
states.awake = { controller = "awake" }
rows = [
  { after = "999990 us", from = "asleep", to = "awake" },
  { after = "10 us", from = "awake", to = "asleep" },
]
"""

# Source: J. Ganssle, "Leaks and Drains".
LEAK = """
[gadget]
name = "Leak"
[cell]
curve = "lco"
capacity = "200 mAh"
leakage = "30 uA"
"""
