"""What the rows and timings say by themselves, before anything is searched."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations, pairwise, product

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.stock import burst_ns
from simfw.behaviour.stock_buttons import count_event
from simfw.engine.ticking import ticking_states
from simfw.gadget.model import Gadget, Proximity
from simfw.quantity import format_duration
from simfw.verify.builtin import CHECKS
from simfw.verify.finding import Finding, OpenCell

__all__ = ["can_hold_together", "finding", "open_cells", "row_checks"]

MS = 1_000_000
BOUNCE_NS = 6_200_000  # longest bounce of ordinary switches, see docs/reference/checks.md
HUMAN_DOUBLE_NS = 250 * MS
HUMAN_HOLD_NS = 400 * MS
HUMAN_CHORD_NS = 40 * MS
TAP_NS = 100 * MS
WAVE_NS = 300 * MS
REARM_NS = 200 * MS
LONGEST_BURST_NS = 10 * MS
LEAST_CYCLES = 10


def finding(check: str, text: str, rows: Iterable[str] = ()) -> Finding:
    """A finding of a built-in check."""
    return Finding(check=check, level=CHECKS[check].level, text=text, rows=tuple(rows))


def row_checks(gadget: Gadget, system: System) -> Iterator[Finding]:
    """Every check that needs only the description."""
    yield from _buttons(gadget, system)
    for name, sensor in gadget.proximity.items():
        yield from _sensor(name, sensor)
    yield from _gauge(gadget)
    yield from _outputs(gadget, system)
    yield from _sequences(gadget, system)
    yield from _events(gadget, system)
    yield from _steps(gadget, system)
    yield from _awake(gadget, system)
    for region in system.regions:
        if region.group == "behaviour":
            yield from _competing(region)


# -- timings ---------------------------------------------------------------------------------------


def _buttons(gadget: Gadget, system: System) -> Iterator[Finding]:
    heard = _heard(system)
    for name, toggle in gadget.read_toggles.items():
        if toggle.supply is None and toggle.debounce.ns < BOUNCE_NS:  # a Hall part does not bounce
            yield finding("debounce-too-short", f"Toggle {name} settles after "
                          f"{format_duration(toggle.debounce.ns)}; contacts may bounce for "
                          f"{format_duration(BOUNCE_NS)}.", [f"toggles.{name}.debounce"])
    for name, button in gadget.buttons.items():
        key, settling = f"buttons.{name}", button.settling_ns
        shown = format_duration(settling)
        apart = button.debounce_release is not None and (
            button.quiet_ns(closing=False) < button.quiet_ns(closing=True))
        least = button.quiet_ns(closing=not apart)
        if least < BOUNCE_NS:
            does = "ignores edges for" if button.style == "first-edge" else "settles after"
            yield finding("debounce-too-short", f"Button {name} {does} {format_duration(least)}; "
                          f"contacts may bounce for {format_duration(BOUNCE_NS)}.",
                          [f"{key}.debounce{'_release' * apart}"])
        if settling > TAP_NS:
            yield finding("debounce-too-long", f"Button {name} settles after {shown}; a tap of "
                          f"{format_duration(TAP_NS)} is over by then.", [f"{key}.debounce"])
        for event, timing in button.hold_lengths[:1]:
            if timing.ns < HUMAN_HOLD_NS:
                yield finding("hold-too-short", f"A hold of {name} begins after "
                              f"{format_duration(timing.ns)}; slow clicks last as long.",
                              [button.hold_key(name, event)])
        if button.double is None:
            continue
        window = format_duration(button.double.ns)
        if button.double.ns <= button.again_ns:
            yield finding("double-impossible", f"The second press of {name} would have to settle "
                          f"within {window}, but settling alone takes "
                          f"{format_duration(button.again_ns)}.", [f"{key}.double"])
        elif button.double.ns < HUMAN_DOUBLE_NS:
            yield finding("double-too-short", f"The second press of {name} must come within "
                          f"{window}; people need {format_duration(HUMAN_DOUBLE_NS)}.",
                          [f"{key}.double"])
        counted = [f"{name}.{count_event(count)}" for count in range(2, button.most_clicks + 1)]
        if button.second_hold is not None:
            counted.append(f"{name}.second_hold")
        if not heard & set(counted):
            yield finding("double-unused", f"No row hears {' or '.join(counted)}, yet every "
                          f"{name}.click waits {window} for it.", [f"{key}.double"])
    for name, chord in gadget.chords.items():
        if chord.within.ns < HUMAN_CHORD_NS:
            yield finding("chord-too-short", f"Chord {name} must be pressed within "
                          f"{format_duration(chord.within.ns)}.", [f"chords.{name}.within"])


def _sensor(name: str, sensor: Proximity) -> Iterator[Finding]:
    key = f"proximity.{name}"
    certain = sensor.every.ns * sensor.agree
    if certain > WAVE_NS:
        yield finding("look-too-slow", f"Only a hand that stays {format_duration(certain)} is "
                      f"certainly seen by {name}.", [f"{key}.every", f"{key}.agree"])
    if sensor.agree == 1:
        yield finding("single-echo", f"A single echo makes a wave of {name}.", [f"{key}.agree"])
    if sensor.clear.ns < REARM_NS:
        yield finding("no-rearm", f"The next wave of {name} counts after the field was clear for "
                      f"{format_duration(sensor.clear.ns)}.", [f"{key}.clear"])
    if sensor.settle.ns == 0:
        yield finding("no-settling", f"The receiver of {name} has no time to settle before the "
                      f"burst.", [f"{key}.settle"])
    if sensor.burst < LEAST_CYCLES:
        yield finding("burst-too-short", f"A burst of {name} has {sensor.burst} carrier cycles; "
                      f"receivers need {LEAST_CYCLES}.", [f"{key}.burst"])
    burst = burst_ns(sensor)
    if burst > LONGEST_BURST_NS:
        yield finding("emitter-too-long", f"The emitter of {name} is on for "
                      f"{format_duration(burst)} at a time.", [f"{key}.burst"])


def _gauge(gadget: Gadget) -> Iterator[Finding]:
    gauge = gadget.gauge
    if gauge is None:
        return
    charger = gadget.charger
    if gauge.method == "counting":
        if charger is not None and charger.status is None:
            yield finding("count-never-anchored", "The gauge counts charge, and nothing tells the "
                          "firmware when charging has completed: its count is never set right.",
                          ["gauge.method", "charger.status"])
        return
    if not gauge.thresholds:
        return
    if gauge.hysteresis is None or gauge.hysteresis.value <= 0:
        yield finding("gauge-no-hysteresis", "A bar returns at the very voltage where it went out.",
                      ["gauge.hysteresis"])


# -- outputs and events ----------------------------------------------------------------------------


def _steps(gadget: Gadget, system: System) -> Iterator[Finding]:
    """States that keep the controller awake for less than it takes for an instant."""
    controller = gadget.controller
    if controller is None or controller.step is None or controller.frequency is None:
        return
    step_ns = round(controller.step.value / controller.frequency.value * 1e9)
    takes = (f"An instant takes {format_duration(step_ns)} ({controller.step.text} at "
             f"{controller.frequency.text})")

    def too_short(rows: list[Row]) -> tuple[int, str] | None:
        """The shortest time of these rows (ns) and its key, where an instant takes longer."""
        found = min(((row.after_ns or 0, row.key) for row in rows), key=lambda one: one[0],
                    default=None)
        return found if found is not None and found[0] < step_ns else None

    for region in system.regions:
        for state in region.states:
            if not state.awake:
                continue
            short = too_short([row for row in region.rows
                               if row.after_ns and state.name in row.sources])
            if short is not None:
                yield finding(
                    "step-too-long",
                    f"{takes}, longer than {region.name} stays in {state.name} "
                    f"({format_duration(short[0])}): the firmware is late there, and the ledger "
                    "has less time awake than it takes.", (short[1],))
    for region, ticks in zip(system.every, ticking_states(system), strict=True):
        short = too_short([row for row in region.rows if row.after_ns and any(
            region.states[n].name in row.sources and not region.states[n].awake for n in ticks)])
        if short is not None:
            yield finding(
                "step-too-long",
                f"{takes}, and {region.name} has the next one after {format_duration(short[0])}: "
                "the firmware is never done, and the ledger has more time awake than there is.",
                (short[1],))


def _awake(gadget: Gadget, system: System) -> Iterator[Finding]:
    """A current asleep alone: awake the controller would draw nothing at all."""
    controller = gadget.controller
    if controller is None or controller.awake is not None or not (
            controller.asleep and controller.asleep.value):
        return
    found = [(region.name, state.name) for region in system.regions for state in region.states
             if state.awake]
    if found:
        name, state = found[0]
        yield finding("awake-not-given", f"The controller draws {controller.asleep.text} asleep, "
                      f"and nothing awake, as in {name} while {state}: the file gives no awake.",
                      ["controller.asleep"])


def _outputs(gadget: Gadget, system: System) -> Iterator[Finding]:
    drivers: dict[str, list[str]] = {}
    for region in system.regions:
        for output in {name for state in region.states for name in state.drives}:
            drivers.setdefault(output, []).append(region.name)
    for kind, names in (("light", gadget.lights), ("load", gadget.loads)):
        for name in names:
            regions = drivers.get(name, [])
            if not regions:
                yield finding("output-undriven", f"No state drives the {kind} {name}.",
                              [f"{kind}s.{name}"])
            elif len(regions) > 1:
                yield finding("shared-light", f"The {kind} {name} is driven by "
                              f"{' and '.join(regions)}: dark in one is not dark.",
                              [f"behaviour.{region}" for region in regions])


def _sequences(gadget: Gadget, system: System) -> Iterator[Finding]:
    played = {one.name for region in system.regions for state in region.states
              for one in state.sequences.values()}
    for name in gadget.sequences:
        if name not in played:
            yield finding("sequence-unplayed", f"No state plays the sequence {name}.",
                          [f"sequences.{name}"])


def _heard(system: System) -> set[str]:
    """Every event that some row hears, also those of stock regions other than its own."""
    return {
        row.on for region in system.regions if region.group in ("behaviour", "dials", "gauge")
        for row in region.rows if row.on is not None
    }


def _events(gadget: Gadget, system: System) -> Iterator[Finding]:
    heard = {row.on for region in system.regions for row in region.rows if row.on is not None}
    for region in system.regions:
        if region.group != "behaviour":
            continue
        unheard: dict[str, list[str]] = {}
        for row in region.rows:
            for event in dict.fromkeys(row.emit):
                if event not in heard and event != f"{region.name}.ended":
                    unheard.setdefault(event, []).append(row.key)
        for event, keys in unheard.items():
            yield finding("event-unheard", f"No row hears {event}.", keys)
    written = _heard(system)
    chords = {name for chord in gadget.chords.values() for name in chord.buttons}
    for name in gadget.buttons:
        events = {event for event in system.events if event.startswith(f"{name}.")}
        read = any(
            f"{name}.gesture" in ex.names_in(row.when).regions
            or f"{name}.contact" in ex.names_in(row.when).regions
            for region in system.regions if region.written
            for row in region.rows if row.when is not None
        )
        if not events & written and name not in chords and not read:
            yield finding("button-unheard", f"No row hears any event of button {name}.",
                          [f"buttons.{name}"])


def open_cells(system: System) -> tuple[OpenCell, ...]:
    """Each state of a written region with each event it might hear, where no row speaks of both.

    The events are those that some row of the region hears: elsewhere in the region they matter.
    """
    found = []
    for region in system.regions:
        if region.group != "behaviour":
            continue
        events = dict.fromkeys(row.on for row in region.rows if row.on is not None)
        for state in region.states:
            for event in events:
                if event == f"{region.name}.ended" and not any(
                    event in row.emit and state.name in row.sources for row in region.rows
                ):
                    continue  # it ends in the states that play it
                if not any(row.on == event and state.name in row.sources for row in region.rows):
                    found.append(OpenCell(region.name, state.name, event))
    return tuple(found)


# -- guards ----------------------------------------------------------------------------------------


def _competing(region: Region) -> Iterator[Finding]:
    """Lists of guarded rows of one state and trigger in which an order was chosen unawares.

    Rows are read from the top, so a list in which each guard is narrower than those after it, or
    one that ends with a row without guard, is a list of cases with its order on purpose. Of any
    other in which two guards can hold together it is said once.
    """
    told: set[tuple[str, ...]] = set()
    for state in region.states:
        lists: dict[tuple[str | None, int | None], list[Row]] = {}
        for row in region.rows:
            if state.name in row.sources:
                lists.setdefault((row.on, row.after_ns), []).append(row)
        for rows in lists.values():
            if any(row.when is None for row in rows):
                continue
            both = [row for first, second in combinations(rows, 2) if _compete(first, second)
                    for row in (first, second)]
            keys = tuple(dict.fromkeys(row.key for row in rows if row in both))
            if not keys or any(set(keys) <= set(one) for one in told):
                continue
            told.add(keys)
            yield finding("rows-compete", f"In {region.name}.{state.name} more than one of these "
                          f"rows may fire on {_trigger(rows[0])}; the first one wins.", keys)


def _compete(first: Row, second: Row) -> bool:
    """Whether both guards can hold together, and neither is the narrower one for sure."""
    if first.when is None or second.when is None or (
        (first.to, first.emit) == (second.to, second.emit)
    ):
        return False
    return can_hold_together(first.when, second.when) and can_hold_together(
        first.when, ex.Not(second.when))


def _trigger(row: Row) -> str:
    return row.on if row.on is not None else f"a dwell of {format_duration(row.after_ns or 0)}"


def can_hold_together(first: ex.Expression, second: ex.Expression) -> bool:
    """Whether some combination of what they read makes both true (states, flags, numbers free).

    Every region they name may be in any state, and every number at, between or beyond the limits
    it is compared with. What exceeds 20,000 combinations is taken to be possible.
    """
    both = ex.All((first, second))
    mentioned = ex.names_in(both)
    regions: dict[str, set[str]] = {}
    for leaf in ex.leaves(both):
        if isinstance(leaf, ex.Inside):
            regions.setdefault(leaf.region, {""}).update(leaf.states)
    choices: list[list[tuple[str, str, str | bool | float]]] = []
    choices += [[("state", name, state) for state in sorted(states)]
                for name, states in regions.items()]
    choices += [[("flag", name, False), ("flag", name, True)] for name in mentioned.flags]
    choices += [[("event", name, False), ("event", name, True)] for name in mentioned.events]
    for name in mentioned.quantities:
        limits = sorted(ex.levels_in(both, name)) or [0.0]
        values = [limits[0] - 1, *limits, limits[-1] + 1]
        values += [(low + high) / 2 for low, high in pairwise(limits)]
        choices.append([("number", name, value) for value in values])
    count = 1
    for choice in choices:
        count *= len(choice)
    if count > 20_000:
        return True
    return any(ex.evaluate(both, _Guess(guess)) for guess in product(*choices))


class _Guess:
    """A view with made-up values."""

    def __init__(self, guess: Iterable[tuple[str, str, str | bool | float]]) -> None:
        self._values = {(kind, name): value for kind, name, value in guess}

    def state(self, region: str) -> str:
        return str(self._values["state", region])

    def flag(self, name: str) -> bool:
        return bool(self._values["flag", name])

    def quantity(self, name: str) -> float:
        return float(self._values["number", name])

    def happened(self, event: str) -> bool:
        return bool(self._values["event", event])
