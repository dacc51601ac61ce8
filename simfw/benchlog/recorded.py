"""A recording of the real thing against a gadget: the comparison of `replay` as margins."""

from __future__ import annotations

import math

from simfw.benchlog.margin import FAR, Margin, truth
from simfw.benchlog.model import Recorded
from simfw.engine.prepared import Prepared
from simfw.verify.prediction import Model
from simfw.verify.replay import Options, replay

__all__ = ["compared"]

_MARGINS = 8
_PAIRED = ("matched", "early", "late")


def compared(prepared: Prepared, seen: Recorded, charge: float) -> tuple[Margin, ...]:
    """How far the recorded edges are off, and whether each has its own.

    Edges by time in up to eight groups, of each the one that is furthest off: recorded less model.

    The times of `prepared` have the clock's factor in them, so none is fitted. Edges that lie
    outside of the tolerance still count with their distance: that leads the search. `charge` (0..1)
    is that of the cell when the recording begins.
    """
    options = Options(
        tolerance_ns=seen.tolerance_ns, start=dict(seen.start), charge=charge, factor=1.0)
    model = Model(prepared.gadget, seen.observed, prepared=prepared)
    found = replay(seen.observed, prepared.gadget, options, model)
    known = {
        (verdict.signal, pair.recorded.number): pair.off_ns / seen.tolerance_ns
        for verdict in found.verdicts for pair in verdict.pairs
        if pair.kind in _PAIRED and pair.recorded is not None and pair.off_ns is not None
    }
    others = sum(
        (not verdict.start_agrees) + sum(pair.kind not in _PAIRED for pair in verdict.pairs)
        for verdict in found.verdicts)
    edges = sorted(
        (time, name, number) for name, track in seen.observed.outputs.items()
        for number, time in enumerate(track.times_ns))
    size = max(1, math.ceil(len(edges) / _MARGINS))
    margins = []
    for first in range(0, len(edges), size):
        offs = [known[name, number] for _, name, number in edges[first : first + size]
                if (name, number) in known]
        z = max(offs, key=abs, default=math.nan)
        margins.append(Margin(z=z, low=-1.0, high=1.0))
    return (*margins, truth(others == 0, min(FAR, 1.2 + others)))
