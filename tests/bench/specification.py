"""What the specification of a gadget costs, in parts, and against plain runs of its own vectors.

    python -m tests.bench.specification [--gadget scenarios/larder-lamp/gadget.toml]

The peer, in the same run: every scenario vector simulated once, instant by instant (`fold=False`),
on one prepared circuit. Searching, confirming and writing the vectors may cost a few times that.
"""

import argparse
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

from simfw import load_gadget
from simfw.engine.simulator import Prepared, simulate
from simfw.report.specification import document_of, specification_files
from simfw.report.specification.power import budget_of
from simfw.vectors import make_vectors, vector_files

START = "import simfw.cli, simfw.loading, simfw.report.specification, simfw.vectors"
LONGEST_NS = 60 * 10**9


def main() -> int:
    """Print CPU seconds of the parts and the ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gadget", default="scenarios/larder-lamp/gadget.toml")
    options = parser.parse_args()
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", START], check=True)
    print(f"interpreter and imports {time.perf_counter() - start:.2f} s (wall)")
    marks = [("", time.process_time())]

    def mark(name: str) -> None:
        marks.append((name, time.process_time()))

    gadget = load_gadget(options.gadget)
    prepared = Prepared(gadget)
    mark("gadget file")
    budget = budget_of(gadget, prepared)
    mark("power budget")
    vectors = make_vectors(gadget, prepared.system, prepared)
    mark("vectors")
    specification_files(document_of(gadget, prepared.system, budget=budget, vectors=vectors))
    vector_files(vectors, Path("specification"))
    mark("documents")
    for (_, before), (name, after) in pairwise(marks):
        print(f"{name} {after - before:.2f} s CPU")
    start = time.process_time()
    short = [vector.scenario for vector in vectors.vectors
             if vector.scenario is not None and vector.scenario.lasts_ns <= LONGEST_NS]  # fmt: skip
    for scenario in short:
        simulate(gadget, scenario, fold=False, trace=False, prepared=prepared)
    peer_s = time.process_time() - start
    mine_s = dict(marks)["vectors"] - dict(marks)["power budget"]
    print(f"{len(vectors.vectors)} vectors; {len(short)} of them simulated plainly {peer_s:.2f} s; "
          f"finding all of them took {mine_s / peer_s:.1f} times that")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
