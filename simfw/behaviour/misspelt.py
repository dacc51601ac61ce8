"""Expressions as other languages and notebooks write them: where, and what to write instead.

Nothing here is read in silence: `misspelt` finds what cannot stand in an expression and gives the
text as it would have to be written.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from simfw.quantity import RATIO, VOLTAGE, read_number

__all__ = ["Misspelt", "misspelt"]


@dataclass(frozen=True, slots=True)
class Misspelt:
    """What is wrong: `said` names each piece and its place, `instead` what to write for each.

    `text` is the whole expression with all of them replaced.
    """

    said: str
    instead: str
    text: str


_SIGNS = {
    "&&": "and", "&": "and", "||": "or", "|": "or", "!": "not", "~": "not", "=": "==",
    "===": "==", "=<": "<=", "=>": ">=", "<>": "!=", "!==": "!=", "≤": "<=", "≥": ">=", "≠": "!=",
}  # fmt: skip
_WORDS = ("and", "or", "not", "true", "false")
_NUMBER = r"(?<![\w.])\d{1,15}(?:[.,]\d{1,15})?"
_PIECE = re.compile(
    rf"""(?P<number>{_NUMBER}\s?(?:[mk]?[Vv](?:olts?)?\b|%)|(?<![\w.])\d{{1,15}},\d{{1,15}})
    |(?P<fine>[<>!=]=(?!=)|[<>](?![=>]))
    |(?P<sign>===|!==|&&|\|\||=<|=>|<>|[&|!~=≤≥≠])
    |(?P<word>(?<![\w.])[A-Za-z]+(?![\w.]))""",
    re.VERBOSE | re.ASCII,
)


def misspelt(text: str, known: Callable[[str], bool]) -> Misspelt | None:
    """Find what cannot stand in `text`, an expression; None if there is no such thing.

    `known` tells whether a word is a name of the gadget: such a word is never taken for another.
    """
    found: list[tuple[int, str, str]] = []
    for piece in _PIECE.finditer(text):
        written = piece[0]
        if piece["number"] is not None:
            found.append((piece.start(), written, _number(written)))
        elif piece["sign"] is not None:
            found.append((piece.start(), written, _SIGNS[written]))
        elif piece["word"] is not None and not known(written):
            word = written.casefold()
            proper = word.capitalize() if word in ("true", "false") else word
            if word in _WORDS and written != proper:
                found.append((piece.start(), written, proper))
    if not found:
        return None
    places = " and ".join(f'"{written}" at character {at + 1}' for at, written, _ in found)
    pairs = dict.fromkeys((written, instead) for _, written, instead in found)
    return Misspelt(
        said=f"{places} cannot be read",
        instead=", ".join(f'"{instead}" for "{written}"' for written, instead in pairs),
        text=_replaced(text, found),
    )


def _number(written: str) -> str:
    """The bare number that an expression wants: volts, or a share from 0 to 1."""
    number, unit = re.fullmatch(r"([\d.,]+)\s?(.*)", written).groups()  # type: ignore[union-attr]
    number = number.replace(",", ".")
    if not unit:
        return number
    dimension = RATIO if unit == "%" else VOLTAGE
    unit = unit.replace("v", "V") if len(unit) <= 2 else unit
    return f"{read_number(f'{number} {unit}', dimension):.12g}"


def _replaced(text: str, found: list[tuple[int, str, str]]) -> str:
    parts, last = [], 0
    for at, written, instead in found:
        parts += [text[last:at], instead if written[0].isdigit() else f" {instead} "]
        last = at + len(written)
    joined = " ".join("".join([*parts, text[last:]]).split())
    return joined.replace("( ", "(").replace(" )", ")")
