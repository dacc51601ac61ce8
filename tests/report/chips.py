"""The generated C on a simulated 8-bit part: what it tells, and how many cycles it takes.

The part is an ATmega with 16-bit `int`, run by `simavr`, whose timer counts cycles exactly. The
events are those of a short list; the program tells each instant on its serial port.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["AVR", "Instant", "on_avr", "on_host"]

AVR = ("avr-gcc", "simavr")
PART = "atmega1284p"
FLAGS = ("-std=c99", "-Wall", "-Wextra", "-Werror", "-Os", f"-mmcu={PART}")

MAIN = """\
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>

#include "firmware.h"
#include "hooks.h"

typedef struct { uint32_t at; uint8_t signal; uint8_t level; } act;
static const act acts[] PROGMEM = { @ACTS@ };
static int32_t measured = @MEASURED@;
static fw_index before[FW_REGION_COUNT];

static void tell(char letter)
{
    while ((UCSR0A & _BV(UDRE0)) == 0) {
    }
    UDR0 = (uint8_t)letter;
}

static void number(uint32_t value)
{
    char digits[10];
    uint8_t count = 0u;

    do {
        digits[count++] = (char)('0' + value % 10u);
        value /= 10u;
    } while (value > 0u);
    tell(' ');
    while (count > 0u) {
        tell(digits[--count]);
    }
}

int32_t fw_hook_measured_uv(void) { return measured; }
int32_t fw_hook_cell_uv(void) { return measured; }
uint32_t fw_hook_counted_ppm(void) { return 500000u; }
uint32_t fw_hook_charge_ppm(void) { return 500000u; }
bool fw_hook_echo(fw_index sensor) { (void)sensor; return false; }
bool fw_hook_reached(fw_index level) { (void)level; return false; }
void fw_hook_event(fw_index event) { (void)event; }

static void report(uint32_t now, uint16_t cycles)
{
    fw_index i;
    uint16_t moved = 0u;
    uint16_t taken;

    for (i = 0u; i < FW_REGION_COUNT; i++) {
        moved = (uint16_t)(moved + ((before[i] != fw.state[i]) ? 1u : 0u));
        before[i] = fw.state[i];
    }
    tell('i');
    number(now);
    number(cycles);
    number(moved);
    TCNT1 = 0u;
#if FW_OUTPUT_COUNT > 0
    for (i = 0u; i < FW_OUTPUT_COUNT; i++) {
        if (fw_changed(i)) {
            (void)fw_output(i);
        }
    }
#endif
    taken = TCNT1;
    number(taken);
    for (i = 0u; i < FW_REGION_COUNT; i++) {
        number(fw.state[i]);
    }
#if FW_OUTPUT_COUNT > 0
    for (i = 0u; i < FW_OUTPUT_COUNT; i++) {
        number(fw_output(i));
    }
#endif
    tell('\\n');
}

static void instant(fw_tick now, const fw_change *change, uint8_t count)
{
    uint16_t cycles;

    TCNT1 = 0u;
    (void)fw_step(now, change, count);
    cycles = TCNT1;
    report(now, cycles);
}

int main(void)
{
    static const uint8_t levels[FW_SIGNAL_COUNT + 1u];
    fw_tick due;
    uint8_t i;
    uint16_t cycles;

    UCSR0B = _BV(TXEN0);
    TCCR1B = 1u;
    TCNT1 = 0u;
    (void)fw_start(0u, levels);
    cycles = TCNT1;
    report(0u, cycles);
    for (i = 0u; i < @COUNT@; i++) {
        fw_change change;
        uint32_t at = pgm_read_dword(&acts[i].at);

        change.signal = pgm_read_byte(&acts[i].signal);
        change.level = pgm_read_byte(&acts[i].level);
        while (fw_due(&due) && (due < at)) {
            instant(due, &change, 0u);
        }
        instant((fw_tick)at, &change, (change.signal == 255u) ? 0u : 1u);
    }
    cli();
    sleep_enable();
    sleep_cpu();
    return 0;
}
"""

# The same on a host: what it tells must be the same but for the cycles.
HOST = (
    ("#include <avr/interrupt.h>\n#include <avr/io.h>\n#include <avr/pgmspace.h>\n"
     "#include <avr/sleep.h>\n", "#include <stdio.h>\n"),
    (" PROGMEM", ""),
    ("    while ((UCSR0A & _BV(UDRE0)) == 0) {\n    }\n    UDR0 = (uint8_t)letter;\n",
     "    putchar(letter);\n"),
    ("pgm_read_dword(&acts[i].at)", "acts[i].at"),
    ("pgm_read_byte(&acts[i].signal)", "acts[i].signal"),
    ("pgm_read_byte(&acts[i].level)", "acts[i].level"),
    ("    UCSR0B = _BV(TXEN0);\n    TCCR1B = 1u;\n", ""),
    ("    cli();\n    sleep_enable();\n    sleep_cpu();\n", ""),
    ("TCNT1 = 0u", "(void)0"),
    ("= TCNT1", "= 0u"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant: its tick, the cycles of the step, how many regions moved, the cycles of the
    outputs that may have changed, and the state of each region and level of each output after it.
    """

    tick: int
    cycles: int
    moved: int
    output_cycles: int
    after: tuple[int, ...]


def _program(acts: Sequence[tuple[int, int, int]], measured_uv: int) -> str:
    listed = ", ".join(f"{{{at}u, {signal}u, {level}u}}" for at, signal, level in acts)
    text = MAIN.replace("@ACTS@", listed).replace("@COUNT@", f"{len(acts)}u")
    return text.replace("@MEASURED@", str(measured_uv))


def _instants(told: str) -> list[Instant]:
    rows = [[int(word) for word in found.split()] for found in re.findall(r"i((?: \d+)+)", told)]
    return [Instant(*row[:4], tuple(row[4:])) for row in rows]


def on_avr(files: Mapping[str, str], acts: Sequence[tuple[int, int, int]], folder: Path, *,
           measured_uv: int = 3_900_000) -> list[Instant]:
    """Run the firmware on the simulated part; `acts` are (tick, signal, level), signal 255 for
    nothing but the time.
    """
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "main.c").write_text(_program(acts, measured_uv), encoding="utf-8")
    subprocess.run(["avr-gcc", *FLAGS, "firmware.c", "tables.c", "main.c", "-o", "fw.elf"],
                   cwd=folder, check=True)  # fmt: skip
    done = subprocess.run(["simavr", "-m", PART, "-f", "8000000", "fw.elf"], cwd=folder,
                          capture_output=True, text=True, timeout=120, check=False)  # fmt: skip
    return _instants(re.sub(r"\x1b\[[0-9;]*m", "", done.stdout + done.stderr))


def on_host(command: Sequence[str], run: Sequence[str], files: Mapping[str, str],
            acts: Sequence[tuple[int, int, int]], folder: Path, *,
            measured_uv: int = 3_900_000) -> list[Instant]:
    """The same compiled by `command` and run by `run` (an emulator, or nothing); no cycles."""
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    text = _program(acts, measured_uv)
    for old, new in HOST:
        assert old in text, old
        text = text.replace(old, new)
    (folder / "main.c").write_text(text, encoding="utf-8")
    subprocess.run([*command, "firmware.c", "tables.c", "main.c", "-o", "fw"], cwd=folder,
                   check=True)  # fmt: skip
    done = subprocess.run([*run, "./fw"], cwd=folder, capture_output=True, text=True, timeout=120,
                          check=True)  # fmt: skip
    return _instants(done.stdout)
