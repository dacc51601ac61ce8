"""Reading files with every check that the package has.

The description of a gadget knows nothing of behaviour; here the two are joined, so that the names
in rows, guards and rules are checked when a file is loaded.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.behaviour.build import build_system, check
from simfw.behaviour.cycles import zero_time_loops
from simfw.errors import GadgetWarning
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.setting import Settings

if TYPE_CHECKING:
    from simfw.benchlog.model import BenchLog
    from simfw.stimuli.pattern import Pattern
    from simfw.stimuli.scenario import Scenario

__all__ = ["load_bench_log", "load_gadget", "load_pattern", "load_scenario"]


def load_gadget(path: str | Path, settings: Settings | None = None) -> Gadget:
    """Read and check a gadget file; raises `DescriptionError` with all its problems.

    `settings` are keys of the gadget file with the values that take the place of its own, such as
    `{"buttons.power.hold": "1.5 s"}`. Warns (`GadgetWarning`) of rows that can follow one another
    without time passing.
    """
    gadget = read_gadget(path, check, settings)
    _warn(gadget)
    return gadget


def load_scenario(
    path: str | Path, settings: Settings | None = None, *, gadget: str | Path | None = None
) -> Scenario:
    """Read and check a scenario file and its gadget; raises and warns as `load_gadget`.

    `gadget` is a gadget file in place of the one that the scenario names. The gadget stands in
    `Scenario.gadget`.
    """
    from simfw.stimuli.scenario_file import read_scenario

    scenario = read_scenario(path, check, settings, gadget)
    _warn(scenario.gadget)
    return scenario


def load_pattern(path: str | Path, settings: Settings | None = None) -> Pattern:
    """Read and check a pattern file and its gadget; raises and warns as `load_gadget`.

    The gadget stands in `Pattern.gadget`.
    """
    from simfw.stimuli.pattern_file import read_pattern

    pattern = read_pattern(path, check, settings)
    _warn(pattern.gadget)
    return pattern


def load_bench_log(path: str | Path) -> BenchLog:
    """Read and check a bench log and the gadgets of its answers; raises as `load_gadget`."""
    from simfw.benchlog.log_file import read_bench_log

    return read_bench_log(path, check)


def _warn(gadget: Gadget | None) -> None:
    """Warn of what a run of `gadget` may not survive, in the name of whoever loads it."""
    if gadget is None:
        return
    for loop in zero_time_loops(build_system(gadget)):
        warnings.warn(f"{gadget.file}: {loop.text}", GadgetWarning, stacklevel=3)
