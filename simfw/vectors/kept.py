"""Test vectors read back from the tables that `files` writes.

Finding the vectors of a gadget is most of the work of holding a firmware against it; the stimuli
are all that has to be kept. What the model does with them is worked out again.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, NO_HAND, settable
from simfw.stimuli.recording.csv import cells_of
from simfw.tomlfile import read_text
from simfw.vectors.build import ORDER, WHY, act_kind
from simfw.vectors.files import BEFORE_NS, CHARGE, EXPECTED, GONE, LIST, STIMULI
from simfw.vectors.items import READINGS
from simfw.vectors.sketch import Act

__all__ = ["KeptVector", "read_vectors"]

LARGEST_BYTES = 64_000_000
MOST_DIGITS = 18  # of a time (ns): thirty years
PINS = {"status": range(3), "supply": range(2)}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptVector:
    """A vector of a folder. `exact`: it hangs on what comes first within a few milliseconds.

    `edges` are those that the folder expects: signal, value, typical time (ns).
    """

    name: str
    charge: float
    acts: tuple[Act, ...]
    ends_ns: int
    exact: bool
    edges: tuple[tuple[str, int, int], ...]


class _Table:
    """One table: its rows with their lines, and the mistakes that are found in them."""

    def __init__(self, path: Path, head: tuple[str, ...]) -> None:
        self.path = path
        self.problems: list[Problem] = []
        text, _ = read_text(path, largest=LARGEST_BYTES)
        self._rows = cells_of(path, io.StringIO(text, newline=""), ",", 0)
        self.head = head
        self._line, found = next(self._rows, (1, []))
        if tuple(found) != head:
            raise DescriptionError([Problem(
                file=str(path), line=1, key=",".join(found), text="these are not its columns",
                allowed=",".join(head))])  # fmt: skip

    def rows(self) -> Iterator[Mapping[str, str]]:
        """The rows by column; one that has not as many cells is told, and passed over."""
        for line, cells in self._rows:
            self._line = line
            if len(cells) == len(self.head):
                yield dict(zip(self.head, cells, strict=True))
            elif cells:
                self.bad(",".join(cells), f"{len(cells)} cells where the header has "
                         f"{len(self.head)}")

    def bad(self, key: str, text: str, *, found: str | None = None, allowed: str | None = None,
            suggestion: str | None = None) -> None:  # fmt: skip
        """Note a mistake in the row at hand."""
        self.problems.append(Problem(file=str(self.path), line=self._line, key=key, text=text,
                                     found=found, allowed=allowed, suggestion=suggestion))

    def whole(self, row: Mapping[str, str], column: str, allowed: str) -> int:
        """A whole number, zero or more; 0 where it is none."""
        text = row[column]
        if not (text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS):
            self.bad(column, "this is no such number", found=text or "nothing", allowed=allowed)
            return 0
        return int(text)

    def time_ns(self, row: Mapping[str, str], column: str) -> int:
        """A time in whole nanoseconds."""
        return self.whole(row, column, "whole nanoseconds from power-up")

    def number(self, row: Mapping[str, str], fits: Callable[[float], bool], allowed: str,
               unit: str = "") -> float:  # fmt: skip
        """A value in its unit; NaN where it is none."""
        text = row["value"]
        digits = text.removesuffix(f" {unit}") if unit else text
        try:
            value = float(Decimal(digits))
        except (InvalidOperation, ValueError):  # no number at all, or one that signals
            value = float("nan")
        if not fits(value):
            self.bad("value", f"this is no value of {row['signal']}", found=text or "nothing",
                     allowed=allowed)  # fmt: skip
            return float("nan")
        return value


def read_vectors(folder: Path, gadget: Gadget) -> tuple[KeptVector, ...]:
    """The vectors of a folder that `simfw spec` wrote (or of the `vectors/` in it), in order.

    Raises `DescriptionError` with all mistakes of the three tables that are read.
    """
    inside = folder / "vectors" if (folder / "vectors").is_dir() else folder
    listed, done, seen = (_Table(inside / name, head) for name, head in (
        ("vectors.csv", LIST), ("stimuli.csv", STIMULI), ("expected.csv", EXPECTED)))
    vectors = {}
    for row in listed.rows():
        if row["vector"] in vectors or not row["vector"]:
            listed.bad("vector", "each vector has a row of its own",
                       found=row["vector"] or "nothing")
        if row["why"] not in ("", *WHY):
            listed.bad("why", "no such reason", found=row["why"],
                       allowed=f"{', '.join(WHY)} or nothing")
        elif row["for"] != (judge := "host" if row["why"] else "bench"):
            listed.bad("for", f"with this `why` it is for the {judge}",
                       found=row["for"] or "nothing", allowed=judge)
        vectors[row["vector"]] = row, listed.time_ns(row, "ends_ns")
    acts = _acts(done, gadget, vectors)
    edges = _edges(seen, vectors)
    problems = [problem for table in (listed, done, seen) for problem in table.problems]
    if not vectors:
        listed.bad("vector", "no vector stands here")
        problems = listed.problems
    if problems:
        raise DescriptionError(problems)
    charges = {name: of.pop(0).value for name, of in acts.items()}
    return tuple(
        KeptVector(name=name, charge=charges[name], acts=tuple(acts[name]), ends_ns=ends_ns,
                   exact=row["why"] == ORDER, edges=tuple(edges[name]))
        for name, (row, ends_ns) in vectors.items())


def _known(table: _Table, row: Mapping[str, str], vectors: Mapping[str, object]) -> bool:
    name = row["vector"]
    if name not in vectors:
        table.bad("vector", "vectors.csv has no such vector", found=name or "nothing",
                  suggestion=nearest(name, vectors))  # fmt: skip
    return name in vectors


def _acts(table: _Table, gadget: Gadget, vectors: Mapping[str, tuple[Mapping[str, str], int]]
          ) -> dict[str, list[Act]]:  # fmt: skip
    """The acts of each vector, behind the charge that it begins with."""
    signals = _signals(gadget)
    acts: dict[str, list[Act]] = {name: [] for name in vectors}
    for row in table.rows():
        if not _known(table, row, vectors):
            continue
        before, name = acts[row["vector"]], row["signal"]
        before_power = row["time_ns"] == str(BEFORE_NS) and signals.get(name) == "contact"
        at_ns = BEFORE_NS if before_power else table.time_ns(row, "time_ns")
        if not before:
            if name != CHARGE or at_ns:
                table.bad("signal", "a vector begins with its charge, at 0", found=name,
                          allowed=CHARGE)  # fmt: skip
            share = table.number(row, lambda value: 0 <= value <= 1, "0 to 1")
            before.append(Act(0, CHARGE, CHARGE, share))
            continue
        if name not in signals:
            table.bad("signal", "the gadget has no such input", found=name or "nothing",
                      allowed=", ".join(signals), suggestion=nearest(name, signals))  # fmt: skip
            continue
        if max(0, at_ns) < before[-1].at_ns:
            table.bad("time_ns", "time goes back", found=row["time_ns"],
                      allowed=f"{before[-1].at_ns} and later")  # fmt: skip
        kind = "held" if at_ns == BEFORE_NS else signals[name]
        at_ns = max(0, at_ns)
        before.append(Act(at_ns, kind, name, _level(table, row, kind)))
    for name, of in acts.items():
        if not of:
            table.bad("vector", "nothing stands here of this vector", found=name)
    return acts


def _level(table: _Table, row: Mapping[str, str], kind: str) -> float:
    """The level that an input is set to, as an act has it."""
    if kind == "hand":
        if row["value"] == GONE:
            return NO_HAND
        return table.number(row, lambda value: 0 < value < 100, f'a distance in m, or "{GONE}"',
                            "m")
    if kind == "measured" and row["signal"] == "gauge.measured":
        return table.number(row, lambda value: 0 <= value < 1000, "a voltage in V", "V")
    if kind in ("measured", "measure"):
        return table.number(row, lambda value: abs(value) < 1e40, "a number")
    levels = PINS.get(kind, range(2))
    return table.number(row, levels.__contains__, ", ".join(map(str, levels)))


def _signals(gadget: Gadget) -> dict[str, str]:
    """What may be set, and as which kind of act."""
    signals = {name: kind for kind in ("contact", "hand") for name in INPUTS[kind].members(gadget)}
    signals |= {name: act_kind(kind.kind) for kind, name in settable(gadget)}
    if gadget.charger is not None:
        signals["usb"] = "usb"
        if gadget.charger.status is not None:
            signals["status"] = "status"
    if gadget.gauge is not None:
        signals[READINGS[gadget.gauge.method == "counting"]] = "measured"
    return signals | {"supply": "supply"}


def _edges(table: _Table, vectors: Mapping[str, object]) -> dict[str, list[tuple[str, int, int]]]:
    edges: dict[str, list[tuple[str, int, int]]] = {name: [] for name in vectors}
    for row in table.rows():
        if _known(table, row, vectors):
            level = table.whole(row, "value", "a level in parts per million, or segments")
            edges[row["vector"]].append((row["signal"], level, table.time_ns(row, "typical_ns")))
    return edges
