"""Texts that stand in the specification and in the documentation in the same words.

They are kept in `simfw/report/specification/texts`. Run `python -m tests.report.shared_texts` to
put them into the pages of the documentation after a change; a test compares.
"""

from __future__ import annotations

import re
from pathlib import Path

from simfw.report.specification.prose import text_of

DOCS = Path(__file__).parents[2] / "docs"
MARKED = (DOCS / "explanation" / "one-instant.md", DOCS / "reference" / "specification.md",
          DOCS / "reference" / "line-protocol.md")  # fmt: skip
_MARK = re.compile(r"<!-- text: (\w+) -->\n.*?<!-- end -->", re.DOTALL)


def with_texts(page: str) -> str:
    """A page with the text between each pair of marks written anew."""
    return _MARK.sub(lambda found: f"<!-- text: {found[1]} -->\n\n{text_of(found[1]).strip()}\n\n"
                     "<!-- end -->", page)  # fmt: skip


def expected_pages() -> dict[Path, str]:
    """The pages as they should be."""
    return {page: with_texts(page.read_text(encoding="utf-8")) for page in MARKED}


if __name__ == "__main__":
    for path, text in expected_pages().items():
        path.write_text(text, encoding="utf-8")
