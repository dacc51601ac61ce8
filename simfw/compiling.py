"""Functions compiled where numba is installed: it is asked for only where much is to be done."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from typing import Any

__all__ = ["can_compile", "jitted"]


def can_compile() -> bool:
    """Whether the compiler is installed."""
    return importlib.util.find_spec("numba") is not None


def jitted(function: Callable[..., Any], **options: Any) -> Callable[..., Any]:
    """`function`, compiled when it is first called, and kept on disk where there is room for it.

    It divides as numpy does; `options` are numba's own.
    """
    import numba

    made: Callable[..., Any]
    try:
        made = numba.njit(cache=True, error_model="numpy", **options)(function)
    except RuntimeError:
        # Nowhere to keep what has been compiled.
        made = numba.njit(error_model="numpy", **options)(function)
    return made
