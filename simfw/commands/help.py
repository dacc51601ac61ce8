"""`simfw help`: a word, a command or a page of the reference, in the terminal."""

from __future__ import annotations

import re
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, paint_for, subparsers

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Mapping

    from simfw.commands._shared import Commands

RANK = 90
WIDTH = 80
MOST_PAGES = 3


def register(commands: Commands) -> None:
    """Add `help` to the command line."""
    parser = add_command(
        commands,
        "help",
        run,
        summary="explain a word, a command or a kind of file",
        examples=["help", "help hold", "help modes", "help gadget-file"],
    )
    parser.add_argument("topic", metavar="TOPIC", nargs="*",
                        help="a word of the glossary, a command, or a page of the reference")


def run(arguments: argparse.Namespace) -> int:
    """Print what there is about the topic."""
    from simfw.errors import UsageError, hint

    parser = arguments.whole
    commands = subparsers(parser)
    pages, words = _pages(), _words()
    topic = " ".join(arguments.topic).strip()
    paint = paint_for(sys.stdout)
    if not topic:
        print(parser.format_usage().strip())
        for title, names in (("commands", commands), ("pages", pages), ("words", words)):
            print(f"\n{paint(title, 'head')}")
            print(_wrapped(", ".join(names)))
        print("\n`simfw help TOPIC` tells about one of them.")
        return 0
    found = [name for name in words if topic.lower() in _forms(name)]
    for name in found:
        print(f"{paint(name, 'head')}\n{_wrapped(words[name])}")
    if topic in commands:
        print(("\n" if found else "") + commands[topic].format_help().strip())
    elif topic in pages:
        print(("\n" if found else "") + _plain(pages[topic].read_text(encoding="utf-8")).strip())
    elif not found:
        every = [*commands, *pages, *(form for name in words for form in _forms(name))]
        places = _pages_with(topic, pages)
        said = hint(topic.lower(), every)
        if places:
            said = f" It stands on the page{'s' * (len(places) > 1)} {', '.join(places)}."
        raise UsageError(f'There is nothing about "{topic}".{said} '
                         "`simfw help` lists all there is.")
    return 0


def _folder() -> Path:
    """Where the pages of the reference lie: in the package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "pages"
    return installed if installed.is_dir() else package.parent / "docs" / "reference"


def _pages() -> Mapping[str, Path]:
    """The pages of the reference, and the cautions, by name."""
    folder = _folder()
    cautions = folder.parent / "explanation" / "cautions.md"  # in a checkout
    paths = [*folder.glob("*.md"), *([cautions] if cautions.is_file() else [])]
    return {path.stem: path for path in sorted(paths, key=lambda path: path.stem)}


def _pages_with(topic: str, pages: Mapping[str, Path]) -> list[str]:
    """The pages that say a word most often; those that say it once are no help."""
    wanted = re.compile(rf"\b{re.escape(topic)}s?\b", re.IGNORECASE)
    often = {name: len(wanted.findall(path.read_text(encoding="utf-8")))
             for name, path in pages.items()}
    return [name for name in sorted(often, key=lambda name: (-often[name], name))
            if often[name] > 1][:MOST_PAGES]


def _words() -> Mapping[str, str]:
    """The words of the glossary, each with what it means."""
    text = (_folder() / "glossary.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (?!word |---)(.+?) \| (.+) \|$", text, re.MULTILINE)
    return {_plain(word): _plain(meaning) for word, meaning in rows}


def _forms(name: str) -> Iterable[str]:
    """What an entry of the glossary is looked up by: "emitter, receiver" by either."""
    return [name.lower(), *(part.strip() for part in name.lower().split(","))]


def _plain(text: str) -> str:
    """Markdown without the targets of its links."""
    return re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", text)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="  ",
                         break_on_hyphens=False, break_long_words=False)
