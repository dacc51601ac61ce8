"""All quantities of a gadget with their keys, and the same gadget with other values for some."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any, cast

from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.quantity import Figure, Timing

__all__ = ["Places", "Whole", "nominal", "places", "quantities", "ranged", "whole_numbers",
           "with_values"]

Quantity = Figure | Timing
Step = str | int
Places = dict[str, tuple[Step, ...]]
_LEAVES = (str, int, float)  # they hold no quantity; most of what a gadget holds is one of them


def quantities(gadget: Gadget) -> dict[str, Quantity]:
    """Every quantity that the gadget holds, by its key in the file (`cell.capacity`).

    Points of a diode or emitter end in what they hold (`lights.shelf.forward[0].voltage_v`).
    Timings that stand at their documented default are included, those that a part does not use
    (the debouncing of a contact that is read at a steady pace) are not.
    """
    return {_key(path): quantity for path, quantity in _walk(gadget, ())}


@dataclasses.dataclass(frozen=True, slots=True)
class Whole:
    """A whole number of a description, and the least and the most it may be (None: no limit)."""

    value: int
    least: int | None
    most: int | None


def whole_numbers(gadget: Gadget) -> dict[str, Whole]:
    """Every whole number that the gadget holds, by its key in the file (`proximity.wave.agree`)."""
    return {_key(path): number for path, number in _walk_whole(gadget, ())}


def nominal(quantity: Quantity) -> float:
    """The value without its range, as a number: SI, nanoseconds for a `Timing`."""
    return quantity.ns if isinstance(quantity, Timing) else quantity.value


def ranged(gadget: Gadget) -> dict[str, Quantity]:
    """The quantities that have a range wider than nothing, by key."""
    return {key: quantity for key, quantity in quantities(gadget).items() if _is_ranged(quantity)}


def places(gadget: Gadget) -> Places:
    """Where each quantity of a gadget stands, by its key, for `with_values`."""
    return {_key(path): path for path, _ in _walk(gadget, ())}


def with_values(
    gadget: Gadget, values: Mapping[str, float], *, known: Places | None = None
) -> Gadget:
    """`gadget` with other nominal values: key -> SI number (nanoseconds for a `Timing`).

    The quantities named lose their range. Whole numbers may be named too. Asked often of one
    gadget, hand over its `places` as `known`. Raises KeyError for a key that the gadget does not
    have.
    """
    paths = places(gadget) if known is None else known
    if not values.keys() <= paths.keys():
        paths = paths | {_key(path): path for path, _ in _walk_whole(gadget, ())}
    changed: Any = gadget
    for key, value in values.items():
        changed = _replaced(changed, paths[key], value)
    return cast("Gadget", changed)


def _is_ranged(quantity: Quantity) -> bool:
    if isinstance(quantity, Timing):
        return quantity.low_ns < quantity.high_ns
    return quantity.low < quantity.high


def _walk(value: Any, path: tuple[Step, ...]) -> Iterator[tuple[tuple[Step, ...], Quantity]]:
    if isinstance(value, Figure | Timing):
        yield path, value
        return
    for step, part in _parts(value):
        if part is not None and not isinstance(part, _LEAVES):
            yield from _walk(part, (*path, step))


def _walk_whole(value: Any, path: tuple[Step, ...]) -> Iterator[tuple[tuple[Step, ...], Whole]]:
    if isinstance(value, Figure | Timing):
        return
    for step, part in _parts(value):
        if isinstance(part, int) and not isinstance(part, bool) and isinstance(value, Part):
            limits = type(value).model_fields[str(step)].metadata
            least = next((limit.ge for limit in limits if hasattr(limit, "ge")), None)
            most = next((limit.le for limit in limits if hasattr(limit, "le")), None)
            yield (*path, step), Whole(part, least, most)
        else:
            yield from _walk_whole(part, (*path, step))


def _parts(value: Any) -> Iterator[tuple[Step, Any]]:
    """The parts of a description's value, in the order of the model."""
    if isinstance(value, Part):
        yield from ((name, getattr(value, name)) for name in type(value).model_fields
                    if name not in value.unused)
    elif dataclasses.is_dataclass(value):
        yield from ((part.name, getattr(value, part.name)) for part in dataclasses.fields(value))
    elif isinstance(value, Mapping):
        yield from value.items()
    elif isinstance(value, tuple):
        yield from enumerate(value)


def _key(path: tuple[Step, ...]) -> str:
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            text += ("." if text else "") + step.removesuffix("_")
    return text


def _replaced(value: Any, path: tuple[Step, ...], number: float) -> Any:
    if not path:
        if isinstance(value, Timing):
            whole = round(number)
            return dataclasses.replace(value, ns=whole, low_ns=whole, high_ns=whole, span="")
        if isinstance(value, int):
            return round(number)
        return dataclasses.replace(value, value=number, low=number, high=number, span="")
    step, *rest = path
    part = dict(_parts(value))[step]
    new = _replaced(part, tuple(rest), number)
    if isinstance(value, Part):
        return value.model_copy(update={str(step): new})
    if isinstance(value, Mapping):
        return {**value, step: new}
    if isinstance(value, tuple):
        return tuple(new if k == step else item for k, item in enumerate(value))
    return dataclasses.replace(value, **{str(step): new})
