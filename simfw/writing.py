"""Files are written whole or not at all.

Each file is written under a temporary name in its own folder and then moved over the final name, so
that a reader never sees half a file and a failure leaves what stood there before.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from simfw.errors import UsageError

__all__ = ["check_file", "check_folder", "write_folder", "write_whole"]


def check_file(path: str | Path) -> None:
    """Raise UsageError if `path` cannot be written as a file.

    For the beginning of long work, so that its result is not lost for a mistyped name at its end.
    """
    path = Path(path)
    reason = ""
    if path.is_dir():
        reason = "it is a folder"
    elif path.exists() and not path.is_file():
        reason = "it is a device or a pipe, no file"
    elif not path.parent.is_dir():
        reason = f"there is no folder {path.parent}"
    elif not os.access(path.parent, os.W_OK):
        reason = "permission denied"
    if reason:
        raise UsageError(f"Cannot write {path}: {reason}.")


def check_folder(path: str | Path) -> None:
    """Raise UsageError if nothing can be written into a folder `path`, which need not exist yet."""
    path = Path(path)
    there = next(part for part in (path, *path.parents) if part.exists() or part.is_symlink())
    if not there.is_dir():
        raise UsageError(f"Cannot write into {path}: {there} is no folder.")
    if not os.access(there, os.W_OK):
        raise UsageError(f"Cannot write into {path}: permission denied.")


def write_whole(path: str | Path, content: str | bytes) -> None:
    """Write one file whole or not at all. Text is written as UTF-8, as it stands.

    Raises UsageError where the file cannot be written, naming it and the reason.
    """
    write_folder(Path(path).parent, {Path(path).name: content}, make=False)


def write_folder(
    folder: str | Path, files: Mapping[str, str | bytes], *, make: bool = True
) -> None:
    """Write several files (name or relative path -> content) into `folder`, all or none.

    All of them are written in full under temporary names before the first takes its final name.
    `make` creates the folder where it is missing. Raises UsageError where one cannot be written.
    """
    folder = Path(folder)
    if make:
        check_folder(folder)
    waiting: list[tuple[str, Path]] = []
    made: list[Path] = []
    target = folder
    try:
        if make:
            _make_folder(folder, made)
        for name, content in files.items():
            target = folder / name
            if make:
                _make_folder(target.parent, made)
            if target.is_symlink():
                target = target.resolve()  # what it points to is written, the link stays
            if target.is_dir():
                raise IsADirectoryError(None, "it is a folder")
            if target.exists() and not target.is_file():
                raise OSError(None, "it is a device or a pipe, no file")
            handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
            waiting.append((temporary, target))
            with os.fdopen(handle, "wb") as stream:
                stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            os.chmod(temporary, 0o666 & ~_umask())
        while waiting:
            temporary, target = waiting[0]
            os.replace(temporary, target)
            waiting.pop(0)
        made.clear()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UsageError(f"Cannot write {target}: {reason}.") from error
    finally:
        for temporary, _ in waiting:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        for inside in reversed(made):  # nothing is left of what was made for nothing
            with contextlib.suppress(OSError):
                inside.rmdir()


def _make_folder(folder: Path, made: list[Path]) -> None:
    """Make a folder and those above it; each that was not there is noted."""
    missing = []
    for part in (folder, *folder.parents):
        if part.exists():
            break
        missing.append(part)
    for part in reversed(missing):
        part.mkdir(exist_ok=True)
        made.append(part)
    if not folder.is_dir():
        raise NotADirectoryError(None, "it is no folder")


def _umask() -> int:
    """The process's file mode mask (the system only tells it by setting it)."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
