"""The text of the generated tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import System
from simfw.quantity import format_duration
from simfw.report.source.bound import always_ends, queue_bound
from simfw.report.source.guards import compile_guard
from simfw.report.source.layout import (
    DIAL_DRIVE_SIZE,
    DIAL_SCALE_SIZE,
    Entry,
    Layout,
    mask_bits,
)
from simfw.report.source.plan import Plan
from simfw.report.source.tick import Tick, lengths_of

__all__ = ["index_type", "names_files", "place_type", "queue_size", "tables_header", "tables_of",
           "tables_source"]  # fmt: skip

ROW_SIZE = 6  # fields of an entry of fw_rows
UNBOUNDED = 120  # entries of a queue for which no bound is found

BANNER = "/* Generated from the gadget file by simfw; change the gadget file, not this. */\n"


def _comment(text: str) -> str:
    """`text` made fit for a C comment."""
    return text.replace("*/", "* /").replace("/*", "/ *")


def _defines(names: Iterable[tuple[str, int | str]]) -> str:
    return "".join(f"#define {name} {value}\n" for name, value in names)


def _numbered(macros: Iterable[str]) -> str:
    return _defines((macro, f"{number}u") for number, macro in enumerate(macros))


def _array(type_name: str, table: str, entries: Sequence[Entry]) -> str:
    """A constant table of all fields in a row, nothing where it would be empty."""
    if not entries:
        return ""
    lines = "".join(
        f"    {', '.join(entry.fields)}," + (f" /* {_comment(entry.text)} */" if entry.text else "")
        + "\n"
        for entry in entries
    )
    return (
        f"const FW_FLASH {type_name} {table}[{_number_of(entries)}u] FW_PLACED = {{\n{lines}}};\n"
    )


def _number_of(entries: Sequence[Entry]) -> int:
    return sum(len(entry.fields) for entry in entries)


def _plain(numbers: Iterable[int | None]) -> list[Entry]:
    return [Entry(("FW_NONE" if number is None else f"{number}u",)) for number in numbers]


def tables_of(layout: Layout) -> list[tuple[str, str, Sequence[Entry]]]:
    """The tables: C type, name, entries. Tables of what a gadget lacks are empty, and those that
    say the same as an earlier one are left out.
    """
    alike = same_tables(layout)
    return [one for one in _tables(layout) if one[1] not in alike]


def same_tables(layout: Layout) -> dict[str, str]:
    """The tables that say the same, number by number, as an earlier one: it serves for both."""
    found: dict[str, str] = {}
    first: dict[tuple[str, tuple[tuple[str, ...], ...]], str] = {}
    for kind, table, entries in _tables(layout):
        if entries:
            said = (kind, tuple(entry.fields for entry in entries))
            if first.setdefault(said, table) != table:
                found[table] = first[said]
    return found


def _tables(layout: Layout) -> list[tuple[str, str, Sequence[Entry]]]:
    timed = layout.time_lengths
    return [
        ("fw_index", "fw_starts", layout.starts),
        ("fw_index", "fw_resumes", layout.resumes),
        ("uint8_t", "fw_state_flags",
         layout.flags if layout.awake or layout.memory or layout.kept_but else ()),
        ("fw_mask", "fw_state_outputs",
         _plain(layout.state_outputs)
         if layout.drives or layout.dial_drives or layout.clocks else ()),
        ("fw_place", "fw_id_rows",
         _plain(ROW_SIZE * number for number in layout.id_rows) if layout.rows else ()),
        ("fw_index", "fw_rows", layout.rows),
        ("fw_index", "fw_state_times", _plain(layout.state_times) if timed else ()),
        ("fw_index", "fw_time_lengths",
         [Entry((f"{number}u{' + FW_TIME_MORE' * more}",)) for number, more in timed]),
        ("fw_tick", "fw_lengths",
         [Entry((one.text("FW_TICKS", "FW_TICKS_1"),)) for one in layout.lengths]),
        ("fw_index", "fw_emits", layout.emits),
        ("fw_index", "fw_conditions", layout.conditions),
        ("fw_index", "fw_keeps", layout.kept),
        ("fw_index", "fw_found", layout.found),
        ("fw_index", "fw_output_drives", _plain(layout.output_drives) if layout.drives else ()),
        ("fw_index", "fw_drives", layout.drives),
        ("fw_index", "fw_output_dial_drives",
         _plain(layout.output_dial_drives) if layout.dial_drives else ()),
        ("fw_index", "fw_dial_drives", layout.dial_drives),
        ("fw_index", "fw_dial_ranks", _plain(layout.dial_ranks)),
        ("fw_index", "fw_clocks", layout.clocks),
        ("fw_index", "fw_clock_plays", _plain(layout.clock_plays)),
        ("fw_index", "fw_plays", layout.plays),
        ("fw_step_place", "fw_sequences", _plain(layout.sequences)),
        ("fw_index", "fw_step_lengths", _plain(layout.step_lengths)),
        ("fw_index", "fw_step_ranks", _plain(layout.step_ranks)),
        ("fw_index", "fw_output_scales", _plain(layout.output_scales) if layout.scales else ()),
        ("fw_index", "fw_scales", layout.scales),
        ("fw_index", "fw_output_dial_scales",
         _plain(layout.output_dial_scales) if layout.dial_scales else ()),
        ("fw_index", "fw_dial_scales", layout.dial_scales),
        ("fw_index", "fw_scaled_first",
         _plain(layout.scaled_first) if layout.scaled or layout.factors else ()),
        ("fw_index", "fw_scaled", _plain(layout.scaled)),
        ("fw_level", "fw_factors", _plain(layout.factors)),
        ("fw_index", "fw_given_first", _plain(layout.given_first) if layout.given else ()),
        ("fw_level", "fw_given", _plain(layout.given)),
        ("fw_index", "fw_output_levels",
         () if _one_list(layout) else _plain(layout.output_levels)),
        ("fw_level", "fw_levels", _plain(layout.levels)),
    ]  # fmt: skip


def _one_list(layout: Layout) -> bool:
    """Whether all outputs have the same levels, so that none needs to say which."""
    return bool(layout.levels) and set(layout.output_levels) == {0}


def index_type(plan: Plan, layout: Layout) -> str:
    """The narrowest C type for all table numbers, values kept free for marks."""
    return "uint8_t" if max(layout.largest, len(plan.guards)) < 0xFC else "uint16_t"


def step_type(layout: Layout) -> str:
    """The narrowest C type for a place among the steps of sequences."""
    return "uint8_t" if len(layout.step_ranks) < 0x100 else "uint16_t"


def _step_place(layout: Layout) -> str:
    if not layout.clocks:
        return ""
    kind = step_type(layout)
    return (f"typedef {kind} fw_step_place; /* a place among the steps of sequences */\n"
            f"#define FW_READ_STEP(at) FW_READ_{8 if kind == 'uint8_t' else 16}(at)\n")


def place_type(layout: Layout) -> str:
    """The narrowest C type for a place in the table of rows."""
    return "uint8_t" if ROW_SIZE * len(layout.rows) < 0x100 else "uint16_t"


FLASH = """\
/* Constant tables. Parts that read flash by instructions of their own need a word for it: FW_FLASH
 * stands before the type, FW_PLACED behind the name, and FW_READ_... take the address. Set all of
 * them with -D for a compiler that is not known here. */
#if !defined(FW_FLASH) && !defined(FW_HOST)
#if defined(__FLASH) && !defined(__STRICT_ANSI__) /* avr-gcc -std=gnu99 */
#define FW_FLASH __flash
#elif defined(__AVR__)
#include <avr/pgmspace.h>
#define FW_FLASH
#define FW_PLACED PROGMEM
#define FW_READ_8(at) pgm_read_byte(at)
#define FW_READ_16(at) pgm_read_word(at)
#define FW_READ_32(at) pgm_read_dword(at)
#endif
#endif
#ifndef FW_FLASH
#define FW_FLASH
#endif
#ifndef FW_PLACED
#define FW_PLACED
#endif
#ifndef FW_READ_8
#define FW_READ_8(at) (*(at))
#define FW_READ_16(at) (*(at))
#define FW_READ_32(at) (*(at))
#endif
"""


def tables_header(plan: Plan, layout: Layout, name: str, digest: str, tick: Tick) -> str:
    """`tables.h`: numbers, types and sizes."""
    kind = index_type(plan, layout)
    mark = "0xFF" if kind == "uint8_t" else "0xFFFF"
    place = place_type(layout)
    lowered = [mark + "u", mark[:-1] + "Eu", mark[:-1] + "Du"]
    outputs = "".join(
        f"#define {output.macro} {number}u /* "
        + (f"0..{output.segments} segments" if output.segments else "parts per million")
        + " */\n"
        for number, output in enumerate(plan.outputs)
    )
    states = "".join(
        f"#define {macro} {number}u\n" for number, macro in enumerate(plan.states.values())
    )
    declared = "".join(
        f"extern const FW_FLASH {kind} {table}[{_number_of(entries)}u];\n"
        for kind, table, entries in tables_of(layout)
        if entries
    ) + "".join(f"#define {table} {first}\n" for table, first in same_tables(layout).items())
    return f"""{BANNER}/* {_comment(name)}{f", gadget file SHA-256 {digest}" if digest else ""} */
#ifndef TABLES_H
#define TABLES_H

#include <stdbool.h>
#include <stdint.h>

{_time_part(plan, tick)}
{FLASH}
/* More occurrences than this in one instant are a loop without end. */
#define FW_INSTANT_LIMIT 10000u

typedef {kind} fw_index;
typedef {place} fw_place; /* a place in fw_rows */
{_step_place(layout)}typedef uint32_t fw_level;
typedef {"fw_level" if layout.given else "fw_index"} fw_ranked; /* what fw_rank tells */
typedef uint{mask_bits(plan)}_t fw_mask; /* outputs as bits */
#define FW_READ_MASK(at) FW_READ_{mask_bits(plan)}(at)
#define FW_READ_PLACE(at) {"FW_READ_8" if place == "uint8_t" else "FW_READ_16"}(at)
#define FW_READ(at) {"FW_READ_8" if kind == "uint8_t" else "FW_READ_16"}(at)
#define FW_READ_BYTE(at) FW_READ_8(at)
#if FW_TICK_BITS == 16
#define FW_READ_TICK(at) FW_READ_16(at)
#else
#define FW_READ_TICK(at) FW_READ_32(at)
#endif
#define FW_READ_LEVEL(at) FW_READ_32(at)

#define FW_NONE {lowered[0]}
#define FW_SAME {lowered[1]}
#define FW_RESUME {lowered[2]}

#define FW_STATE_AWAKE 1u
#define FW_STATE_RESUMES 2u
#define FW_STATE_UNPOWERED 4u

#define FW_DRIVE_TAKES 1u
#define FW_DRIVE_ENDS 2u
#define FW_DRIVE_GATE 4u

/* Events and times have one row of numbers, the times behind the events. A time that a later one of
 * the same stay follows is marked. */
#define FW_TIME_MORE 0x80u

/* Fields of an entry: of fw_rows region, first and last state, guard, where to (a state, or from
 * FW_STEP_FIRST on a distance, none being FW_STEP_ZERO), what to emit; of
 * fw_drives region, first and last state, which level of those that are given before anything
 * scales them, and marks where any are needed; of fw_scales region, first and last state, by how
 * much the place in fw_scaled or fw_factors moves on; of fw_dial_drives and fw_dial_scales region,
 * first and last state, dial and its first state, then where its levels begin, or by how many steps
 * of which length the place moves on at its first position; of fw_conditions guard, event of
 * rising, event of falling; of fw_clocks region and output; of fw_plays first and last state, and
 * which of fw_sequences they play; of fw_keeps region, first and last state, and whether what it
 * would resume is kept and not its state. */
#define FW_ROW_SIZE {ROW_SIZE}u
#define FW_DRIVE_SIZE {5 if layout.plain_takes or plan.shows else 4}u
#define FW_SCALE_SIZE 4u
#define FW_DIAL_DRIVE_SIZE {DIAL_DRIVE_SIZE}u
#define FW_DIAL_SCALE_SIZE {DIAL_SCALE_SIZE}u
#define FW_CLOCK_SIZE 2u
#define FW_PLAY_SIZE 3u
#define FW_CONDITION_SIZE 3u
#define FW_KEEP_SIZE 4u
#define FW_DRIVE_LISTS {2 if plan.shows else 1}u

/* How many of each there are, and what is used at all */
{_defines((f"FW_{what}", f"{number}u") for what, number in counts_of(plan, layout))}
/* Regions */
{_numbered(plan.regions.values())}
/* Inputs with edges; each has the number of its event */
{_numbered(signal.macro for signal in plan.signals)}
/* Outputs */
{outputs}
/* Proximity sensors that are asked for an echo */
{_numbered(plan.echoes.values())}
/* Levels of what is measured */
{_numbered(plan.reached.values())}
/* States, of all regions */
{states}
/* Events */
{_numbered(plan.events.values())}
{declared}
#endif
"""


def counts_of(plan: Plan, layout: Layout) -> list[tuple[str, int]]:
    """The counts and switches of `tables.h`."""
    asked = frozenset[str]().union(
        *(names_in(part).quantities for part in (*plan.guards, *plan.shows))
    )
    return [
        ("REGION_COUNT", len(plan.regions)),
        ("TIMED_COUNT", layout.timed),
        ("MEMORY_FIRST", layout.memory.start),
        ("MEMORY_COUNT", len(layout.memory)),
        ("EVENT_COUNT", len(plan.events)),
        ("SIGNAL_COUNT", len(plan.signals)),
        ("FOUND_COUNT", len(layout.found)),
        ("OUTPUT_COUNT", len(plan.outputs)),
        ("CONDITION_COUNT", len(layout.conditions)),
        ("ROW_COUNT", len(layout.rows)),
        ("DRIVE_COUNT", len(layout.drives)),
        ("DIAL_DRIVE_COUNT", len(layout.dial_drives)),
        ("CLOCK_COUNT", len(layout.clocks)),
        ("ENDLESS_COUNT", layout.endless),
        ("SCALE_COUNT", len(layout.scales)),
        ("DIAL_SCALE_COUNT", len(layout.dial_scales)),
        ("LEVEL_COUNT", len(layout.levels)),
        ("SCALED_COUNT", len(layout.scaled)),
        ("GIVEN_COUNT", len(layout.given)),
        ("STEPPED", int(any(layout.steps))),
        ("STEP_FIRST", len(layout.flags)),
        ("STEP_ZERO", len(layout.flags) + layout.steps[0]),
        ("STEP_END", len(layout.flags) + sum(layout.steps) + 1),
        ("KEPT_COUNT", len(layout.kept)),
        ("KEPT_BUT", int(layout.kept_but)),
        ("GUARD_COUNT", len(plan.guards)),
        ("GATE_COUNT", len(plan.shows)),
        ("ECHO_COUNT", len(plan.echoes)),
        ("REACHED_COUNT", len(plan.reached)),
        ("AWAKE_STATES", int(layout.awake)),
        ("ZERO_TIMES", int(any(one.ns == 0 for one in layout.lengths))),
        ("LATER_TIMES", int(any(more for _, more in layout.time_lengths))),
        ("EMIT_LISTS", int(bool(layout.emits))),
        ("PLAIN_TAKES", int(layout.plain_takes)),
        ("GATED_TAKES", int(layout.gated_takes)),
        ("GATED_OUTPUTS", layout.gated_outputs),
        ("ALL_OUTPUTS", (1 << min(len(plan.outputs), mask_bits(plan))) - 1),
        ("MASK_BITS", mask_bits(plan)),
        ("SEGMENTED", int(None in layout.output_levels)),
        ("ONE_LEVEL_LIST", int(_one_list(layout))),
        ("ENDLESS_POSSIBLE", int(not always_ends(plan.system))),
        ("GATES_READ_INPUTS", int(layout.gates_read_inputs)),
        ("ASKS_MEASURED", int("gauge.measured" in asked)),
        ("ASKS_COUNTED", int("gauge.counted" in asked)),
        ("ASKS_CELL", int("cell.voltage" in asked)),
        ("ASKS_CHARGE", int("cell.charge" in asked)),
    ]


def queue_size(system: System) -> int:
    """Entries of the queue that the target gets: its bound, or what is given where it has none."""
    return queue_bound(system) or UNBOUNDED


def _time_part(plan: Plan, tick: Tick) -> str:
    size = queue_size(plan.system)
    bound = (
        f"at most {size} entries stand in it at once"
        if queue_bound(plan.system)
        else "its rows can multiply events, so no number is sure to be enough"
    )
    return f"""\
/* Time. On the target a tick is FW_TICK_NS nanoseconds, counted in FW_TICK_BITS bits (16 or 32);
 * {tick.sentence} On a host (FW_HOST) it is one nanosecond in 64 bits,
 * which is exact; with FW_TARGET_TICK a host counts as the target does. */
#if defined(FW_HOST) && !defined(FW_TARGET_TICK)
#define FW_TICK_NS 1u
#define FW_TICK_BITS 64
typedef uint64_t fw_tick;
#define FW_TICK_MAX 0xFFFFFFFFFFFFFFFFu
#else
#ifndef FW_TICK_NS
#define FW_TICK_NS {tick.ns}u
#endif
#ifndef FW_TICK_BITS
#define FW_TICK_BITS {tick.bits}
#endif
#if FW_TICK_BITS == 16
typedef uint16_t fw_tick;
#define FW_TICK_MAX 0xFFFFu
#else
typedef uint32_t fw_tick;
#define FW_TICK_MAX 0xFFFFFFFFu
#endif
#endif

/* The queue of an instant: {bound}. */
#ifndef FW_QUEUE_SIZE
#ifdef FW_HOST
#define FW_QUEUE_SIZE 16384u
#else
#define FW_QUEUE_SIZE {size}u
#endif
#endif
#if FW_QUEUE_SIZE > 120
typedef uint16_t fw_count;
#else
typedef uint8_t fw_count;
#endif

/* A time of so many nanoseconds in ticks, rounded to the nearest, worked out by the compiler; with
 * _1 at least one: a time that hardware keeps. */
#define FW_ROUNDED(ns) ((UINT64_C(ns) + (UINT64_C(0) + FW_TICK_NS) / 2u) / FW_TICK_NS)
#define FW_TICKS(ns) ((fw_tick)FW_ROUNDED(ns))
#define FW_TICKS_1(ns) ((fw_tick)((FW_ROUNDED(ns) > 0u) ? FW_ROUNDED(ns) : 1u))
"""


def _time_checks(plan: Plan, layout: Layout) -> str:
    """Times that do not fit the tick are refused by the compiler."""
    lengths = lengths_of(plan.system)
    lines = [
        "/* Times in whole ticks: none may vanish or pass half the range of the counter. */",
        "#define ROUNDED(ns) (((ns##u) + (FW_TICK_NS / 2u)) / FW_TICK_NS)",
        "#define AT_LEAST_1(ns) ((ROUNDED(ns) > 0u) ? ROUNDED(ns) : 1u)",
    ]
    for one in layout.lengths:
        if not one.ns:
            continue
        keys = [key for key, length in lengths.items() if length == one]
        whole, _, taken = one.text("ROUNDED", "AT_LEAST_1").partition(" - ")
        named = f"{keys[0]} ({format_duration(one.ns)})".replace('"', "'").replace("µ", "u")
        lines += [
            f"#if {whole} <= ({taken.replace(' - ', ' + ') or '0u'})",
            f'#error "{named} is less than one tick: FW_TICK_NS is too large"',
            f"#elif {whole} > (FW_TICK_MAX / 2u)",
            f'#error "{named} is more than half the counter: FW_TICK_NS or FW_TICK_BITS too small"',
            "#endif",
        ]
    return "\n".join(lines) + "\n"


def _switch(name: str, number: str, tests: Sequence[str], texts: Sequence[str]) -> str:
    cases = "".join(
        f"    case {index}u: /* {_comment(text)} */\n        holds = {test};\n        break;\n"
        for index, (test, text) in enumerate(zip(tests, texts, strict=True))
    )
    if not tests:
        return ""
    return f"""bool {name}(fw_index {number})
{{
    bool holds = false;

    switch ({number}) {{
{cases}    default:
        /* no such guard */
        break;
    }}
    return holds;
}}
"""


def tables_source(plan: Plan, layout: Layout) -> str:
    """`tables.c`: the constant tables and the compiled guards."""
    written = {row.when: row.when_text for _, row in plan.rows if row.when is not None}
    written |= {item.when: item.key for item in plan.system.conditions if item.when not in written}
    gates = {region.show: region.show_text for region in plan.system.regions if region.show}
    guards = _switch(
        "fw_guard",
        "guard",
        [compile_guard(plan, part) for part in plan.guards],
        [written[part] for part in plan.guards],
    )
    shows = _switch(
        "fw_show",
        "guard",
        [compile_guard(plan, part, "fw_plain_rank") for part in plan.shows],
        [gates[part] for part in plan.shows],
    )
    body = "\n".join(
        _array(kind, table, entries) for kind, table, entries in tables_of(layout) if entries
    )
    return f"""{BANNER}#include "firmware.h"

#include "hooks.h"

{_time_checks(plan, layout)}
{body}
{guards}
{shows}"""


def _strings(head: str, texts: Iterable[str]) -> str:
    return (
        f"const char *const {head}[] = {{\n"
        + "".join(f'    "{text}",\n' for text in (*texts, ""))
        + "};\n"
    )


def names_files(plan: Plan) -> tuple[str, str]:
    """`names.h` and `names.c`: names in plain text, for the host only."""
    values = (
        "gauge.measured",
        "cell.voltage",
        "cell.charge",
        "gauge.counted",
        *(f"{name}.echo" for name in plan.echoes),
        *(f"{name.replace('.', '.reached.')}" for name in plan.reached),
    )
    shown = [event if event in plan.system.events else "" for event in plan.events]
    header = f"""{BANNER}#ifndef NAMES_H
#define NAMES_H

#define FW_VALUE_COUNT {len(values)}u

extern const char *const fw_event_names[];
extern const char *const fw_output_names[];
extern const char *const fw_signal_names[];
extern const char *const fw_value_names[];

#endif
"""
    source = f"""{BANNER}#include "names.h"

/* An event that only stock regions pass between them has no name. */
{_strings("fw_event_names", shown)}
{_strings("fw_output_names", [output.name for output in plan.outputs])}
{_strings("fw_signal_names", [signal.name for signal in plan.signals])}
{_strings("fw_value_names", values)}"""
    return header, source
