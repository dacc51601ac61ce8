"""Helpers for engine tests: gadgets and scenarios from short texts."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.quantity import read_ns
from simfw.stimuli.scenario import Scenario, Step

ROOT = Path(__file__).parents[2]
LARDER_LAMP = ROOT / "scenarios" / "larder-lamp" / "gadget.toml"
S = 10**9
MS = 10**6
HOUR = 3600 * S
DAY = 24 * HOUR

# A cell that holds 3 V until it is empty: for arithmetic that needs no curve.
STEADY_CELL = """
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "{capacity}"
"""


def gadget_of(text: str) -> Gadget:
    """A gadget from TOML text."""
    return Gadget.model_validate(tomllib.loads(text))


def scenario(*steps: Step, lasts: str, charge: float = 1.0) -> Scenario:
    """A scenario without a file."""
    return Scenario(
        title="bench", gadget_path=Path(), charge=charge, lasts_ns=read_ns(lasts), steps=steps
    )


def run(gadget: Gadget, *steps: Step, lasts: str, charge: float = 1.0, **more: Any) -> Run:
    """Simulate a few steps."""
    return simulate(gadget, scenario(*steps, lasts=lasts, charge=charge), **more)


def names(result: Run) -> list[str]:
    """The events of a run, in order."""
    return [event.name for event in result.events]


def times(result: Run, name: str) -> list[int]:
    """When an event happened (ns)."""
    return [event.time_ns for event in result.events if event.name == name]


def charges(result: Run) -> dict[str, float]:
    """Charge per consumer (C)."""
    return {use.name: use.charge_c for use in result.consumers}


def prepared(gadget: Gadget) -> Prepared:
    """What runs of one gadget share."""
    return Prepared(gadget)
