"""What goes on when nobody does anything more, seen in runs of the full model.

Each combination of states that gestures lead to is left alone until every written dwell has passed.
A light that is still on then, or that still winks, nothing but a flat cell ends. The same with a
hand, or a thing, that stays before a sensor, and with a button that is stuck.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from simfw.behaviour.region import System
from simfw.engine.run import Run
from simfw.engine.snapshot import Snapshot
from simfw.formatting import format_percent, format_si
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Expect, Press, Scenario, Step, Usb, Wave
from simfw.verify.budget import Budget
from simfw.verify.finding import Finding, Witness
from simfw.verify.gestures import HAND_M, PLUG_NS, Node, Tried
from simfw.verify.player import Player, in_words
from simfw.verify.static import finding

__all__ = ["ALONE_CHECKS", "alone_checks"]

ALONE_CHECKS = frozenset({
    "left-on", "always-on", "low-left-on", "sensor-always-on", "stuck-input", "on-again",
})

MS = 1_000_000
S = 1_000 * MS
OF_THE_CELL = frozenset({"cell.low", "cell.flat"})  # all that is heard of hours of repeats
MOST_PLACES = 64
MOST_STUCK = 12
MOST_SHOWN = 4
LONGEST_NS = 3 * 24 * 3600 * S
LEAST_WATCH_NS, MOST_WATCH_NS = 10 * S, 600 * S
YEAR_S = 365.25 * 24 * 3600

STANDS: dict[str, tuple[str, frozenset[str]]] = {
    "cell.low": ("cell", frozenset({"low", "flat"})),
    "cell.flat": ("cell", frozenset({"flat"})),
    "charge.started": ("charge", frozenset({"charging"})),
    "charge.fault": ("charge", frozenset({"fault"})),
    "usb.in": ("(usb)", frozenset({"in"})),
}
"""What lasts after an event: the region that stands in one of these states."""


@dataclass(frozen=True, slots=True)
class Rest:
    """One combination left alone: where it came from, and what is on in the end.

    `on` maps each light or load that is on to whether it is on all the time; `sensors` maps each
    sensor that still looks to its mean current (A); `used` to each light its own (A). `seen_ns` is
    a time at which each of them was on.
    """

    node: Node
    states: Mapping[str, str]
    on: Mapping[str, bool]
    used: Mapping[str, float]
    sensors: Mapping[str, float]
    end_ns: int
    seen_ns: Mapping[str, int]


def alone_checks(
    gadget: Gadget, player: Player, tried: Tried, wanted: frozenset[str], budget: Budget
) -> Iterator[Finding]:
    """What is left on, in which combinations, and what a stuck input or an event leaves on."""
    with player.charged(budget):
        yield from _on_again(gadget, player, tried)
        if wanted.isdisjoint(ALONE_CHECKS - {"on-again"}):
            return
        rests = []
        for node in list(_places(gadget, tried))[:MOST_PLACES]:
            if budget.over():
                break
            rest = _left_alone(gadget, player, tried.regions, node, ())
            if rest is not None:
                rests.append(rest)
        yield from _lights(gadget, player, rests)
        yield from _low(gadget, player, tried, rests)
        yield from _sensors(player, rests)
        if "stuck-input" in wanted:
            yield from _stuck(gadget, player, tried, rests, budget)


def _written(gadget: Gadget, regions: Sequence[str], states: Sequence[str]) -> dict[str, str]:
    return {name: state for name, state in zip(regions, states, strict=True)
            if name in gadget.behaviour}


def _places(gadget: Gadget, tried: Tried) -> Iterator[Node]:
    """One node for each combination of written states, the one with the fewest gestures."""
    seen: set[tuple[tuple[str, str], ...]] = set()
    charge = tried.nodes[0].charge if tried.nodes else 0.0
    for plugged in (False, True):
        for node in tried.nodes:
            key = tuple(_written(gadget, tried.regions, node.states).items())
            if node.charge == charge and node.plugged is plugged and key not in seen:
                seen.add(key)
                yield node


def _horizon_ns(gadget: Gadget, system: System) -> int:
    """Longer than all written dwells and sequences that end, one after another, as often as
    anything counts them.
    """
    length = sum(row.after.ns for behaviour in gadget.behaviour.values()
                 for row in behaviour.rows if row.after is not None)
    length += sum(max((sequence.total_ns or 0 for sequence in state.sequences.values()), default=0)
                  for region in system.regions for state in region.states)
    return min(LONGEST_NS, _laps(system) * length + 60 * S)


def _laps(system: System) -> int:
    """How often a region may go round by its dwells until another that counts this is at its end:
    the most states of those that hear it.
    """
    told = set[str]()
    for region in system.regions:
        timed = [row for row in region.rows if row.after_ns is not None]
        for row in timed:
            reached, open_ = set[str](), list(region.entered_by(row))
            while open_:
                state = open_.pop()
                if state not in reached:
                    reached.add(state)
                    open_ += [to for other in timed if state in other.sources
                              for to in region.entered_by(other)]  # fmt: skip
            if reached & set(row.sources):
                told.update(row.emit)
    return max((len(region.states) for region in system.regions
                if any(row.on in told for row in region.rows)), default=1)


def _full(snapshot: Snapshot) -> Snapshot:
    """The same with a full cell: what ends something is then not the cell."""
    return replace(snapshot, base=1.0, moved=0.0)


def _left_alone(
    gadget: Gadget, player: Player, regions: Sequence[str], node: Node, held: Sequence[Step],
    *, full: bool = True,
) -> Rest | None:
    """What is on at last; `held` are steps that do not end before. None where a run fails.

    With a full cell, so that it is not the cell that ends something, or with the cell as it is.
    """
    start = _full(node.final) if full else node.final
    if node.plugged:
        out = player.play(player.scenario([Usb(at_ns=0, present=False)], 1.0, PLUG_NS),
                          resume=start, events=OF_THE_CELL)
        if out is None:
            return None
        start = _full(out.final)
    horizon = _horizon_ns(gadget, player.prepared.system)
    watch = max(LEAST_WATCH_NS, min(MOST_WATCH_NS, horizon))
    run = player.play(player.scenario(held, 1.0, horizon), resume=start, events=OF_THE_CELL)
    if run is None:
        return None
    ended = [event.time_ns for event in run.events if full]
    ended += [] if run.empty_at_ns is None else [run.empty_at_ns]
    before = min(ended, default=None)
    if before is not None:
        # The cell has ended something: look at what went on until then.
        length = max(S, before - run.start_ns - watch - S)
        run = player.play(player.scenario(held, 1.0, length), resume=start, events=OF_THE_CELL)
        if run is None:
            return None
    last = player.play(player.scenario((), 1.0, watch), resume=run.final, trace=True,
                       events=OF_THE_CELL)
    return None if last is None else _comes_again(
        player, _rest(gadget, player, regions, node, last), last, horizon)


def _comes_again(player: Player, rest: Rest, watched: Run, horizon_ns: int) -> Rest:
    """The same without what was on once in the time watched and is not on again for as long as
    anything written lasts; what is on again draws what it does on the mean of all that.
    """
    once = [name for name, steady in rest.on.items()
            if not steady and _times_on(watched, name) == 1]
    if not once:
        return rest
    ahead = player.play(player.scenario((), 1.0, horizon_ns), resume=watched.final,
                        events=OF_THE_CELL)
    if ahead is None or ahead.empty_at_ns is not None:
        return rest
    seconds = (watched.duration_ns + ahead.duration_ns) * 1e-9
    later = {use.name: use.charge_c for use in ahead.consumers}
    over = {name for name in once if later.get(name, 0.0) <= 0.0}
    used = {
        name: (amps * watched.duration_ns * 1e-9 + later[name]) / seconds
        if name in once else amps
        for name, amps in rest.used.items() if name not in over
    }
    return replace(rest, used=used,
                   on={name: steady for name, steady in rest.on.items() if name not in over})


def _stretches(run: Run, name: str) -> list[tuple[int, int, bool]]:
    """From, to (ns), and whether a light or load was on; two of the cycles that were folded."""
    place = run.outputs.index(name)
    found: list[tuple[int, int, bool]] = []
    for interval in run.intervals:
        if not interval.parts:
            found.append((interval.start_ns, interval.end_ns, interval.levels[place] > 0))
            continue
        now = interval.start_ns
        for part in interval.parts * min(interval.cycles, 2):
            found.append((now, now + part.lasts_ns, part.levels[place] > 0))
            now += part.lasts_ns
    return found


def _times_on(run: Run, name: str) -> int:
    """How often a light or load was on, with something else between."""
    lit = [on for _, _, on in _stretches(run, name)]
    return sum(on and not before for before, on in pairwise([False, *lit]))


def _rest(
    gadget: Gadget, player: Player, regions: Sequence[str], node: Node, run: Run
) -> Rest:
    seconds = run.duration_ns * 1e-9
    used = {use.name: use.charge_c / seconds for use in run.consumers}
    on: dict[str, bool] = {}
    seen_ns: dict[str, int] = {}
    for name in run.outputs:
        if name not in gadget.lights and name not in gadget.loads:
            continue
        stretches = _stretches(run, name)
        lit = [(start_ns, end_ns) for start_ns, end_ns, is_on in stretches if is_on]
        if lit:
            on[name] = len(lit) == len(stretches)
            seen_ns[name] = sum(lit[-1]) // 2
    circuit = player.prepared.circuit
    looks = {(use.region, use.state) for use in run.states if use.time_ns > 0}
    sensors = {
        name: sum(used.get(circuit.consumer_of(f"{name}.{part}"), 0.0)
                  for part in ("emitter", "receiver"))
        for name in gadget.proximity
        if {(f"{name}.look", "settling"), (f"{name}.look", "emitting")} & looks
    }
    states = tuple(region.state for region in run.final.regions)
    return Rest(node, _written(gadget, regions, states), on,
                {name: used.get(name, 0.0) for name in on}, sensors, run.end_ns, seen_ns)


# -- lights and sensors ----------------------------------------------------------------------------


def _shown(states: Iterable[Mapping[str, str]]) -> str:
    """The combinations in words; regions that have one state in all of them are left out."""
    all_states = list(states)
    moving = [name for name in all_states[0] if len({one[name] for one in all_states}) > 1]
    moving = moving or list(all_states[0])
    words = list(dict.fromkeys(
        ", ".join(f"{name}.{one[name]}" for name in moving) for one in all_states))
    more = len(words) - MOST_SHOWN
    return "; ".join(words[:MOST_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _drivers(gadget: Gadget, light: str) -> list[str]:
    """The regions that drive `light`."""
    return [name for name, behaviour in gadget.behaviour.items()
            if any(light in levels for levels in behaviour.states.values())]


def _lights(gadget: Gadget, player: Player, rests: Sequence[Rest]) -> Iterator[Finding]:
    if not rests:
        return
    for light in (*gadget.lights, *gadget.loads):
        lit = [rest for rest in rests if light in rest.on]
        if not lit:
            continue
        drives = f"draws {format_si(max(rest.used[light] for rest in lit), 'A', 2)}"
        winks = "winks" if not any(rest.on[light] for rest in lit) else "is on"
        rows = [f"behaviour.{name}" for name in _drivers(gadget, light)]
        if len(lit) == len(rests):
            yield finding("always-on", f"At rest, {light} {winks} whatever the states of the "
                          f"gadget, and {drives}.", rows)
            continue
        drivers = _drivers(gadget, light) or list(lit[0].states)
        shown = _shown([{name: rest.states[name] for name in drivers} for rest in lit])
        first = min(lit, key=lambda rest: len(rest.node.gestures))
        yield replace(
            finding("left-on", f"Left alone, {light} {winks} until the cell is flat, in: {shown}; "
                    f"no dwell ends it sooner, and it {drives}.", rows),
            witness=_witness(player, "left-on", first, (), light))


def _low(
    gadget: Gadget, player: Player, tried: Tried, rests: Sequence[Rest]
) -> Iterator[Finding]:
    """What is on at rest only because the cell is low, from power-up on."""
    known = {light for rest in rests for light in rest.on}
    for node in tried.nodes:
        if node.gestures or node.charge == tried.nodes[0].charge:
            continue
        rest = _left_alone(gadget, player, tried.regions, node, (), full=False)
        for light, steady in ({} if rest is None else rest.on).items():
            if light in known or rest is None:
                continue
            known.add(light)
            how = "is on" if steady else "winks"
            yield replace(
                finding("low-left-on", f"At rest with a low cell, {light} {how} until the cell is "
                        f"empty, and draws {format_si(rest.used[light], 'A', 2)}.",
                        [f"behaviour.{name}" for name in _drivers(gadget, light)]),
                witness=_witness(player, "low-left-on", rest, (), light, node.charge))


def _sensors(player: Player, rests: Sequence[Rest]) -> Iterator[Finding]:
    if not rests:
        return
    capacity_c = player.prepared.circuit.capacity_c
    for name in player.written.proximity:
        if all(name in rest.sensors for rest in rests):
            mean = max(rest.sensors[name] for rest in rests)
            share = mean * YEAR_S / capacity_c
            figures = "" if mean <= 0 else (
                f": {format_si(mean, 'A', 2)}, {format_percent(share, 2)} of the capacity a year")
            yield finding("sensor-always-on", f"{name} looks for a hand whatever the states of "
                          f"the gadget{figures}; no way to rest turns it off.",
                          [f"proximity.{name}.enabled"])


def _stuck(
    gadget: Gadget, player: Player, tried: Tried, rests: Sequence[Rest], budget: Budget
) -> Iterator[Finding]:
    known = {light for rest in rests for light in rest.on}
    forever = _horizon_ns(gadget, player.prepared.system) + MOST_WATCH_NS + 10 * S
    inputs: list[tuple[str, Step, str]] = [
        (f"proximity.{name}", Wave(at_ns=0, sensor=name, distance_m=HAND_M, for_ns=forever),
         f"With something left in front of {name}")
        for name in gadget.proximity
    ]
    inputs += [(f"buttons.{name}", Press(at_ns=0, button=name, for_ns=forever),
                f"With button {name} stuck") for name in gadget.buttons]
    places = [node for node in _places(gadget, tried)
              if len(node.gestures) <= 1 and not node.plugged][:MOST_STUCK]
    for key, step, says in inputs:
        told: set[str] = set()
        for node in places:
            if budget.over():
                return
            rest = _left_alone(gadget, player, tried.regions, node, (step,))
            if rest is None:
                continue
            for light, steady in rest.on.items():
                if light in known or light in told:
                    continue
                told.add(light)
                how = "is on" if steady else "winks"
                yield replace(
                    finding("stuck-input", f"{says}, {light} {how} until the cell is flat: no "
                            f"dwell ends it sooner, and it draws "
                            f"{format_si(rest.used[light], 'A', 2)}.", [key]),
                    witness=_witness(player, "stuck-input", rest, (step,), light))


def _witness(
    player: Player, check: str, rest: Rest, held: Sequence[Step], light: str, charge: float = 1.0,
) -> Witness:
    """The gestures, then nothing (or what is held) until it is seen that the light is on."""
    node, steady = rest.node, rest.on[light]
    now = node.end_ns
    steps: list[Step] = [*node.steps()]
    if node.plugged:
        steps.append(Usb(at_ns=now, present=False))
        now += PLUG_NS
    end = rest.end_ns + S if steady else rest.seen_ns[light]
    for step in held:
        assert isinstance(step, Press | Wave)
        steps.append(replace(step, at_ns=step.at_ns + now, for_ns=end + S - now))
    steps.append(Expect(at_ns=end, text=f"{light} <= 0"))
    scenario = player.scenario(steps, charge, end + S)
    final = replace(scenario, title=f"Shows: {check}")
    return Witness(scenario=final, rule=check, time_ns=end,
                   why=f"{light} {'is on' if steady else 'winks'}", list=tuple(in_words(final)))


# -- what an event put out, and a gesture lights again ---------------------------------------------


def _on_again(gadget: Gadget, player: Player, tried: Tried) -> Iterator[Finding]:
    told: set[tuple[str, str]] = set()
    for node in tried.nodes:
        if not node.gestures:
            continue
        stands = dict(zip(tried.regions, node.states, strict=True))
        stands["(usb)"] = "in" if node.plugged else "out"
        for name, behaviour in gadget.behaviour.items():
            state = stands[name]
            lit = [light for light, level in behaviour.states[state].items()
                   if light in gadget.lights and level.drives]
            for row, event in ((one, event) for one in behaviour.rows for event in one.on):
                if event not in STANDS or not lit or row.to not in behaviour.states:
                    continue
                region, lasting = STANDS[event]
                dark = not any(light in behaviour.states[row.to] for light in lit)
                if (stands.get(region) not in lasting or not dark or (name, event) in told
                        or row.when is not None or not _speaks_of(row.from_, state)):
                    continue
                told.add((name, event))
                last = node.gestures[-1]
                yield replace(
                    finding("on-again", f"{event} puts {' and '.join(lit)} out, and while that "
                            f"lasts {last.said} lights it again ({name}.{state}).",
                            [f"behaviour.{name}"]),
                    witness=_plain_witness(player, node, name, state))


def _speaks_of(sources: Sequence[str], state: str) -> bool:
    return any(source in ("*", state) or (source.endswith(".*") and state.startswith(source[:-1]))
               for source in sources)


def _plain_witness(player: Player, node: Node, region: str, state: str) -> Witness:
    steps: list[Step] = [*node.steps(), Expect(at_ns=node.end_ns, text=f"not {region}.{state}")]
    scenario: Scenario = player.scenario(steps, node.charge, node.end_ns + S)
    final = replace(scenario, title="Shows: on-again")
    return Witness(scenario=final, rule="on-again", time_ns=node.end_ns,
                   why=f"{region}.{state}", list=tuple(in_words(final)))
