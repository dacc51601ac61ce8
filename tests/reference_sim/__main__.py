"""`python -m tests.reference_sim N SEED [coarse]`: N random cases from SEED on, counted.

`coarse`: other ones, whose times all lie on a few values.
Prints the counts and, for each difference, the case made as small as it can be made.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

from tests.reference_sim.compare import run
from tests.reference_sim.generator import KNOWN, case
from tests.reference_sim.minimise import smaller
from tests.reference_sim.writing import curve_csv, gadget_toml, scenario_toml

CLOSE = "too close to call"


def main(count: int, seed: int, coarse: bool = False, most: int = 5) -> int:
    """Run them; at most `most` differences are made small and printed whole."""
    counts: Counter[str] = Counter()
    shown = 0
    begin = time.process_time()
    for number in range(seed, seed + count):
        verdict = run(case(number, coarse))
        counts[verdict.outcome] += 1
        if verdict.outcome == CLOSE:
            print(f"seed {number}: {CLOSE}: {verdict.close[0]} ns", flush=True)
        if verdict.too_long:
            print(f"seed {number}: {verdict.outcome}", flush=True)
        if verdict.outcome == "refused":
            print(f"seed {number}: refused: {verdict.refused}", flush=True)
        if verdict.outcome != "different":
            continue
        print(f"seed {number}: {len(verdict.differences)} differences", flush=True)
        if shown >= most:
            print(f"  {verdict.differences[0]}")
            continue
        shown += 1
        small = smaller(case(number, coarse))
        print("# gadget.toml\n" + gadget_toml(small.gadget))
        print("# scenario.toml\n" + scenario_toml(small.scenario))
        print("# curve.csv\n" + curve_csv(small.curve))
        for text in run(small).differences:
            print(f"  {text}")
    spent = time.process_time() - begin
    print(", ".join(f"{many} {what}" for what, many in sorted(counts.items())), end="")
    print(f"; {count} cases from seed {seed}, {spent:.0f} s of processor time")
    if KNOWN:
        print("left out, since known to differ: " + ", ".join(sorted(KNOWN)))
    return 1 if counts["different"] or counts["refused"] else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0,
                  sys.argv[3:] == ["coarse"]))
