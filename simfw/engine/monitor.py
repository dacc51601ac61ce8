"""Rules watched while a simulation runs.

Each rule reads settled states only: after an instant's last event, and at voltage crossings between
instants. `when` reads the events of the instant and the state settled before it, input levels
included.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from simfw.behaviour.expression import Expression, names_in
from simfw.behaviour.rules import BoundRule
from simfw.engine.phase import Phase, Verdict
from simfw.engine.plant import Plant
from simfw.engine.run import Expected, RuleVerdict
from simfw.engine.snapshot import RuleStand, RuleState
from simfw.engine.timeline import Change
from simfw.quantity import format_duration

__all__ = ["Monitor", "Probe", "judged", "monitors_of"]

NEVER_NS = 1 << 62
_COUNTED = ("gauge.counted",)
_BROKEN: RuleStand = ((), -2, False)


class Probe:
    """One expression, read on settled states.

    Where only the phase and the charge decide it is remembered: per phase, between two charges.
    """

    __slots__ = ("_number", "_plant", "_test", "happened", "lasting", "reads_events")

    def __init__(self, expression: Expression, plant: Plant, number: int) -> None:
        self.happened: frozenset[str] = frozenset()
        self._plant = plant
        self._test = plant.stepper.bind(expression, self._asked)
        self.reads_events = names_in(expression).events
        self.lasting = not self.reads_events and not _varies(expression)
        self._number = number

    def _asked(self, event: str) -> bool:
        return event in self.happened

    def read(self, phase: Phase) -> bool:
        """The truth now; `phase` is the plant's present phase."""
        if not self.lasting:
            return self._test()
        known = self.reading(phase)
        if known[3]:
            self._plant.turns |= known[3]
        return known[2]

    def reading(self, phase: Phase) -> Verdict:
        """The same where it is `lasting`, with the charges between which it lasts."""
        plant = self._plant
        charge = plant.charge
        known = phase.verdicts.get(self._number)
        if known is None or not known[0] <= charge < known[1]:
            others, plant.turns = plant.turns, set()
            holds = self._test()
            turns, plant.turns = frozenset(plant.turns), others
            low = max([mark for mark in turns if mark <= charge], default=-math.inf)
            high = min([mark for mark in turns if mark > charge], default=math.inf)
            known = phase.verdicts[self._number] = (low, high, holds, turns)
        return known


class Monitor:
    """Watches one rule of the gadget."""

    def __init__(self, rule: BoundRule, plant: Plant, numbers: Callable[[], int]) -> None:
        self.rule = rule
        self._plant = plant

        def probe(expression: Expression | None) -> Probe | None:
            return None if expression is None else Probe(expression, plant, numbers())

        self.main = probe(rule.statement if rule.when is None else rule.when)
        self.then = probe(rule.then)
        self.kind = rule.kind
        self._events = self.events if rule.kind == "response" else frozenset()
        self.time_ns = rule.within_ns or rule.for_ns or 0
        self.begin()

    def begin(self) -> None:
        """Stand as at the beginning of a simulation: nothing seen."""
        self.broken: tuple[int, str] | None = None
        self.open_ns: list[int] = []  # response: when each unanswered demand ends
        self.since_ns: int | None = None  # stays: since when the expression has held
        self._was = False

    @property
    def events(self) -> frozenset[str]:
        """The events that the rule reads."""
        return self.main.reads_events if self.main else frozenset()

    def idly_read(self) -> list[Probe]:
        """What is read at each instant even where nothing happens and no demand is open."""
        return [] if self._events or self.main is None else [self.main]

    def deadline(self) -> int:
        """The next time at which the rule must be looked at even if nothing happens (ns)."""
        return self.open_ns[0] if self.open_ns and self.broken is None else NEVER_NS

    def stand(self, now_ns: int) -> RuleStand:
        """What decides how the rule goes on, with times as they are seen from `now_ns`.

        Where two instants have the same stand and all that follows is the same, the rule breaks
        after both or after neither. A statement that has held for as long as it must, or longer,
        is one and the same.
        """
        if self.broken is not None:
            return _BROKEN
        since = self.since_ns
        return (
            tuple([end - now_ns for end in self.open_ns]) if self.open_ns else (),
            -1 if since is None else min(now_ns - since, self.time_ns),
            self._was,
        )

    def place(self, now_ns: int, stand: RuleStand) -> None:
        """Stand at `now_ns` as `stand` told at another time."""
        if self.broken is None:
            ends, held_ns, self._was = stand
            self.open_ns = [now_ns + left for left in ends]
            self.since_ns = None if held_ns < 0 else now_ns - held_ns

    def shift(self, by_ns: int) -> None:
        """Stand `by_ns` later as it stands now."""
        self.open_ns = [end + by_ns for end in self.open_ns]
        if self.since_ns is not None:
            self.since_ns += by_ns

    def settled(self, now_ns: int, phase: Phase, happened: frozenset[str],
                before: Callable[[Callable[[], bool]], bool]) -> None:
        """Look at the state settled at `now_ns`. `before` runs a test on the state before it."""
        if self.broken is not None or self.main is None:
            return
        if self._events and not self.open_ns and self._events.isdisjoint(happened):
            return
        if self.kind == "never":
            if self.main.read(phase):
                self._break(now_ns, "what must never be was so")
        elif self.kind == "always":
            if not self.main.read(phase):
                self._break(now_ns, "what must always be was not so")
        elif self.kind == "stays":
            self._stays(now_ns, self.main.read(phase))
        else:
            self._response(now_ns, phase, happened, before)

    def _stays(self, now_ns: int, holds: bool) -> None:
        if holds and self.since_ns is None:
            self.since_ns = now_ns
        elif not holds and self.since_ns is not None:
            lasted = now_ns - self.since_ns
            if lasted < self.time_ns:
                self._break(
                    now_ns,
                    f"it held for {format_duration(lasted)} only, not for "
                    f"{format_duration(self.time_ns)}",
                )
            self.since_ns = None

    def _response(self, now_ns: int, phase: Phase, happened: frozenset[str],
                  before: Callable[[Callable[[], bool]], bool]) -> None:
        assert self.main is not None
        assert self.then is not None
        main = self.main
        if self.events:
            demanded = False
            if not self.events.isdisjoint(happened):
                main.happened = happened
                demanded = before(lambda: main.read(phase))
                main.happened = frozenset()
        else:
            holds = main.read(phase)
            demanded = holds and not self._was
            self._was = holds
        if demanded:
            self.open_ns.append(now_ns + self.time_ns)
        if self.open_ns:
            if self.then.read(phase):
                self.open_ns.clear()
            elif self.open_ns[0] <= now_ns:
                started = self.open_ns[0] - self.time_ns
                self._break(
                    now_ns,
                    f"demanded at {format_duration(started)} and not answered within "
                    f"{format_duration(self.time_ns)}",
                )

    def _break(self, now_ns: int, why: str) -> None:
        self.broken = (now_ns, why)
        self.open_ns.clear()

    def verdict(self) -> RuleVerdict:
        """What is known of the rule now."""
        if self.broken is None:
            return RuleVerdict(name=self.rule.name, held=True)
        return RuleVerdict(
            name=self.rule.name, held=False, time_ns=self.broken[0], why=self.broken[1]
        )

    def save(self) -> RuleState:
        """Everything a continuation needs."""
        return (self.broken, tuple(self.open_ns), self.since_ns, self._was)

    def load(self, saved: RuleState) -> None:
        """Put back what `save` gave."""
        self.broken, open_ns, self.since_ns, self._was = saved
        self.open_ns = list(open_ns)


def monitors_of(rules: Sequence[BoundRule], plant: Plant) -> list[Monitor]:
    """The watchers of the rules on a plant, numbered from 0 and at the beginning.

    They are made once for a plant: a bench stands anew at every snapshot.
    """
    found = plant.monitors
    if found is None or [one.rule for one in found] != list(rules):
        numbers = iter(range(1 << 30))
        found = plant.monitors = [Monitor(rule, plant, lambda: next(numbers)) for rule in rules]
    for one in found:
        one.begin()
    return list(found)


def judged(change: Change, probe: Probe, plant: Plant) -> Expected:
    """An expectation at its time, which is now; one that is not met tells what stood instead."""
    met = probe.read(plant.phase())
    stepper = plant.stepper
    stood = ", ".join(
        f"{region}.{state}"
        for region, state in zip(stepper.region_names, stepper.names(), strict=True)
    )
    why = f"the state was {stood}" if stood else "there are no regions"
    return Expected(
        key=change.name, time_ns=change.time_ns, expression=change.text, met=met,
        why=None if met else why,
    )


def _varies(expression: Expression) -> bool:
    """Whether the truth may change while phase and charge stay the same."""
    named = names_in(expression)
    return bool(named.flags or named.quantities.intersection(_COUNTED))

