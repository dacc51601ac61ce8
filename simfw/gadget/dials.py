"""What the dials of a description must be: values, positions, rows, and what they are used for."""

from __future__ import annotations

from collections.abc import Iterator

from simfw.errors import Problem
from simfw.gadget.model import MOST_POSITIONS, Dial, DialRow, Gadget

__all__ = ["dial_problems", "misfit", "misfit_scale"]

_WAYS = 'values = ["5 %", "30 %", "100 %"], or count, from and to'


def _problem(key: str, text: str, allowed: str, suggestion: str | None = None) -> Problem:
    return Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)


def dial_problems(key: str, dial: Dial) -> Iterator[Problem]:
    """What cannot be about one dial, whatever its events and guards mean."""
    counted = [name for name, written in (("count", dial.count), ("from", dial.from_),
                                          ("to", dial.to)) if written is not None]
    if dial.values and counted:
        yield _problem(f"{key}.{counted[0]}", "the positions are written twice", _WAYS)
        return
    if not dial.values and not counted:
        yield _problem(key, "a dial without positions", _WAYS)
        return
    if "spacing" in dial.model_fields_set and not counted:
        yield _problem(f"{key}.spacing", "the values stand there one by one",
                       "spacing beside count, from and to")
    if counted:
        missing = [name for name in ("count", "from", "to") if name not in counted]
        if missing:
            yield _problem(f"{key}.{missing[0]}", f"it is missing beside {counted[0]}", _WAYS)
            return
        yield from _ends(key, dial)
    elif len(dial.values) < 2:
        yield _problem(f"{key}.values", "a dial with one position",
                       f"2 to {MOST_POSITIONS} values")
        return
    elif len({level.segments is None for level in dial.values}) > 1:
        yield _problem(f"{key}.values", "percentages and numbers of segments together",
                       "one kind of value")
    most = len(dial.values) - 1 if dial.values else (dial.count or 1) - 1
    if dial.starts > most:
        yield _problem(f"{key}.starts", "there are not so many positions", f"0 to {most}")
    for index, row in enumerate(dial.rows):
        yield from _row(f"{key}.rows[{index}]", row, most)


def _ends(key: str, dial: Dial) -> Iterator[Problem]:
    first, last = dial.from_, dial.to
    assert first is not None
    assert last is not None
    for name, level in (("from", first), ("to", last)):
        if level.segments is not None:
            yield _problem(f"{key}.{name}", "numbers of segments are written one by one",
                           "a percentage, or values = [0, 1, 2]")
            return
        if dial.spacing == "ratio" and level.duty <= 0:
            yield _problem(f"{key}.{name}", "nothing is so many times zero",
                           'more than 0 %, or spacing = "even"')
    if first.duty == last.duty:
        yield _problem(f"{key}.to", "every position would have the same value",
                       f"something else than {first.text}")


def _row(key: str, row: DialRow, most: int) -> Iterator[Problem]:
    for place, event in enumerate(row.on):
        if event in row.on[:place]:
            yield _problem(f"{key}.on[{place}]", "this event is named twice", "different events")
    if (row.step is None) == (row.to is None):
        yield _problem(key, "a row that says neither by how much nor where to"
                       if row.step is None else "a row that says both by how much and where to",
                       "exactly one of step and to")
        return
    if row.step == 0:
        yield _problem(f"{key}.step", "a step of nothing", "1, -1 or more at once")
    if row.step is not None and row.wrap and row.step and row.step % (most + 1) == 0:
        yield _problem(f"{key}.step", "it leads back to where it was",
                       f"no multiple of {most + 1}")
    if row.step is None and "wrap" in row.model_fields_set:
        yield _problem(f"{key}.wrap", "only a step can wrap", "step beside it")
    if row.to is not None and not 0 <= row.to <= most:
        yield _problem(f"{key}.to", "there is no such position", f"0 to {most}")


def misfit(key: str, gadget: Gadget, output: str, name: str) -> Iterator[Problem]:
    """What keeps the light or load `output` from being driven by the dial called `name`."""
    dial, light = gadget.dials[name], gadget.lights.get(output)
    if not dial.levels:
        return  # told of where it stands
    if light is not None and light.segments:
        if not dial.counts_segments:
            yield _problem(key, f'"{output}" is lit by segments, and the dial "{name}" gives '
                           "percentages", f"a dial with whole numbers from 0 to {light.leds}")
            return
        most = max(level.segments or 0 for level in dial.values)
        if most > light.leds:
            yield _problem(key, f'"{output}" has {light.leds} segments, and the dial "{name}" '
                           f"goes to {most}", f"values from 0 to {light.leds}")
    elif dial.counts_segments:
        yield _problem(key, f'"{output}" has no countable segments, and the dial "{name}" gives '
                       "their number", "a dial with percentages")


def misfit_scale(key: str, gadget: Gadget, output: str, name: str) -> Iterator[Problem]:
    """What keeps the dial called `name` from scaling the light or load `output`."""
    light = gadget.lights.get(output)
    if light is not None and light.segments:
        yield _problem(key, f'"{output}" is lit by segments, which have no percentage',
                       '"off", which blanks it')
    elif gadget.dials[name].counts_segments:
        yield _problem(key, f'the dial "{name}" gives numbers of segments, which are no scale',
                       "a dial with percentages")
