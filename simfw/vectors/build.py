"""From the search to a small set of vectors, each confirmed by the simulator."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from heapq import heapify, heappop, heappush
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.behaviour.hold import holding
from simfw.behaviour.region import System
from simfw.behaviour.sequences import steady
from simfw.engine.plant import Plant
from simfw.engine.simulator import Prepared, Simulation
from simfw.errors import UntellableInstant
from simfw.stimuli.inputs import INPUTS, settable
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from simfw.vectors.bands import FOR_THE_HOST, Bands, for_real_units
from simfw.vectors.beyond import Beyond, Known
from simfw.vectors.brief import shortest_ns
from simfw.vectors.clocked import in_time
from simfw.vectors.closing import Closing
from simfw.vectors.company import Company
from simfw.vectors.contacts import Contacts
from simfw.vectors.drills import (
    chord_drills,
    in_two_steps,
    jumps,
    met_exactly,
    staying,
    twice,
)
from simfw.vectors.faults import Fault
from simfw.vectors.fitting import LONGEST_NS, at_power_up, clock_of, fits, is_close
from simfw.vectors.items import (
    HELD,
    all_items,
    count_kinds,
    drill_items,
    key_of,
    reached_states,
    sides,
)
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay, Replayer, Track
from simfw.vectors.search import SIDE, beside, resting_hands, search
from simfw.vectors.sketch import Act
from simfw.vectors.whittle import ONWARD, TOLD, TURNS, Exposure, Whittler

if TYPE_CHECKING:
    from simfw.circuit.circuit import Circuit
    from simfw.gadget.model import Gadget

__all__ = ["Rehearsal", "Vector", "VectorSet", "act_kind", "acts_of", "find_paths", "lasting",
           "make_vectors", "rehearsed", "replay_scenario", "tail_ns", "to_scenario"]  # fmt: skip

MS = 1_000_000
# Why a vector is for the host.
WHY = ORDER, READING, CLOCK, LENGTH, SUPPLY = "order", "reading", "clock", "length", "supply"
LEAST_LOSS_NS = 20 * MS  # that the capacitors of a board do not bridge; common practice, no source
TAIL_NS = 50 * MS  # how long a vector goes on after its last act, at least
BENCH = ("measured", "status", "held", "supply")  # acts that only a bench can do
POWER_UPS = {"power alone": "power-up", "power usb": "power-up with USB",
             HELD: "power-up with a contact closed"}  # fmt: skip
# Faults that show to the nanosecond only.
EXACT = ("expiry", "deaf", "eclipsed", "met", "regions", "order", "sign", "step")
WORTH_FOLDING_NS = 30_000 * MS
LONGEST_TAIL_NS = 10_000 * MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Vector:
    """One test vector.

    `scenario` is None for a bench vector. `covers` are its items, `adds` those that no vector
    before it covers. `replay` holds what the model does. An `exact` one hangs on what comes first
    within a few milliseconds, or on a reading at its very level, a `near` one on readings that not
    every unit takes alike, and one that `drifts` shows something else to a clock that is as far off
    as it may be: these are for the host only. `windows` (earliest, latest, ns) are those of its
    edges; None for the exact times.
    """

    name: str
    title: str
    charge: float
    acts: tuple[Act, ...]
    ends_ns: int
    scenario: Scenario | None
    replay: Replay
    adds: tuple[str, ...]
    exact: bool = False
    near: bool = False
    drifts: bool = False
    windows: tuple[tuple[int, int], ...] | None = None

    @property
    def why(self) -> str:
        """Why a bench and a real unit cannot be held to it; empty where they can."""
        return (ORDER if self.exact else READING if self.near else CLOCK if self.drifts
                else LENGTH if self.ends_ns > LONGEST_NS
                else SUPPLY if shortest_ns(self.acts) < LEAST_LOSS_NS else "")

    @property
    def for_host(self) -> bool:
        """Whether a bench and a real unit cannot be held to it."""
        return bool(self.why)

    @property
    def covers(self) -> frozenset[str]:
        """The items covered."""
        return self.replay.covers


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorSet:
    """All vectors of a gadget, what they are to cover, and what stays uncovered, with the why;
    `bands` is what real units can tell apart (None where nothing is measured). Both sides are asked
    for of one time in `one_in`.
    """

    vectors: tuple[Vector, ...]
    items: tuple[str, ...]
    missing: tuple[tuple[str, str], ...]
    exposure: Exposure
    bands: Bands | None = None
    one_in: int = 1

    def covered(self) -> frozenset[str]:
        """The items that some vector covers."""
        return frozenset().union(*(vector.covers for vector in self.vectors)) & set(self.items)

    def by_origin(self) -> Mapping[str, tuple[str, ...]]:
        """For each row, the vectors in which it fires, by name."""
        found: dict[str, list[str]] = {}
        for vector in self.vectors:
            for item in vector.covers:
                if item.startswith("row "):
                    found.setdefault(key_of(item), []).append(vector.name)
        return {key: tuple(names) for key, names in found.items()}

    def coverage_lines(self) -> tuple[str, ...]:
        """In words, by kind, the faults that are exposed, then what is run through."""
        return (*self.exposure.lines(),
                *(f"run through, {name}: {done} of {wanted}"
                  for name, done, wanted in count_kinds(self.covered(), self.items)),
                *([f"there are many times: of one in {self.one_in} only it is asked that something "
                   "comes just before, and just after, its end"] if self.one_in > 1 else ()))


def acts_of(scenario: Scenario, gadget: Gadget) -> tuple[Act, ...]:
    """The changes of inputs in a scenario, in order."""
    from simfw.engine.timeline import timeline

    names: dict[tuple[str, str], list[str]] = {
        (kind.kind, name): [name] for kind, name in settable(gadget)}
    names |= {(kind, name): [name] for kind in ("contact", "hand", "usb")
              for name in INPUTS[kind].members(gadget)}
    names["temperature", "temperature"] = [
        name for name, measure in gadget.measures.items() if measure.source]
    return tuple(Act(change.time_ns, act_kind(change.kind), name, change.value)
                 for change in timeline(scenario, gadget)
                 for name in names.get((change.kind, change.name), ())
                 if change.time_ns < scenario.lasts_ns)  # fmt: skip


def act_kind(kind: str) -> str:
    """The kind of act that a change of an input is to a firmware."""
    if kind in INPUTS and INPUTS[kind].contact:
        return "contact"
    return "measure" if kind == "temperature" else kind


def tail_ns(gadget: Gadget) -> int:
    """How long a vector goes on after its last act: two samples of a quick gauge, so that a wrong
    count of bars has time to show.
    """
    gauge = gadget.gauge
    samples = 2 * gauge.every.ns + MS if gauge is not None else 0
    return max(TAIL_NS, samples if samples <= LONGEST_TAIL_NS else 0)


def to_scenario(gadget: Gadget, charge: float, acts: Sequence[Act], ends_ns: int
                ) -> Scenario | None:
    """Acts as a scenario that lasts a little longer; None where they need what only a bench can do.

    A contact or hand that is still there at the end stays until after the end.
    """
    steps: list[Step] = []
    open_at: dict[tuple[str, str], Act] = {}
    lasts_ns = ends_ns + tail_ns(gadget)
    kinds = {name: kind for kind, name in settable(gadget)}

    def close(kind: str, name: str, at: int) -> None:
        began = open_at.pop((kind, name))
        length = max(1, at - began.at_ns)
        if kind == "contact":
            steps.append(Press(at_ns=began.at_ns, button=name, for_ns=length))
        else:
            steps.append(Wave(at_ns=began.at_ns, sensor=name, distance_m=began.value,
                              for_ns=length))  # fmt: skip

    for act in acts:
        key = (act.kind, act.name)
        if act.kind in BENCH:
            return None
        if act.kind == "usb":
            steps.append(Usb(at_ns=act.at_ns, present=bool(act.value)))
        elif act.name in kinds:
            steps.append(kinds[act.name].set_to(gadget, act.name, act.at_ns, act.value))
        elif act.kind not in ("contact", "hand"):
            return None
        elif key in open_at:
            close(*key, act.at_ns)
        else:
            open_at[key] = act
    for kind, name in list(open_at):
        close(kind, name, lasts_ns + MS)
    steps.sort(key=lambda step: step.at_ns)
    path = Path(gadget.file) if gadget.file else Path("gadget.toml")
    return Scenario(title="", gadget_path=path, charge=charge, lasts_ns=lasts_ns,
                    steps=tuple(steps), gadget=gadget)  # fmt: skip


class Rehearsal(Replayer):
    """A replayer with a plant for the simulations beside which it replays scenarios."""

    def __init__(self, prepared: Prepared) -> None:
        super().__init__(prepared.system, prepared.circuit, prepared.gadget.segments,
                         prepared.clocks)  # fmt: skip
        self.prepared = prepared.without_rules()
        self.plant = Plant(self.prepared)


def replay_scenario(model: Rehearsal, scenario: Scenario, *, whole: bool = True) -> Replay | None:
    """Run a scenario and replay it beside the run; None where the two do not see the same events.

    They may part where a voltage lies so close to a threshold that the rounding of the charge
    between two points decides, and where the protection opens. None, too, where an instant moves a
    number past a level that is asked before and after.
    """
    track = Track()
    # In a short stretch, finding cycles costs more than it saves.
    fold = scenario.lasts_ns > WORTH_FOLDING_NS
    run = Simulation(model.prepared, scenario, 0, fold, False, [track], None, model.plant)
    run.go()
    if run.empty_at is not None:
        return None
    try:
        result = model.play(charge=scenario.charge, acts=acts_of(scenario, model.prepared.gadget),
                            ends_ns=scenario.lasts_ns, track=track, whole=whole)  # fmt: skip
    except UntellableInstant:
        return None
    seen = [(event.time_ns, event.name) for event in run.events]
    return result if seen == result.events else None


def rehearsed(model: Rehearsal, charge: float, acts: Sequence[Act], ends_ns: int
              ) -> tuple[Scenario | None, int, Replay | None]:  # fmt: skip
    """A course up to `ends_ns` as a vector has it: as a scenario, if hands can go it, until when
    edges are looked for, and what the model does; None where no firmware can be told it.
    """
    gadget = model.prepared.gadget
    scenario = to_scenario(gadget, charge, acts, ends_ns)
    if scenario is not None:
        return scenario, scenario.lasts_ns, replay_scenario(model, scenario, whole=False)
    lasts_ns = ends_ns + tail_ns(gadget)
    return None, lasts_ns, model.played(charge, acts, lasts_ns)


def lasting(model: Rehearsal, charge: float, acts: Sequence[Act], lasts_ns: int) -> Replay | None:
    """What the model does in a vector that lasts so long, its tail included."""
    ends_ns = max(0, lasts_ns - tail_ns(model.prepared.gadget))
    return rehearsed(model, charge, acts, ends_ns)[2]


def _greedy(found: Sequence[Found], wanted: set[str]) -> list[Found]:
    """Few paths that together cover what all cover: always the one that adds most, then short."""
    left = set(wanted)
    chosen: list[Found] = []
    # What a path adds only grows less, so a count made earlier is never too small.
    heap = [(-len(path.covers & left), len(path.acts), path.ends_ns, number)
            for number, path in enumerate(found)]  # fmt: skip
    heapify(heap)
    while heap:
        adds, count, ends_ns, number = heappop(heap)
        still = -len(found[number].covers & left)
        if not still:
            continue
        if still != adds:
            heappush(heap, (still, count, ends_ns, number))
            continue
        chosen.append(found[number])
        left -= found[number].covers
    return chosen


def _covered(paths: Sequence[Found]) -> set[str]:
    return set().union(*(path.covers for path in paths))


def _chained(found: Sequence[Found]) -> list[Found]:
    """Bench paths one after the other, as far as they begin alike: one long path of each kind."""
    kinds: dict[tuple[float, tuple[Act, ...]], list[Found]] = {}
    for path in found:
        first = next((act.at_ns for act in path.acts if act.kind in BENCH), 0)
        if first > 0:  # what is set before power-up cannot be set again later
            begins = tuple(act for act in path.acts if act.at_ns < first)
            kinds.setdefault((path.charge, begins), []).append(path)
    chains = []
    for (_, begins), paths in kinds.items():
        acts = list(paths[0].acts)
        ends = paths[0].ends_ns
        for path in paths[1:]:
            rest = path.acts[len(begins) :]
            shift = ends - (begins[-1].at_ns if begins else 0)
            acts += [replace(act, at_ns=act.at_ns + shift) for act in rest]
            ends = path.ends_ns + shift
        chains.append(Found(charge=paths[0].charge, acts=tuple(acts), ends_ns=ends,
                            covers=frozenset()))  # fmt: skip
    return chains


def _title(adds: Sequence[str]) -> str:
    keys = list(dict.fromkeys(
        POWER_UPS[item] if item in POWER_UPS
        else key_of(item).removeprefix("behaviour.") for item in adds))  # fmt: skip
    more = f" and {len(keys) - 3} more" if len(keys) > 3 else ""
    return f"covers {', '.join(keys[:3])}{more}"


def _closed(path: Found, closing: Closing) -> Found:
    acts, ends_ns = closing.acts(path.acts, path.ends_ns)
    return replace(path, acts=(*path.acts, *acts), ends_ns=ends_ns)


def _off_levels(system: System, path: Found) -> Found:
    """A path on which nothing is measured at a level exactly, as a bench cannot set it: what has
    reached the same levels is set.
    """
    def off(act: Act) -> Act:
        levels = system.measures.get(act.name) if act.kind == "measure" else None
        if levels is None or act.value not in levels.all:
            return act
        return replace(act, value=next(value for value in levels.between()
                                       if levels.reached(value) == levels.reached(act.value)))

    return replace(path, acts=tuple(map(off, path.acts)))


def _closing(gadget: Gadget, circuit: Circuit) -> Closing:
    return Closing(gadget, {name: reach for name, reach in resting_hands(gadget, circuit).items()
                            if reach is not None})


def _candidates(prepared: Prepared, model: Rehearsal, found: Sequence[Found], wanted: set[str]
                ) -> list[tuple[Found, Scenario | None, Replay]]:
    """The paths as replays, with what they really cover; those without news are left out."""
    good = []
    closing = _closing(prepared.gadget, prepared.circuit)
    left = set(wanted)
    for path in found:
        if path.covers and not path.covers & left:
            continue  # what it was found for has been covered by the way
        if not any(act.kind in BENCH for act in path.acts):
            path = _closed(path, closing)
        path = _off_levels(prepared.system, path)
        scenario, ends_ns, done = rehearsed(model, path.charge, path.acts, path.ends_ns)
        if done is None:
            continue
        path = replace(path, ends_ns=ends_ns, covers=done.covers)
        good.append((path, scenario, done))
        left -= path.covers
    return good


def _made(gadget: Gadget, found: Sequence[Found], items: Sequence[str]) -> list[Found]:
    """Paths for items that are not searched for, made of one found for the row (see `drills`)."""
    paths = []
    for item in items:
        row = f"row {key_of(item)}"
        mine = sorted((path for path in found if row in path.covers),
                      key=lambda path: (len(path.acts), path.ends_ns))  # fmt: skip
        other = (in_two_steps(gadget, path) if item.startswith("alone ") else twice(path)
                 for path in mine)  # fmt: skip
        paths.append(next((path for path in other if path is not None), None))
    return [path for path in dict.fromkeys(paths) if path is not None]


def find_paths(gadget: Gadget, prepared: Prepared | None = None) -> list[Found]:
    """The paths that the vectors of a gadget are made of: half of the work of `make_vectors`."""
    prepared = Prepared(gadget) if prepared is None else prepared
    plain = steady(holding(prepared.system))
    return search(gadget, plain, prepared.circuit, gadget.segments, prepared.clocks)


def make_vectors(gadget: Gadget, system: System, prepared: Prepared | None = None,
                 found: list[Found] | None = None, effort: int = 1) -> VectorSet:  # fmt: skip
    """The test vectors of a gadget. A pure function of the gadget: the search draws nothing.

    `found` is what `find_paths` gives, where that is known already; with `effort` the search for
    what tells faults does so many times the usual work.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    system = holding(system)
    found = find_paths(gadget, prepared) if found is None else found
    drilled = drill_items(system)
    items = (*all_items(system), *drilled)
    swept = [jumps(gadget, path) for path in found[-1:] if gadget.gauge is not None]
    # Pairs are counted where they come along; no vector is there for a pair alone.
    wanted = {item for item in items if not item.startswith("pair ")}
    first = sorted(_greedy(found, wanted), key=lambda path: -len(path.covers))
    model = Rehearsal(prepared)
    named = [("every level of the gauge from both sides", path) for path in swept]
    named += [(f"the time of chord {name}", path)
              for name, path in zip(gadget.chords, chord_drills(gadget), strict=True)]  # fmt: skip
    named += [(f"a hand that stays before {name}", path)
              for name, path in zip(gadget.proximity, staying(gadget, prepared.circuit),
                                    strict=False)]  # fmt: skip
    contacts = Contacts(gadget, system, prepared.circuit)
    named += [*contacts.at_power_up(), *contacts.flat()] if effort else []
    named += [*Company(gadget, system, prepared.circuit).courses()] if effort else []
    titled = [(title, one) for title, path in named
              for one in _candidates(prepared, model, [path], wanted)]  # fmt: skip
    always = [one for _, one in titled]
    still = wanted - _covered([path for path, _, _ in always])
    more = [*_chained(found), *first, *_made(gadget, found, drilled)]
    done = _candidates(prepared, model, more, still)
    by_path = {id(path): (scenario, played) for path, scenario, played in [*always, *done]}
    vectors: list[Vector] = []
    left = set(items)
    chosen = _greedy([path for path, _, _ in done], still)
    for number, path in enumerate([*(path for path, _, _ in always), *chosen]):
        adds = tuple(item for item in items if item in path.covers and item in left)
        left -= path.covers
        scenario, played = by_path[id(path)]
        alike = sum((vector.scenario is None) == (scenario is None) for vector in vectors)
        name = f"{'v' if scenario else 'b'}{alike + 1:02d}"
        title = titled[number][0] if number < len(titled) else _title(adds)
        exact = at_power_up(path.acts)
        title = f"{FOR_THE_HOST}{title}" if exact else title
        if scenario is not None:
            scenario = replace(scenario, title=f"{name}: {title}")
        vectors.append(Vector(name=name, title=title, charge=path.charge, acts=path.acts, adds=adds,
                              ends_ns=path.ends_ns, scenario=scenario, replay=played, exact=exact))
    exposure = _sharpen(prepared, model, found, vectors, effort, contacts)
    vectors += _more(prepared, model, vectors, found) if effort else ()
    vectors = for_real_units(prepared, model, vectors, exposure, lambda scenario: replay_scenario(
        model, scenario, whole=False))
    left = set(items)
    vectors = list(_in_time(model, vectors))
    for number, vector in enumerate(vectors):
        adds = tuple(item for item in items if item in vector.covers and item in left)
        left -= vector.covers
        vectors[number] = replace(vector, adds=adds)
    missing = tuple((item, _why(system, item)) for item in items
                    if item in left and not item.startswith("pair "))  # fmt: skip
    return VectorSet(vectors=tuple(vectors), items=items, missing=missing, exposure=exposure,
                     bands=Bands.of(prepared), one_in=sides(system)[0])  # fmt: skip


def _in_time(model: Rehearsal, vectors: Sequence[Vector]) -> Iterator[Vector]:
    """The vectors with their windows, those that a clock within its tolerance spoils marked."""
    def at(vector: Vector, rate: Fraction) -> Replay | None:
        acts = [replace(act, at_ns=round(act.at_ns * rate)) for act in vector.acts]
        return lasting(model, vector.charge, acts, round(vector.ends_ns * rate))

    return in_time(vectors, clock_of(model.prepared.gadget), at)


def _more(prepared: Prepared, model: Rehearsal, vectors: Sequence[Vector], found: Sequence[Found]
          ) -> list[Vector]:  # fmt: skip
    """Vectors like some of these, and others, for faults of which no row tells."""
    made = list(vectors)
    closing = _closing(prepared.gadget, prepared.circuit)
    known = [Known(Found(charge=vector.charge, acts=vector.acts, ends_ns=vector.ends_ns,
                         covers=vector.covers), vector.replay,
                   by_hand=vector.scenario is not None, exact=vector.exact)
             for vector in vectors]  # fmt: skip
    beyond = Beyond(prepared.gadget, prepared.system, prepared.circuit, known, found,
                    lambda path: model.played(path.charge, path.acts, path.ends_ns),
                    lambda path: _closed(path, closing), partial(fits, prepared, model))
    for title, path, parts in beyond.courses():
        for one in (path, *parts):
            vector = _made_vector(prepared, model, one, made, (), title)
            made += [] if vector is None else [vector]
            if one is path and vector is not None:
                break
    return made[len(vectors) :]


def _sharpen(prepared: Prepared, model: Rehearsal, found: Sequence[Found], vectors: list[Vector],
             effort: int, contacts: Contacts) -> Exposure:  # fmt: skip
    """Add vectors to `vectors` that expose faults which those there do not; what is exposed."""
    gadget, system = prepared.gadget, holding(prepared.system)
    whittler = Whittler(gadget, system, prepared.circuit, found, effort)
    for vector in vectors:
        whittler.add(vector.name, vector.replay)
    whittler.judge()
    closing = _closing(gadget, prepared.circuit)

    def kept(path: Found, *faults: Fault, title: str = "") -> bool:
        made = _made_vector(prepared, model, path, vectors, faults, title, exact=bool(title))
        new = made is not None and whittler.add(made.name, made.replay, faults,
                                                always=bool(title))
        if made is not None and new:
            vectors.append(made)
        return new

    def keep(path: Found, *faults: Fault) -> None:
        """The first of the ways to end a path that makes a new vector."""
        for one in _ways(path, closing):
            if kept(one, *faults):
                return

    def gone_through(path: Found, *, anew: bool, met: bool = True) -> None:
        """Keep a course up to where it has told the last of the faults that it tells."""
        played = model.played(path.charge, path.acts, path.ends_ns)
        news = [] if played is None else whittler.news(played, anew=anew, met=met)
        if news:
            last = max(parts_ns for _, parts_ns in news)
            acts = tuple(act for act in path.acts if act.at_ns <= last)
            cut = replace(path, acts=acts, ends_ns=last + MS)
            keep(cut, *(fault for fault, _ in news))

    def played_through(how: str, share: float) -> Iterator[tuple[Fault, Found]]:
        """The faults that are settled, with the paths that do tell them when they are played."""
        for fault, path in whittler.settled(how, share):
            played = model.played(path.charge, path.acts, path.ends_ns)
            if played is not None and whittler.tells(fault, played):
                yield fault, path

    for title, path in contacts.at_its_end() if effort else ():
        kept(_closed(path, closing), title=title)
    met = set[tuple[str, str]]()
    for one, slips in whittler.meetings():
        if (one.key, one.event) in met:
            continue
        path = _ended(gadget, one.path, closing, whittler.teller.reading)
        played = model.played(path.charge, path.acts, path.ends_ns)
        if played is None:
            continue
        told = [fault for fault in slips if whittler.tells(fault, played)]
        title = one.event and f"{one.event} as {one.key.removeprefix('behaviour.')} ends"
        if told and kept(path, *told, title=title) and one.event:
            met.add((one.key, one.event))
    exactly = [met_exactly(gadget, path) for path in found[-1:]]
    courses = chain(((path, False) for path in exactly if path is not None),
                    ((path, True) for path in (whittler.toured() if effort else ())),
                    ((path, False) for path in whittler.strolls()),
                    ((path, True) for path in (whittler.driven(contacts) if effort else ())),
                    ((path, True) for path in (whittler.danced() if effort else ())),
                    ((path, True) for path in (whittler.hurried() if effort else ())))
    for path, anew in courses:
        gone_through(path, anew=anew)
    for fault, path in chain(whittler.gone_over(found), whittler.eclipsed()) if effort else ():
        played = model.played(path.charge, path.acts, path.ends_ns)
        if played is not None and whittler.tells(fault, played):
            keep(path, fault)
    for how, much in TURNS:
        for met_there, path in whittler.onward(int(much)) if how == ONWARD and effort else ():
            gone_through(path, anew=True, met=met_there)
        for fault, path in () if how == ONWARD else (whittler.told(int(much)) if how == TOLD
                            else played_through(how, much)):
            keep(path, fault)
    return whittler.exposure()


def _ended(gadget: Gadget, path: Found, closing: Closing, reading: str) -> Found:
    """A path that ends with all at rest, and with the highest reading if it sets any."""
    gauge = gadget.gauge
    if gauge is not None and gauge.thresholds and any(act.kind == "measured" for act in path.acts):
        highest = max(level.value for level in gauge.thresholds) + gauge.gap
        top = beside(reading, highest, SIDE)
        act = Act(path.ends_ns + MS, "measured", reading, top)
        path = replace(path, acts=(*path.acts, act), ends_ns=act.at_ns + 2 * gauge.every.ns)
    return _closed(path, closing)


def _ways(path: Found, closing: Closing) -> tuple[Found, ...]:
    """A path that hands can go ends with all at rest, if it tells as much then."""
    by_bench = any(act.kind in BENCH for act in path.acts)
    return (path,) if by_bench else (_closed(path, closing), path)


def _made_vector(prepared: Prepared, model: Rehearsal, path: Found, vectors: Sequence[Vector],
                 faults: Sequence[Fault], title: str = "", *, exact: bool = False
                 ) -> Vector | None:  # fmt: skip
    """A path as a vector that tells faults; None where its run is none that a firmware can get.

    Without faults it has a `title`; an `exact` one shows what comes first in one instant.
    """
    path = _off_levels(prepared.system, path)
    scenario, ends_ns, played = rehearsed(model, path.charge, path.acts, path.ends_ns)
    if played is None:
        return None
    alike = sum((vector.scenario is None) == (scenario is None) for vector in vectors)
    name = f"{'v' if scenario else 'b'}{alike + 1:02d}"
    exact = (exact or any(fault.kind in EXACT for fault in faults)
             or is_close(prepared, replace(path, ends_ns=ends_ns)))  # fmt: skip
    if not title:
        title = f"tells {faults[0].text.removeprefix('behaviour.')}"
        title += f" and {len(faults) - 1} more" if len(faults) > 1 else ""
    made = Vector(name=name, title=title, charge=path.charge, acts=path.acts, ends_ns=ends_ns,
                  scenario=scenario, replay=played, adds=(), exact=exact)  # fmt: skip
    title = f"{FOR_THE_HOST if made.for_host else ''}{title}"
    if scenario is not None:
        scenario = replace(scenario, title=f"{name}: {title}")
    return replace(made, title=title, scenario=scenario)


def _why(system: System, item: str) -> str:
    kind, key, *more = item.split(" ")
    if kind in ("goes", "back"):
        return "the firmware was never seen to let go of its supply there" if kind == "goes" else (
            "nothing was found that lets go of the supply and then brings it back so")
    state = more[0] if kind == "resume" else key.rpartition(":")[2]
    for region in system.regions if kind in ("drive", "resume") else ():
        mine = key.startswith(f"{region.name}:") or any(row.key == key for row in region.rows)
        if mine and state not in reached_states(region):
            return f"no row leads to {state}"
    if kind == "after":
        return "no input was found that comes just after it"
    if kind == "early":
        return "no input was found that ends the stay in its last part"
    if kind == "guard":
        return "the guard was never heard to say so; it may not be able to"
    return "not reached by the search"
