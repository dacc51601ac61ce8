"""The tables of stock rows in docs/reference/behaviour.md.

Run `python -m tests.behaviour.doc_tables` to write them anew after a stock region has changed; a
test compares them.
"""

from __future__ import annotations

import re
from pathlib import Path

from simfw.behaviour.build import build_system
from simfw.behaviour.region import Region, Row
from simfw.quantity import format_duration
from tests.behaviour.bench import gadget

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "behaviour.md"
_BLOCK = re.compile(r"```toml\n(.*?)```", re.DOTALL)
_TABLE = re.compile(r"<!-- rows: (.*?) -->\n.*?<!-- end -->", re.DOTALL)


def with_tables(text: str) -> str:
    """`text` with every table of rows made from the TOML block before it."""

    def table(found: re.Match[str]) -> str:
        block = _BLOCK.findall(text[: found.start()])[-1]
        system = build_system(gadget(block))
        internal = set(system.internal_events)
        parts = [_region(system.region(name), internal) for name in found[1].split(", ")]
        return f"<!-- rows: {found[1]} -->\n\n" + "\n\n".join(parts) + "\n\n<!-- end -->"

    return _TABLE.sub(table, text)


def _region(region: Region, internal: set[str]) -> str:
    states = ", ".join(
        f"{state.name}{' (awake)' if state.awake else ''}" for state in region.states
    )
    lines = [
        f"Region `{region.name}`: {states}.",
        "",
        "| from | when this happens | if | to | emits | |",
        "|---|---|---|---|---|---|",
        *(_row(row, internal) for row in region.rows),
    ]
    return "\n".join(lines)


def _row(row: Row, internal: set[str]) -> str:
    def events(names: tuple[str, ...]) -> str:
        return ", ".join(f"*{name}*" if name in internal else f"`{name}`" for name in names)

    cause = f"after {format_duration(row.after_ns or 0)}" if row.on is None else events((row.on,))
    guard = f"`{row.when_text}`" if row.when_text else ""
    cells = [", ".join(row.sources), cause, guard, row.to, events(row.emit), row.note]
    return "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
