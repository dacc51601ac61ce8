"""A report on a terminal that is narrower than its lines: tables and paragraphs folded.

What fits is left as it is. Files and pipes get the lines whole, so that they can be searched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

__all__ = ["fitted"]

INDENT = 4  # of what goes on below a row, beyond the row's own
FULL = 90  # a line of a paragraph that was wrapped is at least about so long

_CODES = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")  # control sequences of ECMA-48
_MARK = re.compile(r"\s*(?:[-*|#]|\d+\.|\w[\w.-]*: )")


def fitted(text: str, width: int) -> str:
    """`text` with lines of at most `width` characters, as far as words allow.

    Rows of a table that is too wide go on below themselves, all of them from the same column on;
    paragraphs are wrapped anew. Control sequences of a terminal have no width.
    """
    lines = text.split("\n")
    found: list[str] = []
    for block in _blocks(lines):
        if all(len(_CODES.sub("", line)) <= width for line in block):
            found += block
        elif _is_table(block):
            found += _table(block, width)
        else:
            found += _paragraphs(block, width)
    return "\n".join(found)


def _is_table(block: Sequence[str]) -> bool:
    return any(re.search(r"\S {2,}\S", _CODES.sub("", line)) for line in block)


def _blocks(lines: Sequence[str]) -> Iterator[list[str]]:
    """Lines that belong together: rows of one table, or other lines."""
    block: list[str] = []
    table = False
    for line in lines:
        is_table = _is_table([line]) or (table and _goes_on(line, block[0]))
        if block and (is_table != table or not line.strip() or not block[-1].strip()):
            yield block
            block = []
        block.append(line)
        table = is_table
    if block:
        yield block


def _goes_on(line: str, row: str) -> bool:
    """Whether a line stands below a column of a row, the first excepted."""
    seen = _CODES.sub("", line)
    at = len(seen) - len(seen.lstrip())
    above = _CODES.sub("", row)
    return at > INDENT and above[at - 2 : at] == "  " and above[at : at + 1].strip() != ""


def _table(block: Sequence[str], width: int) -> Iterator[str]:
    """The rows broken at gutters, columns of blanks that all of them have."""
    seen = [_CODES.sub("", line) for line in block]
    longest = max(map(len, seen))
    filled = [any(at < len(line) and line[at] != " " for line in seen) for at in range(longest)]
    starts = [at for at in range(2, longest)
              if filled[at] and not filled[at - 1] and not filled[at - 2]]
    indent = min((len(line) - len(line.lstrip()) for line in seen if line.strip()), default=0)
    cuts, begin, pad = [], 0, 0
    while longest - begin + pad > width and starts and starts[-1] > begin:
        if starts[-1] - begin + pad <= width // 2:  # the last column has room below itself
            break
        fits = [at for at in starts if at > begin
                and max(len(line[begin:at].rstrip()) for line in seen) + pad <= width]
        if not fits or fits[-1] - begin <= indent:
            break
        begin, pad = fits[-1], indent + INDENT
        cuts.append(begin)
    last = starts[-1] if starts else 0
    hang = last - begin + pad if last > begin else indent + 2 * INDENT
    for line in _rejoined(block, last):
        for number, part in enumerate(_split(line, cuts)):
            if not number:
                yield from _wrapped(part.rstrip(), width, hang if not cuts else 2 * INDENT)
            elif _CODES.sub("", part).strip():
                below = number == len(cuts)
                yield from _wrapped(" " * (indent + INDENT) + part.rstrip(), width,
                                    hang if below else indent + 2 * INDENT)


def _rejoined(block: Sequence[str], last: int) -> Iterator[str]:
    """The rows, with what was folded in the last column of one written in a line again."""
    row = ""
    for line in block:
        if row and line[:last].strip() == "" and line[last : last + 1].strip():
            row += f" {line.strip()}"
            continue
        if row:
            yield row
        row = line
    if row:
        yield row


def _split(line: str, cuts: Sequence[int]) -> list[str]:
    """The line cut at columns that count what is seen."""
    pieces: list[list[str]] = [[]]
    at, codes = 0, ""
    for part in re.split(f"({_CODES.pattern})", line):
        if _CODES.fullmatch(part):
            codes += part
            continue
        for character in part:
            if len(pieces) <= len(cuts) and at == cuts[len(pieces) - 1]:
                pieces.append([])
            pieces[-1].append(codes + character)
            at, codes = at + 1, ""
    pieces[-1].append(codes)
    return ["".join(piece) for piece in pieces]


def _paragraphs(block: Sequence[str], width: int) -> Iterator[str]:
    """Each paragraph wrapped anew: a line goes on in the next where it was full."""
    joined: list[tuple[str, int]] = []  # text, indent of its further lines
    before = 0
    for line in block:
        seen = _CODES.sub("", line)
        indent = len(seen) - len(seen.lstrip())
        if joined and before >= FULL and not _MARK.match(seen) and seen.strip():
            text, _ = joined[-1]
            joined[-1] = (f"{text} {line.strip()}", indent)
        else:
            joined.append((line, indent + 2))
        before = len(seen)
    for text, more in joined:
        yield from _wrapped(text, width, more)


def _wrapped(text: str, width: int, more: int) -> Iterator[str]:
    """One line in as many as it needs, the further ones indented by `more`; blanks are kept."""
    if len(_CODES.sub("", text)) <= width:
        yield text
        return
    line, length = "", 0
    for blank, word in re.findall(r"(\s*)(\S+)", text):
        long = len(_CODES.sub("", word))
        if line.strip() and length + len(blank) + long > width:
            yield line
            line, length, blank = "", 0, " " * min(more, width // 2)
        line += blank + word
        length += len(blank) + long
    yield line
