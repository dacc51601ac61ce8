"""Texts that stand in the specification and in the documentation in the same words.

They are kept as Markdown beside this module. `prose` reads the little of Markdown that they use:
paragraphs, lists with one level, and `**bold**`, `*slanted*` and backticks inside.
"""

from __future__ import annotations

import re
from importlib import resources

from simfw.report.specification.document import Block, Bullets, Paragraph

__all__ = ["prose", "text_of"]

_ITEM = re.compile(r"(\*|\d+\.) +")


def text_of(name: str) -> str:
    """The Markdown of the text called `name`."""
    return (resources.files("simfw.report.specification") / "texts" / f"{name}.md").read_text(
        "utf-8")


def prose(text: str) -> tuple[Block, ...]:
    """Markdown as blocks of a section."""
    blocks: list[Block] = []
    for part in re.split(r"\n{2,}", text.strip()):
        lines = part.split("\n")
        first = _ITEM.match(lines[0])
        if first is None:
            blocks.append(Paragraph(" ".join(lines)))
            continue
        items: list[str] = []
        for line in lines:
            if found := _ITEM.match(line):
                items.append(line[found.end() :])
            else:
                items[-1] += " " + line.strip()
        blocks.append(Bullets(tuple(items), ordered=first[1] != "*"))
    return tuple(blocks)
