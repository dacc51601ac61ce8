"""What happens in the middle of a time, and is no business of it: known paths with one event more.

A firmware may begin a time anew at something else that is done meanwhile. A path on which the time
runs out is gone again, and the event is brought about by other hands while it runs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfw.errors import EndlessInstant
from simfw.vectors.faults import Fault
from simfw.vectors.nodes import Found
from simfw.vectors.repeated import Repeated
from simfw.vectors.sketch import Act

__all__ = ["Amid"]

MS = 1_000_000
BEGINS_NS = 1000 * MS
MOST_PATHS = 3  # that are tried for one row
PARTS = (50, 95, 20)  # per cent of the time after which it happens
LATER_NS = 20_000 * MS  # a path on which the time ends much later is not gone again


class Amid(Repeated):
    """Makes such courses of paths that are known."""

    def during(self, fault: Fault, paths: Sequence[Found]) -> Iterator[Found]:
        """Courses for a fault that begins times anew at an event: that comes while they run."""
        (name,) = fault.touched
        region, changed = self.sketch.system.region(name), fault.system.region(name)
        keys = {row.key for row in region.rows}
        more = [row for row in changed.rows if row.key not in keys and self._by(row.on or "")]
        plain = sorted((path for path in paths if path.ends_ns < LATER_NS and not any(
            act.at_ns == 0 or act.kind in ("supply", "status") for act in path.acts)),
            key=lambda path: (len(path.acts), path.ends_ns))
        for row in region.rows:
            heard = [one for one in more if not set(row.sources).isdisjoint(one.sources)]
            mine = [path for path in plain if f"row {row.key}" in path.covers]
            lasts = row.after_ns or 0
            for path in mine[:MOST_PATHS] if lasts and heard else ():
                try:
                    ends = self._fires(row.key, path)
                except EndlessInstant:
                    continue
                if ends is not None:
                    yield from self._with(path, self._by(heard[0].on or ""), ends - lasts, lasts)

    def _by(self, event: str) -> str:
        """What people do so that an event comes: that itself, or what a row hears that makes it."""
        if event in self.events:
            return event
        return next((row.on for region in self.sketch.system.regions for row in region.rows
                     if event in row.emit and row.on in self.events), "")

    def _with(self, path: Found, event: str, begins: int, lasts: int) -> Iterator[Found]:
        changes = self.events[event].changes
        # What brings the event about is not moved otherwise meanwhile.
        moved = {name for _, _, name, _ in changes}
        own = [act for act in path.acts if act.at_ns <= begins or act.name not in moved]
        for part in PARTS:
            at = begins + lasts * part // 100
            later = max(0, MS - at - min(when for when, *_ in changes))
            acts = [Act(act.at_ns + later, act.kind, act.name, act.value) for act in own]
            acts += [Act(at + later + when, *what) for when, *what in changes]  # type: ignore[arg-type]
            acts.sort(key=lambda act: act.at_ns)
            yield Found(charge=path.charge, acts=tuple(acts), covers=frozenset(),
                        ends_ns=max(path.ends_ns + later, acts[-1].at_ns) + lasts + BEGINS_NS)
