"""A mark at the end of a page, by which a later writing knows whether somebody filled it in."""

from __future__ import annotations

import hashlib
import re

__all__ = ["is_untouched", "sealed"]

_SEAL = re.compile(r"\n<!-- as written by simfw: sha256 ([0-9a-f]{64}) -->\n\Z")


def sealed(text: str) -> str:
    """`text` with its mark, a comment that no reader of the page sees."""
    return f"{text}\n<!-- as written by simfw: sha256 {_digest(text)} -->\n"


def is_untouched(page: str) -> bool:
    """Whether a page stands as it was written; False for one without a mark."""
    found = _SEAL.search(page)
    return found is not None and found[1] == _digest(page[: found.start()])


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
