"""A second way to find what is left: every point of fine grids, by closed forms.

It knows nothing of simfw: a straight cell without resistance, constant drains, a gauge that
compares a voltage measured against its reference, a charger of constant current.
`python -m tests.benchlog references` holds ten cases drawn at random against it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.narrowing import narrow
from tests.benchlog.lantern import BARS_V, interval, log_of

__all__ = ["NEAR", "RANGES", "ends", "off_reference"]

Array = NDArray[np.float64]
Figures = Mapping[str, Any]
Rule = Callable[[Figures], Any]

NEAR = 0.02
"""How far an end may lie from the reference, of the range that a figure began with."""

RANGES = {  # low, high, unit, one of the unit in SI
    "cell.capacity": (300.0, 800.0, "mAh", 3.6),
    "cell.leakage": (5.0, 60.0, "uA", 1e-6),
    "controller.asleep": (1.0, 40.0, "uA", 1e-6),
    "loads.lamp.current": (30.0, 120.0, "mA", 1e-3),
    "controller.reference": (1.067, 1.133, "V", 1.0),
    "charger.current": (100.0, 400.0, "mA", 1e-3),
}
# What the gadget file says of those that are known.
WRITTEN = {"cell.capacity": 1800.0, "cell.leakage": 40e-6, "controller.asleep": 0.0,
           "loads.lamp.current": 60e-3, "controller.reference": 1.1, "charger.current": 0.2}
COARSE, FINE = 61, 101
DAY_S = 86_400


def ends(
    ranges: Mapping[str, tuple[float, float]], truth: Figures, fits: Rule
) -> dict[str, tuple[float, float]]:
    """The least and the largest of each figure over all points that fit: a coarse grid, and a fine
    one where points of that fitted. The truth is a point of both.
    """
    box = dict(ranges)
    for count in (COARSE, FINE):
        axes = []
        for key, (low, high) in box.items():
            even = low > 0 and high >= 4 * low
            axis = np.geomspace(low, high, count) if even else np.linspace(low, high, count)
            axes.append(np.unique(np.append(axis, truth[key])))
        grid = np.meshgrid(*axes, indexing="ij", sparse=True)
        good = np.broadcast_to(
            fits(WRITTEN | dict(zip(box, grid, strict=True))), [len(axis) for axis in axes])
        found, wider = {}, {}
        for k, (key, axis) in enumerate(zip(box, axes, strict=True)):
            others = tuple(n for n in range(len(axes)) if n != k)
            at = np.flatnonzero(good.any(axis=others))
            found[key] = float(axis[at[0]]), float(axis[at[-1]])
            wider[key] = (float(axis[max(at[0] - 1, 0)]),
                          float(axis[min(at[-1] + 1, len(axis) - 1)]))
        box = wider
    return found


def bar_charge(bars: int, reference_v: Any) -> Any:
    """The charge below which fewer bars show: the firmware takes its reference for 1.1 V."""
    return (BARS_V[bars - 1] * reference_v / 1.1 - 3.0) / 1.2


@dataclass(frozen=True)
class Case:
    """The text of a log, the true figures (SI) and whether figures fit all that was seen."""

    text: str
    truth: dict[str, float]
    fits: Rule


def case(number: int) -> Case:
    """Three figures and four or five observations, with noise inside the tolerance."""
    rng = random.Random(f"reference {number}")
    keys = sorted(rng.sample(list(RANGES), 3))
    truth = {}
    text = "[unknown]\n"
    for key in keys:
        low, high, unit, size = RANGES[key]
        truth[key] = (low + rng.uniform(0.15, 0.85) * (high - low)) * size
        text += f'"{key}" = "{low:g} {unit} .. {high:g} {unit}"\n'
    true = WRITTEN | truth
    kinds = ["drawer", "run down", "lit", "dark", "charge"]
    rng.shuffle(kinds)
    rules: list[Rule] = []
    for kind in kinds[: rng.randint(4, 5)]:
        part, rule = _seen(kind, true, rng)
        text += f'[[observations]]\nname = "{kind}"\n{part}'
        rules.append(rule)
    return Case(text, truth, lambda f: np.logical_and.reduce(
        np.broadcast_arrays(*[rule(f) for rule in rules])))


def _seen(kind: str, true: Figures, rng: random.Random) -> tuple[str, Rule]:
    if kind == "drawer":
        days = rng.randint(60, 160)

        def left(f: Figures) -> Any:
            drain_a = f["cell.leakage"] + f["controller.asleep"]
            return 1.0 - drain_a * days * DAY_S / f["cell.capacity"]

        bars = sum(left(true) >= bar_charge(n, true["controller.reference"]) for n in (1, 2, 3))

        def shows(f: Figures) -> Any:
            fewest = left(f) >= bar_charge(bars, f["controller.reference"]) if bars else True
            most = left(f) < bar_charge(bars + 1, f["controller.reference"]) if bars < 3 else True
            return fewest & most

        return (f'start = "full"\nby = "analyser"\nsteps = [{{ wait = "{days} days" }}, '
                f'{{ see = "gauge == {bars}" }}]\n'), shows

    def value(f: Figures) -> Any:
        if kind == "run down":
            used = 1.0 - bar_charge(3, f["controller.reference"])
            return used * f["cell.capacity"] / (f["loads.lamp.current"] + f["cell.leakage"])
        if kind == "charge":
            return 0.9 * f["cell.capacity"] / f["charger.current"]
        if kind == "lit":
            return f["loads.lamp.current"] + f["cell.leakage"]
        return f["cell.leakage"] + f["controller.asleep"]

    near = {"run down": 0.05, "charge": 0.06, "lit": 0.03, "dark": 0.08}[kind] * value(true)
    shown = value(true) + rng.uniform(-0.9, 0.9) * near
    told = f"{shown:.9g} {{0}} ± {near:.9g} {{0}}"
    if kind in ("lit", "dark"):
        text = f'mode = "lamp.{kind}"\nreading = "{told.format("A")}"\n'
    elif kind == "run down":
        text = ('start = "full"\nby = "analyser"\nsteps = [{ press = "key", for = "100 ms" }, '
                f'{{ until = "gauge == 2", took = "{told.format("s")}" }}]\n')
    else:
        text = ('start = "10 %"\nby = "analyser"\nsteps = [{ usb = true }, '
                f'{{ until = "charge.complete", took = "{told.format("s")}" }}]\n')
    return text, lambda f: np.abs(value(f) - shown) <= near


def off_reference(folder: Path, number: int) -> tuple[list[str], float]:
    """What is wrong with the intervals of case `number`, and how far an end is off at the most.

    As a share of the range that the figure began with.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = case(number)
    ranges = {key: tuple(end * RANGES[key][3] for end in RANGES[key][:2]) for key in made.truth}
    right = ends(ranges, made.truth, made.fits)  # type: ignore[arg-type]
    found = narrow(log_of(folder, made.text), brief=True)
    said, furthest = [], 0.0
    for key, (low, high) in right.items():
        one, span = interval(found, key), ranges[key][1] - ranges[key][0]
        furthest = max(furthest, abs(one.low - low) / span, abs(one.high - high) / span)
        told = f"{key}: {one.low:.6g} .. {one.high:.6g}, by the grid {low:.6g} .. {high:.6g}"
        if one.low > low + 1e-3 * span or one.high < high - 1e-3 * span:
            said.append(f"{told}: the grid fits further out")
        elif max(abs(one.low - low), abs(one.high - high)) > NEAR * span:
            said.append(f"{told}: off by more than {NEAR:.0%} of the range")
    return said, furthest
