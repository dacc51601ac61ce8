"""The demo gadgets and what running them prints."""

from __future__ import annotations

import contextlib
import io
import tomllib
from dataclasses import replace
from pathlib import Path

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

    Cut short: one day from 10 % charge, so that a user's first span ends within days.
    """
    short = replace(load_pattern(pattern), horizon_ns=DAY_NS, charge=0.1)
    found = life(short, users=2, fast=fast)
    expected = pattern.parent / "expected"
    return {
        expected / f"{pattern.stem}.txt": life_text(found),
        expected / f"{pattern.stem}.json": dump_json(life_json(found)),
    }
