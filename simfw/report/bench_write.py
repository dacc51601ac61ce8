"""The gadget file with the figures that a bench log has narrowed, everything else as it stands."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simfw.benchlog.model import CLOCK
from simfw.errors import UsageError
from simfw.gadget.dimensions import value_text
from simfw.gadget.quantities import nominal, quantities
from simfw.quantity import without_range
from simfw.report.bench_log import end_text
from simfw.tomlfile import read_toml

if TYPE_CHECKING:
    from simfw.benchlog.model import Unknown
    from simfw.benchlog.narrowed import Interval, Narrowed
    from simfw.gadget.model import Gadget

__all__ = ["Rewritten", "rewritten"]


@dataclass(frozen=True, slots=True)
class Rewritten:
    """A gadget file with narrowed figures: its bytes, and what was not written, in words."""

    source: bytes
    written: tuple[str, ...]
    left: tuple[str, ...]


def rewritten(found: Narrowed, target: str | Path) -> Rewritten:
    """The gadget file of `found` for `target`, with narrowed ranges and standing `measured`.

    Where one combination of answers is left, its changes stand in it too. Raises UsageError where
    nothing fits, or where the curve of the cell would not be found from `target`.
    """
    log = found.log
    if not found.possible:
        raise UsageError("Nothing fits what was observed: there are no figures to write.")
    rival = found.possible[0]
    gadget = log.gadgets[rival.combination]
    path = Path(gadget.file)
    same = Path(target).parent.resolve() == path.parent.resolve()
    if gadget.cell.curve.endswith(".csv") and not same:
        raise UsageError(f"{target}: the cell's curve {gadget.cell.curve} is found from the folder "
                         f"of {path} only. Write into that folder.")
    file = read_toml(path)
    values: dict[str, str] = {}
    left: list[str] = []
    if len(found.possible) == 1:
        for question, number in zip(log.questions, rival.combination, strict=True):
            for key, value in question.answers[number].change.items():
                _put(file.places, values, left, key, _toml(value))
    elif log.questions:
        left.append("the answers: more than one combination is left")
    told = []
    for unknown, interval in zip(log.unknowns, found.intervals, strict=True):
        if not interval.low_by and not interval.high_by:
            continue
        if unknown.key == CLOCK:
            left.append("clock: the gadget file has no key for it")
            continue
        text = _figure(gadget, unknown, interval, log.title)
        if text is None:
            left.append(f"{unknown.key}: its nominal value, which the firmware goes by, lies "
                        "outside of the range")
        elif _put(file.places, values, left, unknown.key, text):
            told.append(unknown.key)
    return Rewritten(file.rewritten(values), tuple(told), tuple(left))


def _put(places: Any, values: dict[str, str], left: list[str], key: str, text: str) -> bool:
    place = places.get(key)
    if place is None or place.span is None:
        left.append(f"{key}: the gadget file does not write it in a place of its own")
        return False
    values[key] = text
    return True


def _figure(gadget: Gadget, unknown: Unknown, interval: Interval, title: str) -> str | None:
    """The figure as a table; None where the value may not be moved into the range."""
    figure = quantities(gadget)[unknown.key]
    written = nominal(figure)
    if interval.low <= written <= interval.high:
        value = without_range(figure.text)[0] if figure.text else value_text(
            written, unknown.dimension, 4)
    elif unknown.key == "controller.reference":
        return None
    else:
        middle = unknown.at(0.5 * (unknown.share(interval.low) + unknown.share(interval.high)))
        value = value_text(middle, unknown.dimension, 4)
    by = ", ".join(dict.fromkeys((*interval.low_by, *interval.high_by)))
    low, high = end_text(unknown, interval.low, -1), end_text(unknown, interval.high, 1)
    source = f"{title or 'bench log'}: {by}"
    return (f'{{ value = {_toml(value)}, range = {_toml(f"{low} .. {high}")}, '
            f'standing = "measured", source = {_toml(source)} }}')


def _toml(value: Any) -> str:
    """A value as TOML text: strings as JSON writes them, which is a TOML basic string."""
    if isinstance(value, dict):
        inner = ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {_toml(v)}"
                          for k, v in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
