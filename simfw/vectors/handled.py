"""Events of the firmware as hands and a bench bring them about: what to do before each.

The search leaves the events of other regions free: they come when it likes. Here they get the
gestures that make them, with the room that these need.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour.stock import SAMPLED, burst_ns
from simfw.vectors.closing import settle_ns

if TYPE_CHECKING:
    from simfw.gadget.model import Button, Gadget

__all__ = ["Handled", "handled", "of_chords", "rooms"]

MS = 1_000_000
TAP_NS = 20 * MS
SIDE_V = 0.01  # beyond a level

Change = tuple[int, str, str, float]  # ns from the event, kind, name, value


@dataclass(frozen=True, slots=True)
class Handled:
    """How an event is brought about: changes about the time of the event, on what (`by`), and from
    when before it to when after it nothing else may be done to that. What a look sees happens at
    times `every_ns` apart, the first of them at `first_ns`.
    """

    by: str
    changes: tuple[Change, ...]
    before_ns: int
    after_ns: int
    every_ns: int = 0
    first_ns: int = 0


def handled(gadget: Gadget, reading: str, hands: Mapping[str, float | None]
            ) -> dict[str, Handled]:  # fmt: skip
    """The events that can be brought about, by name."""
    found: dict[str, Handled] = {}
    for name, button in gadget.buttons.items():
        found |= _by_button(gadget, name, button)
    for name in gadget.read_toggles:
        settle = settle_ns(gadget, name)
        for event, on in (("closed", 1.0), ("opened", 0.0)):
            found[f"{name}.{event}"] = Handled(
                name, ((-settle, "contact", name, on),), settle, MS)
    for name, sensor in gadget.proximity.items():
        distance, every = hands[name], sensor.every.ns
        if distance is None:
            continue
        come, gone = ("hand", name, distance), ("hand", name, -1.0)
        # Looks come by themselves: a hand is there by so many of them, or gone.
        looks = sensor.agree * every - every // 2
        one = every // 2
        grid = every, sensor.settle.ns + burst_ns(sensor)
        found |= {
            f"{name}.hit": Handled(name, ((-one, *come),), one, one, *grid),
            f"{name}.miss": Handled(name, ((-one, *gone),), one, one, *grid),
            f"{name}.near": Handled(name, ((-looks, *come),), looks, one),
            f"{name}.far": Handled(name, ((-looks, *gone),), looks, one),
            f"{name}.wave": Handled(name, ((-looks, *come), (one, *gone)), looks + sensor.clear.ns,
                                    looks + every),
        }
    for name, measure in gadget.measures.items():
        levels = [threshold.value for threshold in measure.thresholds]
        if not levels:
            continue
        every = measure.every.ns
        looks = measure.agree * every - every // 2
        for event, value in (("up", levels[-1] + measure.gap + 1.0), ("down", levels[0] - 1.0)):
            found[f"{name}.{event}"] = Handled(
                name, ((-looks, "measure", name, value),), looks, every // 2)
    if gadget.charger is not None:
        found |= {f"usb.{event}": Handled("usb", ((0, "usb", "usb", on),), MS, MS)
                  for event, on in (("in", 1.0), ("out", 0.0))}
        other = 2.0 if gadget.status_pulled_up else 0.0
        found |= {f"charge.{event}": Handled("status", ((-MS, "usb", "usb", 1.0),
                                                        (0, "status", "status", level)), MS, MS)
                  for event, level in (("started", 1.0), ("completed", other))}
    gauge = gadget.gauge
    if gauge is not None:
        every = gauge.every.ns

        def read(*values: float) -> Handled:
            return Handled("gauge", tuple((-every // 2, "measured", reading, round(value, 6))
                                          for value in values), every, every)

        levels = sorted(figure.value for figure in (*gauge.thresholds, gauge.low, gauge.flat)
                        if figure is not None)
        if levels:
            above = read(levels[-1] + gauge.gap + SIDE_V)
            found |= {SAMPLED: read(), "gauge.up": above, "cell.back": above,
                      "gauge.down": read(levels[0] - SIDE_V)}
            for event, figure in (("cell.low", gauge.low), ("cell.flat", gauge.flat)):
                if figure is not None:
                    found[event] = read(figure.value - SIDE_V)
    return found


def _by_button(gadget: Gadget, name: str, button: Button) -> dict[str, Handled]:
    press, release = ("contact", name, 1.0), ("contact", name, 0.0)
    down, up = button.settles_ns(closing=True), button.settles_ns(closing=False)
    room = settle_ns(gadget, name) + MS
    double = button.double_ns
    tap = down + TAP_NS
    told = up + double  # from the release on

    def made(*changes: Change, after: int = MS) -> Handled:
        return Handled(name, changes, room - changes[0][0], room + max(after, changes[-1][0]))

    found = {
        "press": made((-down, *press)),
        "release": made((-up, *release)),
        "click": made((-told - tap, *press), (-told, *release)),
    }

    def second(press_ns: int, after: int = MS) -> Handled:
        """A tap, and then a second press at this time."""
        first = press_ns - up - double // 2
        return made((first - tap, *press), (first, *release), (press_ns, *press),
                    (TAP_NS, *release), after=after)

    if double:  # the second press is told when it has settled
        found["double"] = second(-down, TAP_NS + double)
    if button.second_hold is not None:  # and is held from then on
        found["second_hold"] = second(-button.second_hold.ns - down)
    for event, timing in button.hold_lengths:
        found[event] = made((-timing.ns - down, *press), (TAP_NS, *release))
    if button.repeat is not None and button.hold_lengths:  # the first of many
        begins = button.hold_lengths[0][1].ns + button.repeat.ns + down
        found["repeat"] = made((-begins, *press), (TAP_NS, *release))
    return {f"{name}.{event}": one for event, one in found.items()}


def of_chords(gadget: Gadget) -> dict[str, Handled]:
    """The chords as they are made: all buttons settle in one instant, and are let go of later."""
    found: dict[str, Handled] = {}
    for chord, part in gadget.chords.items():
        room = max(settle_ns(gadget, name) for name in part.buttons) + MS
        downs = tuple((-gadget.buttons[name].settles_ns(closing=True), "contact", name, 1.0)
                      for name in part.buttons)
        ups = tuple((room + TAP_NS, "contact", name, 0.0) for name in part.buttons)
        first = min(at for at, *_ in downs)
        found[f"{chord}.chord"] = Handled(part.buttons[0], (*downs, *ups), room - first,
                                          2 * room + TAP_NS)
    return found


def rooms(events: Sequence[tuple[int, Handled]]) -> list[tuple[int, int, int]]:
    """The differences (see `verify/timing.py`) that keep what is done to one thing apart."""
    found: list[tuple[int, int, int]] = []
    last: dict[str, tuple[int, int]] = {}
    for number, one in events:
        before, after = last.get(one.by, (0, 0))
        found.append((number, before, -(after + one.before_ns)))
        last[one.by] = number, one.after_ns
    return found
