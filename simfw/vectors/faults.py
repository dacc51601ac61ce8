"""Faults that a firmware written by hand may have, by their kinds.

A fault is a `System` with one thing in it changed, or the system as it is and a slip in how its
rows are walked (`twist`). They are the mutants by which test vectors are judged; `possible` makes
them.

Kinds, in the order of `KINDS`: see the words there. A slip that changes nothing by the table alone
(a row that is dropped where the next one says the same) is made all the same: that it cannot be
seen is for the proofs to say (`equal`, and by the rows alone `orders`, `said`, `grids`,
`powering` and `unlooked`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simfw.behaviour.region import System

__all__ = ["KINDS", "NONE", "Fault", "Twist"]

KINDS: Mapping[str, str] = {
    "row": "a row that never fires",
    "stay": "a row that fires and does not go on",
    "target": "a row that goes elsewhere",
    "source": "a state forgotten in `from`",
    "wider": "a row that fires in states where nothing answers its event",
    "guard": "a guard dropped, or a part of it",
    "turned": "a guard turned round",
    "sign": "`<=` for `<`",
    "limit": "a limit moved",
    "emit": "an event not emitted",
    "time": "a time 10 % longer or shorter",
    "step": "a time a step longer or shorter",
    "clock": "a time that does not begin anew",
    "anew": "staying and returning swapped",
    "memory": "memory lost",
    "resume": "resuming and beginning swapped",
    "order": "two rows in the other order",
    "expiry": "the end of a time taken before, or after, all else in its instant",
    "deaf": "what comes in the instant in which a time ends lost",
    "eclipsed": "the end of a time, or an edge, lost where another time ends in the same instant",
    "again": "a guard that failed asked again",
    "drive": "a level halved, or a light left off",
    "sequence": "a step of a sequence of another length or level, or the sequence left out",
    "played": "a sequence that goes on where it begins anew, or begins anew where it goes on",
    "show": "what is shown whatever the condition says, or never",
    "larger": "the last of two regions wins a light",
    "regions": "two regions in the other order",
    "condition": "a watched condition turned round, or not watched",
    "power-up": "what is found at power-up not seen, or taken for a change",
    "met": "an edge lost where another contact moves in the same instant",
    "awake": "a state that does not keep awake",
    "starts": "a region that begins in another state",
    "kept": "a state or memory kept over a loss of the supply",
    "unkept": "what is kept over a loss of the supply lost with it",
    "states": "a state more, or one less, in a guard",
    "begun": "a time begun anew by what does not concern it",
    "lasts": "the end of an earlier stay that still counts",
    "third": "a row that fires twice and never again",
    "follow": "a row lost behind another, or where a guard has failed before",
    "echo": "an echo read too early, or kept from between two looks",
}


@dataclass(frozen=True, slots=True)
class Twist:
    """A slip in how the rows are walked.

    `keeps` is the key of a row whose firing lets the time of the region go on. `first` is the key
    of a row whose time ends before all else in its instant, `after` of one that ends after it.
    `edge` is a
    contact that is closed at power-up and taken for an edge, `opened` one that is taken for open
    until its first edge, `unseen` an input that is not looked at there, or a contact
    that moves in that instant. With `last` the last region
    wins an output.

    `kept` is a region whose state, `remembers` one whose memory survives a loss of the supply; with
    `counts` only what it has counted to survives ("any"), or what it has counted to in that state.
    `loses` is a region that does not keep its state. With `only` that is one state.
    `alone` is the key of a row whose time alone goes on (with `keeps`, `lasts`), or begins anew
    where row `begun` fires, while other times of the same state run as they should.
    `lasts` is the key of a row whose time, once begun, goes on when its states are left and entered
    again, with `once` from the first stay since power-up alone; `third` that of a row that fires
    twice only; `lost` that of a row that is lost where row `behind` of the same region has fired
    just before, or, with `failed`, where the guard of that row has failed in this stay. `forgets`
    is the key of a row whose firing empties the memory of its region, `unnoted` of one after which
    the memory does not hold where it has led. `latched` is a sensor whose echo is kept until it is
    asked for, `early` one whose echo is read when its burst begins. `deaf` is the key of a row
    behind which the rows `unheard` of its region fire no more in the same instant. Where one of
    the rows `plays_on` fires, a sequence that goes through both states goes on; where row `replays`
    fires, what is played begins anew. `met` is a contact whose edge is lost where another one
    moves in the same instant. `eclipsed` is the key of a row the end of whose time
    is lost where that of row `behind`, of another region, ends in the same instant, `missed` a
    contact of which an edge is lost there.
    """

    keeps: str = ""
    first: str = ""
    after: str = ""
    edge: str = ""
    opened: str = ""
    unseen: str = ""
    last: bool = False
    kept: str = ""
    counts: str = ""
    loses: str = ""
    only: str = ""
    remembers: str = ""
    lasts: str = ""
    third: str = ""
    behind: str = ""
    lost: str = ""
    failed: bool = False
    latched: str = ""
    early: str = ""
    forgets: str = ""
    unnoted: str = ""
    alone: str = ""
    begun: str = ""
    once: bool = False
    deaf: str = ""
    unheard: frozenset[str] = frozenset()
    plays_on: frozenset[str] = frozenset()
    replays: str = ""
    met: str = ""
    eclipsed: str = ""
    missed: str = ""


NONE = Twist()


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, what it is about (a row's key, or a name), in words, and what it is.

    `touched` are the regions whose rows or states it changes; those of a twist are all it is about.
    """

    kind: str
    about: str
    words: str
    system: System
    touched: frozenset[str]
    twist: Twist = NONE

    @property
    def text(self) -> str:
        """The fault for people."""
        return f"{self.about}: {self.words}"
