"""A bench for regions: give it stimuli, let time pass, read the events with their times."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field

from simfw.behaviour.build import build_system
from simfw.behaviour.machine import ReferenceStepper
from simfw.gadget.model import Gadget

MS = 1_000_000

HEAD = """
[gadget]
name = "On the bench"

[cell]
curve = "lco"
capacity = "650 mAh"
"""


def gadget(text: str) -> Gadget:
    """The gadget that `text` says, with a head and a cell put before it."""
    return Gadget.model_validate(tomllib.loads(HEAD + text))


@dataclass
class World:
    """Inputs and numbers, all set by hand. A flag is false and a number zero until it is set."""

    flags: dict[str, bool] = field(default_factory=dict)
    quantities: dict[str, float] = field(default_factory=dict)
    events: set[str] = field(default_factory=set)
    states: dict[str, str] = field(default_factory=dict)

    def state(self, region: str) -> str:
        """The state of a region, for views without a stepper."""
        return self.states[region]

    def flag(self, name: str) -> bool:
        """A two-valued input."""
        return self.flags.get(name, False)

    def quantity(self, name: str) -> float:
        """A number."""
        return self.quantities.get(name, 0.0)

    def happened(self, event: str) -> bool:
        """Whether an event was said to have happened."""
        return event in self.events

    def below(self, quantity: str, level: float) -> bool:
        """Whether a number is below a level."""
        return self.quantity(quantity) < level


class Bench:
    """A powered-up system. Times are milliseconds (whole, or exact parts of them)."""

    def __init__(self, text: str, **quantities: float) -> None:
        self.system = build_system(gadget(text))
        self.world = World(
            quantities={name.replace("_", "."): value for name, value in quantities.items()}
        )
        self.stepper = ReferenceStepper(self.system)
        self.now_ns = 0
        self.happened: list[tuple[float, str]] = []
        self._stimuli: list[tuple[int, dict[str, bool], dict[str, float], tuple[str, ...]]] = []
        self.stepper.reset(0)
        self._instant(0, ())

    def state(self, region: str) -> str:
        """The state of `region` now."""
        return self.stepper.states[region]

    # -- stimuli, to happen when time passes -------------------------------------------------------

    def at(
        self,
        ms: float,
        raw: str | tuple[str, ...] = (),
        *,
        flags: dict[str, bool] | None = None,
        **quantities: float,
    ) -> None:
        """At `ms`, set flags and numbers and let the raw events happen."""
        events = (raw,) if isinstance(raw, str) else raw
        numbers = {name.replace("_", "."): value for name, value in quantities.items()}
        self._stimuli.append((round(ms * MS), flags or {}, numbers, events))

    def contact(self, button: str, *changes_ms: float) -> None:
        """The contact of `button` closes, opens, closes, ... at these times."""
        for count, ms in enumerate(changes_ms):
            self.at(ms, f"{button}.edge", flags={f"{button}.closed": count % 2 == 0})

    def usb(self, ms: float, present: bool) -> None:
        """USB power comes or goes."""
        self.at(ms, "usb.edge", flags={"usb": present})

    def status(self, ms: float, *, low: bool = False, high: bool = False) -> None:
        """The status pin of the charger changes."""
        self.at(ms, "status.edge", flags={"status.low": low, "status.high": high})

    def echo(self, sensor: str, ms: float, answers: bool) -> None:
        """From `ms` on the receiver would answer, or would not."""
        self.at(ms, flags={f"{sensor}.echo": answers})

    # -- time --------------------------------------------------------------------------------------

    def until(self, ms: float) -> list[tuple[float, str]]:
        """Let everything before `ms` happen; all events so far, with their times."""
        end = round(ms * MS)
        while True:
            times = [stimulus[0] for stimulus in self._stimuli]
            due = self.stepper.next_due()
            now = min([*times, *([] if due is None else [due])], default=end)
            if now >= end:
                self.now_ns = end
                return self.happened
            here = [stimulus for stimulus in self._stimuli if stimulus[0] == now]
            self._stimuli = [stimulus for stimulus in self._stimuli if stimulus[0] != now]
            raw: list[str] = []
            for _, flags, numbers, events in here:
                self.world.flags |= flags
                self.world.quantities |= numbers
                raw += events
            self._instant(now, raw)

    def _instant(self, now_ns: int, raw: Iterable[str]) -> None:
        self.now_ns = now_ns
        for event in self.stepper.run_instant(now_ns, raw, self.world):
            self.happened.append((now_ns / MS, event))

    def events_at(self, ms: float, raw: str | tuple[str, ...] = ()) -> list[str]:
        """Let everything before `ms` happen, then `raw` at `ms`; the events of that instant."""
        self.until(ms)
        self.at(ms, raw)
        before = len(self.happened)
        self.until(ms + 1 / MS)
        return [event for _, event in self.happened[before:]]
