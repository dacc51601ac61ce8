"""What the sequences of a description must be, and the lights that play them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from simfw.errors import Problem
from simfw.gadget.fields import LEVEL_WORDS
from simfw.gadget.model import Gadget, Sequence
from simfw.quantity import format_duration
from simfw.tomlfile import key_text

__all__ = ["MOST_STEPS", "sequence_problems", "sound", "step_count", "unfit"]

MOST_STEPS = 1000
"""Steps of a sequence, all its rounds counted: each is a row of the simulation."""


def sequence_problems(gadget: Gadget) -> Iterator[Problem]:
    """Yield what cannot be about the sequences of `gadget`."""
    for name, sequence in gadget.sequences.items():
        key = key_text(("sequences", name))
        if name in LEVEL_WORDS:
            yield Problem(key=key, text=f'"{name}" is a level of its own',
                          allowed="any name but " + ", ".join(LEVEL_WORDS))
        found = [*_shape(key, sequence), *_line(key, sequence)]
        yield from found
        if not found and (count := step_count(sequence) * (sequence.times or 1)) > MOST_STEPS:
            yield Problem(
                key=f"{key}.times" if sequence.times else f"{key}.every",
                text=f"{count} steps in all", allowed=f"at most {MOST_STEPS}",
            )


def sound(sequence: Sequence) -> bool:
    """Whether a sequence says what is driven when."""
    return not [*_shape("", sequence), *_line("", sequence)]


def _shape(key: str, sequence: Sequence) -> Iterator[Problem]:
    if not sequence.steps and not sequence.points:
        yield Problem(key=key, text="a sequence has neither steps nor points",
                      allowed='steps = ["100 % for 60 ms", "off for 800 ms"], or points and every')
    elif sequence.steps and sequence.points:
        yield Problem(key=key, text="a sequence has both steps and points", allowed="one of them")
    if sequence.every is not None and not sequence.points:
        yield Problem(key=f"{key}.every", text="steps have their own times",
                      allowed="every beside points only")
    kinds = {step.level.segments is None for step in sequence.steps
             if step.level.text not in ("on", "off")}
    if len(kinds) > 1:
        yield Problem(key=f"{key}.steps", text="percentages and numbers of segments are mixed",
                      allowed="one of them, beside on and off")


def _line(key: str, sequence: Sequence) -> Iterator[Problem]:
    points = sequence.points
    if not points:
        return
    if len(points) < 2:
        yield Problem(key=f"{key}.points", text="one point is no line", allowed="two or more")
        return
    if points[0].at.ns:
        yield Problem(key=f"{key}.points[0]", text="the first point is where the sequence begins",
                      allowed="0 s")
    for place, (one, other) in enumerate(pairwise(points), start=1):
        if other.at.ns <= one.at.ns:
            yield Problem(key=f"{key}.points[{place}]", text="this is not after the one before",
                          allowed=f"more than {format_duration(one.at.ns)}")
    if sequence.every is None:
        yield Problem(key=key, text='the key "every" is missing',
                      allowed="how long each level on the lines lasts")
    elif not sequence.every.ns:
        yield Problem(key=f"{key}.every", text="a level that lasts no time",
                      allowed="more than 0 s")
    elif sequence.every.ns > points[-1].at.ns:
        yield Problem(key=f"{key}.every", text="one step is longer than the whole sequence",
                      allowed=f"at most {format_duration(points[-1].at.ns)}")


def step_count(sequence: Sequence) -> int:
    """How many steps one round of a sequence has."""
    if sequence.steps or sequence.every is None or not sequence.points:
        return len(sequence.steps)
    return -(-sequence.points[-1].at.ns // max(sequence.every.ns, 1))


def unfit(gadget: Gadget, key: str, output: str, name: str) -> Iterator[Problem]:
    """Yield why the sequence `name` cannot drive a light or load."""
    sequence = gadget.sequences[name]
    light = gadget.lights.get(output)
    if light is not None and light.segments:
        if sequence.points or any(
            step.level.segments is None and step.level.text not in ("on", "off")
            for step in sequence.steps
        ):
            yield Problem(key=key, text=f'"{output}" is lit by segments, which have no percentage',
                          allowed="a sequence of numbers of segments, on and off")
        for place, step in enumerate(sequence.steps):
            if (step.level.segments or 0) > light.leds:
                yield Problem(key=key, text=f'"{output}" has {light.leds} segments and '
                              f"sequences.{name}.steps[{place}] lights {step.level.segments}",
                              allowed=f"0 to {light.leds}")
                return
    elif any(step.level.segments is not None for step in sequence.steps):
        yield Problem(key=key, text=f'"{output}" has no countable segments',
                      allowed="a sequence of percentages, on and off")
