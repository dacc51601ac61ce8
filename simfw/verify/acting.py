"""From a way of the search to what a person would do: presses, hands, the USB plug."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simfw.behaviour.stock_measures import levels_of
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, Input, settable
from simfw.stimuli.scenario import ChargerFault, Press, Step, Usb, Wave
from simfw.verify.abstraction import SUPPLY_ACTS, Reduced
from simfw.verify.explore import Way
from simfw.verify.timing import Difference, earliest, way_differences

__all__ = ["Acts", "act_out"]

MS = 1_000_000
GAPS = (500 * MS, 200 * MS, 50 * MS, 10 * MS, MS, 1)
HAND_M = 0.10


@dataclass(frozen=True, slots=True)
class Acts:
    """What to do when, and when the last instant of the way is.

    `cut_ns` is when the supply first goes, where the way has that.
    """

    steps: tuple[Step, ...]
    end_ns: int
    cut_ns: int | None = None


@dataclass(slots=True)
class _Did:
    """One thing of one instant.

    `what` is "press", "release", "edge", "hit", "miss", "usb", "fault", "cut", of a toggle "closed"
    or "opened", of a measure "up" or "down" with the count that it comes to.
    """

    what: str
    name: str
    number: int


def act_out(
    gadget: Gadget, reduced: Reduced, way: Way, *, shift: int = 0
) -> Iterator[Acts]:
    """Candidate scenarios for `way`, the most comfortable timing first.

    What the machine left free is filled in with the gadget's own timings: a settled press is an
    edge one debounce time earlier, an echo a hand that is there while looks are taken. `shift`
    eighths of a look move the hands against the looks.
    """
    did = list(_did(gadget, reduced, way))
    seen: set[Acts] = set()
    for gap in GAPS:
        differences = [*way_differences(way.steps, gap), *_own_timings(gadget, reduced, did, gap)]
        times = earliest(len(way.steps), differences)
        if times is None:
            continue
        cut = next((times[one.number] for one in did if one.what == "cut"), None)
        acts = Acts(tuple(_steps(gadget, reduced, did, times, shift)), times[-1], cut)
        if acts not in seen:
            seen.add(acts)
            yield acts


def _did(gadget: Gadget, reduced: Reduced, way: Way) -> Iterator[_Did]:
    machine = reduced.machine
    emits = {row.key: row.emit for region in machine.regions for row in region.rows}
    flags = machine.flag_values(way.start.config)
    counted = {row.key: row.to for region in machine.regions if region.name in gadget.measures
               for row in region.rows if row.emit}
    stays = _staying(gadget)
    for flag, value in flags.items():
        name = flag.removesuffix(".closed")
        rests = name in stays and bool(stays[name].rest(gadget, name))
        if value != rests and flag.endswith(".closed"):
            yield _Did("edge", name, 0)
        elif value and flag == "usb":
            yield _Did("usb", "in", 0)
    usb = flags.get("usb", False)
    # Where the status pin tells a fault, letting go of it is one.
    tells = any("charge.fault" in emit for emit in emits.values())
    faulty = False
    for number, step in enumerate(way.steps, 1):
        for first, second in step.chosen:
            if second >= 0:
                continue
            label = machine.acts[first].label
            if label.endswith(".edge"):
                yield _Did("edge", label.removesuffix(".edge"), number)
            elif label == SUPPLY_ACTS[0].label:
                yield _Did("cut", "", number)
            elif label == "usb":
                usb = not usb
                yield _Did("usb", "in" if usb else "out", number)
            elif tells and usb and label.startswith("status ") and (
                faulty != (label == "status released")
            ):
                faulty = not faulty
                yield _Did("fault", "on" if faulty else "off", number)
        for row in step.outcome.rows:
            for event in emits.get(row, ()):
                head, _, what = event.rpartition(".")
                settled = what in ("press", "release") and f"{head}.contact" in reduced.collapsed
                moved = what in ("closed", "opened") and head in reduced.collapsed
                if settled or moved or what in ("hit", "miss"):
                    yield _Did(what, head, number)
                elif row in counted and counted[row].startswith("passed."):
                    yield _Did(f"{what} {counted[row].split('.')[1]}", head, number)


def _staying(gadget: Gadget) -> dict[str, Input]:
    """The contacts that stay where they are put."""
    return {name: kind for kind, name in settable(gadget) if kind.contact}


def _debounce(gadget: Gadget, button: str, what: str) -> int:
    """How long before the settled edge the contact moves."""
    return gadget.buttons[button].settles_ns(closing=what == "press")


def _own_timings(
    gadget: Gadget, reduced: Reduced, did: Sequence[_Did], gap: int
) -> list[Difference]:
    found: list[Difference] = []
    last: dict[str, int] = {}
    made: dict[str, str] = {}
    looks: dict[str, int] = {}
    for one in did:
        if one.what in ("press", "release"):
            wait = gadget.buttons[one.name].busy_ns
            before = last.get(one.name, 0)
            # Between two presses there is a release, which has to settle as well.
            needed = 2 * wait if made.get(one.name) == one.what else wait
            made[one.name] = one.what
            found.append((one.number, before, -(needed + (2 * min(gap, MS) if before else 0))))
            last[one.name] = one.number
        elif f"{one.name}.look" in reduced.collapsed and one.name in gadget.measures:
            # From its last change on it takes so many looks, wherever these fall.
            wait = INPUTS["measure"].settled_ns(gadget, one.name)
            found.append((one.number, last.get(one.name, 0), -wait))
            last[one.name] = one.number
        elif one.what in ("hit", "miss"):
            sensor = gadget.proximity[one.name]
            if one.name in looks:
                found.append((one.number, looks[one.name], -sensor.every.ns))
            looks[one.name] = one.number
    return found


def _steps(
    gadget: Gadget, reduced: Reduced, did: Sequence[_Did], times: Sequence[int], shift: int
) -> Iterator[Step]:
    end = times[-1]
    open_since: dict[str, int] = {}
    later = end + 60_000 * MS
    found: list[Step] = []
    hands: dict[str, list[tuple[int, bool]]] = {}
    stays = _staying(gadget)
    closed = {name: bool(kind.rest(gadget, name)) for name, kind in stays.items()}
    for one in did:
        at = times[one.number]
        if one.what == "cut":
            continue
        if one.what == "usb":
            found.append(Usb(at_ns=at, present=one.name == "in"))
        elif one.what == "fault":
            found.append(ChargerFault(at_ns=at, present=one.name == "on"))
        elif one.name in gadget.measures:
            found.append(_measured(gadget, reduced, one, at))
        elif one.name in stays:
            closed[one.name] = not closed[one.name]
            moved = at if one.what == "edge" else at - stays[one.name].settled_ns(gadget, one.name)
            found.append(stays[one.name].set_to(gadget, one.name, max(0, moved),
                                                float(closed[one.name])))
        elif one.what in ("hit", "miss"):
            hands.setdefault(one.name, []).append((at, one.what == "hit"))
        else:
            moved = at if one.what == "edge" else at - _debounce(gadget, one.name, one.what)
            since = open_since.pop(one.name, None)
            if one.what == "press" and since is not None:
                # The release between two presses was left free, and so was its time.
                found.append(Press(at_ns=since, button=one.name, for_ns=(moved - since) // 2))
                since = None
            if since is None:
                if one.what != "release":
                    open_since[one.name] = moved
            else:
                found.append(Press(at_ns=since, button=one.name, for_ns=max(1, moved - since)))
    for name, since in open_since.items():
        found.append(Press(at_ns=since, button=name, for_ns=later - since))
    for name, looks in hands.items():
        found += _hands(gadget, name, looks, f"{name}.look" in reduced.collapsed, later, shift)
    yield from sorted(found, key=lambda step: step.at_ns)


def _measured(gadget: Gadget, reduced: Reduced, one: _Did, at: int) -> Step:
    """What lets a measure come to a count, in time for enough looks, wherever these fall."""
    measure = gadget.measures[one.name]
    way, _, count = one.what.partition(" ")
    levels = levels_of(measure)
    ends = (*(levels.back if way == "up" else levels.thresholds),)
    reached = int(count)
    low = ends[reached - 1] if reached else ends[0] - 2.0
    high = ends[reached] if reached < len(ends) else ends[-1] + 2.0
    value = (low + high) / 2
    every = measure.every.ns
    # Where its looks are exact, just before the first that says so.
    free = f"{one.name}.look" in reduced.collapsed
    at = max(0, at - measure.agree * every + (0 if free else every // 2))
    return INPUTS["measure"].set_to(gadget, one.name, at, value)


def _hands(
    gadget: Gadget, sensor: str, looks: Sequence[tuple[int, bool]], free: bool, later: int,
    shift: int,
) -> Iterator[Step]:
    every = gadget.proximity[sensor].every.ns
    begins: int | None = None
    last_miss: int | None = None
    last_hit = 0
    for at, hit in looks:
        if hit:
            if begins is None:
                lead = every if free else every // 2
                earlier = at - lead - shift * every // 8
                if last_miss is not None:
                    earlier = max(earlier, (last_miss + at) // 2)
                begins = max(0, earlier)
            last_hit = at
        else:
            if begins is not None:
                until = (last_hit + at) // 2
                yield Wave(at_ns=begins, sensor=sensor, distance_m=HAND_M,
                           for_ns=max(1, until - begins))
                begins = None
            last_miss = at
    if begins is not None:
        yield Wave(at_ns=begins, sensor=sensor, distance_m=HAND_M,
                   for_ns=(last_hit + every // 4 - begins) if not free else later - begins)
