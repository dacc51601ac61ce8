"""How the pages read: short sentences, words with one meaning, a question first, a source after.

Limits of length and the list of stumbling blocks are our own; what a glossary must hold is what
the pages use without saying what it means.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simfw.cli import _parser
from simfw.commands._shared import subparsers

ROOT = Path(__file__).resolve().parents[1]
HOW_TO = sorted((ROOT / "docs/how-to").glob("*.md"))
PLAIN = [ROOT / "README.md", *sorted((ROOT / "docs/tutorial").glob("*.md")), *HOW_TO]
READ = [page for page in (ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md")),
                          *sorted((ROOT / "scenarios").glob("*/README.md")))
        if page.name != "changelog.md"]
TEXTS = [*sorted((ROOT / "simfw/report/specification/texts").glob("*.md")),
         *sorted((ROOT / "simfw/report/source/static").glob("*.md")),
         *sorted((ROOT / "simfw/commands/template").iterdir())]

# What native readers stumbled over, in small letters.
STUMBLES = (
    "somebody has a small battery gadget", "lets them write that guess", "to whom it went",
    "hangs on", "hang on", "goes round", "what comes of it",
    "whoever writes a new firmware need", "and the spread of parts",
    "vary one or two figures of the gadget: days", "changes of state that must not happen",
    "handle every look, blink and sample one by one", "seed of what is drawn", "their seed",
    "a scenario file to drive it with as well", "compare every period of what repeats",
    "how far a time may be off", "it never ends", "then an expectation fails, below",
    "run time left, from the end on", "the stock regions (buttons, sensors, gauge) are in",
    "left by itself before the protection opens", "if it stayed like that",
    "each bar would mean as much", "draws up to 120 ua from the cell as long as it lasts",
    "is neither answered nor ignored in writing", "open cells", "that no row speaks of",
    "order of events only", "this should hold and does not", "is wanted.",
    "no other design here has", "more users are needed", "waves met a flat",
    "what its pins understand and bear", "where the protection diodes of a pin carry",
    "what these may carry, each", "how long each user is watched at least", "covered are to be",
    "what it took for an event", "are parted by", "stands in tables.h", "stands in `tables.h`",
    "where the way leads on", "nothing hangs on", "another's is refused", "of another's",
    "a cell cannot be switched off", "our notes",
)
IN_CODE = tuple(text for text in STUMBLES if text not in (
    "hangs on", "hang on", "goes round", "what comes of it", "open cells", "is wanted.",
    "nothing hangs on", "it never ends", "of another's", "that no row speaks of",
))

WORDS = ("vector", "mutant", "harness", "band", "habit", "family", "corner", "contributor",
         "back-powering", "stock region", "FL 1", "C rate", "unhandled pair", "charge used",
         "charging", "charge region")


def sentences(text: str) -> list[str]:
    """The sentences of a page: no code, tables, headings; a literal counts as one word."""
    text = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    found = []
    for block in re.split(r"\n\s*\n", text):
        if block.startswith(("    ", "|", "#", "!")):
            continue
        for item in re.split(r"^\s*(?:\*|\d+\.) ", block, flags=re.MULTILINE):
            item = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", item)
            item = " ".join(re.sub(r"`[^`]*`", "X", item).split())
            found += [part for part in re.split(r"(?<=[.!?])[*)\"]{0,3} +", item)
                      if re.search(r"\w", part)]
    return found


@pytest.mark.parametrize("page", PLAIN, ids=lambda page: page.stem)
def test_sentences_are_short(page: Path) -> None:
    """Below 20 words on the average of README and each tutorial and how-to page, none above 45."""
    lengths = [len(part.split()) for part in sentences(page.read_text(encoding="utf-8"))]
    assert sum(lengths) / len(lengths) < 20
    long = [part for part in sentences(page.read_text(encoding="utf-8")) if len(part.split()) > 45]
    assert long == []


def test_long_sentences_would_be_found() -> None:
    """Literals count once, list items and lines with a full stop apart."""
    assert [len(part.split()) for part in sentences(
        "# A title\n\nOne two `three four` five. Six\nseven.\n\n* eight\n* nine ten\n\n"
        "| a table |\n\n```\ncode\n```\n")] == [4, 2, 1, 2]


@pytest.mark.parametrize("page", HOW_TO, ids=lambda page: page.stem)
def test_a_how_to_begins_with_the_question_that_a_person_has(page: Path) -> None:
    """Its title or its first paragraph asks."""
    title, first, *_ = re.split(r"\n\s*\n", page.read_text(encoding="utf-8"))
    assert "?" in title + first


def test_no_stumbling_block_is_left() -> None:
    """Not in the pages, the texts that are handed over, the help, or what the program says."""
    said = {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
            for path in (*READ, *TEXTS)}
    said |= {f"{name} -h": parser.format_help() for name, parser in
             {"": _parser(), **subparsers(_parser())}.items()}
    for texts, where in (
        (STUMBLES, said),
        (IN_CODE, {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
                   for path in sorted((ROOT / "simfw").rglob("*.py"))}),
    ):
        found = [(name, text) for name, page in where.items()
                 for text in texts if text in " ".join(page.lower().split())]
        assert found == []


def test_the_glossary_has_each_word_once_and_all_that_are_used() -> None:
    """In the order of the alphabet, so that a second meaning would stand beside the first."""
    page = (ROOT / "docs/reference/glossary.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (?!word |---)(.+?) \| (.+) \|$", page, re.MULTILINE)
    forms = [form.strip() for word, _ in rows for form in word.split(",")]
    assert len(set(forms)) == len(forms)
    assert set(WORDS) <= set(forms)
    assert [word for word, meaning in rows if not meaning.strip()] == []
    assert "open cell" not in page


def test_every_caution_tells_where_it_comes_from() -> None:
    """A source in brackets, or that there is none, ends each statement of the page."""
    page = (ROOT / "docs/explanation/cautions.md").read_text(encoding="utf-8")
    items = [" ".join(item.split()) for part in page.split("\n## ")[1:]
             for item in re.split(r"\n(?:\* |\n)", part)[1:] if item.strip()]
    assert len(items) > 20
    assert [item for item in items if "(" not in item or ")" not in item[-90:]] == []
