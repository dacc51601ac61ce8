"""The specification as Markdown. Drawings are text that Markdown viewers draw."""

from __future__ import annotations

import re

from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Document,
    Drawing,
    Gap,
    Note,
    Paragraph,
    Table,
)

__all__ = ["to_markdown"]


_LEAVE = re.compile(r"(`[^`]*`|(?<!\w)\*\*?\w[^*`]*?[\w.]\*\*?(?!\w))")


def _safe(text: str) -> str:
    """Text that Markdown leaves alone, except for backticks, `**bold**` and `*slanted*`."""
    parts = _LEAVE.split(text)
    for index in range(0, len(parts), 2):
        for sign in "\\*_<[":
            parts[index] = parts[index].replace(sign, "\\" + sign)
    return "".join(parts)


def _cell(cell: Cell) -> str:
    text = _safe(cell.text).replace("|", "\\|").replace("\n", " ")
    links = ", ".join(f"[{_safe(name)}](#{anchor})" for name, anchor in cell.links)
    order = (links, text) if cell.after else (text, links)
    text = " ".join(part for part in order if part)
    return f'<a id="{cell.anchor}"></a>{text}' if cell.anchor else text


def _table(table: Table) -> str:
    rule = [
        "---:" if table.rows and all(row[i].numeric for row in table.rows) else "---"
        for i in range(len(table.head))
    ]
    lines = [
        f"*{_safe(table.caption)}*",
        "",
        "| " + " | ".join(_safe(head) for head in table.head) + " |",
        "| " + " | ".join(rule) + " |",
    ]
    lines += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in table.rows]
    return "\n".join(lines)


def _block(block: Block) -> str:
    match block:
        case Paragraph(text):
            return _safe(text)
        case Bullets(items, ordered):
            return "\n".join(f"{f'{n}.' if ordered else '*'} {_safe(item)}"
                             for n, item in enumerate(items, 1))  # fmt: skip
        case Note(text):
            return "> " + _safe(text)
        case Gap(text, answer):
            return f"> **Open.** {_safe(text)} **Answered by:** {_safe(answer)}"
        case Table():
            return _table(block)
        case Drawing():
            return f"```mermaid\n{block.text.strip()}\n```"


def to_markdown(document: Document) -> str:
    """The whole document; links inside it go to explicit anchors, which every reader keeps."""
    lines = [f"# {_safe(document.title)}", "", _safe(document.subtitle), ""]
    lines += ["|   |   |", "|---|---|"]
    lines += [f"| {_safe(name)} | {_safe(value)} |" for name, value in document.facts]
    lines += ["", "## Contents", ""]
    for number, depth, section in document.numbered():
        lines.append(f"{'    ' * depth}* [{number} {_safe(section.title)}](#{section.anchor})")
    for number, depth, section in document.numbered():
        lines += [
            "",
            f'<a id="{section.anchor}"></a>',
            "",
            f"{'#' * (depth + 2)} {number} {_safe(section.title)}",
        ]
        for block in section.blocks:
            lines += ["", _block(block)]
    return "\n".join(lines) + "\n"
