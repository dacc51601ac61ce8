"""Files are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.errors import UsageError
from simfw.writing import write_folder, write_whole

HOOK = Path(__file__).parents[1] / "scenarios" / "key-hook"


def test_text_and_bytes_are_written_as_they_stand(tmp_path: Path) -> None:
    """UTF-8, no change of line ends."""
    write_whole(tmp_path / "a.txt", "Ω\r\nµ\n")
    write_whole(tmp_path / "b.bin", b"\x00\xff")
    assert (tmp_path / "a.txt").read_bytes() == "Ω\r\nµ\n".encode()
    assert (tmp_path / "b.bin").read_bytes() == b"\x00\xff"


def test_a_file_gets_the_usual_mode(tmp_path: Path) -> None:
    """As if opened for writing, not the narrow mode of a temporary file."""
    before = os.umask(0o022)
    try:
        write_whole(tmp_path / "a", "x")
    finally:
        os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o644


def test_a_missing_folder_is_made_only_for_folders(tmp_path: Path) -> None:
    """A single file wants its folder to be there."""
    write_folder(tmp_path / "new", {"deep/a": "1"})
    assert (tmp_path / "new/deep/a").read_text() == "1"
    with pytest.raises(UsageError, match="Cannot write"):
        write_whole(tmp_path / "missing" / "a", "1")


def test_failure_leaves_the_old_files_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills up at the second file changes nothing."""
    write_folder(tmp_path, {"a": "old", "b": "old"})
    real = os.fdopen
    calls = iter(range(10))

    def full(*arguments: object, **options: object) -> object:
        stream = real(*arguments, **options)  # type: ignore[call-overload]
        if next(calls) == 1:
            stream.close()
            raise OSError(28, "No space left on device")
        return stream

    monkeypatch.setattr(os, "fdopen", full)
    with pytest.raises(UsageError) as caught:
        write_folder(tmp_path, {"a": "new", "b": "new"})
    monkeypatch.undo()
    assert str(caught.value) == f"Cannot write {tmp_path / 'b'}: no space left on device."
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]
    assert (tmp_path / "a").read_text() == (tmp_path / "b").read_text() == "old"


def test_a_folder_in_the_way_is_said(tmp_path: Path) -> None:
    """A file cannot replace a folder."""
    (tmp_path / "a").mkdir()
    with pytest.raises(UsageError, match="it is a folder"):
        write_whole(tmp_path / "a", "1")


def test_a_device_or_a_pipe_is_not_replaced(tmp_path: Path) -> None:
    """What is no file stays what it is, whoever asks."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UsageError, match="it is a device or a pipe, no file"):
        write_whole(tmp_path / "pipe", "1")
    assert (tmp_path / "pipe").is_fifo()


def test_a_link_stays_and_what_it_points_to_is_written(tmp_path: Path) -> None:
    """A link to a file elsewhere leads there afterwards too."""
    (tmp_path / "far").mkdir()
    (tmp_path / "far/a").write_text("old")
    (tmp_path / "a").symlink_to(tmp_path / "far/a")
    write_whole(tmp_path / "a", "new")
    assert (tmp_path / "a").is_symlink()
    assert (tmp_path / "far/a").read_text() == "new"


@contextlib.contextmanager
def full_disk() -> Iterator[None]:
    """No file can grow any more: what a full disk is like."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("arguments", [
    ["new", "deep/er/porch-light"],
    ["run", str(HOOK / "old-cell.toml"), "--csv", "deep/er/tables"],
    ["source", str(HOOK / "gadget.toml"), "-o", "deep/er/firmware"],
])
def test_a_full_disk_leaves_no_folder(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The folders that were made for nothing go again, and the command can be given once more."""
    monkeypatch.chdir(tmp_path)
    with full_disk():
        assert main(arguments) == 2
    assert "Cannot write" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "deep").mkdir()
    with full_disk():
        assert main(arguments) == 2
    assert list((tmp_path / "deep").iterdir()) == []  # what was there before stays
    assert main(arguments) == 0
