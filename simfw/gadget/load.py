"""Reading a gadget file."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

from simfw.errors import DescriptionError, Problem
from simfw.gadget.model import Gadget

__all__ = ["read_gadget"]


def read_gadget(
    path: str | Path, check: Callable[[Gadget], Sequence[Problem]] | None = None
) -> Gadget:
    """Read a gadget file (first cut: errors come later)."""
    raw = Path(path).read_bytes()
    data = tomllib.loads(raw.decode("utf-8"))
    gadget = Gadget.model_validate(data).model_copy(
        update={"file": str(path), "digest": hashlib.sha256(raw).hexdigest()}
    )
    problems = check(gadget) if check is not None else ()
    if problems:
        raise DescriptionError(problems)
    return gadget
