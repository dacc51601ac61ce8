"""What the generated C takes on small parts: bytes by compiler, and cycles of an 8-bit part.

    python -m tests.bench.chips
    python -m tests.bench.chips scenarios/cellar-steps/gadget.toml

Sizes are what each installed compiler makes of the folder that `simfw source` writes. Cycles are
counted by the timer of an ATmega that `simavr` simulates, instant by instant, for a fixed list: a
press of each button, and the time that follows. A region that passes through states of no length
(a gauge that samples) counts as one that moved, or as none where it comes back.
"""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.report.source import source_files
from simfw.report.source.bundle import gadget_plan
from simfw.report.source.compilers import sizes
from simfw.report.source.tick import choose_tick
from tests.report.chips import AVR, Instant, on_avr

ROOT = Path(__file__).parent.parent.parent
GADGETS = [ROOT / "scenarios" / "larder-lamp" / "gadget.toml",
           ROOT / "scenarios" / "key-hook" / "gadget.toml",
           ROOT / "tests" / "gallery" / "pier-light" / "gadget.toml",
           ROOT / "tests" / "data" / "two-buttons" / "gadget.toml"]  # fmt: skip
S = 1_000_000_000


def fixed_list(signals: int, tick_ns: int) -> list[tuple[int, int, int]]:
    """A press of 150 ms of each contact in turn, one a second, and 3 s more."""
    acts = []
    for signal in range(signals):
        for at_ns, level in ((S, 1), (S + 150_000_000, 0)):
            acts.append(((signal * S + at_ns) // tick_ns, signal, level))
    return [*acts, ((signals + 3) * S // tick_ns, 255, 0)]


def _table(instants: list[Instant]) -> list[str]:
    lines = ["  cycles on an ATmega, -Os: power-up "
             f"{instants[0].cycles}, outputs {instants[0].output_cycles}",
             "  regions moved   instants   step: least  middle  most"
             "   with outputs: most"]  # fmt: skip
    for moved in sorted({one.moved for one in instants[1:]}):
        some = [one for one in instants[1:] if one.moved == moved]
        steps = sorted(one.cycles for one in some)
        whole = [one.cycles + one.output_cycles for one in some]
        middle = steps[(len(steps) - 1) // 2]
        lines.append(f"  {moved:13} {len(some):10} {steps[0]:13} {middle:7} {steps[-1]:5}"
                     f" {max(whole):20}")  # fmt: skip
    return lines


def main() -> int:
    """Print a table for each gadget."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("gadgets", nargs="*", type=Path, default=GADGETS)
    for path in parser.parse_args().gadgets:
        gadget = load_gadget(path)
        system = build_system(gadget)
        files = source_files(gadget, system)
        print(f"{path.parent.name}:")
        print("\n".join(sizes(files)))
        if any(shutil.which(name) is None for name in AVR):
            print("  cycles: avr-gcc or simavr is not installed")
            continue
        contacts = sum(signal.name not in ("usb", "status")
                       for signal in gadget_plan(gadget, system).signals)  # fmt: skip
        with tempfile.TemporaryDirectory() as folder:
            acts = fixed_list(contacts, choose_tick(system).ns)
            print("\n".join(_table(on_avr(files, acts, Path(folder)))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
