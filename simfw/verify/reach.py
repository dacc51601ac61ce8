"""What follows from one search of all written regions: states, rows, traps, unanswered presses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from simfw.behaviour import expression as ex
from simfw.behaviour.outputs import merged
from simfw.behaviour.region import Drive, Region, Row, System
from simfw.circuit.circuit import LoadSet
from simfw.gadget.model import Gadget
from simfw.verify.abstraction import ANY, FIRST, Reduced
from simfw.verify.electrical import Loads
from simfw.verify.explore import Explored
from simfw.verify.finding import Finding
from simfw.verify.machine import Config, Monitor
from simfw.verify.static import finding

__all__ = ["loads_of", "never_asked", "reach_checks"]

MOST_SHOWN = 4
PERSONAL = ("click", "double", "hold", "chord")


class Reach:
    """The reached combinations, seen as states of the written regions."""

    def __init__(self, gadget: Gadget, system: System, reduced: Reduced, search: Explored) -> None:
        self.gadget = gadget
        self.system = system
        self.reduced = reduced
        self.search = search
        self.written = [
            (i, region) for i, region in enumerate(reduced.machine.regions)
            if region.group == "behaviour"
        ]

    def states(self, config: Config) -> dict[str, str]:
        """The state of each written region."""
        parts = self.reduced.machine.parts
        return {region.name: parts[i].states[config[i]] for i, region in self.written}

    def drives(self, config: Config) -> dict[str, Drive]:
        """What the written regions drive."""
        return merged((region.group, region.states[config[i]], True) for i, region in self.written)

    def lights(self, config: Config) -> list[str]:
        """The lights that the written regions have on."""
        return [name for name in self.drives(config) if name in self.gadget.lights]

    def is_asked(self, config: Config) -> bool:
        """Whether a cable that is in, or a finger on a button, asks for something.

        A status pin that says something tells of a cable; one that a pull-up lifts does not.
        """
        flags = self.reduced.machine.flag_values(config)
        alone = "status.high" if self.gadget.status_pulled_up else ""
        return any(value for name, value in flags.items() if name != alone)

    def shown(self, config: Config) -> str:
        """The combination in words."""
        return ", ".join(f"{name}.{state}" for name, state in self.states(config).items())


def loads_of(gadget: Gadget, system: System, reduced: Reduced, search: Explored) -> Loads:
    """The load sets of what was reached; the gauge's own bars are left out."""
    reach = Reach(gadget, system, reduced, search)
    machine = reduced.machine
    charge = machine.region_index.get("charge")
    everything: dict[LoadSet, None] = {}
    charging: dict[LoadSet, None] = {}
    for config in search.zones:
        awake = any(region.states[config[i]].awake for i, region in reach.written)
        load = LoadSet(
            drives=tuple(
                (name, drive.duty, -1 if drive.segments is None else drive.segments)
                for name, drive in sorted(reach.drives(config).items())
            ),
            controller="awake" if awake else "asleep",
        )
        everything[load] = None
        if charge is None or machine.parts[charge].states[config[charge]] in (
            "waiting", "charging",
        ):
            charging[load] = None
    rest = min(everything, key=lambda load: (len(load.drives), load.controller == "awake"),
               default=LoadSet())
    return Loads(rest=rest, all=tuple(everything), charging=tuple(charging))


def reach_checks(
    gadget: Gadget, system: System, reduced: Reduced, search: Explored
) -> Iterator[Finding]:
    """Findings of the search of all written regions; only complete if it was finished."""
    reach = Reach(gadget, system, reduced, search)
    yield from _power_up(reach)
    if not search.finished:
        return
    yield from _unreached(reach)
    yield from _traps(reach)
    yield from _sleepless(reach)
    yield from _unanswered(reach)


def never_asked(reduced: Reduced, search: Explored, monitor: Monitor) -> bool:
    """Whether no reached combination can make `monitor` begin to ask for anything.

    What the search of all written regions shows no way to cannot be left open elsewhere. Whatever
    a combination does not hold (events, levels, stock regions that are not in it) may be anything.
    """
    if not search.finished or reduced.endless:
        return False
    machine = reduced.machine
    before = {region.name: region.starts for region in machine.regions}
    if _may(monitor.when, before, {}) is not False:
        return False
    names = [region.name for region in machine.regions]
    seen: set[tuple[str, ...]] = set()
    for config in search.zones:
        states = machine.region_states(config)
        if states not in seen:
            seen.add(states)
            if _may(monitor.when, dict(zip(names, states, strict=True)), {}) is not False:
                return False
    return True


def _may(
    expression: ex.Expression, states: Mapping[str, str], flags: Mapping[str, bool]
) -> bool | None:
    """The expression in these states and inputs; None where it hangs on something else."""
    if isinstance(expression, ex.Constant):
        return expression.value
    if isinstance(expression, ex.Inside):
        state = states.get(expression.region)
        return None if state in (None, ANY, FIRST) else state in expression.states
    if isinstance(expression, ex.Flag):
        return flags.get(expression.name)
    if isinstance(expression, ex.Not):
        inner = _may(expression.part, states, flags)
        return None if inner is None else not inner
    if isinstance(expression, ex.All | ex.Any):
        parts = [_may(part, states, flags) for part in expression.parts]
        decisive = isinstance(expression, ex.Any)
        if decisive in parts:
            return decisive
        return None if None in parts else not decisive
    return None


def _power_up(reach: Reach) -> Iterator[Finding]:
    for config in reach.search.starts:
        lit = reach.lights(config)
        if lit and not reach.is_asked(config):
            rows = [f"behaviour.{region.name}.starts" for _, region in reach.written]
            yield finding("light-at-power-up", f"At power-up {' and '.join(lit)} is on: "
                          f"{reach.shown(config)}.", rows)
            return


def _passed(reach: Reach, region: Region) -> set[str]:
    """States entered by rows that fired, also those that last no time."""
    fired = reach.search.fired
    found = {region.starts}
    for row in region.rows:
        if row.key in fired:
            found.add(row.to)
    return found


def _unreached(reach: Reach) -> Iterator[Finding]:
    reached = reach.search.reached(reach.reduced.machine)
    fired = reach.search.fired
    for i, region in reach.written:
        inside = reached[i] | _passed(reach, region)
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
                if state.name in inside and not any(row.key in fired for row in leaving):
                    yield finding("dead-end", f"Once entered, {region.name}.{state.name} is never "
                                  f"left.", [row.key for row in leaving])


def _said(row: Row) -> str:
    return f"The row to {row.to} on {row.on}" if row.on else f"The row to {row.to} after its dwell"


def _why(region: Region, row: Row) -> str:
    for earlier in region.rows:
        if earlier is row:
            break
        if (earlier.on, earlier.after_ns) == (row.on, row.after_ns) and earlier.when is None and (
            set(row.sources) <= set(earlier.sources)
        ):
            return f": {earlier.key} always comes first"
    return ": its guard never holds when it is asked" if row.when is not None else ""


def _traps(reach: Reach) -> Iterator[Finding]:
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
    trapped = dict.fromkeys(
        reach.shown(config) for config in search.zones if config not in safe
    )
    if trapped:
        shown = "; ".join(list(trapped)[:MOST_SHOWN])
        more = len(trapped) - MOST_SHOWN
        rest = f" and {more} more" if more > 0 else ""
        yield finding("trap", f"Nothing a person does, and no dwell, leads to dark from: "
                      f"{shown}{rest}.")


def _sleepless(reach: Reach) -> Iterator[Finding]:
    told: set[str] = set()
    for config in reach.search.zones:
        if reach.lights(config):
            continue
        for i, region in reach.written:
            state = region.states[config[i]]
            name = f"{region.name}.{state.name}"
            loads = [output for output in state.outputs if output in reach.gadget.loads]
            ends = any(row.after_ns is not None and state.name in row.sources
                       for row in region.rows)
            if (state.awake or loads) and not ends and name not in told:
                told.add(name)
                what = "keeps the controller awake" if state.awake else f"leaves {loads[0]} on"
                yield finding("never-asleep", f"No light is lit, and {name} {what} without end.",
                              [f"behaviour.{region.name}.states.{state.name}"])


def _unanswered(reach: Reach) -> Iterator[Finding]:
    machine = reach.reduced.machine
    heard = {row.on for _, region in reach.written for row in region.rows if row.on is not None}
    asked = {event for event in heard if event.rpartition(".")[2] in PERSONAL}
    silent: dict[str, dict[str, None]] = {}
    for config, outcome in machine.known():
        if any(row.startswith("behaviour.") for row in outcome.rows):
            continue
        for event in outcome.events:
            if event in asked:
                silent.setdefault(event, {})[reach.shown(config)] = None
    for event, places in sorted(silent.items()):
        shown = "; ".join(list(places)[:MOST_SHOWN])
        more = len(places) - MOST_SHOWN
        rest = f" and {more} more" if more > 0 else ""
        yield finding("press-unanswered", f"{event} is neither answered nor ignored in writing in: "
                      f"{shown}{rest}.")
