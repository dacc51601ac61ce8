"""The kinds of files that are mutated, a valid one of each, and the commands that read them."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

__all__ = ["KINDS", "Kind", "workshop"]

GADGET = b'''
[gadget]
name = "Workshop lamp"
about = "Every section once."
[cell]
curve = "curve.csv"
capacity = "200 mAh \xc2\xb1 5 %"
resistance = "200 m\xce\xa9 (150 m\xce\xa9 .. 300 m\xce\xa9)"
cut_off = "3.0 V"
restart = "3.2 V"
self_discharge = "2 %/month"
[charger]
program = "10k"
gain = "1000 V"
float = "4.20 V"
finish = "10 %"
precharge = { below = "2.9 V", rate = "10 %" }
recharge = "4.05 V"
status = "low while charging"
[controller]
awake = "1.2 mA"
asleep = "4.5 uA"
reference = "1.1 V \xc2\xb1 3 %"
adc_bits = 10
pull_up = "35k"
[lights.lamp]
leds = 2
colour = "white"
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = { value = "22R", standing = "measured", source = "meter" }
switch = { kind = "nmos", on_resistance = "60 m\xce\xa9" }
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
switch = { kind = "pin", resistance = "25R" }
[loads.buzzer]
current = "20 mA"
[buttons.power]
debounce = "20 ms"
hold = "1 s"
[buttons.level]
debounce = "20 ms"
double = "350 ms"
[chords.both]
buttons = ["power", "level"]
within = "60 ms"
[gauge]
light = "bars"
thresholds = ["3.5 V", "3.7 V", "3.9 V"]
hysteresis = "40 mV"
low = "3.45 V"
flat = "3.25 V"
every = "5 s"
show = "lamp.lit"
[behaviour.lamp]
starts = "dark"
resume_points = ["lit.full", "lit.dim"]
states.dark = {}
states."lit.full" = { lamp = "100 %" }
states."lit.dim" = { lamp = "20 %", buzzer = "on" }
rows = [
  { on = "power.click", from = "dark", to = "resume", when = "not cell.flat and gauge > 0" },
  { on = "power.click", from = "lit.*", to = "dark" },
  { on = "level.click", from = "lit.full", to = "lit.dim" },
  { on = "level.click", from = "lit.dim", to = "lit.full" },
  { after = "30 s", from = "lit.*", to = "dark" },
  { on = "cell.flat", from = "lit.*", to = "dark" },
]
[[rules]]
name = "no light on a flat cell"
never = "lamp > 0 and cell.voltage < 3.1"
[readings]
"lamp.lit.full" = "20 mA \xc2\xb1 2 mA"
'''
SCENARIO = b'''
title = "An evening"
gadget = "gadget.toml"
charge = "80 %"
lasts = "60 s"
steps = [
  { at = "1 s", press = "power", for = "120 ms", bounce = "3 ms" },
  { at = "2 s", expect = "lamp.lit.full" },
  { at = "3 s", press = "level", for = "100 ms" },
  { at = "10 s", usb = true },
  { at = "20 s", usb = false },
  { at = "30 s", temperature = "15 degC" },
  { at = "50 s", expect = "lamp.dark and lamp == 0" },
]
'''
PATTERN = b'''
title = "Two people"
gadget = "gadget.toml"
charge = "100 %"
horizon = "2 days"
[[habits]]
name = "evening"
each = "day"
between = ["18:30", "20:30"]
times = "1 .. 3"
steps = [
  { press = "power", for = "80 ms .. 200 ms" },
  { wait = "3 s .. 9 s" },
  { press = "level", for = "100 ms" },
]
[[habits]]
name = "charge"
when = "gauge <= 1"
steps = [ { usb = true }, { wait = "1 h" }, { usb = false } ]
'''
MAP = b'''
about = "Clips on the lamp"
gadget = "gadget.toml"
glitch = "200 ns"
charge = "80 %"
start = { lamp = "dark" }
[wires.power]
input = "power"
[wires.level]
input = "level"
merge = "1 ms"
[wires.lamp]
output = "lamp"
decode = "pwm"
longest = "5 ms"
within = "5 %"
[wires.ir]
decode = "frame"
form = "remote"
[frames.remote]
lead = ["9 ms", "4.5 ms"]
mark = "562 us"
space_0 = "562 us"
space_1 = "1.69 ms"
length = 8
tolerance = "30 %"
press = "50 ms"
names = { "A5" = "power" }
'''
CURVE = b"charge,voltage_v\n0,3.0\n0.1,3.4\n0.5,3.7\n0.9,4.0\n1,4.2\n"


def _csv() -> bytes:
    rows = ["# sample: a note", "# charge: 0.8", "time_us,power,level,lamp,ir", "0,0,0,0,0"]
    rows += ["1000000,1,0,0,0", "1120000,0,0,0,x", "1140000,0,0,1,x", "3000000,0,1,,1",
             "3120000,,0,,"]
    rows += [f"{3490000 + 1000 * k + 200 * (k % 2 == 0)},0,0,{k % 2},0" for k in range(60)]
    return "\n".join([*rows, ""]).encode()


def _vcd() -> bytes:
    head = ["$date today $end", "$timescale 1 us $end", "$comment charge: 0.8 $end",
            "$scope module top $end"]  # fmt: skip
    head += [f"$var wire {bits} {code} {name} $end" for bits, code, name in
             ((1, "!", "power"), (1, '"', "level"), (1, "#", "lamp"), (1, "$", "ir"),
              (8, "%", "bus"))]
    head += ["$var real 64 & volts $end", "$upscope $end", "$enddefinitions $end", "#0",
             "$dumpvars", "0!", '0"', "0#", "0$", "b00000000 %", "r3.7 &", "$end", "#1000000",
             "1!", "#1120000", "0!", "x$", "b1010z01x %", "#1140000", "1#", "#3000000", '1"',
             "#3120000", '0"']
    head += [f"#{3490000 + 1000 * k + 200 * (k % 2 == 0)}\n{k % 2}#" for k in range(60)]
    return "\n".join([*head, ""]).encode()


def _sr() -> bytes:
    samples = bytearray(20_000)
    samples[4000:4480] = b"\x01" * 480
    samples[4560:] = b"\x04" * (len(samples) - 4560)
    meta = ("[global]\nversion=x\n\n[device 1]\ncapturefile=logic-1\ntotal probes=4\n"
            "samplerate=4 kHz\ntotal analog=0\nprobe1=power\nprobe2=level\nprobe3=lamp\nprobe4=ir\n"
            "unitsize=1\n")  # fmt: skip
    result = io.BytesIO()
    with zipfile.ZipFile(result, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", meta)
        archive.writestr("logic-1-1", bytes(samples[:10_000]))
        archive.writestr("logic-1-2", bytes(samples[10_000:]))
    return result.getvalue()


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file: a valid one, its name on disk, and the command lines that read it."""

    name: str
    file: str
    valid: bytes
    commands: tuple[tuple[str, ...], ...]


def _reading(name: str) -> tuple[tuple[str, ...], ...]:
    """Mostly the quick command, now and then the one that compares."""
    told = ("map", name, "--gadget", "gadget.toml")
    return told, told, (*told, "--json"), ("replay", name, "--map", "map.toml")


KINDS: tuple[Kind, ...] = (
    Kind("gadget", "gadget.toml", GADGET, (
        ("pins", "gadget.toml"), ("run", "short.toml"), ("circuit", "gadget.toml"),
        ("modes", "gadget.toml"))),
    Kind("scenario", "scenario.toml", SCENARIO, (("run", "scenario.toml"),
                                                  ("run", "scenario.toml", "--json"))),
    Kind("pattern", "pattern.toml", PATTERN, (
        ("life", "pattern.toml", "--users", "1", "--jobs", "1"),)),
    Kind("map", "map.toml", MAP, (
        ("replay", "capture.csv", "--map", "map.toml"),
        ("replay", "capture.sr", "--map", "map.toml", "--no-timings"))),
    Kind("csv", "capture.csv", _csv(), _reading("capture.csv")),
    Kind("vcd", "capture.vcd", _vcd(), _reading("capture.vcd")),
    Kind("sr", "capture.sr", _sr(), _reading("capture.sr")),
    Kind("curve", "curve.csv", CURVE, (("run", "short.toml"), ("circuit", "gadget.toml"))),
    Kind("firmware", "told.txt", b"", ()),
)  # fmt: skip


def workshop(folder: Path) -> None:
    """A folder with one valid file of each kind, and a program that prints `told.txt`."""
    for kind in KINDS:
        (folder / kind.file).write_bytes(kind.valid)
    later = SCENARIO[SCENARIO.index(b'  { at = "10 s"') : SCENARIO.index(b"]\n", 200)]
    short = SCENARIO.replace(b'lasts = "60 s"', b'lasts = "4 s"').replace(later, b"")
    (folder / "short.toml").write_bytes(short)
    program = folder / "firmware"
    program.write_text('#!/bin/sh\nexec cat "$(dirname "$0")/told.txt"\n', encoding="utf-8")
    program.chmod(0o755)


@cache
def bench(folder: Path) -> tuple[Callable[[], object], bytes]:
    """A comparison of the program in `folder` with the model, and what a sound firmware prints."""
    from simfw.conform.driving import scenario_drive
    from simfw.conform.firmware import Firmware
    from simfw.engine.simulator import Prepared
    from simfw.loading import load_gadget, load_scenario
    from simfw.vectors.build import Rehearsal

    prepared = Prepared(load_gadget(folder / "gadget.toml"))
    drive = scenario_drive(Rehearsal(prepared), "short.toml", load_scenario(folder / "short.toml"))
    lines = [line for exchange in drive.replay.exchanges
             for line in [*(report.line for report in exchange.reports), "ok"]]

    def compare() -> object:
        firmware = Firmware(folder / "firmware", timeout_s=5.0)
        return str(firmware.differs(drive))

    return compare, "\n".join([*lines, ""]).encode()
