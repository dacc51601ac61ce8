"""The full comparison of the generated C with the model, by one command.

    python -m tests.bench.generated_c --gadgets 220 --lists 50 --compiler tcc
    python -m tests.bench.generated_c --gadgets 20 --lists 20 --compiler gcc --sanitize
    python -m tests.bench.generated_c --gadgets 40 --lists 5 --compiler clang --strict

Seeds count from --first; a difference ends the run with the seed and what led to it.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simfw import load_gadget
from simfw.behaviour.build import build_system
from tests.report.generated_c import (
    STRICT,
    Account,
    build_case,
    compile_harness,
    first_difference,
    random_list,
    segments_of,
    talk,
    write_harness,
)

ROOT = Path(__file__).parent.parent.parent


def main() -> int:
    """Run the comparison and print counts and times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--gadgets", type=int, default=220)
    parser.add_argument("--lists", type=int, default=50)
    parser.add_argument("--steps", type=int, default=12)
    parser.add_argument("--compiler", default="tcc")
    parser.add_argument("--strict", action="store_true")
    parser.add_argument("--sanitize", action="store_true")
    parser.add_argument("--level", default="", help="a level of optimisation, such as -O2")
    options = parser.parse_args()
    flags = [*(STRICT if options.strict else ()), *([options.level] if options.level else ()),
             *(["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
               if options.sanitize else ())]  # fmt: skip
    demos = sorted(ROOT.glob("scenarios/*/gadget.toml"))
    whole = cut = instants = 0
    model_s = c_s = 0.0
    for number in range(-len(demos), options.gadgets):
        if number < 0:
            gadget = load_gadget(demos[number])
            system = build_system(gadget)
        else:
            gadget, system = build_case(options.first + number)
        account = Account(system, segments_of(gadget))
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
