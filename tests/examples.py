"""The demo gadgets and what running them prints."""

from __future__ import annotations

import contextlib
import io
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from simfw.cli import main
from simfw.commands._shared import dump_json
from simfw.life.life import life
from simfw.loading import load_pattern
from simfw.report.life import life_json, life_text
from simfw.stimuli.pattern import DAY_NS

ROOT = Path(__file__).resolve().parents[1]
SCENARIOS = ROOT / "scenarios"


def scenarios() -> list[Path]:
    """Every scenario of every demo gadget: the files with `lasts` and without habits."""
    found = []
    for path in sorted(SCENARIOS.glob("*/*.toml")):
        keys = tomllib.loads(path.read_text(encoding="utf-8"))
        if "lasts" in keys and "habits" not in keys:
            found.append(path)
    return found


def printed(*arguments: str) -> tuple[int, str]:
    """Exit status and standard output of a command line."""
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream):
        status = main(arguments)
    return status, stream.getvalue()


def outputs(scenario: Path) -> dict[Path, str]:
    """What `simfw run` prints for a scenario, by the file it is expected in."""
    expected = scenario.parent / "expected"
    return {
        expected / f"{scenario.stem}.txt": printed("run", str(scenario))[1],
        expected / f"{scenario.stem}.json": printed("run", str(scenario), "--json")[1],
    }


def patterns() -> list[Path]:
    """Every pattern of every demo gadget: the files with habits."""
    return [
        path for path in sorted(SCENARIOS.glob("*/*.toml"))
        if "habits" in tomllib.loads(path.read_text(encoding="utf-8"))
    ]


def life_outputs(pattern: Path, *, fast: bool = False) -> dict[Path, str]:
    """What `simfw life --users 2` prints for a pattern cut short, by the file it is expected in.

    Cut short: one day, so that each user has one span; where nobody charges the cell, from 10 %.
    """
    whole = load_pattern(pattern)
    short = replace(whole, horizon_ns=DAY_NS, charge=1.0 if whole.plugs else 0.1)
    found = life(short, users=2, fast=fast)
    expected = pattern.parent / "expected"
    return {
        expected / f"{pattern.stem}.txt": life_text(found),
        expected / f"{pattern.stem}.json": dump_json(life_json(found)),
    }


def same(found: Any, expected: Any, where: str = "") -> None:
    """Assert that two JSON values are equal, numbers to 1e-9 relative."""
    if isinstance(expected, float) and isinstance(found, float):
        assert math.isclose(found, expected, rel_tol=1e-9, abs_tol=1e-12), where
    elif isinstance(expected, dict):
        assert list(found) == list(expected), where
        for key in expected:
            same(found[key], expected[key], f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for number, (left, right) in enumerate(zip(found, expected, strict=True)):
            same(left, right, f"{where}[{number}]")
    else:
        assert found == expected, where
