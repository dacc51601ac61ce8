"""Everything the sections read, worked out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simfw.behaviour.region import Row, System
from simfw.behaviour.rules import BoundRule, build_rules
from simfw.report.specification.requirements import Requirement, requirements
from simfw.report.specification.windows import Corners

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.report.specification.power import Budget
    from simfw.report.vectors import VectorSet

__all__ = ["Subject", "subject_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A gadget with its system, rules, corners and requirement sentences.

    `budget` and `vectors` are None where they were not asked for; `old` is the earlier gadget.
    """

    gadget: Gadget
    system: System
    rules: Sequence[BoundRule]
    corners: Corners
    segments: Mapping[str, int]
    requirements: Sequence[Requirement]
    by_origin: Mapping[str, Requirement] = field(default_factory=dict)
    budget: Budget | None = None
    vectors: VectorSet | None = None
    old: Gadget | None = None

    def links(self, row: Row) -> tuple[tuple[str, str], ...]:
        """The link from a row to its requirement."""
        found = self.by_origin[row.key]
        return ((found.number, found.anchor),)


def subject_of(
    gadget: Gadget,
    system: System,
    *,
    budget: Budget | None = None,
    vectors: VectorSet | None = None,
    old: Gadget | None = None,
) -> Subject:
    """Work out what the sections of the specification of `gadget` read."""
    rules = build_rules(gadget, system)
    corners = Corners(gadget)
    segments = gadget.segments
    sentences = requirements(system, rules, corners, segments)
    return Subject(
        gadget=gadget,
        system=system,
        rules=rules,
        corners=corners,
        segments=segments,
        requirements=sentences,
        by_origin={item.origin: item for item in sentences},
        budget=budget,
        vectors=vectors,
        old=old,
    )
