"""What to look at on the bench to see a difference with one's own instruments."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from simfw.gadget.figures import figure_text
from simfw.quantity import format_duration, format_percent
from simfw.report.specification.words import in_words

if TYPE_CHECKING:
    from simfw.conform.firmware import Difference
    from simfw.report.specification.subject import Subject

__all__ = ["look_at"]

PPM = 1_000_000
DIGITS, ALL_DIGITS = 3, 6


def look_at(subject: Subject, found: Difference, kind: str, name: str,
            states: Mapping[str, str]) -> str:  # fmt: skip
    """A sentence: what to trigger on, what to look at, when, and what the model says of it.
    `states` are those of the model's regions just before, as far as they are known.
    """
    acts = [act for act in found.drive.acts if 0 < act.at_ns <= found.time_ns]
    start, passed_ns = "at power-up", found.time_ns
    if acts:
        start = f"at {format_duration(acts[-1].at_ns)} ({acts[-1].text})"
        passed_ns = found.time_ns - acts[-1].at_ns
    when = f"{format_duration(passed_ns)} later" if passed_ns else "in that very instant"
    return f"trigger {start} and look {_what(subject, found, kind, name, states, when)}."


def _what(subject: Subject, found: Difference, kind: str, name: str, states: Mapping[str, str],
          when: str) -> str:  # fmt: skip
    if kind == "out":
        return f"at {name} {when}: {_levels(subject, found, name)}"
    if kind in ("wake", "sleep"):
        controller = subject.gadget.controller
        known = [] if controller is None else [
            f"{figure_text(figure)} {word}" for word, figure in (
                ("awake", controller.awake), ("asleep", controller.asleep)) if figure is not None]
        told = f" ({in_words(known)})" if known else ""
        does = "wakes" if kind == "wake" else "falls asleep"
        who = "the firmware does so and the model does not" if found.expected == "nothing" else (
            f"the model {does} then")  # fmt: skip
        return f"at the supply current of the controller{told} {when}: {who}"
    if kind == "event":
        if found.expected != "nothing" and (seen := _switched_with(found)):
            return (f"at {in_words(seen, 'or')} {when}, which the model switches with {name}: the "
                    "event itself shows at no pin")
        if seen := _may_switch(subject, name, states):
            return (f"at {in_words(seen, 'or')} {when} and after that, which what follows from "
                    f"{name} may switch: the event itself shows at no pin")
        return (f"at all outputs {when}: {name} shows at no pin, and nothing that follows from it "
                "switches one")
    return f"at all outputs {when}"


def _switched_with(found: Difference) -> list[str]:
    """The outputs that the model switches in the instant of the event that it expects."""
    at = found.expected.split(" ")[1]
    return list(dict.fromkeys(
        report.name for one in found.drive.replay.unrolled.exchanges for report in one.reports
        if report.kind == "out" and str(report.time_ns) == at))  # fmt: skip


def _may_switch(subject: Subject, event: str, states: Mapping[str, str]) -> list[str]:
    """The outputs that rows switch, as their requirements have them, which hear an event, or what
    such rows emit. Of written regions those rows count that the model's states have.
    """
    outputs = {*subject.gadget.lights, *subject.gadget.loads}
    found: dict[str, None] = {}
    heard = [event]
    for one in heard:
        for region in subject.system.regions:
            for row in region.rows:
                if row.on != one or row.key not in subject.by_key or (
                        region.group == "behaviour"
                        and states.get(region.name, row.sources[0]) not in row.sources):
                    continue
                found |= dict.fromkeys(pin for pin in subject.by_key[row.key].pins
                                       if pin in outputs)  # fmt: skip
                heard += [emitted for emitted in row.emit if emitted not in heard]
    return list(found)


def _levels(subject: Subject, found: Difference, name: str) -> str:
    """What the model has there from its report on, and what the firmware."""
    said = []
    pairs = [("the model", found.expected.split(" ")), ("the firmware", found.told.split(" "))]
    about = [words for _, words in pairs
             if words[:1] == ["out"] and words[2:3] == [name] and len(words) > 3]  # fmt: skip
    # As many digits as tell the two apart: a part per million needs six.
    alike = len({_level(subject, name, words[3], DIGITS) for words in about}) < len(
        {words[3] for words in about})
    for who, words in pairs:
        if words in about:
            text = _level(subject, name, words[3], ALL_DIGITS if alike else DIGITS)
            said.append(f"{who} has it {text} from {_time(words[1])} on")
        else:
            said.append(f"{who} changes nothing")
    return ", ".join(said)


def _time(word: str) -> str:
    return format_duration(int(word)) if word.isascii() and word.isdigit() else "an unknown time"


def _level(subject: Subject, name: str, word: str, digits: int) -> str:
    if not (word.isascii() and word.isdigit()) or len(word) > 9:
        return "at no level"
    if int(word) == 0:
        return "off"
    if name in subject.segments:
        return f"at {int(word)} of {subject.segments[name]} segments"
    return f"at {format_percent(int(word) / PPM, digits)}"
