"""What is seen of a gadget on the bench: a `View`, all that changed since one last looked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simfw.circuit.charger import ChargerMode
from simfw.engine.run import Occurred
from simfw.stimuli.inputs import Kind

__all__ = ["LightView", "RegionView", "View"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LightView:
    """A light or load since one last looked.

    `level` (0..1) is its mean level, `least` and `most` the ends; `lit` the share of time it was
    on. `current_a` is its mean current. `brightness` is that current as a share of what it draws
    for good from a full cell; None for what gives no light, or draws nothing then. A light that USB
    or the charger lights is told as it is at the moment.
    """

    name: str
    level: float
    least: float
    most: float
    lit: float
    current_a: float
    brightness: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionView:
    """A region: its state, since when (ns), and when the next dwell of it ends (None: none runs).

    `written`: whether it stands in the gadget file itself.
    """

    name: str
    state: str
    since_ns: int
    due_ns: int | None
    written: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How everything stands just before `time_ns`, and what went on since `since_ns`.

    Currents are means over that time, in A; `least_a` and `most_a` are the ends of what all
    consumers drew together, each stretch of time with one load set taken as a whole. Where no time
    has gone by they are those of the moment. `voltage_v` is the cell's terminal voltage, under the
    load of the moment, in the lowest PWM phase; `open_circuit_v` that without load. `left_c` is the
    charge (C) that is left until the protection opens under that load, `time_left_s` how long it
    lasts at the mean draw; None where the cell does not get emptier. `used_c` is the
    charge (C) that each consumer has drawn since the beginning. `inputs` holds the level of each
    input by kind and name. `dropped` counts events that were too many to be kept.
    """

    time_ns: int
    since_ns: int
    lights: tuple[LightView, ...]
    regions: tuple[RegionView, ...]
    consumers_a: Mapping[str, float]
    used_c: Mapping[str, float]
    current_a: float
    least_a: float
    most_a: float
    charger_a: float
    charge: float
    voltage_v: float
    open_circuit_v: float
    left_c: float
    time_left_s: float | None
    alive: bool
    bars: int | None
    charger: ChargerMode
    inputs: Mapping[tuple[Kind, str], float]
    events: tuple[Occurred, ...]
    dropped: int
