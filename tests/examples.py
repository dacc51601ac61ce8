"""The demo gadgets and what running them prints."""

from __future__ import annotations

import contextlib
import io
import tomllib
from pathlib import Path

from simfw.cli import main

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
