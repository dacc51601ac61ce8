"""`simfw map`: what is on each wire of a recording, and a draft of a map."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simfw.commands._options import RECORDED, add_json, add_recording, required
from simfw.commands._shared import add_command, dump_json

if TYPE_CHECKING:
    from simfw.commands._shared import Commands
    from simfw.stimuli.recording.activity import Activity

__all__ = ["RANK", "register"]

RANK = 48


def register(commands: Commands) -> None:
    """Add the subcommand."""
    parser = add_command(
        commands, "map", _map,
        summary="draft a map from a recording's wires to a gadget's signals",
        examples=["map capture.vcd --gadget gadget.toml > capture-map.toml",
                  "map capture.sr --gadget gadget.toml --json"],
    )
    add_recording(parser)
    required(parser).add_argument("--gadget", type=Path, required=True, metavar="GADGET",
                                  help=RECORDED)
    parser.add_argument("-o", "--output", type=Path, metavar="FILE",
                        help="write the draft to FILE [printed]")
    parser.add_argument("--timescale", metavar="TIME",
                        help="length of a tick for a VCD that states none [refused]")
    add_json(parser)


def _map(arguments: argparse.Namespace) -> int:
    from simfw.commands._recordings import tick_length
    from simfw.loading import load_gadget
    from simfw.stimuli.recording import open_recording
    from simfw.stimuli.recording.activity import activity, draft_map
    from simfw.writing import write_whole

    gadget = load_gadget(arguments.gadget)
    recording = open_recording(arguments.recording, timescale=tick_length(arguments.timescale))
    found = activity(recording)
    if arguments.json:
        sys.stdout.write(dump_json(_json(found)))
        return 0
    draft = draft_map(found, gadget)
    if arguments.output is None:
        sys.stdout.write(draft)
    else:
        write_whole(arguments.output, draft)
        print(f"{arguments.output}: {len(found.wires)} wires; check every line.")
    for remark in found.remarks:
        print(f"{arguments.recording}: {remark}", file=sys.stderr)
    return 0


def _json(found: Activity) -> dict[str, Any]:
    from simfw.stimuli.recording.activity import decode_guess

    recording = found.recording
    tick_s = float(recording.tick_s)

    def seconds(tick: int | None) -> float | None:
        return None if tick is None else tick * tick_s

    return {
        "format": 1,
        "recording": str(recording.path),
        "kind": recording.kind,
        "tick_s": tick_s,
        "sample_rate_hz": None if recording.sample_hz is None else float(recording.sample_hz),
        "start_ticks": found.start_tick,
        "end_ticks": found.end_tick,
        "duration_s": (found.end_tick - found.start_tick) * tick_s,
        "notes": dict(recording.notes),
        "wires": [
            {
                "name": wire.wire.name,
                "also": list(wire.wire.also),
                "bits": wire.wire.bits,
                "changes": wire.changes,
                "edges": wire.edges,
                "unknown": wire.unknown,
                "first_edge_ticks": wire.first_tick,
                "first_edge_s": seconds(wire.first_tick),
                "last_edge_ticks": wire.last_tick,
                "last_edge_s": seconds(wire.last_tick),
                "duty": wire.duty,
                "frequency_hz": wire.frequency_hz,
                "lowest": wire.least,
                "highest": wire.most,
                "looks_like": decode_guess(wire),
            }
            for wire in found.wires
        ],
        "remarks": [{"line": remark.line, "text": remark.text} for remark in found.remarks],
    }
