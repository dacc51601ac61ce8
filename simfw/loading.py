"""Reading files with every check that the package has.

The description of a gadget knows nothing of behaviour; here the two are joined, so that the names
in rows, guards and rules are checked when a file is loaded.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from simfw.behaviour.build import check
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget

if TYPE_CHECKING:
    from simfw.stimuli.pattern import Pattern
    from simfw.stimuli.scenario import Scenario

__all__ = ["load_gadget", "load_pattern", "load_scenario"]


def load_gadget(path: str | Path) -> Gadget:
    """Read and check a gadget file; raises `DescriptionError` with all its problems."""
    return read_gadget(path, check)


def load_scenario(path: str | Path) -> Scenario:
    """Read and check a scenario file and its gadget; raises `DescriptionError`.

    The gadget stands in `Scenario.gadget`.
    """
    from simfw.stimuli.scenario_file import read_scenario

    return read_scenario(path, check)


def load_pattern(path: str | Path) -> Pattern:
    """Read and check a pattern file and its gadget; raises `DescriptionError`.

    The gadget stands in `Pattern.gadget`.
    """
    from simfw.stimuli.pattern_file import read_pattern

    return read_pattern(path, check)
