"""What follows from the search of all written regions: states, rows, traps, unanswered presses.

Where sets of regions were searched apart, what concerns one set is read from it, and what concerns
all of them is joined: any state of one set may stand together with any of the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from math import prod

from simfw.behaviour import expression as ex
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.outputs import merged
from simfw.behaviour.region import Drive, Region, Row, State, System
from simfw.gadget.model import Gadget
from simfw.verify.collapse import ANY, FIRST
from simfw.verify.finding import Finding
from simfw.verify.machine import Config, Monitor
from simfw.verify.static import finding
from simfw.verify.terms import SUPPLY
from simfw.verify.whole import Part, Whole

__all__ = ["Reach", "never_asked", "reach_checks"]

MOST_SHOWN = 4
MOST_ASKED = 10_000
"""Combinations of states, of sets searched apart, in which a rule is read."""
PERSONAL = ("click", "double", "hold", "chord")


class Reach:
    """The reached combinations of one set, seen as states of its written regions."""

    def __init__(self, gadget: Gadget, part: Part) -> None:
        self.gadget = gadget
        self.reduced = part.reduced
        self.search = part.search
        self.written = [
            (i, region) for i, region in enumerate(self.reduced.machine.regions)
            if region.group == "behaviour"
        ]
        self._dials = [(i, region) for i, region in enumerate(self.reduced.machine.regions)
                       if region.group == "dials"]
        self._driven: dict[tuple[int, ...], dict[str, Drive]] = {}

    def states(self, config: Config) -> dict[str, str]:
        """The state of each written region."""
        parts = self.reduced.machine.parts
        return {region.name: parts[i].states[config[i]] for i, region in self.written}

    def stands(self, config: Config) -> tuple[State, ...]:
        """The states themselves, those of the dials among them."""
        return tuple(region.states[config[i]] for i, region in (*self._dials, *self.written))

    def drives(self, config: Config) -> dict[str, Drive]:
        """What the written regions drive, every sequence at its highest level."""
        key = tuple(config[i] for i, _ in (*self._dials, *self.written))
        if key not in self._driven:
            self._driven[key] = merged(("behaviour", replace(state, outputs=state.most), True)
                                       for state in self.stands(config))
        return self._driven[key]

    def lets_go(self, config: Config) -> bool:
        """Whether a written region stands in a state that lets go of the supply."""
        return any(region.states[config[i]].unpowered for i, region in self.written)

    def lights(self, config: Config) -> list[str]:
        """The lights that the written regions have on, until they let go of the supply."""
        if self.lets_go(config):
            return []
        return [name for name in self.drives(config) if name in self.gadget.lights]

    def is_asked(self, config: Config) -> bool:
        """Whether a cable that is in, or a finger on a button, asks for something.

        A status pin that says something tells of a cable; one that a pull-up lifts does not.
        """
        flags = self.reduced.machine.flag_values(config)
        alone = "status.high" if self.gadget.status_pulled_up else ""
        return any(value for name, value in flags.items() if name not in (alone, SUPPLY))

    def shown(self, config: Config) -> str:
        """The combination in words."""
        return _in_words(self.states(config))


def _in_words(states: Mapping[str, str]) -> str:
    return ", ".join(f"{name}.{state}" for name, state in states.items())


def reach_checks(gadget: Gadget, system: System, whole: Whole) -> Iterator[Finding]:
    """Findings of the search of all written regions; only complete if it was finished."""
    sets = [Reach(gadget, part) for part in whole.parts]
    yield from _power_up(system, sets)
    if not whole.finished:
        return
    yield from _unreached(system, sets)
    yield from _unturned(system, sets)
    yield from _traps(sets)
    yield from _sleepless(sets)
    yield from _unanswered(sets)


def never_asked(whole: Whole, monitor: Monitor) -> bool:
    """Whether no reached combination can make `monitor` begin to ask for anything.

    What the search of all written regions shows no way to cannot be left open elsewhere. Whatever
    a combination does not hold (events, levels, stock regions that are not in it) may be anything.
    """
    if not whole.finished or whole.endless:
        return False
    asked = ex.names_in(monitor.when).regions
    before: dict[str, str] = {}
    settled: list[list[dict[str, str]]] = []
    for part in whole.parts:
        machine = part.reduced.machine
        places = [(i, region) for i, region in enumerate(machine.regions) if region.name in asked]
        before |= {region.name: region.starts for _, region in places}
        names = [region.name for _, region in places]
        distinct = dict.fromkeys(
            tuple(machine.parts[i].states[config[i]] for i, _ in places)
            for config in part.search.zones
        )
        settled.append([dict(zip(names, states, strict=True)) for states in distinct])
    if _may(monitor.when, before, {}) is not False:
        return False
    if prod(len(one) for one in settled) > MOST_ASKED:
        return False
    return all(
        _may(monitor.when, {name: state for one in chosen for name, state in one.items()}, {})
        is False
        for chosen in product(*settled)
    )


def _may(
    expression: ex.Expression, states: Mapping[str, str], flags: Mapping[str, bool]
) -> bool | None:
    """The expression in these states and inputs; None where it depends on something else."""
    def read(leaf: ex.Leaf) -> bool | None:
        match leaf:
            case ex.Inside(region, names):
                state = states.get(region)
                return None if state in (None, ANY, FIRST) else state in names
            case ex.Flag(name):
                return flags.get(name)
        return None

    return ex.truth(expression, read)


def _power_up(system: System, sets: Sequence[Reach]) -> Iterator[Finding]:
    unasked = [[config for config in reach.search.starts if not reach.is_asked(config)]
               for reach in sets]
    if not all(unasked):
        return
    order = [region.name for region in system.regions]
    chosen = [configs[0] for configs in unasked]
    if not any(reach.lights(config) for reach, config in zip(sets, chosen, strict=True)):
        for place, reach in enumerate(sets):
            lit_ones = [config for config in unasked[place] if reach.lights(config)]
            if lit_ones:
                chosen[place] = lit_ones[0]
                break
        else:
            return
    lit: set[str] = set()
    states: dict[str, str] = {}
    for reach, config in zip(sets, chosen, strict=True):
        lit.update(reach.lights(config))
        states |= reach.states(config)
    states = {name: states[name] for name in sorted(states, key=order.index)}
    rows = [f"behaviour.{name}.starts" for name in states]
    yield finding("light-at-power-up", f"At power-up {' and '.join(sorted(lit))} is on: "
                  f"{_in_words(states)}.", rows)


def _passed(reach: Reach, region: Region) -> set[str]:
    """States entered by rows that fired, also those that last no time."""
    fired = reach.search.fired
    found = {region.starts}
    for row in region.rows:
        if row.key in fired:
            found.add(row.to)
    return found


def _unreached(system: System, sets: Sequence[Reach]) -> Iterator[Finding]:
    order = [region.name for region in system.regions]
    # Where the firmware lets go of its supply, every state is left by a power-up.
    powers_up = may_let_go(system)
    places = [(reach, reach.search.reached(reach.reduced.machine)[i], region)
              for reach in sets for i, region in reach.written]
    for reach, entered, region in sorted(places, key=lambda one: order.index(one[2].name)):
        fired = reach.search.fired
        inside = entered | _passed(reach, region)
        if any(row.to == "resume" and row.key in fired for row in region.rows):
            inside |= set(region.resume_points[:1])
        for state in region.states:
            if state.name not in inside:
                yield finding("unreachable-state", f"No way leads to {region.name}.{state.name}.",
                              [row.key for row in region.rows if row.to == state.name])
        for row in region.rows:
            if row.key not in fired and inside & set(row.sources):
                yield finding("row-never-fires", f"{_said(row)} never fires"
                              f"{_why(region, row)}.", [row.key])
        if len(region.states) > 1:
            for state in region.states:
                leaving = [row for row in region.rows
                           if state.name in row.sources and row.to not in ("same", state.name)]
                if state.name in inside and not powers_up and not any(
                    row.key in fired for row in leaving
                ):
                    yield finding("dead-end", f"Once entered, {region.name}.{state.name} is never "
                                  f"left.", [row.key for row in leaving])


def _unturned(system: System, sets: Sequence[Reach]) -> Iterator[Finding]:
    """Rows of dials that never fire: by the search where the dial is in it, else where nothing
    emits what they wait for.
    """
    dials = [region for region in system.regions if region.group == "dials"]
    fired = {key for reach in sets for key in reach.search.fired}
    searched = {region.name for reach in sets for region in reach.reduced.machine.regions
                if region.name not in reach.reduced.collapsed}
    dead = {row.key for region in system.regions if region.group in ("behaviour", "dials")
            and region.name in searched for row in region.rows if row.key not in fired}
    dead |= {row.key for dial in dials for n, row in enumerate(dial.rows)
             if any(_hides(earlier, row) for earlier in dial.rows[:n])}
    emitters: dict[str, set[str]] = {
        f"{dial.name}.{what}": set() for dial in dials for what in ("changed", "end")}
    for region in system.regions:
        for row in region.rows:
            for event in row.emit:
                emitters.setdefault(event, set()).add(row.key)
    for _ in dials:  # one that never moves may be what another waits for
        dead |= {row.key for dial in dials for row in dial.rows
                 if row.on in emitters and emitters[row.on] <= dead}
    for dial in dials:
        groups: dict[str, list[Row]] = {}
        for row in dial.rows:
            groups.setdefault(row.key.partition("#")[0], []).append(row)
        for key, rows in groups.items():
            if all(row.key in dead for row in rows):
                events = list(dict.fromkeys(row.on for row in rows if row.on is not None))
                silent = all(on in emitters and emitters[on] <= dead for on in events)
                why = ": nothing emits that" if silent else _why(dial, rows[0])
                yield finding("row-never-fires", f"The row of dial {dial.name} on "
                              f"{' or '.join(events)} never fires{why}.", [key])


def _hides(earlier: Row, row: Row) -> bool:
    """Whether an earlier row always fires in place of another."""
    return (earlier.on, earlier.after_ns) == (row.on, row.after_ns) and earlier.when is None and (
        set(row.sources) <= set(earlier.sources))


def _said(row: Row) -> str:
    return f"The row to {row.to} on {row.on}" if row.on else f"The row to {row.to} after its dwell"


def _why(region: Region, row: Row) -> str:
    for earlier in region.rows:
        if earlier is row:
            break
        if _hides(earlier, row):
            return f": {earlier.key.partition('#')[0]} always comes first"
    return ": its guard never holds when it is asked" if row.when is not None else ""


def _traps(sets: Sequence[Reach]) -> Iterator[Finding]:
    """Combinations from which no way leads to dark: of one set, whatever the others do."""
    trapped = list(dict.fromkeys(shown for reach in sets for shown in _trapped(reach)))
    if trapped:
        shown = "; ".join(trapped[:MOST_SHOWN])
        more = len(trapped) - MOST_SHOWN
        rest = f" and {more} more" if more > 0 else ""
        yield finding("trap", f"Nothing a person does, and no dwell, leads to dark from: "
                      f"{shown}{rest}.")


def _trapped(reach: Reach) -> Iterator[str]:
    search = reach.search
    dark = {config for config in search.zones if not reach.lights(config)}
    if len(dark) == len(search.zones):
        return
    before: dict[Config, list[Config]] = {}
    for config, following in search.successors.items():
        for other, by_cell in following.items():
            if not by_cell:
                before.setdefault(other, []).append(config)
    safe = set(dark)
    pending = list(dark)
    while pending:
        for config in before.get(pending.pop(), ()):
            if config not in safe:
                safe.add(config)
                pending.append(config)
    yield from (reach.shown(config) for config in search.zones if config not in safe)


def _sleepless(sets: Sequence[Reach]) -> Iterator[Finding]:
    dark = [[config for config in reach.search.zones if not reach.lights(config)]
            for reach in sets]
    if not all(dark):
        return  # something is lit at all times
    told: set[str] = set()
    for reach, configs in zip(sets, dark, strict=True):
        for config, (i, region) in product(configs, reach.written):
            if reach.lets_go(config):
                continue
            state = region.states[config[i]]
            name = f"{region.name}.{state.name}"
            loads = [output for output in state.drives if output in reach.gadget.loads]
            ends = any(row.after_ns is not None and state.name in row.sources
                       for row in region.rows)
            if (state.awake or loads) and not ends and name not in told:
                told.add(name)
                what = "keeps the controller awake" if state.awake else f"leaves {loads[0]} on"
                yield finding("never-asleep", f"No light is lit, and {name} {what} without end.",
                              [f"behaviour.{region.name}.states.{state.name}"])


def _unanswered(sets: Sequence[Reach]) -> Iterator[Finding]:
    silent: dict[str, dict[str, None]] = {}
    for reach in sets:
        heard = {row.on for _, region in reach.written for row in region.rows
                 if row.on is not None}
        asked = {event for event in heard if event.rpartition(".")[2] in PERSONAL}
        for event, configs in reach.search.silent.items():
            if event in asked:
                silent.setdefault(event, {}).update(
                    (reach.shown(config), None) for config in configs
                    if not reach.lets_go(config))
    for event, places in sorted(silent.items()):
        if not places:
            continue
        shown = "; ".join(list(places)[:MOST_SHOWN])
        more = len(places) - MOST_SHOWN
        rest = f" and {more} more" if more > 0 else ""
        yield finding("press-unanswered", f"no row fires on {event}, or ignores it explicitly, in: "
                      f"{shown}{rest}.")
