"""`simfw spec` as it is used again and again in one folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.cli import main

HOOK = str(Path(__file__).resolve().parents[2] / "scenarios/key-hook/gadget.toml")


def spec(folder: Path, *more: str) -> int:
    """The exit status of `simfw spec` on the key hook."""
    return main(["spec", HOOK, "-o", str(folder), *more])


def test_a_specification_that_was_filled_in_is_not_lost(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page as it was written is written anew; one that somebody changed stops the command."""
    brief = ("--no-vectors", "--no-power", "--no-check")
    page = tmp_path / "specification.md"
    assert spec(tmp_path, *brief) == spec(tmp_path, *brief) == 0
    as_written = page.read_text(encoding="utf-8")
    for changed in (as_written.replace("to be filled in", "unit 7, unit 9", 1), "mine\n"):
        assert changed != as_written
        page.write_text(changed, encoding="utf-8")
        (tmp_path / "specification.html").unlink(missing_ok=True)
        capsys.readouterr()
        assert spec(tmp_path, *brief) == 2
        assert f"{page} was filled in or changed" in capsys.readouterr().err
        assert page.read_text(encoding="utf-8") == changed
        assert not (tmp_path / "specification.html").exists()


def test_without_vectors_no_requirement_is_said_to_have_none(tmp_path: Path) -> None:
    """Vectors that nobody asked for are not the same as vectors that were not found."""
    assert spec(tmp_path, "--no-vectors", "--no-power", "--no-check") == 0
    text = (tmp_path / "specification.md").read_text(encoding="utf-8")
    assert text.count("| not asked for |") > 20
    assert "none shows it" not in text


def test_vectors_left_from_an_earlier_writing_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A vector file that is none of the present ones is told; the present ones are not."""
    left = tmp_path / "vectors" / "v99.toml"
    left.parent.mkdir()
    left.write_text("", encoding="utf-8")
    assert spec(tmp_path, "--no-power", "--no-check") == 0
    told = [line for line in capsys.readouterr().out.splitlines() if "earlier writing" in line]
    assert told == [f"{left} is left from an earlier writing; it is none of these."]
    assert (tmp_path / "vectors" / "v01.toml").is_file()
