"""The files of the page. What the live page and a kept one have in common stands in one file."""

from __future__ import annotations

import re
from importlib import resources

__all__ = ["page_file"]

_PART = re.compile(r"^@part ([a-z]+)@\n", re.MULTILINE)


def page_file(name: str) -> str:
    """The text of a file of the page, with the parts that it asks for in their places."""
    text = (resources.files("simfw.panel") / "page" / name).read_text("utf-8")
    return _PART.sub(lambda found: page_file(f"{found[1]}.html"), text)
