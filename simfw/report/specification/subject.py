"""Everything the sections read, worked out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simfw.behaviour.hold import holding
from simfw.behaviour.region import System
from simfw.behaviour.rules import BoundRule, build_rules
from simfw.report.specification.requirements import Requirement, requirements
from simfw.report.specification.windows import Corners

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.report.specification.power import Budget
    from simfw.vectors import VectorSet
    from simfw.verify.finding import Report

__all__ = ["Subject", "subject_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A gadget with its system, rules, corners and requirement sentences.

    `by_key` finds the sentence that describes a row. `budget`, `vectors` and `found` (what the
    check says) are None where they were not asked for; `old` is the earlier gadget. `tested` holds
    for each requirement the vectors that show it, by name. `bench` are open questions of a bench
    log, each with what would answer it.
    """

    gadget: Gadget
    system: System
    rules: Sequence[BoundRule]
    corners: Corners
    segments: Mapping[str, int]
    requirements: Sequence[Requirement]
    by_key: Mapping[str, Requirement] = field(default_factory=dict)
    tested: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    budget: Budget | None = None
    vectors: VectorSet | None = None
    found: Report | None = None
    old: Gadget | None = None
    bench: Sequence[tuple[str, str]] = ()

    def part(self, *names: str) -> tuple[Requirement, ...]:
        """The sentences of these parts, in order."""
        return tuple(one for one in self.requirements if one.part in names)


def _tested(vectors: VectorSet | None, sentences: Sequence[Requirement]
            ) -> dict[str, tuple[str, ...]]:  # fmt: skip
    """For each requirement the vectors that show it, those that show it least by the way first."""
    if vectors is None:
        return {}
    by_origin = vectors.by_origin()
    found = {}
    for one in sentences:
        names = {name for key in one.shown or one.keys for name in by_origin.get(key, ())}
        names |= {vector.name for vector in vectors.vectors if vector.covers & set(one.items)}
        names |= {name for fault, name in vectors.exposure.exposed
                  if fault.kind == "unkept" and fault.about == one.keeps}
        found[one.number] = tuple(v.name for v in vectors.vectors if v.name in names)
    return found


def subject_of(
    gadget: Gadget,
    system: System,
    *,
    budget: Budget | None = None,
    vectors: VectorSet | None = None,
    found: Report | None = None,
    old: Gadget | None = None,
) -> Subject:
    """Work out what the sections of the specification of `gadget` read."""
    system = holding(system)
    rules = build_rules(gadget, system)
    corners = Corners(gadget)
    segments = gadget.segments
    sentences = requirements(gadget, system, rules, corners, segments)
    by_key: dict[str, Requirement] = {}
    for one in sentences:
        for key in one.keys:
            by_key.setdefault(key, one)
    return Subject(
        gadget=gadget,
        system=system,
        rules=rules,
        corners=corners,
        segments=segments,
        requirements=sentences,
        by_key=by_key,
        tested=_tested(vectors, sentences),
        budget=budget,
        vectors=vectors,
        found=found,
        old=old,
    )
