"""What is written to survive a power loss, counted over a run."""

from __future__ import annotations

from simfw.behaviour.table import Stepper
from simfw.engine.cycle import Cycle, Member
from simfw.engine.run import KeptUse

__all__ = ["keep_cycle", "kept_states", "kept_uses"]


class _Walk:
    """One region along a cycle: what is kept of it (`value`), and how often that was written."""

    def __init__(self, stepper: Stepper, number: int, what: str) -> None:
        self._number = number
        self._never = stepper.never_kept(number) if what == "state" else frozenset()
        self._what = what
        self.value = stepper.kept(number)
        self.writes = 0

    def _stands(self, cycle: Cycle, member: Member) -> None:
        """An instant of the cycle has settled."""
        if self._what == "state":
            value = member.phase.states[self._number]
        else:
            value = member.memory[cycle.moving.index(self._number)]
        if value not in self._never and value != self.value:
            self.value = value
            self.writes += 1

    def turns(self, cycle: Cycle, index: int, count: int) -> None:
        """`count` whole periods from instant `index` on. From the second on each writes as often,
        for what is kept then is what the one before has left.
        """
        for first in range(min(count, 2)):
            before = self.writes
            self._along(cycle, index, cycle.period_ns)
            if first:
                self.writes += (count - 2) * (self.writes - before)

    def along(self, cycle: Cycle, index: int, passed_ns: int) -> None:
        """From instant `index` on, which has settled, for a time."""
        self._stands(cycle, cycle.members[index])
        count, rest_ns = divmod(passed_ns, cycle.period_ns)
        self.turns(cycle, index, count)
        self._along(cycle, index, rest_ns)

    def _along(self, cycle: Cycle, index: int, rest_ns: int) -> None:
        """At most one period, up to the last instant that comes within `rest_ns`."""
        order = (*cycle.members[index:], *cycle.members[:index])
        for member, then in zip(order, (*order[1:], order[0]), strict=True):
            rest_ns -= member.total_ns
            if rest_ns < 0:
                break
            if member.folded is not None:
                inner, place, times = member.folded
                if self._number in inner.moving:
                    self.turns(inner, place, times)
            self._stands(cycle, then)


def keep_cycle(stepper: Stepper, cycle: Cycle, index: int, passed_ns: int) -> None:
    """Count what was written while `cycle` was gone along from its instant `index` for `passed_ns`,
    that instant included.
    """
    for number, what in stepper.keeps.items():
        if number in cycle.moving:
            walk = _Walk(stepper, number, what)
            walk.along(cycle, index, passed_ns)
            stepper.kept_along(number, walk.value, walk.writes)


def kept_uses(stepper: Stepper, end_ns: int) -> tuple[KeptUse, ...]:
    """What was written up to the end of a run."""
    stepper.settled(end_ns)
    return tuple(
        KeptUse(region=stepper.region_names[number], what=what, writes=stepper.writes[number])
        for number, what in stepper.keeps.items())


def kept_states(stepper: Stepper, end_ns: int) -> tuple[tuple[str, str | None], ...]:
    """What is kept of each region at the end of a run: a state, None where nothing is resumed."""
    stepper.settled(end_ns)
    return tuple(
        (stepper.region_names[number],
         stepper.state_names[number][value] if (value := stepper.kept(number)) >= 0 else None)
        for number in stepper.keeps)
