"""The specification as one HTML page that asks nothing of anybody: style and drawings inside it."""

from __future__ import annotations

import re
from html import escape
from importlib import resources

from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Document,
    Drawing,
    Gap,
    Note,
    Paragraph,
    Section,
    Table,
)

__all__ = ["to_html"]


def _style() -> str:
    return (resources.files("simfw.report.specification") / "page.css").read_text("utf-8")


def _inline(text: str, gap: str = "") -> str:
    """Text with `code` marked; after each dot in code a line may break where `gap` is `<wbr>`."""
    parts = escape(text, quote=False).split("`")
    return "".join(
        f"<code>{DOT.sub(chr(92) + 'g<0>' + gap, part)}</code>" if index % 2 else part
        for index, part in enumerate(parts)
    )


DOT = re.compile(r"(?<=\w)[._](?=\w)")
BREAK = "<wbr>"
LONG = 34  # letters from which on a cell is prose and gets room
FEW = 3  # links up to which a cell may be narrow
SHORT = 8  # rows up to which a table is printed on one sheet
MANY, MOST = 7, 12  # columns from which on print is small, and the sheet is turned


def _cell(cell: Cell) -> str:
    parts = [_inline(cell.text, BREAK)] if cell.text else []
    if cell.links:
        links = ", ".join(f'<a href="#{anchor}">{escape(name)}</a>' for name, anchor in cell.links)
        parts.append(f'<span class="links">{links}</span>')
    kinds = (
        ("numeric", cell.numeric),
        ("faint", cell.faint),
        ("prose", len(cell.text) > LONG or len(cell.links) > FEW),
        ("only", bool(cell.links) and not cell.text),
    )
    kind = " ".join(name for name, is_so in kinds if is_so)
    anchor = f' id="{cell.anchor}"' if cell.anchor else ""
    return f"<td{anchor}{f' class={chr(34)}{kind}{chr(34)}' if kind else ''}>{' '.join(parts)}</td>"


def _table(table: Table) -> str:
    numeric = [
        bool(table.rows) and all(row[i].numeric for row in table.rows)
        for i in range(len(table.head))
    ]
    head = "".join(
        f'<th scope="col"{" class=" + chr(34) + "numeric" + chr(34) if right else ""}>'
        f"{_inline(text)}</th>"
        for text, right in zip(table.head, numeric, strict=True)
    )
    body = "\n".join("<tr>" + "".join(_cell(cell) for cell in row) + "</tr>" for row in table.rows)
    width = len(table.head)
    kinds = (
        ("short", len(table.rows) <= SHORT),
        ("many", MANY <= width < MOST),
        ("most", width >= MOST),
    )
    kind = " ".join(name for name, is_so in kinds if is_so)
    return (
        f'<figure{f" class={chr(34)}{kind}{chr(34)}" if kind else ""}>'
        f'<div class="wide" tabindex="0"><table><caption>{_inline(table.caption)}'
        f"</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
        "</figure>"
    )


def _block(block: Block) -> str:
    match block:
        case Paragraph(text):
            return f"<p>{_inline(text)}</p>"
        case Bullets(items):
            return "<ul>\n" + "\n".join(f"<li>{_inline(item)}</li>" for item in items) + "\n</ul>"
        case Note(text):
            return f'<div class="note">{_inline(text)}</div>'
        case Gap(text):
            return f'<div class="gap"><b>To be filled in.</b> {_inline(text)}</div>'
        case Table():
            return _table(block)
        case Drawing():
            return (
                f'<figure class="drawn"><div class="wide drawing" tabindex="0">{block.svg}'
                f"</div><figcaption>{_inline(block.caption)}</figcaption></figure>"
            )


def _section(number: str, depth: int, section: Section) -> str:
    level = min(depth + 2, 4)
    blocks = "\n".join(_block(block) for block in section.blocks)
    return (
        f'<h{level} id="{section.anchor}"><span class="number">{number}</span>'
        f"{_inline(section.title)}</h{level}>\n{blocks}"
    )


def to_html(document: Document) -> str:
    """The whole page."""
    facts = "\n".join(
        f"<dt>{_inline(name)}</dt><dd>{_inline(value)}</dd>" for name, value in document.facts
    )
    contents = "\n".join(
        f"<li{' class=' + chr(34) + 'deep' + chr(34) if depth else ''}>"
        f'<span class="number">{number}</span><a href="#{section.anchor}">'
        f"{_inline(section.title)}</a></li>"
        for number, depth, section in document.numbered()
    )
    body = "\n\n".join(_section(*item) for item in document.numbered())
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(document.title)}: firmware specification</title>
<style>
{_style()}</style>
</head>
<body>
<header><div>
<p class="kind">Firmware specification</p>
<h1>{escape(document.title)}</h1>
<p>{_inline(document.subtitle)}</p>
<dl>
{facts}
</dl>
</div></header>
<main>
<nav aria-label="Contents"><h2>Contents</h2>
<ol>
{contents}
</ol></nav>

{body}
</main>
</body>
</html>
"""
