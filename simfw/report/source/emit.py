"""The text of the generated tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from simfw.behaviour.region import Region, Row
from simfw.report.source.guards import compile_guard
from simfw.report.source.plan import Plan, StateRef, drive_level
from simfw.report.source.tick import Tick

__all__ = ["names_files", "tables_header", "tables_source"]

BANNER = "/* Generated from the gadget file by simfw; change the gadget file, not this. */\n"


def _comment(text: str) -> str:
    """`text` made fit for a C comment."""
    return text.replace("*/", "* /").replace("/*", "/ *")


def _defines(names: Iterable[tuple[str, int | str]]) -> str:
    return "".join(f"#define {name} {value}\n" for name, value in names)


def _numbered(macros: Iterable[str]) -> str:
    return _defines((macro, f"{number}u") for number, macro in enumerate(macros))


def _array(head: str, entries: Sequence[str]) -> str:
    """A constant table; C knows no empty one, so an empty table holds one unused element."""
    lines = "".join(f"    {entry},\n" for entry in entries) or "    0u,\n"
    if not entries and not head.startswith("const fw_index"):
        lines = "    {0},\n"
    return f"{head}[] = {{\n{lines}}};\n"


TYPES = """\
typedef struct {
    fw_index rows;        /* first of this state's entries in fw_state_rows */
    fw_index row_count;
    fw_index dwells;      /* first of its entries in fw_dwells */
    fw_index dwell_count;
    fw_index drives;      /* first of its entries in fw_drives */
    uint8_t drive_count;
    uint8_t take_count;   /* entries behind those, of segments that are put out again */
    uint8_t flags;        /* FW_STATE_... */
} fw_state_info;

typedef struct {
    fw_index on;          /* event, FW_NONE for a dwell */
    fw_index guard;       /* FW_NONE: always */
    fw_index to;          /* state, FW_SAME or FW_RESUME */
    fw_index emits;       /* first of its entries in fw_emits */
    uint8_t emit_count;
} fw_row;

typedef struct {
    fw_tick after;
    fw_index row;
} fw_dwell;

typedef struct {
    fw_index output;
    fw_level level;
} fw_drive;

typedef struct {
    fw_index starts;
    fw_index resumes;     /* the resume point before any was used */
    fw_index show;        /* gate of its outputs, FW_NONE: always */
    uint8_t group;        /* regions of one group may put out each other's segments */
} fw_region_info;

typedef struct {
    fw_index guard;
    fw_index rises;
    fw_index falls;
} fw_condition_info;

typedef struct {
    fw_index event;
    bool at_power_up;     /* a level other than 0 at power-up counts as a change */
} fw_signal_info;

/* The counts again as constants: a gadget may have none of a kind, and a comparison of an unsigned
 * number with a literal 0 is refused by some compilers. */
extern const fw_index fw_condition_count;
extern const fw_index fw_output_count;
extern const uint8_t fw_signal_count;

extern const fw_region_info fw_regions[];
extern const fw_state_info fw_states[];
extern const fw_row fw_rows[];
extern const fw_index fw_state_rows[];
extern const fw_dwell fw_dwells[];
extern const fw_index fw_emits[];
extern const fw_drive fw_drives[];
extern const fw_condition_info fw_conditions[];
extern const fw_signal_info fw_signals[];
"""


def queue_size(plan: Plan) -> int:
    """Entries of the queue that the target gets: every input and dwell at once, each answered by
    the longest row, and as many again.
    """
    longest = max((len(row.emit) for _, row in plan.rows), default=0)
    dwells = sum(
        any(row.after_ns is not None for row in region.rows) for region in plan.system.regions
    )
    need = (len(plan.signals) + dwells + len(plan.system.conditions)) * (1 + longest)
    return max(16, 1 << (2 * need - 1).bit_length())


def tables_header(plan: Plan, name: str, digest: str, tick: Tick) -> str:
    """`tables.h`: numbers, types and sizes."""
    mark = "0xFF" if plan.index_type == "uint8_t" else "0xFFFF"
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
    return f"""{BANNER}/* {_comment(name)}{f", gadget file SHA-256 {digest}" if digest else ""} */
#ifndef TABLES_H
#define TABLES_H

#include <stdbool.h>
#include <stdint.h>

/* Time. On the target a tick is FW_TICK_NS nanoseconds in FW_TICK_TYPE; {tick.sentence}
 * On a host (FW_HOST) it is one nanosecond, which is exact. */
#ifdef FW_HOST
#define FW_TICK_NS 1u
typedef uint64_t fw_tick;
#define FW_TICK_MAX UINT64_MAX
#define FW_QUEUE_SIZE 16384u
#else
#ifndef FW_TICK_NS
#define FW_TICK_NS {tick.ns}u
#endif
typedef uint32_t fw_tick;
#define FW_TICK_MAX UINT32_MAX
#ifndef FW_QUEUE_SIZE
#define FW_QUEUE_SIZE {queue_size(plan)}u
#endif
#endif

/* A time of so many nanoseconds in ticks, rounded to the nearest. Worked out by the compiler. */
#define FW_TICKS(ns) ((fw_tick)((UINT64_C(ns) + (UINT64_C(0) + FW_TICK_NS) / 2u) / FW_TICK_NS))

/* More occurrences than this in one instant are a loop without end. */
#define FW_INSTANT_LIMIT 10000u

typedef {plan.index_type} fw_index;
typedef uint32_t fw_level;

#define FW_NONE {lowered[0]}
#define FW_SAME {lowered[1]}
#define FW_RESUME {lowered[2]}

#define FW_STATE_AWAKE 1u
#define FW_STATE_RESUMES 2u

#define FW_REGION_COUNT {len(plan.regions)}u
#define FW_SIGNAL_COUNT {len(plan.signals)}u
#define FW_OUTPUT_COUNT {len(plan.outputs)}u
#define FW_CONDITION_COUNT {len(plan.system.conditions)}u
#define FW_ECHO_COUNT {len(plan.echoes)}u

/* Regions */
{_numbered(plan.regions.values())}
/* Inputs with edges */
{_numbered(signal.macro for signal in plan.signals)}
/* Outputs */
{outputs}
/* Proximity sensors that are asked for an echo */
{_numbered(plan.echoes.values())}
/* States, of all regions */
{states}
/* Events */
{_numbered(plan.events.values())}
{TYPES}
#endif
"""


def _row_text(plan: Plan, number: int, region: Region, row: Row, emits: int) -> str:
    guard = "FW_NONE" if row.when is None else f"{plan.guards.index(row.when)}u"
    to = {"same": "FW_SAME", "resume": "FW_RESUME"}.get(row.to) or plan.states[
        StateRef(region.name, row.to)
    ]
    event = "FW_NONE" if row.on is None else plan.events[row.on]
    return (
        f"{{{event}, {guard}, {to}, {emits}u, {len(row.emit)}u}} "
        f"/* {number}: {_comment(row.key)} */"
    )


def _body(plan: Plan) -> str:
    """All tables in one pass over regions, states and rows."""
    numbers: dict[tuple[str, int], int] = {}
    rows: list[str] = []
    emits: list[str] = []
    for number, (region, row) in enumerate(plan.rows):
        numbers[region.name, id(row)] = number
        rows.append(_row_text(plan, number, region, row, len(emits)))
        emits += [plan.events[event] for event in row.emit]
    regions, states = [], []
    state_rows: list[str] = []
    dwells: list[str] = []
    drives: list[str] = []
    outputs = {output.name: output for output in plan.outputs}
    groups = list(dict.fromkeys(region.group for region in plan.system.regions))
    for region in plan.system.regions:
        resumes = region.resume_points[0] if region.resume_points else region.starts
        show = "FW_NONE" if region.show is None else f"{plan.shows.index(region.show)}u"
        regions.append(
            f"{{{plan.states[StateRef(region.name, region.starts)]}, "
            f"{plan.states[StateRef(region.name, resumes)]}, {show}, "
            f"{groups.index(region.group)}u}} "
            f"/* {_comment(region.name)} */"
        )
        for state in region.states:
            here = [row for row in region.rows if state.name in row.sources]
            on = [row for row in here if row.on is not None]
            after = sorted(
                (row for row in here if row.after_ns is not None), key=lambda row: row.after_ns or 0
            )
            flags = [
                flag
                for flag, is_set in (
                    ("FW_STATE_AWAKE", state.awake),
                    ("FW_STATE_RESUMES", state.name in region.resume_points),
                )
                if is_set
            ]
            states.append(
                f"{{{len(state_rows)}u, {len(on)}u, {len(dwells)}u, {len(after)}u, {len(drives)}u, "
                f"{len(state.outputs)}u, {len(state.takes_out)}u, {' | '.join(flags) or '0u'}}} "
                f"/* {_comment(region.name)}: {_comment(state.name)} */"
            )
            state_rows += [f"{numbers[region.name, id(row)]}u" for row in on]
            dwells += [
                f"{{FW_TICKS({row.after_ns}), {numbers[region.name, id(row)]}u}}" for row in after
            ]
            for name, drive in state.outputs.items():
                output = outputs[name]
                drives.append(f"{{{output.macro}, {drive_level(drive)}u}}")
            drives += [
                f"{{{outputs[name].macro}, {count}u}}" for name, count in state.takes_out.items()
            ]
    conditions = [
        f"{{{plan.guards.index(item.when)}u, {plan.events[item.rises]}, {plan.events[item.falls]}}}"
        f" /* {_comment(item.key)} */"
        for item in plan.system.conditions
    ]
    signals = [
        f"{{{plan.events[signal.event]}, {'true' if signal.at_power_up else 'false'}}}"
        for signal in plan.signals
    ]
    return "\n".join(
        (
            _array("const fw_region_info fw_regions", regions),
            _array("const fw_state_info fw_states", states),
            _array("const fw_row fw_rows", rows),
            _array("const fw_index fw_state_rows", state_rows),
            _array("const fw_dwell fw_dwells", dwells),
            _array("const fw_index fw_emits", emits),
            _array("const fw_drive fw_drives", drives),
            _array("const fw_condition_info fw_conditions", conditions),
            _array("const fw_signal_info fw_signals", signals),
        )
    )


def _switch(name: str, number: str, tests: Sequence[str], texts: Sequence[str]) -> str:
    cases = "".join(
        f"    case {index}u: /* {_comment(text)} */\n        holds = {test};\n        break;\n"
        for index, (test, text) in enumerate(zip(tests, texts, strict=True))
    )
    return f"""bool {name}(const fw_machine *m, fw_index {number})
{{
    bool holds = false;

    (void)m; /* a guard may be a constant */
    switch ({number}) {{
{cases}    default:
        /* no such guard */
        break;
    }}
    return holds;
}}
"""


def tables_source(plan: Plan) -> str:
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
        [compile_guard(plan, part, "fw_plain_output") for part in plan.shows],
        [gates[part] for part in plan.shows],
    )
    return f"""{BANNER}#include "firmware.h"

#include "hooks.h"

const fw_index fw_condition_count = FW_CONDITION_COUNT;
const fw_index fw_output_count = FW_OUTPUT_COUNT;
const uint8_t fw_signal_count = FW_SIGNAL_COUNT;

{_body(plan)}
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
