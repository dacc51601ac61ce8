"""`simfw panel`: press the gadget's buttons in the browser."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, telling, whole_number

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 15


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
        ],
    )
    parser.add_argument("gadget", metavar="GADGET", help="a gadget file (TOML)")
    parser.add_argument(
        "--charge", default="80 %", metavar="SHARE", help="the cell's charge at the start [80 %%]"
    )
    parser.add_argument(
        "--port", type=whole_number, default=0, metavar="N", help="the port [one that is free]"
    )
    parser.add_argument(
        "--no-browser", action="store_true", help="print the address and open no browser"
    )


def run(arguments: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    from simfw.commands._recordings import share
    from simfw.errors import UsageError
    from simfw.panel.panel import Panel
    from simfw.panel.server import PanelServer

    charge = share("--charge", arguments.charge)
    with telling("reading the gadget"):
        panel = Panel(arguments.gadget, charge)
    try:
        server = PanelServer(panel, arguments.port)
    except (OSError, OverflowError) as error:
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
    return 0
