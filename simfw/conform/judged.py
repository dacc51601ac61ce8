"""How many faults of each kind the vectors notice, and what is known of the others."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour.hold import holding
from simfw.conform.firmware import Drive
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import KINDS, Fault
from simfw.vectors.possible import all_faults

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared

__all__ = ["Judged", "judged"]

EFFORT = 8  # times the work that a search for the vectors spends on one fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Faults by what became of them: `noticed` by the vectors, `same` as the model (proved), or
    `left`: neither, which counts as missed. `heard` are those of the last two that the vectors show
    by an event alone. `made` is how many there are in all.
    """

    noticed: tuple[Fault, ...]
    same: tuple[Fault, ...]
    left: tuple[Fault, ...]
    made: int
    heard: tuple[Fault, ...] = ()

    @property
    def share(self) -> float:
        """The share noticed of those that are not proved the same, 1 for none at all."""
        told = len(self.noticed) + len(self.left)
        return len(self.noticed) / told if told else 1.0

    def lines(self) -> tuple[str, ...]:
        """In words: all, by kind, and each that is left."""
        total = len(self.noticed) + len(self.same) + len(self.left)
        of = f" (of {self.made} that can be made)" if total < self.made else ""
        lines = [f"Mutants: {total}{of}. {len(self.noticed)} noticed by the vectors, "
                 f"{len(self.same)} proved to do what the model does, {len(self.left)} "
                 f"open. Noticed: {self.share:.1%} of those not proved."]
        for kind, words in KINDS.items():
            counts = [sum(fault.kind == kind for fault in group)
                      for group in (self.noticed, self.same, self.left)]
            if any(counts):
                lines.append(f"  {words}: {counts[0]} noticed, {counts[1]} proved, "
                             f"{counts[2]} open")
        heard = {id(fault) for fault in self.heard}
        if heard:
            more = sum(id(fault) in heard for fault in self.left)
            lines.append("Where the firmware tells its events: "
                         f"{len(self.noticed) + more} noticed, and {len(heard) - more} of those "
                         "proved differ in an event.")
        lines += [f"  open: {fault.text}" for fault in self.left]
        lines += [f"  shown by an event alone: {fault.text}" for fault in self.heard]
        return tuple(lines)


def judged(prepared: Prepared, drives: Sequence[Drive], count: int, *, seed: int = 0,
           progress: Callable[[int, int], None] | None = None) -> Judged:
    """Judge `count` faults (all, if there are fewer) by the drives, the rest by proofs."""
    system = holding(prepared.system)
    every = all_faults(system)
    chosen = list(every) if count >= len(every) else [
        every[number] for number in sorted(random.Random(seed).sample(range(len(every)), count))]
    segments = prepared.gadget.segments
    judge = Judge(system, segments)
    for drive in drives:
        judge.add(drive.replay)
    prover = Prover(system, segments, EFFORT)
    found: dict[str, list[Fault]] = {"noticed": [], "same": [], "left": []}
    for done, fault in enumerate(chosen):
        if progress is not None:
            progress(done, len(chosen))
        if judge.exposed(fault) is not None or judge.woken(fault) is not None:
            found["noticed"].append(fault)
        else:
            found["same" if prover.same(fault) else "left"].append(fault)
    heard = tuple(fault for fault in (*found["left"], *found["same"]) if judge.heard(fault))
    return Judged(noticed=tuple(found["noticed"]), same=tuple(found["same"]),
                  left=tuple(found["left"]), made=len(every), heard=heard)
