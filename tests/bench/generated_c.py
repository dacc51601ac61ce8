"""The full comparison of the generated C with the model, by one command.

    python -m tests.bench.generated_c --gadgets 220 --lists 50 --compiler tcc
    python -m tests.bench.generated_c --gadgets 20 --lists 20 --compiler gcc --sanitize
    python -m tests.bench.generated_c --gadgets 40 --lists 5 --compiler clang --strict
    python -m tests.bench.generated_c --gadgets 0 --kept 200 --compiler gcc --level -O1
    python -m tests.bench.generated_c --vectors --compiler clang --sanitize

Seeds count from --first; a difference ends the run with the seed and what led to it. First event
lists go through the demo gadgets and --gadgets random ones (0 leaves these lists out), beside an
independent state-machine library. Then --kept random gadgets that keep something without supply, or
let go of it, are driven through losses of the supply, and through their scenarios beside runs. With
--vectors the test vectors of the demo gadgets are driven instead, none of their periods left out.
"""

import argparse
import itertools
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.conform.driving import vector_drives
from simfw.conform.firmware import Firmware, compare
from simfw.engine.simulator import Prepared
from tests.report.generated_c import (
    STRICT,
    Account,
    build_case,
    compile_harness,
    first_difference,
    random_list,
    talk,
    write_harness,
)
from tests.report.golden import DEMOS
from tests.report.kept_c import Counts, compare_seed, features


def drive_vectors(compiler: str, flags: list[str]) -> int:
    """Drive all test vectors of the demo gadgets through their C, every instant of them."""
    for path in DEMOS:
        gadget = load_gadget(path)
        prepared = Prepared(gadget)
        drives = vector_drives(gadget, prepared)
        with tempfile.TemporaryDirectory() as folder:
            write_harness(Path(folder), gadget, prepared.system)
            firmware = Firmware(compile_harness(Path(folder), compiler, *flags))
            start = time.perf_counter()
            found = compare(firmware, drives)
        if found is not None:
            print(f"{path.parent.name}: {found}")
            return 1
        reports = sum(len(exchange.reports) for drive in drives
                      for exchange in drive.replay.unrolled.exchanges)  # fmt: skip
        print(f"{path.parent.name}: {len(drives)} vectors, {reports} reports, "
              f"{sum(drive.ends_ns for drive in drives) / 1e9:.0f} s of gadget time agree; "
              f"{time.perf_counter() - start:.1f} s.")  # fmt: skip
    return 0


def lose_supplies(options: argparse.Namespace, flags: list[str]) -> int:
    """Drive the gadgets that keep something or let go of their supply; print counts and time."""
    counts = Counts()
    start = time.perf_counter()
    for seed in itertools.count(options.first):
        if counts.gadgets == options.kept:
            break
        if not any(features(seed)):
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = compare_seed(seed, Path(folder), options.courses, options.compiler, *flags,
                                 counts=counts)  # fmt: skip
        if found is not None:
            print(f"gadget {seed}:\n{found}")
            return 1
    print(f"{counts.gadgets} random gadgets ({counts.keeping} keep something, {counts.letting_go} "
          f"let go of their supply) agree: {counts.courses} courses, {counts.runs} of them beside "
          f"runs ({counts.refused} more have no end or cannot be told), {counts.lost} losses of "
          f"the supply, back {counts.back} times, {counts.reports} reports; "
          f"{time.perf_counter() - start:.1f} s.")  # fmt: skip
    return 0


def main() -> int:
    """Run the comparison and print counts and times."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--gadgets", type=int, default=220)
    parser.add_argument("--lists", type=int, default=50)
    parser.add_argument("--steps", type=int, default=12)
    parser.add_argument("--kept", type=int, default=100,
                        help="gadgets that keep something without supply, or let go of it")
    parser.add_argument("--courses", type=int, default=6, help="random courses for each of these")
    parser.add_argument("--compiler", default="tcc")
    parser.add_argument("--strict", action="store_true")
    parser.add_argument("--sanitize", action="store_true")
    parser.add_argument("--level", default="", help="a level of optimisation, such as -O2")
    parser.add_argument("--vectors", action="store_true", help="drive the demos' test vectors")
    options = parser.parse_args()
    flags = [*(STRICT if options.strict else ()), *([options.level] if options.level else ()),
             *(["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
               if options.sanitize else ())]  # fmt: skip
    if options.vectors:
        return drive_vectors(options.compiler, flags)
    return (options.gadgets and go_through_lists(options, flags)) or lose_supplies(options, flags)


def go_through_lists(options: argparse.Namespace, flags: list[str]) -> int:
    """Compare event lists on the demos and on random gadgets; print counts and times."""
    demos = DEMOS
    whole = cut = instants = 0
    model_s = c_s = 0.0
    for number in range(-len(demos), options.gadgets):
        if number < 0:
            gadget = load_gadget(demos[number])
            system = build_system(gadget)
        else:
            gadget, system = build_case(options.first + number)
        account = Account(system, gadget.segments)
        rng = random.Random(options.first + number)
        start = time.perf_counter()
        for _ in range(options.lists):
            if random_list(account, rng, options.steps):
                whole += 1
            else:
                cut += 1
        model_s += time.perf_counter() - start
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            write_harness(Path(folder), gadget, system)
            try:
                program = compile_harness(Path(folder), options.compiler, *flags)
            except subprocess.CalledProcessError as error:
                print(f"gadget {number}: {error.stderr}")
                return 1
            difference = first_difference(account, talk(program, account.asked))
        c_s += time.perf_counter() - start
        instants += sum(line.startswith(("step", "power", "until")) for line in account.asked)
        if difference is not None:
            print(f"gadget {number}:\n{difference}")
            return 1
    print(f"{len(demos)} demo gadgets and {options.gadgets} random ones agree: {whole} event lists "
          f"({cut} more cut short at an instant without end), {instants} driven instants; "
          f"model {model_s:.1f} s, compiling and running C {c_s:.1f} s.")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
