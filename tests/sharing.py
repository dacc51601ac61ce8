"""What is dear to make and a pure function of a gadget, made once in a run of the whole suite.

The workers of a run share it through files in the temporary folder; a worker that needs what
another is making waits for it. It is made without counting lines: what makes it has tests of its
own, which make it themselves.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import inspect
import os
import pickle
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from coverage import Coverage

import simfw
from simfw import vectors as made
from simfw.behaviour.region import System
from simfw.conform import driving
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import VectorSet, find_paths, make_vectors
from simfw.vectors.build import Found
from simfw.verify.check import check_gadget
from simfw.verify.finding import Report

__all__ = [
    "share", "shared_check", "shared_paths", "shared_vectors", "uncounted", "uncounted_from_here",
]  # fmt: skip

Made = TypeVar("Made")

_RUN = os.environ.get("PYTEST_XDIST_TESTRUNUID", f"alone-{os.getpid()}")
FOLDER = Path(tempfile.gettempdir()) / f"simfw-{simfw.__version__}-{_RUN}"
_KNOWN: dict[str, Any] = {}


@contextlib.contextmanager
def uncounted() -> Iterator[None]:
    """Let what runs in the block be left out of the count of covered lines."""
    counting = Coverage.current()
    if counting is not None:
        counting.stop()
    try:
        yield
    finally:
        if counting is not None:
            counting.start()


def uncounted_from_here() -> None:
    """To be called in a child of a test: the lines that it counted would go with it."""
    counting = Coverage.current()
    if counting is not None:
        counting.stop()


def _once(what: str, gadget: Gadget, make: Callable[[], Made]) -> Made:
    """What `make` gives for this gadget, from whoever was first."""
    key = f"{what}-{hashlib.sha256(gadget.model_dump_json().encode()).hexdigest()[:24]}"
    if key not in _KNOWN:
        FOLDER.mkdir(exist_ok=True)
        with (FOLDER / f"{key}.lock").open("w") as lock, uncounted():
            fcntl.flock(lock, fcntl.LOCK_EX)
            try:
                file = FOLDER / key
                if not file.exists():
                    whole = FOLDER / f"{key}.new"  # who is ended while writing leaves none to read
                    whole.write_bytes(pickle.dumps(make()))
                    whole.rename(file)
            finally:  # closing would not do while a child that was made meanwhile has it open
                fcntl.flock(lock, fcntl.LOCK_UN)
            _KNOWN[key] = pickle.loads(file.read_bytes())
    found: Made = _KNOWN[key]
    return found


def shared_paths(gadget: Gadget, prepared: Prepared | None = None) -> list[Found]:
    """What `find_paths` gives."""
    return list(_once("paths", gadget, lambda: find_paths(gadget, prepared)))


def shared_vectors(
    gadget: Gadget, system: System, prepared: Prepared | None = None,
    found: list[Found] | None = None,
) -> VectorSet:
    """What `make_vectors` gives; `found`, if given, is what `find_paths` gives."""
    del found
    return _once("vectors", gadget, lambda: make_vectors(
        gadget, system, prepared, shared_paths(gadget, prepared)))


def shared_check(gadget: Gadget, **chosen: Any) -> Report:
    """What `check_gadget` gives; shared where nothing else than usual is chosen."""
    usual = inspect.signature(check_gadget).parameters
    told = ("clock", "progress") if chosen.get("seconds") is None else ()  # they decide nothing
    if any(value != usual[name].default for name, value in chosen.items() if name not in told):
        return check_gadget(gadget, **chosen)
    file = hashlib.sha256(gadget.file.encode()).hexdigest()[:8]  # a report names it
    return _once(f"check-{file}", gadget, lambda: check_gadget(gadget))


def share() -> None:
    """Let the commands take what is shared. Tests that name the makers themselves make their own,
    as far as they were read before.
    """
    driving.make_vectors = shared_vectors  # type: ignore[attr-defined]
    made.make_vectors = shared_vectors  # type: ignore[assignment]
    made.find_paths = shared_paths
