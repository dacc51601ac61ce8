"""A scenario: a timed list of what the outside does, and of what is expected.

Steps keep the order of the file; the order in time is the order of `at_ns`, and steps of one time
keep file order.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.quantity import LENGTH, RATIO, TEMPERATURE, read_ns, read_number

__all__ = [
    "Expect",
    "Press",
    "Scenario",
    "Step",
    "Temperature",
    "Usb",
    "Wave",
    "raw_edges",
    "read_scenario",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """The contact of `button` closes at `at_ns` and opens `for_ns` later.

    `bounce_ns` is how long the contact toggles after each of the two edges (0 = clean).
    """

    at_ns: int
    button: str
    for_ns: int
    bounce_ns: int = 0
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """A hand is `distance_m` before the sensor from `at_ns` for `for_ns`."""

    at_ns: int
    sensor: str
    distance_m: float
    for_ns: int
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usb:
    """USB power comes (`present`) or goes."""

    at_ns: int
    present: bool
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """The temperature of the whole gadget becomes `temperature_c`."""

    at_ns: int
    temperature_c: float
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect:
    """The expression `text` must hold in the settled state at `at_ns`."""

    at_ns: int
    text: str
    key: str = field(default="", compare=False)


Step = Press | Wave | Usb | Temperature | Expect


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A timed list of stimuli and expectations for one gadget.

    `charge` is the cell's charge at the start, 0..1. The run is the half-open interval
    [0, `lasts_ns`). `seed` is for what the engine may draw at random; None where not written.
    `gadget` is None only in a scenario that was built without one.
    """

    title: str
    gadget_path: Path
    charge: float
    lasts_ns: int
    steps: tuple[Step, ...] = ()
    seed: int | None = None
    gadget: Gadget | None = field(default=None, compare=False, repr=False)
    file: str = field(default="", compare=False)

    def in_order(self) -> tuple[Step, ...]:
        """Return the steps by time; steps of one time keep file order."""
        return tuple(sorted(self.steps, key=lambda step: step.at_ns))


def raw_edges(step: Press) -> tuple[tuple[int, bool], ...]:
    """Return the contact's edges of a press as (time, closed), by time.

    Without bounce: closed at `at`, open at `at + for`. With a bounce of b, each of the two edges is
    followed by further toggles every b/5 (rounded down to whole nanoseconds) up to b: the contact
    is closed at `at`, open at `at + b/5`, closed at `at + 2b/5`, open at `at + 3b/5` and closed for
    good at `at + b`, which skips 4b/5; likewise open at `at + for`, and so on.
    """
    edges = []
    for start, level in ((step.at_ns, True), (step.at_ns + step.for_ns, False)):
        edges.append((start, level))
        if step.bounce_ns:
            edges += [
                (start + step.bounce_ns * k // 5, level if k in (2, 5) else not level)
                for k in (1, 2, 3, 5)
            ]
    return tuple(edges)


def read_scenario(path: str | Path) -> Scenario:
    """Read a scenario file (first cut: errors come later)."""
    path = Path(path)
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    gadget_path = path.parent / data["gadget"]
    steps: list[Step] = []
    for index, raw in enumerate(data.get("steps", [])):
        key = f"steps[{index}]"
        at = read_ns(raw["at"])
        if "press" in raw:
            bounce = read_ns(raw.get("bounce", "0 s"))
            steps.append(Press(at_ns=at, button=raw["press"], for_ns=read_ns(raw["for"]),
                               bounce_ns=bounce, key=key))
        elif "wave" in raw:
            steps.append(Wave(at_ns=at, sensor=raw["wave"], for_ns=read_ns(raw["for"]),
                              distance_m=read_number(raw["distance"], LENGTH), key=key))
        elif "usb" in raw:
            steps.append(Usb(at_ns=at, present=raw["usb"], key=key))
        elif "temperature" in raw:
            celsius = read_number(raw["temperature"], TEMPERATURE)
            steps.append(Temperature(at_ns=at, temperature_c=celsius, key=key))
        else:
            steps.append(Expect(at_ns=at, text=raw["expect"], key=key))
    return Scenario(
        title=data.get("title", ""),
        gadget_path=gadget_path,
        charge=float(Decimal(read_number(data["charge"], RATIO))),
        lasts_ns=read_ns(data["lasts"]),
        steps=tuple(steps),
        seed=data.get("seed"),
        gadget=read_gadget(gadget_path),
        file=str(path),
    )
