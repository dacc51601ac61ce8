"""What simulations of one gadget share."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field

from simfw.behaviour.build import build_system
from simfw.behaviour.region import System
from simfw.behaviour.rules import BoundRule, build_rules
from simfw.circuit.circuit import Circuit
from simfw.engine.clocks import Clocks
from simfw.engine.learned import Bands, Table
from simfw.engine.listing import Standing
from simfw.engine.mean import Grids
from simfw.engine.phase import Settings
from simfw.engine.reachable import Stand
from simfw.engine.run import Guess
from simfw.engine.ticking import ticking_states
from simfw.gadget.figures import figure_text, guesses
from simfw.gadget.model import Gadget

__all__ = ["Prepared"]

_MOST_RESTED = 16  # stands of which the rows at rest are kept


@dataclass(slots=True)
class _Kept:
    """What was worked out of the rows alone: which stands there are, and the rows at rest in
    some of them.
    """

    standing: Standing | None = None
    rested: dict[object, Prepared] = field(default_factory=dict)


class Prepared:
    """What simulations of one gadget share: circuit, system, rules, charge clocks, settings."""

    def __init__(
        self, gadget: Gadget, *, reference_v: float | None = None, like: Prepared | None = None,
        rows: Prepared | None = None,
    ) -> None:
        """`like` lends its circuit; its gadget may differ in behaviour only. `rows` lends its
        behaviour; its gadget may differ in figures of the circuit only.
        """
        self.gadget = gadget
        self.circuit: Circuit = (
            Circuit(gadget, reference_v=reference_v) if like is None else like.circuit
        )
        self.system: System = build_system(gadget) if rows is None else rows.system
        self.rules: tuple[BoundRule, ...] = (
            build_rules(gadget, self.system) if rows is None else rows.rules
        )
        self.clocks: Clocks = Clocks() if like is None else like.clocks
        self.ticking: tuple[frozenset[int], ...] = (
            ticking_states(self.system) if rows is None else rows.ticking
        )
        self.settings: Settings = {}
        self.learned = Table()
        self.bands: Bands = {}
        self.grids: Grids = Grids() if like is None else like.grids
        self._kept: _Kept = _Kept() if rows is None else rows._kept
        self._guesses: list[tuple[Guess, ...]] = []  # shared with every copy, filled when asked

    def guesses(self) -> tuple[Guess, ...]:
        """The quantities of the gadget that are guesses."""
        if not self._guesses:
            self._guesses.append(
                tuple(Guess(one.key, figure_text(one.figure)) for one in guesses(self.gadget))
            )
        return self._guesses[0]

    def learn_with(self, other: Prepared) -> None:
        """Share with `other`, of other parts, what was learned of the rows where they are the
        same, and a guess at the nodes of charge clocks.
        """
        self.clocks.near = other.clocks
        if self.system == other.system:
            self.learned, self._kept = other.learned, other._kept
        else:
            standing = other._kept.standing
            if standing is not None and standing.is_of(self.system):
                self._kept.standing = standing

    def draw_with(self, other: Prepared) -> None:
        """Share with `other`, whose circuit draws the same, what is known of that."""
        self.clocks, self.grids = other.clocks, other.grids

    def standing(self) -> Standing:
        """Which stands the gadget has: its rows decide that alone."""
        if self._kept.standing is None:
            self._kept.standing = Standing(self.gadget, self.system)
        return self._kept.standing

    def resting(
        self, stand: Stand, rest: Callable[[System, Stand, frozenset[str]], System],
        caused: frozenset[str] = frozenset(),
    ) -> Prepared:
        """The same under the rows that `rest` makes of those of this gadget for a stand, and for
        the events that something held has caused.

        What is known of these rows is kept for all parts that they run with.
        """
        key = (tuple(stand.allowed.items()), tuple(stand.states.items()), caused)
        rested = self._kept.rested
        known = rested.get(key)
        if known is None:
            made = self.with_system(rest(self.system, stand, caused))
            if len(rested) >= _MOST_RESTED:
                del rested[next(iter(rested))]  # the oldest
            rested[key] = made
            return made
        made = self.with_system(known.system, known.ticking)
        made.learned = known.learned
        return made

    def with_system(
        self, system: System, ticking: tuple[frozenset[int], ...] | None = None
    ) -> Prepared:
        """The same circuit and clocks under another behaviour, without rules."""
        other = copy.copy(self)
        if system is not self.system:
            other.system = system
            other.ticking = ticking_states(system) if ticking is None else ticking
            other._kept = _Kept()
            other.settings = {}
            other.learned = Table()
            other.bands = {}
        other.rules = ()
        return other

    def held_at(self, charge: float) -> Prepared:
        """The same with a cell that stays as it is at one charge, whatever flows."""
        other = copy.copy(self)
        other.clocks = Clocks(charge)
        other.settings, other.bands, other.grids = {}, {}, Grids()
        return other

    def without_rules(self) -> Prepared:
        """The same without rules, where nobody asks about them."""
        return self.with_system(self.system)
