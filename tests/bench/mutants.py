"""The full count of mutants of the generated C that the test vectors alone notice.

    python -m tests.bench.mutants --gadget scenarios/larder-lamp/gadget.toml --count 240
    python -m tests.bench.mutants --gadget scenarios/key-hook/gadget.toml --count 400 --random 300

What is not noticed is listed, with the reason where it is known why nobody could notice it; with
--random, each of these is driven with so many lists of random stimuli too.
"""

import argparse
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from simfw import load_gadget
from simfw.behaviour.region import Region
from simfw.conform.driving import gaps_of, inputs_of, vector_drives
from simfw.conform.firmware import Firmware, random_difference
from simfw.conform.mutants import Build, Mutant, Subject, score
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.items import reached_states

SAME_INSTANT = (
    "both contacts are read in the same instants, every 50 ms, and `up` first; a press or a "
    "release lasts 100 ms at least"
)

# Why these faults cannot be noticed at the pins, by gadget: (pattern of their text, reason).
REASONS: dict[str, tuple[tuple[str, str], ...]] = {
    "larder-lamp": (
        ("the time of proximity.wave.clear#2 is 10 % shorter",
         "the field is read at the end of each look, 125 ms apart, and only there; 540 ms and "
         "600 ms after a look both end between the fourth and the fifth"),
        ("gauge: unread and gauge: reading: does not keep awake",
         "passed at power-up only, and in that instant the first look of the wave sensor keeps "
         "awake"),
    ),
    "strip-controller": (
        ("step function: more than the first matching row fires",
         "no state of this gadget has two rows for one event"),
        ("step function: a short wake is missed",
         "no state that keeps awake is left in the instant in which it was entered"),
    ),
    "cellar-steps": (
        (r"chords.both.buttons#2: its guard is dropped",
         f"{SAME_INSTANT}: while a time of 150 ms that `down` has started runs, `up` can only be "
         "pressed while `down` still is"),
        (r"chords.both.within#1: (never fires|stays instead of going on)",
         f"it never fires: {SAME_INSTANT}, so `down` is still pressed whenever `up` comes within "
         "the 150 ms"),
        (r"chords.both.buttons#3: its guard is dropped",
         f"{SAME_INSTANT}: with `up` held, the soonest press after that of `down` comes 150 ms "
         "later, when the time has run out"),
        (r"the time of chords.both.within.* is 10 % shorter",
         "contacts are read every 50 ms: 135 ms and 150 ms both take in a press 100 ms later and "
         "shut out one 150 ms later"),
        (r"(up|down).contact: reading: does not keep awake",
         "the other contact is read in the same instants, and wakes then or is awake"),
        (r"gauge: reading.\d: does not keep awake",
         "sampled every 2 s from power-up, always in an instant in which contacts are read"),
    ),
}  # fmt: skip

# What vectors could notice and do not, by gadget, with what would show it.
MISSED: dict[str, tuple[tuple[str, str], ...]] = {
    "strip-controller": (
        ("buttons.red#2: stays instead of going on",
         "a second press of `red` would show it; the end of every vector taps it once, so no other "
         "press of it was needed"),
        ("step function: a stale dwell is not dropped",
         "a contact that moves in the very instant in which its debounce time ends would show it"),
    ),
}  # fmt: skip


def known(mutant: Mutant, gadget: Gadget, table: dict[str, tuple[tuple[str, str], ...]]) -> str:
    """What a table says of a mutant of this gadget; empty for nothing."""
    mine = table.get(Path(gadget.file or "").parent.name, ())
    return next((text for pattern, text in mine if re.fullmatch(pattern, mutant.text)), "")


def reason_of(mutant: Mutant, gadget: Gadget, regions: tuple[Region, ...]) -> str:
    """Why nobody can notice a mutant; empty where that is not known."""
    chord = re.match(r"chords\.([^.]+)\.within#\d+: its guard is dropped", mutant.text)
    if chord is not None and len(gadget.chords[chord[1]].buttons) == 2:
        return ("asked only after the row for the last button of the chord, which takes every "
                "press while the other button is down")  # fmt: skip
    for region in regions:
        for state in region.states:
            mine = mutant.text.startswith(f"{region.name}: {state.name}: ")
            if mine and state.name not in reached_states(region):
                return "no row leads to this state; what is resumed was left before"
    return known(mutant, gadget, REASONS)


def random_tries(
    survivors: tuple[Mutant, ...], subject: Subject, prepared: Prepared, count: int
) -> Iterator[str]:
    """What random stimuli make of each survivor."""
    gadget = prepared.gadget
    with tempfile.TemporaryDirectory() as folder:
        build = Build(subject, Path(folder))
        for mutant in survivors:
            firmware = Firmware(build.mutated(mutant), timeout_s=20.0)
            firmware.told = {"event", "wake", "sleep"}
            found = random_difference(
                firmware, prepared.system, prepared.circuit, gadget.segments,
                inputs_of(gadget, prepared.circuit), gaps_of(gadget), examples=count, seed=1,
            )  # fmt: skip
            yield f"not by {count} lists of random stimuli" if found is None else str(found)


def main() -> int:
    """Count, and list what was not noticed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--gadget", default="scenarios/larder-lamp/gadget.toml")
    parser.add_argument("--count", type=int, default=240)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="mutants whose text has this (a pattern)")
    parser.add_argument("--random", type=int, default=0, help="lists of random stimuli for each "
                        "mutant that is not noticed")  # fmt: skip
    options = parser.parse_args()
    gadget = load_gadget(options.gadget)
    prepared = Prepared(gadget)
    start = time.perf_counter()
    drives = vector_drives(gadget, prepared)
    made = time.perf_counter()
    subject = Subject(prepared.system, gadget.segments, gadget.head.name)
    result = score(subject, drives, options.count, seed=options.seed, only=options.only)
    print(f"{len(drives)} vectors in {made - start:.1f} s; {result.killed} of {result.total} "
          f"mutants noticed ({result.share:.1%}) in {time.perf_counter() - made:.1f} s.")
    reasons = [reason_of(mutant, gadget, prepared.system.regions) for mutant in result.survivors]
    tried = list(random_tries(result.survivors, subject, prepared, options.random)
                 if options.random else [""] * len(reasons))  # fmt: skip
    for mutant, reason, random in zip(result.survivors, reasons, tried, strict=True):
        print(f"  not noticed: {mutant.text}")
        missed = known(mutant, gadget, MISSED)
        said = (reason and f"equivalent: {reason}", missed and f"missed: {missed}", random)
        for text in filter(None, said):
            print(f"    {text}")
    alike = sum(bool(reason) for reason in reasons)
    if alike:
        print(f"  {alike} of these nobody can notice; of the other {result.total - alike}, "
              f"{result.killed} are noticed ({result.killed / (result.total - alike):.1%}).")
    return 0


if __name__ == "__main__":
    sys.exit(main())
