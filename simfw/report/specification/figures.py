"""What changed between two gadget files, key by key."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

from pydantic import BaseModel

from simfw.gadget.fields import ForwardPoint, IntensityAt, Level
from simfw.gadget.figures import figure_text, standing_text
from simfw.quantity import Figure, Timing

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Change", "changes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One difference: `old` or `new` is empty where the key is new or gone."""

    key: str
    old: str
    new: str


def _name(model: BaseModel, field: str) -> str:
    return type(model).model_fields[field].alias or field


def _walk(value: object, key: str) -> Iterator[tuple[str, object]]:
    """Every leaf of the description under its key in the file."""
    if isinstance(value, ForwardPoint):
        yield f"{key}.voltage", value.voltage_v
        yield f"{key}.current", value.current_a
    elif isinstance(value, IntensityAt):
        yield f"{key}.intensity", value.intensity_w_sr
        yield f"{key}.current", value.current_a
    elif isinstance(value, BaseModel):
        for field, info in type(value).model_fields.items():
            if not info.exclude:
                name = _name(value, field)
                yield from _walk(getattr(value, field), f"{key}.{name}" if key else name)
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _walk(item, f"{key}.{name}")
    elif isinstance(value, tuple) and not (value and isinstance(value[0], str)):
        for index, item in enumerate(value):
            yield from _walk(item, f"{key}[{index}]")
    else:
        yield key, value


def _leaf(value: object) -> str:
    if isinstance(value, Figure | Timing):
        text = figure_text(value)
        if value.standing:
            text += f" ({standing_text(value)})"
        return text
    if isinstance(value, Level):
        return value.text
    if isinstance(value, tuple):
        return ", ".join(str(item) for item in value)
    return str(value)


def _rows(gadget: Gadget, region: str) -> list[str]:
    """The rows of a region as sentences, for comparing."""
    found = []
    for row in gadget.behaviour[region].rows:
        cause = f"on {' or '.join(row.on)}" if row.on else f"after {_leaf(row.after)}"
        text = f"{', '.join(row.from_)}: {cause}"
        text += f" when {row.when}" if row.when else ""
        text += f", to {row.to}"
        text += f", emit {', '.join(row.emit)}" if row.emit else ""
        found.append(text)
    return found


def _flat(gadget: Gadget) -> dict[str, str]:
    return {
        key: _leaf(value)
        for key, value in _walk(gadget, "")
        if value is not None and ".rows[" not in key and not key.startswith("rules[")
    }


def _listed(key: str, old: list[str], new: list[str]) -> Iterator[Change]:
    """Differences of two lists, by content: an inserted row does not change those after it."""
    for kind, i, j, k, m in SequenceMatcher(a=old, b=new, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        gone, come = old[i:j], new[k:m]
        for index in range(max(len(gone), len(come))):
            yield Change(
                key=key,
                old=gone[index] if index < len(gone) else "",
                new=come[index] if index < len(come) else "",
            )


def _rule_texts(gadget: Gadget) -> list[str]:
    return [
        ", ".join(
            f"{_name(rule, field)} {_leaf(getattr(rule, field))}"
            for field in type(rule).model_fields
            if getattr(rule, field) is not None
        )
        for rule in gadget.rules
    ]


def changes(old: Gadget, new: Gadget) -> tuple[Change, ...]:
    """What differs from `old` to `new`, key by key; rows and rules by their content."""
    before, after = _flat(old), _flat(new)
    found = [
        Change(key=key, old=before.get(key, ""), new=after.get(key, ""))
        for key in dict.fromkeys((*before, *after))
        if before.get(key) != after.get(key)
    ]
    for region in dict.fromkeys((*old.behaviour, *new.behaviour)):
        rows = [
            _rows(gadget, region) if region in gadget.behaviour else [] for gadget in (old, new)
        ]
        found += _listed(f"behaviour.{region}.rows", *rows)
    found += _listed("rules", _rule_texts(old), _rule_texts(new))
    return tuple(found)
