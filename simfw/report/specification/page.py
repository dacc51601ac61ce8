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
    """Text with its mark-up; after each dot in code a line may break where `gap` is `<wbr>`."""
    parts = escape(text, quote=False).split("`")
    return "".join(
        f"<code>{DOT.sub(chr(92) + 'g<0>' + gap, part)}</code>" if index % 2
        else SLANTED.sub(r"<em>\1</em>", BOLD.sub(r"<b>\1</b>", part))
        for index, part in enumerate(parts)
    )


BOLD = re.compile(r"(?<!\w)\*\*(\w[^*]*)\*\*(?!\w)")
SLANTED = re.compile(r"(?<!\w)\*(\w[^*]*)\*(?!\w)")
DOT = re.compile(r"(?<=\w)[._](?=\w)")
BREAK = "<wbr>"
LONG = 34  # letters from which on a cell is prose
FEW = 3  # links up to which a cell may be narrow
SHORT = 8  # rows up to which a table is printed on one sheet
STACKED = 3  # columns from which on the lines of a table are stacked on a narrow screen


def _cell(cell: Cell, head: str) -> str:
    parts = [_inline(cell.text, BREAK)] if cell.text else []
    if cell.links:
        links = ", ".join(f'<a href="#{anchor}">{escape(name)}</a>' for name, anchor in cell.links)
        parts.insert(0 if cell.after else 1, f'<span class="links">{links}</span>')
    kinds = (
        ("numeric", cell.numeric),
        ("faint", cell.faint),
        ("prose", len(cell.text) > LONG or len(cell.links) > FEW),
        ("only", bool(cell.links) and not cell.text),
    )
    kind = " ".join(name for name, is_so in kinds if is_so)
    anchor = f' id="{cell.anchor}"' if cell.anchor else ""
    label = f' data-head="{escape(head.replace("`", ""))}"' if head else ""
    shown = f' class="{kind}"' if kind else ""
    return f"<td{anchor}{shown}{label}>{' '.join(parts)}</td>"


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
    body = "\n".join(
        "<tr>" + "".join(_cell(cell, name if place else "")
                         for place, (cell, name) in enumerate(zip(row, table.head, strict=True)))
        + "</tr>" for row in table.rows)  # fmt: skip
    columns = "".join(f'<col style="width:{width}%">' for width in table.widths)
    kinds = (
        ("short", len(table.rows) <= SHORT),
        ("stacked", len(table.head) >= STACKED),
        ("fixed", bool(table.widths)),
    )
    kind = " ".join(name for name, is_so in kinds if is_so)
    return (
        f'<figure{f" class={chr(34)}{kind}{chr(34)}" if kind else ""}>'
        f'<div class="wide"><table><caption>{_inline(table.caption)}</caption>\n'
        f"{f'<colgroup>{columns}</colgroup>' if columns else ''}<thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{body}\n</tbody></table></div></figure>"
    )


def _block(block: Block) -> str:
    match block:
        case Paragraph(text):
            return f"<p>{_inline(text)}</p>"
        case Bullets(items, ordered):
            kind = "ol" if ordered else "ul"
            inside = "\n".join(f"<li>{_inline(item)}</li>" for item in items)
            return f"<{kind}>\n{inside}\n</{kind}>"
        case Note(text):
            return f'<div class="note">{_inline(text)}</div>'
        case Gap(text, answer):
            return (f'<div class="gap"><b>Open.</b> {_inline(text)} <b>Answered by:</b> '
                    f"{_inline(answer)}</div>")
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
