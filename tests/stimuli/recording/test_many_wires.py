"""Recordings with a hundred thousand wires take as long as their size asks, not its square."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from simfw.cli import main

HOOK = Path(__file__).parents[3] / "scenarios" / "key-hook" / "gadget.toml"


def dump(count: int) -> str:
    """A value change dump of so many wires, a third of them with equal names."""
    wires = "".join(f"$var wire 1 w{k} {'same' if k % 3 == 0 else f'n{k}'} $end\n"
                    for k in range(count))  # fmt: skip
    return f"$timescale 1 us $end\n{wires}$enddefinitions $end\n#0\n1w0\n#9\n0w1\n"


def table(count: int) -> str:
    """A table of so many columns."""
    return ("time_us," + ",".join(f"n{k}" for k in range(count)) + "\n0," + "0," * (count - 1)
            + "1\n9," + "1," * (count - 1) + "1\n")  # fmt: skip


@pytest.mark.parametrize(("ending", "make"), [(".vcd", dump), (".csv", table)])
def test_a_hundred_thousand_wires_are_read(
    ending: str, make: object, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a minute of the processor is ten times what it takes; the square took many minutes."""
    assert callable(make)
    path = tmp_path / f"wires{ending}"
    path.write_text(make(100_000), encoding="utf-8")
    begun = time.process_time()
    assert main(["map", str(path), "--gadget", str(HOOK)]) == 0
    assert time.process_time() - begun < 30.0
    assert "Of more than 500 wires only equal names are found" in capsys.readouterr().out
