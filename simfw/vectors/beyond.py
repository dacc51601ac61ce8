"""Courses for faults of which no row tells: how a firmware counts, keeps time, and remembers.

Rows are walked by the model; a counter of 8 or 16 bits, and a memory that takes its time, are the
firmware's own. What brings these to their ends is done on purpose.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.gadget.model import Gadget
from simfw.vectors.brief import briefly
from simfw.vectors.chatter import Chatter
from simfw.vectors.counting import Counting
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay
from simfw.vectors.wrapping import lengths_of, told_in, waits, wrapped

__all__ = ["Beyond", "Known"]

MOST_REPORTS = 100_000  # what is done 257 times over is not waited for where more is told by then
BRIEF = "losses of the supply that are over in 1 ms"


@dataclass(frozen=True, slots=True)
class Known:
    """A course that there is already: what the model does in it, whether hands can go it, and
    whether it hangs on what comes first within a few milliseconds.
    """

    path: Found
    replay: Replay
    by_hand: bool
    exact: bool


@dataclass(frozen=True, slots=True)
class Beyond:
    """Makes such courses, some of them of those `known` and of `paths`; `play` says what the model
    does in one, `closed` ends one with all at rest, `fits` says whether a bench and a real unit can
    be held to one.
    """

    gadget: Gadget
    system: System
    circuit: Circuit
    known: Sequence[Known]
    paths: Sequence[Found]
    play: Callable[[Found], Replay | None]
    closed: Callable[[Found], Found]
    fits: Callable[[Found], bool]

    def courses(self) -> Iterator[tuple[str, Found, Sequence[Found]]]:
        """All of them, each with its title, and with those that are to stand for it where no
        firmware can be told it: a cell may run empty in a long one.
        """
        times = lengths_of(self.system)
        waiting = [wait for one in self.known if one.by_hand and not one.exact
                   for wait in waits(one.path, one.replay, times)]  # fmt: skip
        yield from wrapped(waiting, times, self.play, self.closed, self.fits)
        for path in briefly([(one.path, one.replay) for one in self.known]):
            yield BRIEF, path, ()
        counting = Counting(self.gadget, self.system, self.circuit, self.paths)
        for title, path in chain(Chatter(self.gadget, self.system, self.circuit).courses(),
                                 counting.courses(), counting.often(), counting.samples()):
            played = self.play(path)
            if played is not None and told_in(played) <= MOST_REPORTS:
                yield title, self.closed(path), ()
