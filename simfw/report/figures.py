"""The figures of a gadget with their origins: what `simfw figures` prints, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simfw.gadget.figures import entries, guesses, origins
from simfw.report.text import columns, count_text, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simfw.gadget.figures import Entry
    from simfw.gadget.model import Gadget
    from simfw.report.text import Paint

__all__ = ["figures_json", "figures_text"]


def figures_json(gadget: Gadget, *, without_origin: bool = False) -> dict[str, Any]:
    """The figures as JSON values, quantities as the file writes them.

    `without_origin` leaves out those that say where they come from; the counts stay those of all.
    """
    found = origins(gadget)
    return {
        "gadget": gadget.head.name,
        "figures": [
            {
                "key": entry.key,
                "value": entry.value_text,
                "range": entry.range_text or None,
                "origin": entry.origin,
                "standing": entry.figure.standing,
                "source": _source(entry) or None,
            }
            for entry in _listed(gadget, without_origin)
        ],
        "stated": found.stated,
        "without_origin": found.without,
    }


def figures_text(gadget: Gadget, paint: Paint = plain, *, without_origin: bool = False) -> str:
    """The figures as a table, lines ended by newlines; `without_origin` as in the JSON."""
    found = origins(gadget)
    listed = _listed(gadget, without_origin)
    lines = [paint(f"{gadget.head.name}: figures and where they come from", "head")]
    if listed:
        head = ("figure", "value", "range", "standing", "source")
        table = columns([head, *(_row(entry) for entry in listed)])
        lines += ["", paint(table[0], "head"), *table[1:]]
    guessed = len(guesses(gadget))
    are = "1 is a guess" if guessed == 1 else f"{guessed or 'none'} are guesses"
    lines += ["", f"{count_text(found)}; {are}."]
    if found.without:
        lines.append('How to say it: key = { value = "4.5 uA", range = "2 uA .. 9 uA", '
                     'standing = "measured", source = "..." }')
    return "\n".join(lines) + "\n"


def _listed(gadget: Gadget, without_origin: bool) -> Sequence[Entry]:
    return [
        entry for entry in entries(gadget) if entry.origin == "none" or not without_origin
    ]


def _source(entry: Entry) -> str:
    return "" if entry.origin == "default" else entry.figure.source or ""


def _row(entry: Entry) -> tuple[str, ...]:
    source = _source(entry)
    # What is told by its source alone has no standing, and the source stands in its own column.
    standing = "" if entry.origin == "source" else entry.figure.standing or entry.origin_text
    return (entry.key, entry.value_text, entry.range_text, standing, source)
