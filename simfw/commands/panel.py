"""`simfw panel`: press the gadget's buttons in the browser."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._options import add_map, add_wanted_gadget
from simfw.commands._shared import add_command, telling, whole_number

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands
    from simfw.panel.panel import Panel

RANK = 15
MOST_PORTS = 65_535


def register(commands: Commands) -> None:
    """Add `panel` to the command line."""
    parser = add_command(
        commands,
        "panel",
        run,
        summary="press the gadget's buttons yourself, on a page in the browser",
        examples=[
            "panel scenarios/larder-lamp/gadget.toml",
            'panel gadget.toml --charge "30 %" --no-browser',
            "panel evening.toml",
            "panel capture.csv --map map.toml",
        ],
    )
    parser.add_argument(
        "file", metavar="GADGET",
        help="a gadget file, or a scenario or recording whose steps then happen by themselves",
    )
    parser.add_argument(
        "--charge", metavar="CHARGE",
        help='charge of the cell at the start, or its voltage at rest ("3.9 V") [80 %%, or as the '
             'scenario or map says]',
    )
    add_wanted_gadget(parser)
    parser.add_argument("--bench", metavar="LOG",
                        help="a bench log of the gadget: how far it leaves each figure open")
    add_map(parser)
    parser.add_argument(
        "--port", type=whole_number, default=0, metavar="N", help="the port [one that is free]"
    )
    parser.add_argument(
        "--no-browser", action="store_true", help="print the address and open no browser"
    )


def run(arguments: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    from simfw.errors import UsageError
    from simfw.panel.server import PanelServer

    with telling("reading the gadget"):
        panel = _panel(arguments)
        if arguments.bench is not None:
            panel.left = _left(arguments.bench, panel.path)
    if arguments.port > MOST_PORTS:
        raise UsageError(f"--port {arguments.port}: there is no such port."
                         f" Allowed: 0 to {MOST_PORTS} (0: one that is free).")
    try:
        server = PanelServer(panel, arguments.port)
    except OSError as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"--port {arguments.port}: {reason.lower()}.") from error
    print(f"{panel.bench.gadget.head.name}: {server.address}")
    print("The page is for this computer only. Ctrl-C ends it.")
    sys.stdout.flush()
    if not arguments.no_browser:
        import webbrowser

        webbrowser.open(server.address)
    try:
        server.serve_forever(poll_interval=0.05)
    except KeyboardInterrupt:
        print("Stopped.")
    finally:
        server.server_close()
        gc.freeze()  # nothing is looked through for rings at the end: it ends at once
    return 0


def _left(bench: str, gadget: Path) -> dict[str, str]:
    """What a bench log of the gadget leaves of each figure; UsageError where nothing fits."""
    from simfw.commands._bench import narrowed_of
    from simfw.errors import UsageError
    from simfw.report.bench_log import left_texts

    found = narrowed_of(bench, gadget)
    if not found.possible:
        raise UsageError(f"{bench}: nothing fits what was observed; simfw narrow {bench} tells "
                         "what contradicts what.")
    return left_texts(found)


def _panel(arguments: argparse.Namespace) -> Panel:
    from simfw.commands._charge import charge_option
    from simfw.errors import UsageError
    from simfw.loading import load_gadget, load_scenario
    from simfw.panel.panel import Panel
    from simfw.tomlfile import read_toml

    path = Path(arguments.file)
    charge = None if arguments.charge is None else charge_option(arguments.charge, None)
    if path.suffix.lower() != ".toml":
        return _recording(arguments, path)
    for option, value in (("--gadget", arguments.gadget), ("--map", arguments.map)):
        if value is not None:
            raise UsageError(f"{option} {value}: it belongs to a recording, and {path} is none.")
    if not isinstance(read_toml(path).data.get("gadget"), str):  # scenarios name one
        if charge is not None:  # the gadget tells what a voltage means
            charge = charge_option(arguments.charge, load_gadget(path))
        return Panel(path, 0.8 if charge is None else charge)
    if charge is not None:
        raise UsageError(f"--charge {arguments.charge}: the scenario says with which charge it "
                         "begins.")
    scenario = load_scenario(path)
    return Panel(scenario.gadget_path, watched=scenario)


def _recording(arguments: argparse.Namespace, path: Path) -> Panel:
    """A recording: its stimuli happen, and what its outputs did is expected."""
    from simfw.commands._charge import charge_option
    from simfw.commands._recordings import gadget_of, observed_in
    from simfw.loading import load_gadget
    from simfw.panel.panel import Panel
    from simfw.report.replay import as_scenario
    from simfw.stimuli.recording.mapfile import read_map
    from simfw.verify.replay import Options, begin_of, replay

    mapped = None if arguments.map is None else read_map(arguments.map)
    gadget_path = gadget_of(path, arguments.gadget, mapped, arguments.map)
    gadget = load_gadget(gadget_path)
    observed, mapped = observed_in(path, mapped, gadget, gadget_path)
    charge = None if arguments.charge is None else charge_option(arguments.charge, gadget)
    if charge is None:
        charge = mapped.begins_at(gadget)
    replayed = replay(observed, gadget, Options(start=mapped.start, charge=charge))
    notes = list(replayed.said)
    if replayed.begin.states:
        notes.append(f"The recording begins in {replayed.begin}, and so does the bench: such a "
                     "course cannot be kept as a scenario, which begins at power-up.")
    tracks = {
        name: [(0, track.start or 0.0), *zip(track.times_ns, track.levels, strict=True)]
        for name, track in replayed.observed.outputs.items()
    }
    return Panel(gadget_path, watched=as_scenario(replayed, gadget, gadget_path),
                 notes=notes, recorded=tracks, begin=begin_of(replayed, gadget))
