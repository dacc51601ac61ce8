"""Rules: judged on settled states, and where the cell's voltage or charge crosses between them."""

from __future__ import annotations

import ast
from typing import Any

from tests.reference_sim.expressions import names, parse, value
from tests.reference_sim.reading import ns


def lookup_in(seen: Any, override: dict[str, float] | None = None) -> Any:
    """A reader of names in a frozen moment."""
    from tests.reference_sim.simulator import read

    def lookup(name: str) -> Any:
        if override is not None and name in override:
            return override[name]
        if name == "cell.voltage":
            return seen.volt
        if name == "cell.charge":
            return seen.charge
        if name == "gauge.measured":
            return seen.measured
        if name == "gauge":
            state = seen.states["gauge"]
            return int(state.split(".")[1]) if "." in state else 0
        if name in seen.levels:
            return seen.levels[name]
        if seen.states.get(name, "").isdigit():  # a dial: its position
            return int(seen.states[name])
        if seen.states.get(name, "").startswith("passed."):
            return int(seen.states[name].split(".")[1])
        return read(name, seen.states, seen.inputs, seen.status)

    return lookup


class Judge:
    """All rules of a gadget."""

    def __init__(self, rules: list[dict[str, Any]]) -> None:
        """`[[rules]]` of the file."""
        self.rules = [Rule(spec) for spec in rules]

    def expressions(self) -> list[ast.expr]:
        """All expressions that are read on settled states."""
        return [node for rule in self.rules for node in rule.parts.values()]

    def instant(self, now: int, before: Any, after: Any, happened: list[str]) -> None:
        """An instant has settled."""
        for rule in self.rules:
            rule.instant(now, before, after, happened)

    def between(self, now: int, seen: Any, name: str, limit: float, sign: float) -> None:
        """`name` has just crossed `limit`."""
        override = {name: limit * (1.0 + sign * 1e-9)}
        for rule in self.rules:
            rule.settled(now, lookup_in(seen, override))

    def verdicts(self, end: int) -> list[tuple[str, bool, int | None]]:
        """(name, held, when first broken) of each."""
        for rule in self.rules:
            rule.overdue(end)
        return [(rule.name, rule.broken is None, rule.broken) for rule in self.rules]


class Rule:
    """One rule."""

    def __init__(self, spec: dict[str, Any]) -> None:
        """One table of `[[rules]]`."""
        self.name = spec["name"]
        keys = ("never", "always", "when", "then", "stays")
        self.parts = {key: parse(spec[key]) for key in keys if key in spec}
        self.within = ns(spec["within"]) if "within" in spec else 0
        self.length = ns(spec["for"]) if "for" in spec else 0
        self.events: set[str] = set(spec.get("_events", ()))
        self.pending: list[int] = []  # deadlines
        self.since: int | None = None
        self.was = False
        self.broken: int | None = None

    def breaks(self, now: int) -> None:
        """Remember the first time only."""
        if self.broken is None:
            self.broken = now

    def overdue(self, now: int) -> None:
        """A deadline before `now` that was not met."""
        late = [deadline for deadline in self.pending if deadline < now]
        if late:
            self.breaks(min(late))
            self.pending = [deadline for deadline in self.pending if deadline >= now]

    def instant(self, now: int, before: Any, after: Any, happened: list[str]) -> None:
        """Judge the state after an instant."""
        self.overdue(now)
        if "when" in self.parts:
            when = self.parts["when"]
            events = names(when) & self.events
            if events & set(happened):
                lookup = lookup_in(before)

                def reading(name: str) -> Any:
                    return name in happened if name in events else lookup(name)

                if value(when, reading):
                    self.pending.append(now + self.within)
        self.settled(now, lookup_in(after))

    def settled(self, now: int, lookup: Any) -> None:
        """Judge a settled moment."""
        self.overdue(now)
        if "never" in self.parts and value(self.parts["never"], lookup):
            self.breaks(now)
        if "always" in self.parts and not value(self.parts["always"], lookup):
            self.breaks(now)
        if "when" in self.parts:
            if not names(self.parts["when"]) & self.events:
                holds = bool(value(self.parts["when"], lookup))
                if holds and not self.was:
                    self.pending.append(now + self.within)
                self.was = holds
            if self.pending and value(self.parts["then"], lookup):
                self.pending = []
        if "stays" in self.parts:
            holds = bool(value(self.parts["stays"], lookup))
            if holds and self.since is None:
                self.since = now
            elif not holds and self.since is not None:
                if now - self.since < self.length:
                    self.breaks(now)
                self.since = None
