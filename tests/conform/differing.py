"""A difference that a firmware would show, without a firmware: what the model did, and where."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.conform.firmware import Difference, Drive
from simfw.conform.placed import Placed, placed
from simfw.engine.prepared import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.dials.made import gadget

MS = 1_000_000


def differing(text: str, acts: Sequence[Act], ends_ms: int, at_ms: int, expected: str, told: str
              ) -> tuple[Difference, Placed]:  # fmt: skip
    """A firmware of a gadget (its text) `told` a line and not the `expected` one, in a course of
    acts at half a charge; with where the model was then. Times in ms from power-up.
    """
    prepared = Prepared(gadget(text, ""))
    replay = Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=ends_ms * MS)
    found = Difference(drive=Drive("by hand", 0.5, tuple(acts), ends_ms * MS, replay),
                       time_ns=at_ms * MS, expected=expected, told=told)  # fmt: skip
    return found, placed(prepared, found)
