"""The steps of an observation as a scenario, and a scenario that was done as steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from simfw.benchlog.model import BenchStep, Do, See, Until, Wait
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["as_done", "nominal"]


def nominal(steps: list[BenchStep], gadget: Gadget) -> Scenario:
    """A scenario of the same steps at the times that were seen."""
    now = counted = 0
    found: list[Any] = []
    for step in steps:
        match step:
            case Wait(ns=ns):
                now += ns
            case Do():
                counted = now
                found.append(step.at(now))
            case Until(text=text, ns=ns, key=key):
                now = counted = max(counted + ns, now)
                found.append(Expect(at_ns=now, text=text, key=key))
            case See(text=text, key=key):
                found.append(Expect(at_ns=now, text=text, key=key))
            case _:
                pass
    return Scenario(charge=0.5, lasts_ns=now + 10**9, steps=tuple(found), gadget=gadget)


def as_done(scenario: Scenario, key: str) -> Iterator[BenchStep]:
    """Its stimuli and what it expects, which is judged last in an instant, with waits between."""
    now = 0
    for step in sorted(scenario.steps, key=lambda one: (one.at_ns, isinstance(one, Expect))):
        # What is due at the end belongs to a continuation: one reads the state just before.
        at_ns = min(step.at_ns, scenario.lasts_ns - 1)
        if at_ns > now:
            yield Wait(ns=at_ns - now, low_ns=at_ns - now, high_ns=at_ns - now)
        now = max(now, at_ns)
        yield See(text=step.text, key=key) if isinstance(step, Expect) else Do(
            step=replace(step, at_ns=0))
