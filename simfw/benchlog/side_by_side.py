"""Two gadgets stepped side by side: the handling that tells them apart in the least bench time.

Both are simulated through the same handling, from snapshot to snapshot, and what is searched is the
time at the bench (Dijkstra's way through a graph, Numerische Mathematik 1, 1959), not the number of
instants: a press takes a hand a second and a half, a wait takes as long as it lasts. A difference
counts when it can be seen one second after the hand is off and still another second later, and a
wait goes past a dwell by a tenth of it and a second, since the clock may be off by a tenth.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from pathlib import Path

from simfw.engine.prepared import Prepared
from simfw.engine.resume import snapshot
from simfw.engine.simulation import Simulation
from simfw.engine.snapshot import Snapshot
from simfw.quantity import format_duration, format_rough_time
from simfw.stimuli.scenario import Press, Scenario, Step, Toggle, Usb, Wave

__all__ = ["MOST_LOOKS", "Handling", "Told", "lasting_after", "shown_after", "told_apart"]

MOST_LOOKS = 400
"""Handlings that are tried at most for one pair."""

Levels = dict[str, float]

_S = 1_000_000_000
_SETTLE_NS = _S  # after the hand is off, before one looks
_LOOK_NS = _S  # and looks again
_AGE = 20  # steps to a dwell: states entered nearer in time than that count as one
_SEEN = 0.2  # of a level: a smaller difference is not seen
_DISTANCE_M = 0.08
_TAP_NS = 100_000_000
_NEXT_NS = 250_000_000  # from tap to tap
_TIMES = {2: "twice", 3: "three times"}
_WITH = "+"  # between the buttons of a chord, whose names have none


@dataclass(frozen=True, slots=True)
class Handling:
    """What hands do, in order: (what, its name or length in ns)."""

    actions: tuple[tuple[str, str, int], ...] = ()

    @property
    def words(self) -> str:
        """The same in words."""
        said = []
        for kind, name, ns in self.actions:
            match kind:
                case "press":
                    said.append(f"press {name}")
                case "hold":
                    said.append(f"hold {name} for {format_rough_time(ns / 1e9)}")
                case "clicks":
                    said.append(f"press {name} {_TIMES.get(ns, f'{ns} times')}, quickly")
                case "second_hold":
                    said.append(f"press {name} briefly, then at once again and hold it for "
                                f"{format_rough_time(ns / 1e9)}")
                case "chord":
                    said.append(f"press {' and '.join(name.split(_WITH))} together")
                case "wave":
                    said.append(f"wave at {name}")
                case "toggle":
                    said.append(f"put {name} {'on' if ns else 'off'}")
                case "usb":
                    said.append("plug USB in" if ns else "unplug USB")
                case _:
                    said.append(f"wait {format_rough_time(ns / 1e9)}")
        return ", ".join(said) or "look"

    @property
    def lines(self) -> tuple[str, ...]:
        """The same as steps of a bench log, with waits between."""
        return tuple(line for action in self.actions for line in _lines(action))

    def steps(self) -> tuple[tuple[Step, ...], int]:
        """The stimuli, and when one looks (ns)."""
        now = _SETTLE_NS
        found: list[Step] = []
        for action in self.actions:
            made, lasts = _stimuli(action)
            found += [replace(step, at_ns=step.at_ns + now) for step in made]
            now += lasts
        return tuple(found), now


@dataclass(frozen=True, slots=True)
class Told:
    """What tells two gadgets apart: the handling, how long it takes (ns), what each shows then."""

    handling: Handling
    lasts_ns: int
    first: str
    second: str


def _stimuli(action: tuple[str, str, int]) -> tuple[list[Step], int]:
    kind, name, ns = action
    match kind:
        case "press":
            return [Press(at_ns=0, button=name, for_ns=150_000_000)], _S // 2 + _SETTLE_NS
        case "hold":
            return [Press(at_ns=0, button=name, for_ns=ns)], ns + _SETTLE_NS
        case "clicks":
            tap = Press(at_ns=0, button=name, for_ns=_TAP_NS)
            return [replace(tap, at_ns=n * _NEXT_NS) for n in range(ns)], (
                ns * _NEXT_NS + _SETTLE_NS)
        case "second_hold":
            tap = Press(at_ns=0, button=name, for_ns=_TAP_NS)
            return [tap, replace(tap, at_ns=_NEXT_NS, for_ns=ns)], _NEXT_NS + ns + _SETTLE_NS
        case "chord":
            return [Press(at_ns=0, button=one, for_ns=2 * _TAP_NS)
                    for one in name.split(_WITH)], _S // 2 + _SETTLE_NS
        case "wave":
            return [Wave(at_ns=0, sensor=name, distance_m=_DISTANCE_M, for_ns=400_000_000)], (
                _S + _SETTLE_NS)
        case "toggle":
            return [Toggle(at_ns=0, toggle=name, closed=bool(ns))], _S // 2 + _SETTLE_NS
        case "usb":
            return [Usb(at_ns=0, present=bool(ns))], 2 * _S + _SETTLE_NS
    return [], ns


def _lines(action: tuple[str, str, int]) -> list[str]:
    kind, name, ns = action
    match kind:
        case "press":
            return [f'{{ press = "{name}" }}', '{ wait = "1500 ms" }']
        case "hold":
            return [f'{{ press = "{name}", for = "{format_duration(ns)}" }}',
                    f'{{ wait = "{format_duration(ns + _S)}" }}']
        case "clicks":
            tap = f'{{ press = "{name}", for = "{format_duration(_TAP_NS)}" }}'
            rest = f'{{ wait = "{format_duration(_NEXT_NS)}" }}'
            return [*[tap, rest] * (ns - 1), tap, '{ wait = "1500 ms" }']
        case "second_hold":
            return [f'{{ press = "{name}", for = "{format_duration(_TAP_NS)}" }}',
                    f'{{ wait = "{format_duration(_NEXT_NS)}" }}',
                    f'{{ press = "{name}", for = "{format_duration(ns)}" }}',
                    f'{{ wait = "{format_duration(ns + _S)}" }}']
        case "chord":
            return [*(f'{{ press = "{one}", for = "{format_duration(2 * _TAP_NS)}" }}'
                      for one in name.split(_WITH)), '{ wait = "1500 ms" }']
        case "wave":
            return [f'{{ wave = "{name}", distance = "8 cm", for = "400 ms" }}',
                    '{ wait = "2 s" }']
        case "toggle":
            return [f'{{ toggle = "{name}", to = "{"on" if ns else "off"}" }}',
                    '{ wait = "1500 ms" }']
        case "usb":
            return [f"{{ usb = {'true' if ns else 'false'} }}", '{ wait = "3 s" }']
    return [f'{{ wait = "{format_duration(ns)}" }}']


class _Model:
    """One gadget of the pair."""

    def __init__(self, prepared: Prepared, charge: float) -> None:
        self.prepared, self.charge = prepared, charge
        self.dwells = [
            {
                row.after_ns for row in region.rows if row.after_ns is not None
            }
            for region in prepared.system.regions
        ]

    def go(
        self, saved: Snapshot | None, steps: list[Step], lasts_ns: int
    ) -> tuple[Snapshot, Levels]:
        """Go on from `saved`: where it stands then, and the levels that are seen."""
        scenario = Scenario(gadget_path=Path(), charge=self.charge, lasts_ns=lasts_ns,
                            steps=tuple(steps))
        made = Simulation(self.prepared, scenario, 0, True, False, (), saved, log=False)
        made.go()
        return snapshot(made), dict(zip(made.plant.outputs, made.phase.levels, strict=True))

    def key(self, saved: Snapshot) -> tuple[object, ...]:
        """What decides how it goes on, with ages of states as shares of their dwells."""
        ages = []
        for region, dwells in zip(saved.regions, self.dwells, strict=True):
            longest = max(dwells, default=0)
            age = min(saved.time_ns - region.entered_ns, longest)
            ages.append((region.state, region.memory,
                         round(_AGE * age / longest) if longest else 0))
        return (*ages, saved.usb, saved.contacts)

    def waits(self, saved: Snapshot) -> list[int]:
        """How long until each dwell of a written region that runs has surely ended (ns)."""
        found = []
        for region, at in zip(self.prepared.system.regions, saved.regions, strict=True):
            if region.group != "behaviour":
                continue
            for row in region.rows:
                if row.after_ns is not None and at.state in row.sources:
                    left = row.after_ns - (saved.time_ns - at.entered_ns)
                    if left > 0:
                        found.append(left + row.after_ns // 10 + _S)
        return found


def _surely(hold_ns: int) -> int:
    """A press that is a hold for a slow clock, too."""
    return hold_ns + hold_ns // 10 + 300_000_000


def _actions(prepared: Prepared, saved: Snapshot) -> list[tuple[str, str, int]]:
    gadget = prepared.gadget
    found: list[tuple[str, str, int]] = []
    for name, button in gadget.buttons.items():
        found.append(("press", name, 0))
        found += [("hold", name, _surely(ns.ns)) for _, ns in button.hold_lengths]
        found += [("clicks", name, count) for count in range(2, button.most_clicks + 1)]
        if button.second_hold is not None:
            found.append(("second_hold", name, _surely(button.second_hold.ns)))
    found += [("chord", _WITH.join(chord.buttons), 0) for chord in gadget.chords.values()]
    found += [("wave", name, 0) for name in gadget.proximity]
    closed = dict(saved.contacts)
    found += [("toggle", name, int(not closed.get(name, False))) for name in gadget.toggles]
    if gadget.charger is not None:
        found.append(("usb", "", int(not saved.usb)))
    return found


def _differ(one: Levels, other: Levels) -> bool:
    pairs = [(one.get(name, 0.0), other.get(name, 0.0)) for name in {**one, **other}]
    return any((a == 0.0) != (b == 0.0) or abs(a - b) > _SEEN * max(a, b) for a, b in pairs)


def _shown(levels: Levels) -> str:
    lit = [
        name if level >= 0.995 else f"{name} {100 * level:.3g} %"
        for name, level in levels.items() if level > 0.0
    ]
    return ", ".join(lit) or "dark"


def shown_after(prepared: Prepared, handling: Handling, charge: float = 0.8) -> str:
    """What a gadget shows when one looks after a handling."""
    model = _Model(prepared, charge)
    steps, at_ns = handling.steps()
    _, levels = model.go(None, list(steps), at_ns)
    return _shown(levels)


def lasting_after(
    prepared: Prepared, charge: float
) -> list[tuple[Handling, str, str, int]]:
    """What ends by itself after one thing that hands do: (that, region, state, its dwell in ns).

    Of written regions whose state drives something, and which were in another one before.
    """
    model = _Model(prepared, charge)
    begun, _ = model.go(None, [], _SETTLE_NS)
    found: dict[tuple[str, str], tuple[Handling, str, str, int]] = {}
    for action in _actions(prepared, begun):
        steps, lasts_ns = _stimuli(action)
        if len(steps) != 1:
            continue
        saved, _ = model.go(begun, steps, lasts_ns)
        for region, before, now in zip(
            prepared.system.regions, begun.regions, saved.regions, strict=True
        ):
            dwells = [row.after_ns for row in region.rows
                      if row.after_ns is not None and now.state in row.sources]
            if (region.group == "behaviour" and now.state != before.state and dwells
                    and region.state(now.state).touches):
                found.setdefault((region.name, now.state), (
                    Handling((action,)), region.name, now.state, min(dwells)))
    return list(found.values())


def told_apart(
    one: Prepared, other: Prepared, *, charge: float = 0.8, most_s: float = 3600.0,
    looks: int = MOST_LOOKS,
) -> tuple[Told | None, int]:
    """The handling that shows a difference in the least bench time, and how many were tried.

    None where none was found within `most_s` seconds at the bench and `looks` handlings.
    """
    models = _Model(one, charge), _Model(other, charge)
    begun = [model.go(None, [], _SETTLE_NS) for model in models]
    if _differ(begun[0][1], begun[1][1]):
        return Told(Handling(), 0, _shown(begun[0][1]), _shown(begun[1][1])), 0
    heap: list[tuple[int, int, Handling, tuple[Snapshot, Snapshot]]] = [
        (0, 0, Handling(), (begun[0][0], begun[1][0]))
    ]
    known: set[tuple[object, ...]] = set()
    best: Told | None = None
    tried = 0
    while heap and tried < looks:
        spent, _, handling, stand = heapq.heappop(heap)
        if best is not None and spent >= best.lasts_ns:
            break
        key = (models[0].key(stand[0]), models[1].key(stand[1]))
        if key in known:
            continue
        known.add(key)
        waits = sorted({*models[0].waits(stand[0]), *models[1].waits(stand[1])})
        actions = [*_actions(one, stand[0]), *(("wait", "", ns) for ns in waits)]
        for action in actions:
            steps, lasts = _stimuli(action)
            now = spent + lasts
            if now > (most_s * 1e9 if best is None else best.lasts_ns - 1) or tried >= looks:
                continue
            tried += 1
            went = [
                model.go(saved, steps, lasts)
                for model, saved in zip(models, stand, strict=True)
            ]
            longer = Handling((*handling.actions, action))
            if _differ(went[0][1], went[1][1]):
                again = [model.go(saved, [], _LOOK_NS)[1]
                         for model, (saved, _) in zip(models, went, strict=True)]
                if _differ(again[0], again[1]):
                    best = Told(longer, now, _shown(again[0]), _shown(again[1]))
                    continue
            heapq.heappush(heap, (now, tried, longer, (went[0][0], went[1][0])))
    return best, tried
