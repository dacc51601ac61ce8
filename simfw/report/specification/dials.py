"""Dials as the specification tells them: once each, as what they are, not position by position."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.region import Region
from simfw.gadget.model import Dial, DialRow
from simfw.report.specification.document import Cell, Paragraph, Section, Table
from simfw.report.specification.tables import requirement_table
from simfw.report.specification.words import in_words

if TYPE_CHECKING:
    from simfw.report.specification.stock import Maker
    from simfw.report.specification.subject import Subject

__all__ = ["dial_requirements", "dials"]

DIAL = (
    "A dial is a value that is counted up and down. It stands in one of its positions, counted "
    "from 0; lights and loads that are driven or scaled by it follow it in the instant in which it "
    "moves. It has no times of its own. What leads to the position in which it stands changes "
    "nothing and raises no event. In a guard the name of a dial is its position."
)


def dial_requirements(make: Maker, name: str, dial: Dial, region: Region) -> None:
    """A sentence for each row of the file, and one for the values of the positions."""
    outputs = next((state.position.outputs for state in region.states if state.position), ())
    pins = outputs or (name,)
    known: list[tuple[frozenset[str], str]] = []  # events of a row, number of its sentence
    for index, row in enumerate(dial.rows):
        mine = [one for one in region.rows
                if one.key.partition("#")[0] == f"dials.{name}.rows[{index}]"]
        before = [number for events, number in known if events & set(row.on)]
        make.add(name, str(index), "when", _sentence(name, dial, row, before), mine, pins=pins,
                 seen=lambda one: bool(one.emit))
        known.append((frozenset(row.on), make.found[-1].number))
    if outputs:
        make.add(name, "values", "while", f"While `{name}` stands in a position, the firmware "
                 f"shall take the value in the table of `{name}` there for what it gives.", [],
                 pins=outputs, items=tuple(f"drive {name}:{state.name}" for state in region.states))


def _sentence(name: str, dial: Dial, row: DialRow, before: Sequence[str]) -> str:
    last = len(dial.levels) - 1
    start = f"When {in_words((f'`{event}`' for event in row.on), 'or')} occurs"
    start += f" and `{row.when}` holds" if row.when else ""
    start += f", unless {in_words(before, 'or')} fires" if before else ""
    moved = f"emit `{name}.changed` if it moves by that"
    if row.step is None:
        return f"{start}, the firmware shall take `{name}` to position {row.to} and {moved}."
    count = abs(row.step)
    way, end, other = ("up", last, 0) if row.step > 0 else ("down", 0, last)
    by = f"{count} position{'s' * (count != 1)} {way}"
    if row.wrap:
        return (f"{start}, the firmware shall take `{name}` {by}, from {end} on to {other} again, "
                f"and {moved}.")
    return (f"{start}, the firmware shall take `{name}` {by}, but not beyond {end}, {moved}, and "
            f"emit `{name}.end` after that where the step would lead beyond {end}.")


def dials(subject: Subject) -> Section:
    """What every dial is: its positions and their values, and what moves it."""
    found = subject.gadget.dials
    starts = in_words(f"`{name}` is in position {dial.starts}{' (or as kept)' * dial.kept}"
                      for name, dial in found.items())  # fmt: skip
    most = max(len(dial.levels) for dial in found.values())
    rows = []
    for name, dial in found.items():
        texts = [level.text for level in dial.levels]
        rows.append((Cell(f"`{name}`"),
                     *(Cell(text, numeric=True) for text in texts),
                     *(Cell("-", faint=True) for _ in range(most - len(texts)))))
    table = Table(caption="Values of the positions (a percentage, or a number of lit segments)",
                  head=("dial", *(str(place) for place in range(most))), rows=tuple(rows))
    used = [f"`{name}`" for name in found if not any(
        name in state.dials for region in subject.system.regions for state in region.states)]
    unused = [Paragraph(f"No state drives anything by {in_words(used, 'or')}.")] if used else []
    return Section(anchor="dials", title="Dials", blocks=(
        Paragraph(f"{DIAL} At power-up {starts}."), table, *unused,
        *requirement_table(subject, "Requirements", subject.part(*found)), *_notes(found)))


def _notes(found: Mapping[str, Dial]) -> list[Paragraph]:
    """What the file says beside its rows."""
    said = [f"`dials.{name}.rows[{index}]`: {row.note}" for name, dial in found.items()
            for index, row in enumerate(dial.rows) if row.note]
    return [Paragraph("Notes of the file. " + "; ".join(said) + ".")] if said else []

