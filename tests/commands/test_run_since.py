"""`run --since OLD` where the scenario does not fit the earlier gadget file."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.cli import main

GALLERY = Path(__file__).parents[1] / "gallery"


def test_what_the_earlier_file_does_not_have_names_that_file(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The scenario itself is right: the mistake is told with the file that it comes from."""
    old = str(GALLERY / "porch-lantern" / "gadget.toml")
    assert main(["run", str(GALLERY / "turnstile" / "six.toml"), "--since", old]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    lines = [line for line in told.err.splitlines() if "six.toml" in line]
    assert lines
    assert all(f"with --since {old}, " in line for line in lines)
    assert "the gadget has no such button" in lines[0]
