"""How a vector ends: with gestures that show in what state it has left the firmware.

A fault in the last row of a vector shows only in what follows. Every input is brought back to rest,
then each sensor sees a hand once and the first buttons are held and tapped; a firmware that stands
in another state than the model answers differently. (The idea is that of a characterising sequence
at the end of every test: T. S. Chow, IEEE Trans. Software Eng. SE-4(3), 1978, cited from memory.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.stimuli.inputs import settable
from simfw.vectors.sketch import Act

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from simfw.gadget.model import Gadget

__all__ = ["Closing", "settle_ns"]

MS = 1_000_000
SOON_NS = 3 * MS
BETWEEN_NS = 20 * MS
LONGEST_NS = 1000 * MS
MOST_BUTTONS = 4  # a keypad is not worked through after every vector


def settle_ns(gadget: Gadget, name: str) -> int:
    """How long a button or toggle takes to settle, at most."""
    for kind, one in settable(gadget):
        if one == name:
            return kind.settled_ns(gadget, name)
    button = gadget.buttons[name]
    if button.style == "sample":
        return (button.samples + 1) * button.sample_every.ns
    return button.busy_ns


@dataclass(frozen=True, slots=True)
class Closing:
    """The gestures at the end of a vector. `reach_m` is where a hand is held before each sensor."""

    gadget: Gadget
    reach_m: Mapping[str, float]

    def acts(self, before: Sequence[Act], ends_ns: int) -> tuple[tuple[Act, ...], int]:
        """The acts that follow those `before`, and when all has been noticed."""
        now = ends_ns + SOON_NS
        acts: list[Act] = []
        on: dict[tuple[str, str], bool] = {}
        kinds = {name: kind for kind, name in settable(self.gadget)}
        levels: dict[str, float] = {}
        for act in before:
            if act.name in kinds:
                levels[act.name] = act.value
                continue
            if act.kind in ("contact", "hand"):
                on[act.kind, act.name] = act.value > 0
        # What has just come is given the time to be noticed.
        now += max((self.notice_ns(name) for (kind, name), is_on in on.items()
                    if is_on and kind == "hand"), default=0)
        for (kind, name), is_on in on.items():
            if is_on:
                acts.append(Act(now, kind, name, -1.0 if kind == "hand" else 0.0))
                now += self.rest_ns(kind, name)
        for name, level in levels.items():
            rest = kinds[name].rest(self.gadget, name)
            if level != rest:
                kind = "contact" if kinds[name].contact else "measure"
                acts.append(Act(now, kind, name, rest))
                now += min(kinds[name].settled_ns(self.gadget, name), LONGEST_NS) + BETWEEN_NS
        for name, distance_m in self.reach_m.items():
            acts.append(Act(now, "hand", name, distance_m))
            now += self.notice_ns(name)
            acts.append(Act(now, "hand", name, -1.0))
            now += self.rest_ns("hand", name)
        for name, button in list(self.gadget.buttons.items())[:MOST_BUTTONS]:
            settle = settle_ns(self.gadget, name)
            lengths = [settle + BETWEEN_NS]
            if button.hold_lengths:
                again = 0 if button.repeat is None else button.repeat.ns
                lengths.insert(0, settle + button.hold_lengths[-1][1].ns + again + BETWEEN_NS)
            for length in lengths:
                acts += (Act(now, "contact", name, 1.0), Act(now + length, "contact", name, 0.0))
                now += length + self.rest_ns("contact", name)
        return tuple(acts), now

    def notice_ns(self, sensor: str) -> int:
        """How long a hand has to stay to be noticed for certain."""
        part = self.gadget.proximity[sensor]
        return (part.agree + 1) * part.every.ns

    def rest_ns(self, kind: str, name: str) -> int:
        """How long to wait until a change of an input has had all its effects."""
        if kind == "hand":
            sensor = self.gadget.proximity[name]
            return min(self.notice_ns(name) + sensor.clear.ns, LONGEST_NS)
        button = self.gadget.buttons[name]
        double = button.double_ns
        return min(settle_ns(self.gadget, name) + double, LONGEST_NS) + BETWEEN_NS
