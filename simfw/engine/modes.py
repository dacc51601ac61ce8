"""Modes: the resting combinations of states of a gadget, and what each costs.

A mode is how the gadget stands with everything else at rest: no button, no hand, no USB. Only the
regions that decide what is drawn tell modes apart; regions that tick by themselves (a blink, a
counter) count with all states they tick through. Dwells that would end the mode (an automatic
switch-off) are left out, so that the figure is that of the mode itself.

Which of them are listed is said in `listing`.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from simfw.behaviour.region import Region, State, System
from simfw.behaviour.table import IDLE
from simfw.circuit.endurance import LightRunTime
from simfw.engine.blend import LONGEST_S, Blend, blend, whole_cycle
from simfw.engine.bringing import begun, brought, caused_by
from simfw.engine.cycle import Cycle
from simfw.engine.lasting import Leaving, LeftError, lasting
from simfw.engine.listing import MOST_LISTED, Choice, Listing, is_reading_of, listed
from simfw.engine.meeting import behaviour_of, leads_out, spontaneous
from simfw.engine.positions import at_start, elsewhere
from simfw.engine.reachable import Stand
from simfw.engine.resume import snapshot
from simfw.engine.simulator import Prepared, Simulation
from simfw.engine.snapshot import Snapshot
from simfw.errors import EndlessInstant, UsageError, hint
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step

__all__ = ["MeanCurrent", "Mode", "Survey", "Together", "light_run_times", "mean_current",
           "modes", "modes_of_states", "survey"]  # fmt: skip

MOST_INSTANTS = 20_000  # in which a period is looked for
MOST_EDGES = 2_000  # of sequences in their common period: of more, shares of time are multiplied
# To find the period in: instants bound them, since hardly anything may happen in a day.
_WARM_UPS_NS = tuple(seconds * 10**9 for seconds in (5, 60, 600, 6000, 60_000, LONGEST_S))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One resting combination.

    `states` maps each deciding region to its state (states joined by `/` where it ticks).
    `current_a` is the mean current at `charge`, `parts_a` its parts by consumer, largest first.
    `within_a`, where it is not None, is how far the mean may be off: the parts tick on periods
    that hardly come round together, so that shares of time are multiplied. `left_by` is what makes
    the gadget leave the mode at once at this charge; there is no current then.
    `run_time_s` is the time from full until the gadget leaves the mode by itself or the protection
    opens; `ends_by` says which; both None when neither happens within a hundred years. With
    `run_time_about` it is in part the time at a mean drain (see `lasting`).
    `lights` holds the FL 1 run time of each light that is on in it, bars left out.
    `readings` are the meter's readings (A: low, value, high) for states of this mode, by key.
    `dials` maps each dial that bears on what is drawn to its position: the one it starts in, or
    where the mode itself brings it (one that goes round for ever stands in none), and
    `over_dials_a` holds the mean current with all of them at their lowest values and at their
    highest (None: no dial, or one of the two cannot be held). `peak_a` is the highest current of
    any moment where the mode goes round between states or plays a sequence, else None.
    `outside` holds where toggles and measures stand that are asked at rest, where that makes a
    difference to any mode.
    """

    states: Mapping[str, str]
    charge: float
    current_a: float | None
    parts_a: Mapping[str, float]
    voltage_v: float | None
    run_time_s: float | None
    ends_by: str | None
    lights: Mapping[str, LightRunTime]
    readings: Mapping[str, tuple[float, float, float]]
    within_a: float | None = None
    left_by: str | None = None
    dials: Mapping[str, int] = field(default_factory=dict)
    over_dials_a: tuple[float, float] | None = None
    peak_a: float | None = None
    outside: Mapping[str, str] = field(default_factory=dict)
    run_time_about: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCurrent:
    """The mean current of one mode at `charge` (0..1): fields as in `Mode`.

    `charger_a` is what the charger puts out meanwhile (A), `bars` how many bars the gauge's light
    shows (None: there is no such light).
    """

    charge: float
    current_a: float | None = None
    parts_a: Mapping[str, float] = field(default_factory=dict)
    voltage_v: float | None = None
    charger_a: float = 0.0
    within_a: float | None = None
    left_by: str | None = None
    peak_a: float | None = None
    bars: int | None = None


@dataclass(frozen=True, slots=True)
class _Rested:
    """How a mean current was found: the watched regions, the mix of parts where it is one, and
    where each dial stands that does not go on moving.
    """

    rested: Prepared
    places: tuple[int, ...]
    allowed: tuple[frozenset[str], ...]
    mixed: Blend | None
    dials: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Groups that are listed apart: how many combinations are not listed, and how far their
    currents add up: `sum_a` is what they make with each at its largest, `current_a` what that draws
    together.
    """

    left_out: int
    sum_a: float
    current_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The modes, the one the gadget starts in first, then in the order of the file.

    `together` tells of combinations that are not listed because they add up (None: there are none),
    `unlisted` how many more are not because they are too many; `whole` tells whether all
    combinations of states were looked at. `restless` names those that never come to rest.
    """

    modes: tuple[Mode, ...]
    together: Together | None
    whole: bool
    restless: tuple[str, ...] = ()
    unlisted: int = 0


def modes(
    gadget: Gadget, *, charge: float = 1.0, prepared: Prepared | None = None
) -> list[Mode]:
    """The modes of `gadget` as `survey` lists them."""
    return list(survey(gadget, charge=charge, prepared=prepared).modes)


def survey(
    gadget: Gadget, *, charge: float = 1.0, prepared: Prepared | None = None
) -> Survey:
    """The modes of `gadget`, and what is not listed.

    `charge` (0..1) is where the mean current is read. `prepared` lends its tabulated circuit.
    Raises DescriptionError like `simulate`.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    found = _survey(prepared, charge)
    here = {tuple(mode.states.items()): mode for mode in found.modes}
    turned: list[Mode] = []
    restless = list(found.restless)
    for positions, other in elsewhere(prepared):
        there = _survey(other, charge)
        turned += [replace(mode, outside=positions, readings={}) for mode in there.modes
                   if not _alike(mode, here.get(tuple(mode.states.items())))]
        restless += there.restless
    if not turned:
        return replace(found, restless=tuple(dict.fromkeys(restless)))
    starts = at_start(prepared)
    room = max(0, MOST_LISTED - len(found.modes))
    return replace(
        found, unlisted=found.unlisted + len(turned[room:]),
        modes=(*(replace(mode, outside=starts) for mode in found.modes), *turned[:room]),
        restless=tuple(dict.fromkeys(restless)),
    )


def _alike(mode: Mode, other: Mode | None) -> bool:
    """Whether two modes draw the same, and as long."""
    if other is None:
        return False
    pairs = [(mode.current_a, other.current_a), (mode.run_time_s, other.run_time_s),
             (mode.peak_a, other.peak_a)]
    return all(one == two or (one is not None and two is not None
                              and math.isclose(one, two, rel_tol=1e-9)) for one, two in pairs)


def _survey(prepared: Prepared, charge: float) -> Survey:
    """The modes with every toggle where it starts."""
    listing = listed(prepared.gadget, prepared.system, prepared.standing())
    restless: list[str] = []

    def made(stand: Stand) -> Mode | None:
        try:
            return _mode(prepared, stand, charge)
        except EndlessInstant:
            named = _shown(prepared.system, stand)
            restless.append(", ".join(f"{name}.{states}" for name, states in named.items()))
            return None

    found = [made(stand) for stand in listing.stands]
    return Survey(
        modes=tuple([mode for mode in found if mode is not None]),
        together=_together(listing, found, made) if listing.groups else None,
        whole=listing.whole, restless=tuple(restless), unlisted=listing.unlisted,
    )


def _together(
    listing: Listing, found: Sequence[Mode | None], made: Callable[[Stand], Mode | None]
) -> Together:
    """How far what the groups draw adds up: `found` are the modes of the stands of `listing`."""
    amps = [0.0 if mode is None else mode.current_a or 0.0 for mode in found]
    base_a = sum_a = amps[0]
    largest: Choice = {}
    for group in listing.groups:
        added_a, choice = max(
            ((amps[place] - base_a, choice) for place, choice in group.items()),
            key=lambda one: one[0], default=(0.0, {}))
        if added_a > 0.0:
            sum_a += added_a
            largest = {**largest, **choice}
    all_on = made(listing.turned(largest))
    drawn_a = None if all_on is None else all_on.current_a
    return Together(left_out=listing.left_out, sum_a=sum_a,
                    current_a=sum_a if drawn_a is None else drawn_a)


def modes_of_states(
    gadget: Gadget, states: Sequence[tuple[str, str]], *, charge: float = 1.0,
    prepared: Prepared | None = None,
) -> dict[tuple[str, str], Mode]:
    """The mode of each of some (region, state): the one that `modes` lists for it.

    Of several that hold the state it is the first in which most other regions are where they start;
    where none can be reached, all others are. Toggles are where they start, unless nothing that the
    state drives draws anything there and does with one of them turned.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    turned = [({}, prepared), *elsewhere(prepared)]
    made: dict[tuple[int, tuple[frozenset[str], ...]], Mode] = {}
    result = {}
    for name, state in states:
        outputs = {output for one in prepared.system.region(name).states
                   if state in (one.name, one.name.partition(".")[0]) for output in one.outputs}
        for n, (positions, there) in enumerate(turned):
            stand = there.standing().of([(name, state)])
            key = (n, tuple(stand.allowed.values()))
            if key not in made:
                made[key] = replace(_mode(there, stand, charge), outside=positions)
            # Where a mode goes round, a toggle may be what keeps it from this state.
            if n == 0 or any(made[key].parts_a.get(output) for output in outputs):
                result[name, state] = made[key]
            if any(result[name, state].parts_a.get(output) for output in outputs) or not outputs:
                break
    return result


def mean_current(
    gadget: Gadget | Prepared, states: Sequence[tuple[str, str]], *, charge: float = 1.0,
    held: Sequence[Step] = (), stock: Sequence[tuple[str, str]] = (),
) -> MeanCurrent:
    """The mean current of one mode, as `modes` prints it: the one that holds all `states`.

    `states` are (region, state or family) of written regions; of several modes that hold them it is
    the one in which most other regions are where they start. `charge` (0..1) is where it is read.
    `held` are stimuli at time 0 that go on (a button, USB). Other regions are then where these
    bring them, dials too, and the regions of `stock` have to be in the states named there; there is
    no current where they are not. Asked often of one gadget, hand over one `Prepared` of it. Raises
    DescriptionError like `simulate`, and UsageError for a state that there is none of.
    """
    prepared = gadget if isinstance(gadget, Prepared) else Prepared(gadget)
    turning = {one.name: one for one in prepared.system.regions if one.written}
    for name, state in states:
        if name not in turning:
            raise UsageError(f"{name}: the gadget has no such region. Allowed: "
                             f"{', '.join(turning)}.{hint(name, turning)}")
        known = dict.fromkeys(word for one in turning[name].states
                              for word in (one.name, one.name.partition(".")[0]))
        if state not in known:
            raise UsageError(f"{name}.{state}: there is no such state. Allowed: "
                             f"{', '.join(known)}.{hint(state, known)}")
    if not (held or stock or any(turning[name].group == "dials" for name, _ in states)):
        return _current(prepared, prepared.standing().of(states), charge)[0]
    stand = brought(prepared, states, charge, held, stock)
    if stand is None:
        return MeanCurrent(charge=charge, left_by="other states than those asked for")
    return _current(prepared, stand, charge, tuple(held))[0]


def light_run_times(
    gadget: Gadget, *, prepared: Prepared | None = None
) -> dict[str, tuple[Mode, LightRunTime]]:
    """For each light that some mode drives, the mode in which it is brightest, and its run time.

    Bright is what it takes on the mean: steady light is brighter than the same light flashing, and
    the dials that it follows stand at their highest values (`dials` of the mode tells where).
    Of several modes it is the one in which most regions are where they start, as in
    `modes_of_states`, and toggles too; `outside` tells where they are turned. Bars are left out.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    starts = {region.name: region.starts for region in behaviour_of(prepared.system)}

    def moved(stand: Stand) -> int:
        return sum(starts[name] not in states for name, states in stand.allowed.items())

    def mean(mode: Mode, name: str) -> float:
        return mode.parts_a.get(name, 0.0)

    found: dict[str, tuple[Mode, LightRunTime]] = {}
    for positions, there in [({}, prepared), *elsewhere(prepared)]:
        for stand in sorted(listed(gadget, there.system, there.standing()).stands, key=moved):
            for name, mode in _brightest(there, stand).items():
                # Another part of the mode may make it a bit brighter: that is no other brightness.
                if name not in found or mean(mode, name) > 1.01 * mean(found[name][0], name):
                    found[name] = (replace(mode, outside=positions), mode.lights[name])
    return found


def _brightest(prepared: Prepared, stand: Stand) -> dict[str, Mode]:
    """The lights that have a run time in a stand, each with its mode there: with the dials that
    drive or scale it at their highest values where that makes it draw more.
    """
    follows: dict[str, list[Region]] = {}
    for region in _dials(prepared.system, stand):
        for name in region.states[0].touches:
            if any(_follows(state, name, region.name) for other, states in stand.allowed.items()
                   for state in prepared.system.region(other).states if state.name in states):
                follows.setdefault(name, []).append(region)
    turned = [(name, _turned(stand, regions, max)) for name, regions in follows.items()]
    found: dict[str, Mode] = {}
    made: dict[tuple[str, ...], Mode | None] = {}
    for only, at in [("", stand), *turned]:
        key = tuple(at.states.values())
        if key not in made:
            made[key] = None
            with contextlib.suppress(EndlessInstant):
                made[key] = _mode(prepared, at, 1.0)
        mode = made[key]
        if mode is None:
            continue
        for name in mode.lights:
            if only in ("", name) and (
                name not in found
                or mode.parts_a.get(name, 0.0) > found[name].parts_a.get(name, 0.0)
            ):
                found[name] = mode
    return found


def _follows(state: State, name: str, dial: str) -> bool:
    """Whether a state drives or scales an output by a dial."""
    drive = state.outputs.get(name)
    return (drive is not None and drive.dial == dial) or state.dial_scales.get(name) == dial


def _current(
    prepared: Prepared, stand: Stand, charge: float, held: tuple[Step, ...] = ()
) -> tuple[MeanCurrent, _Rested]:
    """What a stand draws on the mean, and how it was found."""
    rested = prepared.resting(stand, _resting, caused_by(prepared.system, held))
    system = rested.system
    places = tuple(
        n for n, region in enumerate(system.regions) if region.name in stand.allowed
    )
    allowed = tuple(stand.allowed[system.regions[n].name] for n in places)
    leaving = Leaving(places, allowed, prepared.gadget)
    # What is asked at one charge is read there; only what a charger does depends on how it moves.
    warm = _simulation(rested if held else rested.held_at(charge), charge, leaving, held)
    cycle = _come_round(warm, leaving, held)
    if cycle is None and leaving.left is None and _ticks(warm) and not held:
        # How long it lasts is asked too: all stands as it does, on the cell as it is emptied.
        at = replace(snapshot(warm), base=charge, moved=0.0)
        warm = _simulation(rested, charge, leaving, held, at)
    mixed: Blend | None = None
    # What comes and goes by itself: a sequence, or states between which the mode goes round.
    changing = any(due < IDLE for due in warm.stepper.due()[len(system.regions) :]) or any(
        len(states) > 1 for states in allowed)
    if leaving.left is not None:
        found = MeanCurrent(charge=charge, left_by=leaving.left[1])
    elif cycle is None and _ticks(warm):
        mixed = blend(rested, warm, charge)
        found = MeanCurrent(
            charge=charge, current_a=mixed.current_a, parts_a=mixed.parts_a,
            voltage_v=mixed.voltage_v, within_a=mixed.within_a,
            peak_a=mixed.peak_a if changing else None,
        )
    else:
        times = [(warm.phase.clock, 1.0)] if cycle is None else cycle.times()
        whole_s = sum(lasts_s for _, lasts_s in times)
        drawn = np.zeros(len(prepared.circuit.consumers))
        charger_a, peak_a = 0.0, 0.0
        for clock, lasts_s in times:
            if lasts_s:
                amps, output_a = clock.currents(charge)
                drawn += lasts_s / whole_s * np.array(amps)
                charger_a += lasts_s / whole_s * output_a
                peak_a = max(peak_a, sum(amps))
        own = dict(zip(prepared.circuit.consumers, drawn.tolist(), strict=True))
        if cycle is not None and cycle.wakes * cycle.wake_c:
            own["controller"] = own.get("controller", 0.0) + cycle.wakes * cycle.wake_c / whole_s
        found = MeanCurrent(
            charge=charge, current_a=sum(own.values()), parts_a=own,
            voltage_v=min(clock.voltage(charge) for clock, _ in times), charger_a=charger_a,
            peak_a=peak_a if changing and cycle is not None else None,
        )
    gauge = prepared.gadget.gauge
    if gauge is not None and gauge.light is not None:
        lit = found.parts_a.get(gauge.light, 0.0) > 0.0
        found = replace(found, bars=warm.phase.bars if lit else 0)
    # Cycle and blend tell what moves; without either everything stands.
    turning: Collection[int] = ()
    if cycle is not None:
        turning = cycle.moving
    elif mixed is not None:
        turning = mixed.moving
    dials = {region.name: int(warm.stepper.state_name(region.name))
             for number, region in enumerate(system.regions)
             if region.group == "dials" and number not in turning}  # fmt: skip
    return found, _Rested(rested, places, allowed, mixed, dials)


def _come_round(
    warm: Simulation, leaving: Leaving, held: tuple[Step, ...]
) -> Cycle | None:
    """Let time go by until all comes round that ticks; the cycle, None where it does not or the
    mode is left.
    """
    cycle: Cycle | None = None
    with contextlib.suppress(LeftError):
        _play_out(warm)
    if leaving.left is not None:
        return None
    # A press may be a hold for a while yet.
    for lasts_ns in _WARM_UPS_NS[any(isinstance(step, Press) for step in held):]:
        warm.end = lasts_ns
        with contextlib.suppress(LeftError):
            warm.go(MOST_INSTANTS)
        cycle = whole_cycle(warm)
        if cycle is not None or leaving.left is not None or not _ticks(warm):
            break
        if _joint_edges(warm) > MOST_EDGES:
            break
    return cycle


def _ticks(warm: Simulation) -> bool:
    """Whether anything comes and goes: without its supply the firmware does nothing."""
    return warm.alive and warm.phase.ticks


def _play_out(warm: Simulation) -> None:
    """Let time go by until the sequences that end are over. What ticks comes round sooner, and
    would be taken for all there is.
    """
    if len(warm.stepper.dues) == len(warm.stepper.region_names):
        return  # nothing plays a sequence
    warm.end = 1  # it has begun, and every clock has its due time
    warm.go()
    ends_ns = max((lasts_ns for lasts_ns, _, ends in _played(warm) if ends), default=0)
    if ends_ns:
        warm.end, warm.still, still = ends_ns + 1, False, warm.still
        warm.go(MOST_INSTANTS)
        warm.still = still
        warm.folder.let_go()


def _played(simulation: Simulation) -> list[tuple[int, int, bool]]:
    """Of each sequence that plays now: how long it goes on until it is as it is now or over (ns),
    in how many steps, and whether it ends.
    """
    stepper = simulation.stepper
    first = len(stepper.region_names)
    found = []
    for number, due in enumerate(stepper.dues[first:], start=first):
        if due < IDLE:
            here = stepper.states[number]
            lasts_ns, start, steps = 0, here, 0
            while True:
                group = stepper.dwells[number][here][0]
                lasts_ns, steps, here = lasts_ns + group[0], steps + 1, group[1][0].target
                if here in (0, start):
                    break
            found.append((lasts_ns, steps, here != start))
    return found


def _joint_edges(simulation: Simulation) -> int:
    """How many steps of sequences end before all that play now are as they were. One that plays
    out is no part of what comes round.
    """
    rounds = [(lasts_ns, steps) for lasts_ns, steps, ends in _played(simulation) if not ends]
    period_ns = math.lcm(*(lasts_ns for lasts_ns, _ in rounds))
    return sum(period_ns // lasts_ns * steps for lasts_ns, steps in rounds)


def _mode(prepared: Prepared, stand: Stand, charge: float) -> Mode:
    gadget = prepared.gadget
    found, how = _current(prepared, stand, charge)
    readings = {
        key: (figure.low, figure.value, figure.high)
        for key, figure in gadget.readings.items()
        if is_reading_of(key, stand.allowed)
    }
    lights: Mapping[str, LightRunTime] = {}
    about = False
    if how.mixed is not None:
        run_time_s, ends_by = how.mixed.run_time_s, how.mixed.ends_by
    else:
        lasts = lasting(how.rested, how.places, how.allowed)
        run_time_s, ends_by, lights = lasts.run_time_s, lasts.ends_by, dict(lasts.lights)
        about = lasts.about
    drawn = {name: amps for name, amps in found.parts_a.items() if amps > 0.0}
    return Mode(
        states=_shown(how.rested.system, stand),
        charge=charge,
        current_a=found.current_a,
        parts_a=dict(sorted(drawn.items(), key=lambda item: -item[1])),
        voltage_v=found.voltage_v,
        run_time_s=run_time_s,
        run_time_about=about,
        ends_by=ends_by,
        lights=lights,
        readings=readings,
        within_a=found.within_a,
        left_by=found.left_by,
        dials={region.name: how.dials[region.name] for region in _dials(prepared.system, stand)
               if region.name in how.dials},
        over_dials_a=_over_dials(prepared, stand, charge),
        peak_a=found.peak_a,
    )


def _dials(system: System, stand: Stand) -> list[Region]:
    """The dials by which states of this stand drive or scale something."""
    used = {
        dial for name, states in stand.allowed.items() for state in system.region(name).states
        if state.name in states for dial in state.dials
    }
    return [region for region in system.regions if region.name in used]


def _over_dials(prepared: Prepared, stand: Stand, charge: float) -> tuple[float, float] | None:
    """The mean current with every dial at its lowest value, and with every dial at its highest."""
    dials = _dials(prepared.system, stand)
    if not dials:
        return None

    ends = []
    for end in (min, max):
        found, _ = _current(prepared, _turned(stand, dials, end), charge)
        if found.current_a is None:
            return None
        ends.append(found.current_a)
    return ends[0], ends[1]


def _turned(stand: Stand, dials: Iterable[Region], end: Callable[..., State]) -> Stand:
    """A stand with some dials at their lowest values (`end` is min) or their highest (max)."""

    def value(state: State) -> tuple[int, float]:
        assert state.position is not None
        return state.position.drive.segments or 0, state.position.drive.duty

    turned = {region.name: end(region.states, key=value).name for region in dials}
    return Stand(allowed=stand.allowed, states={**stand.states, **turned})


def _shown(system: System, stand: Stand) -> dict[str, str]:
    """The states of each deciding region, in the order of the file."""
    return {
        region.name: "/".join(
            state.name for state in region.states if state.name in stand.allowed[region.name]
        )
        for region in behaviour_of(system) if region.name in stand.allowed
    }


def _simulation(
    prepared: Prepared, charge: float, leaving: Leaving, held: tuple[Step, ...],
    resume: Snapshot | None = None,
) -> Simulation:
    rest = Scenario(
        title="rest", gadget_path=Path(), charge=charge, lasts_ns=_WARM_UPS_NS[0], steps=held
    )
    return Simulation(prepared, rest, 0, True, False, (leaving,), resume, log=False,
                      plays=True, still=not held)


def _resting(system: System, stand: Stand, caused: frozenset[str]) -> System:
    """The same system, standing so from the start, without what would end it by itself, or by an
    event of what is held (`caused`).
    """
    events = caused | spontaneous(
        region for region in system.regions if region.written)
    return begun(system, [
        _standing(region, stand, events, caused) if region.written else region
        for region in system.regions
    ])


def _standing(
    region: Region, stand: Stand, events: frozenset[str], caused: frozenset[str]
) -> Region:
    rows = tuple(row for row in region.rows if row.on not in caused)
    inside = stand.allowed.get(region.name)
    if inside is not None:
        rows = tuple(row for row in rows if not leads_out(region, row, inside, events))
    return replace(region, starts=stand.states.get(region.name, region.starts), rows=rows)
