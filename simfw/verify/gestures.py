"""What a person may do, one thing after another: every order of two and three, on the full model.

Most mistakes need no more than a long press and then something else. So before anything subtle each
gesture of each stock region is made after each other one, and after each two, beginning with a
well-charged cell, with one that is low, and with one that is flat. Waiting for as long as a written
dwell lasts counts as a gesture.

After the second gesture only one way to each settled combination is gone on from.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

from simfw.engine.run import RuleVerdict, Run
from simfw.engine.snapshot import Snapshot
from simfw.gadget.model import Button, Gadget
from simfw.quantity import format_duration
from simfw.stimuli.inputs import settable
from simfw.stimuli.scenario import ChargerFault, Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.decide import telling_charges
from simfw.verify.player import Player

__all__ = ["Gesture", "Node", "Tried", "gestures_of", "has_fault", "settling_ns", "try_gestures"]

MS = 1_000_000
S = 1_000 * MS
START_NS = S
TAP_NS = 100 * MS
LONG_NS = 1_200 * MS
REST_NS = 500 * MS
HAND_NS = 400 * MS
HAND_M = 0.10
PLUG_NS = 2 * S
MOST_WAITS = 4
DEEP = 3
CHARGE = 0.8
BELOW_V = 0.02
BELOW_COUNT = 0.002
MOST_NODES = 20_000
SHORT_NS = 20 * S
"""Up to this length a gesture is run instant by instant: folding would not pay."""


@dataclass(frozen=True, slots=True)
class Gesture:
    """One thing a person does: steps with times from its beginning, and how long to watch it.

    `plugged` is what the USB plug must be before it, None where that does not matter.
    """

    name: str
    steps: tuple[Step, ...]
    lasts_ns: int
    plugged: bool | None = None

    @property
    def said(self) -> str:
        """What a person would call it; `name` is no event, though some look like one."""
        part, _, what = self.name.rpartition(".")
        return {"tap": f"a short press of {part}", "long": f"a long press of {part}",
                "double": f"two presses of {part}", "hand": f"a hand before {part}"}.get(
                    what, self.name)

    def at(self, time_ns: int) -> tuple[Step, ...]:
        """The steps begun at `time_ns`."""
        return tuple(replace(step, at_ns=step.at_ns + time_ns) for step in self.steps)


@dataclass(frozen=True, slots=True)
class Node:
    """Where a row of gestures has led: how, the snapshot of it, and the state of each region."""

    charge: float
    gestures: tuple[Gesture, ...]
    final: Snapshot
    states: tuple[str, ...]

    @property
    def plugged(self) -> bool:
        """Whether USB is in."""
        return self.final.usb

    def steps(self) -> tuple[Step, ...]:
        """All that was done, from power-up."""
        found: list[Step] = []
        now = START_NS
        for gesture in self.gestures:
            found += gesture.at(now)
            now += gesture.lasts_ns
        return tuple(found)

    @property
    def end_ns(self) -> int:
        """When the last gesture is over."""
        return START_NS + sum(gesture.lasts_ns for gesture in self.gestures)


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of it: rules that broke (scenario and how), where it led, whether all was tried."""

    broken: dict[str, tuple[Scenario, RuleVerdict]]
    nodes: tuple[Node, ...]
    regions: tuple[str, ...]
    runs: int
    finished: bool


def settling_ns(button: Button) -> int:
    """How long a contact must keep still, or be read alike, to count."""
    if button.style != "sample":
        return button.busy_ns
    return (button.samples + 1) * button.sample_every.ns


def gestures_of(gadget: Gadget) -> tuple[Gesture, ...]:
    """Every gesture of every stock region, then the waits."""
    return (*_presses(gadget), *_chords(gadget), *_settings(gadget), *_hands(gadget),
            *_plugs(gadget), *_waits(gadget))


def _presses(gadget: Gadget) -> Iterator[Gesture]:
    read = {name for behaviour in gadget.behaviour.values() for row in behaviour.rows
            for name in (*row.on, *(row.when or "").split())}
    for name, button in gadget.buttons.items():
        wait = settling_ns(button)
        rest = wait + REST_NS + (0 if button.double is None else button.double.ns)
        tap = max(TAP_NS, wait + 20 * MS)
        yield Gesture(f"{name}.tap", (Press(at_ns=0, button=name, for_ns=tap),), tap + rest)
        if button.double is not None and button.double.ns > 2 * wait:
            second = tap + wait + max(MS, (button.double.ns - wait) // 3)
            yield Gesture(f"{name}.double", (
                Press(at_ns=0, button=name, for_ns=tap),
                Press(at_ns=second, button=name, for_ns=tap)), second + tap + rest)
            for count in range(3, button.most_clicks + 1):
                taps = tuple(Press(at_ns=k * second, button=name, for_ns=tap)
                             for k in range(count))
                yield Gesture(f"{name}.clicks{count}", taps, count * second + rest)
            if button.second_hold is not None:
                stays = wait + button.second_hold.ns + 300 * MS
                yield Gesture(f"{name}.second_hold", (
                    Press(at_ns=0, button=name, for_ns=tap),
                    Press(at_ns=second, button=name, for_ns=stays)), second + stays + rest)
        long = None
        for event, timing in button.hold_lengths[1:]:
            length = wait + timing.ns + 300 * MS
            yield Gesture(f"{name}.{event}", (Press(at_ns=0, button=name, for_ns=length),),
                          length + rest)
        if button.hold_lengths:
            again = 0 if button.repeat is None else 2 * button.repeat.ns
            long = wait + button.hold_lengths[0][1].ns + max(300 * MS, again)
        elif any(word.strip("()").startswith((f"{name}.press", f"{name}.release", f"{name}.closed"))
                 for word in read):
            long = LONG_NS
        if long is not None:
            yield Gesture(f"{name}.long", (Press(at_ns=0, button=name, for_ns=long),), long + rest)


def _chords(gadget: Gadget) -> Iterator[Gesture]:
    for name, chord in gadget.chords.items():
        waits = [settling_ns(gadget.buttons[one]) for one in chord.buttons]
        apart = min(20 * MS, chord.within.ns // (2 * len(waits)))
        length = max(waits) + chord.within.ns + 300 * MS
        steps = tuple(Press(at_ns=k * apart, button=one, for_ns=length)
                      for k, one in enumerate(chord.buttons))
        yield Gesture(f"{name}.chord", steps, length + len(waits) * apart + max(waits) + REST_NS)


def _settings(gadget: Gadget) -> Iterator[Gesture]:
    """What stays where it is put comes to each of its levels."""
    for kind, name in settable(gadget):
        lasts = kind.settled_ns(gadget, name) + REST_NS
        for level in kind.levels(gadget, name):
            step = kind.set_to(gadget, name, 0, level)
            said = f"{name} {kind.level_text(gadget, name, level)}"
            yield Gesture(said, (step,), lasts)


def _hands(gadget: Gadget) -> Iterator[Gesture]:
    for name, sensor in gadget.proximity.items():
        length = max(HAND_NS, (sensor.agree + 1) * sensor.every.ns + sensor.settle.ns)
        after = sensor.clear.ns + (sensor.agree + 1) * sensor.every.ns + REST_NS
        yield Gesture(f"{name}.hand", (
            Wave(at_ns=0, sensor=name, distance_m=HAND_M, for_ns=length),), length + after)


def _plugs(gadget: Gadget) -> Iterator[Gesture]:
    if gadget.charger is not None:
        yield Gesture("usb.in", (Usb(at_ns=0, present=True),), PLUG_NS, plugged=False)
        yield Gesture("usb.out", (Usb(at_ns=0, present=False),), PLUG_NS, plugged=True)
        yield Gesture("charger.fault", (
            ChargerFault(at_ns=0, present=True), ChargerFault(at_ns=PLUG_NS, present=False)),
            2 * PLUG_NS, plugged=True)


def _waits(gadget: Gadget) -> Iterator[Gesture]:
    """Waits for the dwells of a second and more, the shortest and the longest of them."""
    dwells = sorted({row.after.ns for behaviour in gadget.behaviour.values()
                     for row in behaviour.rows if row.after is not None and row.after.ns >= S})
    if len(dwells) > MOST_WAITS:
        half = MOST_WAITS // 2
        dwells = [*dwells[:half], *dwells[-half:]]
    asked = {time.ns for rule in gadget.rules for time in (rule.within, rule.for_)
             if time is not None and time.ns >= S}
    for time in sorted({*dwells, *sorted(asked)[-2:]}):
        yield Gesture(f"wait {format_duration(time)}", (), time + 20 * MS)


def try_gestures(player: Player, rules: Sequence[str], budget: Budget) -> Tried:
    """Make the gestures in every order, the fewest first, until `budget` is spent.

    Each rule is told once, as it first breaks. It goes on when all are broken: where the gestures
    lead is wanted as well.
    """
    gadget = player.gadget
    things = gestures_of(gadget)
    broken: dict[str, tuple[Scenario, RuleVerdict]] = {}
    nodes: list[Node] = []
    regions: tuple[str, ...] = ()
    runs, finished = 0, True
    frontiers: list[list[Node]] = []
    with player.charged(budget):
        for charge in (CHARGE, *_low_charges(player)):
            run = player.play(player.scenario((), charge, START_NS))
            runs += 1
            if run is None:
                continue
            regions = run.regions
            node = _node(charge, (), run)
            _note(player, node, run, rules, broken)
            nodes.append(node)
            frontiers.append([node])
        for depth in range(1, DEEP + 1):
            for place, frontier in enumerate(frontiers):
                found: list[Node] = []
                for node, gesture in product(frontier, things):
                    if gesture.plugged not in (None, node.plugged):
                        continue
                    if budget.over() or len(nodes) >= MOST_NODES:
                        finished = False
                        break
                    run = player.play(
                        player.scenario(gesture.steps, node.charge, gesture.lasts_ns),
                        resume=node.final, fold=gesture.lasts_ns > SHORT_NS)
                    runs += 1
                    if run is None:
                        continue
                    child = _node(node.charge, (*node.gestures, gesture), run)
                    _note(player, child, run, rules, broken)
                    found.append(child)
                    nodes.append(child)
                if depth >= 2:
                    found = list({_settled(child): child for child in reversed(found)}.values())
                    found.reverse()
                frontiers[place] = found
    return Tried(broken, tuple(nodes), regions, runs, finished)


def _node(charge: float, made: tuple[Gesture, ...], run: Run) -> Node:
    return Node(charge, made, run.final, tuple(region.state for region in run.final.regions))


def _note(
    player: Player, node: Node, run: Run, rules: Sequence[str],
    broken: dict[str, tuple[Scenario, RuleVerdict]],
) -> None:
    for verdict in run.rules:
        if verdict.held or verdict.name not in rules:
            continue
        scenario = player.scenario(node.steps(), node.charge, node.end_ns)
        known = broken.get(verdict.name)
        if known is None or (has_fault(known[0]) and not has_fault(scenario)):
            broken[verdict.name] = (scenario, verdict)


def has_fault(scenario: Scenario) -> bool:
    """Whether the charger fails in a scenario."""
    return any(isinstance(step, ChargerFault) for step in scenario.steps)


def _settled(node: Node) -> tuple[object, ...]:
    """What tells apart where to go on from: all but the times and the cell's charge."""
    final = node.final
    return (
        tuple((region.state, region.memory) for region in final.regions), final.conditions,
        final.usb, final.charger, final.alive,
    )


def _low_charges(player: Player) -> list[float]:
    """Charges at which the gauge finds the cell low, and flat, from the beginning."""
    gauge = player.gadget.gauge
    if gauge is None:
        return []
    circuit = player.prepared.circuit
    cut = player.gadget.cell.cut_off
    found = []
    for limit in (one.value for one in (gauge.low, gauge.flat) if one is not None):
        if circuit.counter is not None:
            found.append(circuit.counter.charge_at(limit) - BELOW_COUNT)
        elif cut is None or limit - BELOW_V > cut.value:
            found += telling_charges(circuit, [limit - BELOW_V])[1:2]
    return list(dict.fromkeys(
        round(charge, 5) for charge in found if 0.0 < charge < 1.0 and charge != CHARGE))
