"""What is written to survive a power loss, counted over a run."""

from __future__ import annotations

from simfw.behaviour.table import Stepper
from simfw.engine.cycle import Cycle, Member
from simfw.engine.run import KeptUse

__all__ = ["keep_cycle", "kept_uses"]


class _Value:
    """What is kept of one region, as a cycle goes round."""

    def __init__(self, number: int, what: str) -> None:
        self.number = number
        self.what = what

    def after(self, cycle: Cycle, member: Member) -> int:
        """What stands settled after an instant of the cycle."""
        if self.what == "state":
            return member.phase.states[self.number]
        return member.memory[cycle.moving.index(self.number)]

    def passing(self, cycle: Cycle, member: Member, then: Member) -> int:
        """How often it is written from an instant on, the one that follows included."""
        count = int(self.after(cycle, member) != self.after(cycle, then))
        if member.folded is not None:
            inner, _, times = member.folded
            if self.number in inner.moving:
                count += times * self.period(inner)
        return count

    def period(self, cycle: Cycle) -> int:
        """How often it is written in one period."""
        following = (*cycle.members[1:], cycle.members[0])
        return sum(self.passing(cycle, one, then)
                   for one, then in zip(cycle.members, following, strict=True))


def keep_cycle(stepper: Stepper, cycle: Cycle, index: int, passed_ns: int) -> None:
    """Count what was written while `cycle` was gone along from its instant `index` for `passed_ns`,
    that instant included.
    """
    order = (*cycle.members[index:], *cycle.members[:index])
    for number, what in stepper.keeps.items():
        if number not in cycle.moving:
            continue
        value = _Value(number, what)
        count, rest_ns = divmod(passed_ns, cycle.period_ns)
        writes = count * value.period(cycle) if count else 0
        for member, then in zip(order, (*order[1:], order[0]), strict=True):
            rest_ns -= member.total_ns
            if rest_ns < 0:
                break
            writes += value.passing(cycle, member, then)
        stepper.kept_along(number, value.after(cycle, order[0]), writes)


def kept_uses(stepper: Stepper, end_ns: int) -> tuple[KeptUse, ...]:
    """What was written up to the end of a run."""
    stepper.settled(end_ns)
    return tuple(
        KeptUse(region=stepper.region_names[number], what=what, writes=stepper.writes[number])
        for number, what in stepper.keeps.items())
