"""Stock regions: the small state machines behind buttons, chords, proximity, charge and gauge.

They are ordinary regions with ordinary rows, built from the timings of the gadget file, so that
whatever reads rows (the simulator, the search, the specification, the C source) covers them too.
Guards that come from the file (`enabled`, `show`) may name any region; they are parsed once all
states are known and handed in here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from simfw.behaviour.region import STATUS_LEVELS, Condition, Drive, Group, Region, Row, State
from simfw.behaviour.tree import (
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Inside,
    Not,
    Number,
    Quantity,
    to_text,
)
from simfw.gadget.model import Button, Charger, Chord, Gadget, Gauge, Proximity

__all__ = ["Stock", "absent", "burst_ns", "gauge_quantity", "stock"]

NS_PER_S = 1_000_000_000
MEASURED, COUNTED = Quantity("gauge.measured"), Quantity("gauge.counted")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """The stock part of a system; the fields mean what they mean in `System` and `Names`."""

    regions: tuple[Region, ...]
    conditions: tuple[Condition, ...]
    events: tuple[str, ...]
    internal_events: tuple[str, ...]
    raw_events: tuple[str, ...]
    aliases: Mapping[str, tuple[str, ...]]
    shorthands: Mapping[str, Inside]
    flags: tuple[str, ...]
    status_levels: tuple[str, ...] = ()


class _Rows:
    """Collects the rows of one region and numbers those that share a key."""

    def __init__(self, states: Iterable[State]) -> None:
        self.states = tuple(states)
        self.rows: list[Row] = []

    def add(
        self,
        key: str,
        sources: str | Iterable[str],
        to: str,
        *,
        on: str | None = None,
        after: int | None = None,
        when: Expression | None = None,
        emit: tuple[str, ...] = (),
        note: str = "",
    ) -> None:
        wanted = {sources} if isinstance(sources, str) else set(sources)
        self.rows.append(
            Row(
                key=key,
                sources=tuple(state.name for state in self.states if state.name in wanted),
                to=to,
                on=on,
                after_ns=after,
                when=when,
                when_text="" if when is None else to_text(when),
                emit=emit,
                note=note,
            )
        )


def _region(name: str, group: Group, rows: _Rows, *, show: Expression | None = None) -> Region:
    return Region(
        name=name,
        group=group,
        states=rows.states,
        starts=rows.states[0].name,
        rows=tuple(rows.rows),
        show=show,
        show_text="" if show is None else to_text(show),
    )


def stock(
    gadget: Gadget,
    *,
    enabled: Mapping[str, Expression] | None = None,
    show: Expression | None = None,
) -> Stock:
    """All stock regions of `gadget`, in the order in which an instant offers events to them.

    `enabled` holds the parsed `enabled` of each proximity sensor that has one, `show` that of the
    gauge. States, events and names do not depend on them.
    """
    parts = [
        *(_button(name, button, gadget.chords) for name, button in gadget.buttons.items()),
        *(_chord(name, chord, gadget) for name, chord in gadget.chords.items()),
        *(
            _proximity(name, sensor, (enabled or {}).get(name))
            for name, sensor in gadget.proximity.items()
        ),
    ]
    if gadget.charger is not None:
        parts.append(_charge(gadget.charger, pulled_up=gadget.status_pulled_up))
    if gadget.gauge is not None:
        parts.append(_gauge(gadget.gauge, show))
    return Stock(
        regions=_numbered(tuple(region for part in parts for region in part.regions)),
        conditions=tuple(condition for part in parts for condition in part.conditions),
        events=tuple(event for part in parts for event in part.events),
        internal_events=tuple(event for part in parts for event in part.internal_events),
        raw_events=tuple(event for part in parts for event in part.raw_events),
        aliases={name: regions for part in parts for name, regions in part.aliases.items()},
        shorthands={name: inside for part in parts for name, inside in part.shorthands.items()},
        flags=tuple(flag for part in parts for flag in part.flags),
        status_levels=tuple(level for part in parts for level in part.status_levels),
    )


def absent(gadget: Gadget) -> dict[str, tuple[str, str]]:
    """Names of states, inputs and events that `gadget` would have with one more key in its file.

    For each what is missing, and an example of it.
    """
    found: dict[str, tuple[str, str]] = {}

    def note(what: str, example: str, *names: str) -> None:
        found.update(dict.fromkeys(names, (what, example)))

    for name, button in gadget.buttons.items():
        where = f"in [buttons.{name}]"
        if button.hold is None:
            note(f"hold {where}", f'hold = "2 s" {where}', f"{name}.hold", f"{name}.held")
        if button.double is None:
            note(f"double {where}", f'double = "350 ms" {where}', f"{name}.double",
                 f"{name}.waiting", f"{name}.again")
    if gadget.charger is None or gadget.charger.status is None:
        where = "in [charger]"
        note(f"status {where}", f'status = "low while charging" {where}', "charge.started",
             "charge.completed", "charge.fault", "charge.charging", "charge.complete",
             "status.low", "status.high")
    if gadget.charger is None:
        note("a charger", 'current = "100 mA" and float = "4.2 V" in [charger]', "usb", "usb.in",
             "usb.out", "charge.unplugged", "charge.waiting")
    gauge, where = gadget.gauge, "in [gauge]"
    counts = gauge is not None and gauge.method != "voltage"
    low, flat = ("20 %", "5 %") if counts else ("3.5 V", "3.3 V")
    if gauge is None or gauge.low is None:
        note(f"low {where}", f'low = "{low}" {where}', "cell.low")
    if gauge is None or gauge.flat is None:
        note(f"flat {where}", f'flat = "{flat}" {where}', "cell.flat")
    if gauge is None or (gauge.low is None and gauge.flat is None):
        note(f"low or flat {where}", f'low = "{low}" {where}', "cell.back")
    if gauge is None:
        note("a gauge", f'thresholds = ["3.3 V", "3.6 V"] {where}', "gauge", "gauge.measured",
             "gauge.up", "gauge.down")
    return found


def _numbered(regions: tuple[Region, ...]) -> tuple[Region, ...]:
    counts: dict[str, int] = {}
    for region in regions:
        for row in region.rows:
            counts[row.key] = counts.get(row.key, 0) + 1
    seen: dict[str, int] = {}

    def renamed(row: Row) -> Row:
        if counts[row.key] == 1:
            return row
        seen[row.key] = seen.get(row.key, 0) + 1
        return replace(row, key=f"{row.key}#{seen[row.key]}")

    return tuple(replace(region, rows=tuple(map(renamed, region.rows))) for region in regions)


# -- buttons and chords ----------------------------------------------------------------------------


def pressed(name: str, button: Button, chords: Mapping[str, Chord]) -> Inside:
    """The button counts as pressed: from the settled press to the settled release."""
    states = [state for state in _gesture_states(button, chords) if state not in ("up", "waiting")]
    return Inside(f"{name}.gesture", frozenset(states), f"{name}.pressed")


def _gesture_states(button: Button, chords: Mapping[str, Chord]) -> list[str]:
    """The states of a gesture; `chords` are those of the button."""
    states = ["up", "down"]
    if button.hold is not None or button.double is not None or chords:
        states.append("held")
    if button.double is not None:
        states.append("waiting")
        if chords:
            states.append("again")
    return states


def _chords_of(name: str, chords: Mapping[str, Chord]) -> dict[str, Chord]:
    return {chord: part for chord, part in chords.items() if name in part.buttons}


def _button(name: str, button: Button, chords: Mapping[str, Chord]) -> Stock:
    mine = _chords_of(name, chords)
    events = [f"{name}.press", f"{name}.release", f"{name}.click"]
    if button.double is not None:
        events.append(f"{name}.double")
    if button.hold is not None:
        events.append(f"{name}.hold")
    down = pressed(name, button, mine)
    build_contact = _settling if button.style == "settle" else _sampling
    return Stock(
        regions=(build_contact(name, button, down), _gesture(name, button, mine)),
        conditions=(),
        events=tuple(events),
        internal_events=(),
        raw_events=(f"{name}.edge",),
        aliases={name: (f"{name}.contact", f"{name}.gesture")},
        shorthands={f"{name}.pressed": down},
        flags=(f"{name}.closed",),
    )


def _settling(name: str, button: Button, down: Inside) -> Region:
    closed = Flag(f"{name}.closed")
    key = f"buttons.{name}.debounce"
    rows = _Rows((State(name="still"), State(name="bouncing", awake=True)))
    rows.add(key, ("still", "bouncing"), "bouncing", on=f"{name}.edge",
             note="every edge of the contact starts the debounce time anew")
    wait = button.debounce.ns
    rows.add(key, "bouncing", "still", after=wait, when=All((closed, Not(down))),
             emit=(f"{name}.press",), note="the contact has been still, closed: a press")
    rows.add(key, "bouncing", "still", after=wait, when=All((Not(closed), down)),
             emit=(f"{name}.release",), note="the contact has been still, open: a release")
    rows.add(key, "bouncing", "still", after=wait,
             note="the contact is still where it was: nothing happened")
    return _region(f"{name}.contact", "buttons", rows)


def _sampling(name: str, button: Button, down: Inside) -> Region:
    closed = Flag(f"{name}.closed")
    differs = Any((All((closed, Not(down))), All((Not(closed), down))))
    count, every = button.samples, button.sample_every.ns
    counted = [f"bouncing.{k}" for k in range(1, count)]
    rows = _Rows(
        (
            State(name="still"),
            State(name="reading", awake=True),
            *(State(name=state, awake=True) for state in counted),
        )
    )
    key, read = f"buttons.{name}.samples", f"buttons.{name}.sample_every"
    rows.add(read, "still", "reading", after=every, note="time to read the contact")
    for k, state in enumerate(["reading", *counted], start=1):
        after = 0 if state == "reading" else every
        if k < count:
            rows.add(key, state, f"bouncing.{k}", after=after, when=differs,
                     note=f"{k} of {count} equal reads")
        else:
            rows.add(key, state, "still", after=after, when=All((closed, Not(down))),
                     emit=(f"{name}.press",), note=f"read closed {count} times in a row: a press")
            rows.add(key, state, "still", after=after, when=All((Not(closed), down)),
                     emit=(f"{name}.release",), note=f"read open {count} times in a row: a release")
        rows.add(key, state, "still", after=after, note="read as it was: the count starts anew")
    return _region(f"{name}.contact", "buttons", rows)


def _gesture(name: str, button: Button, chords: Mapping[str, Chord]) -> Region:
    key = f"buttons.{name}"
    states = _gesture_states(button, chords)
    rows = _Rows(State(name=state) for state in states)
    press, release = f"{name}.press", f"{name}.release"
    for chord in chords:
        rows.add(f"chords.{chord}", "up", "held", on=press,
                 when=Inside(chord, frozenset({"active"}), f"{chord}.active"),
                 note="pressed again while the chord lasts: neither click nor hold")
    rows.add(key, "up", "down", on=press, note="pressed")
    if button.double is not None and not chords:
        rows.add(f"{key}.double", "waiting", "held", on=press, emit=(f"{name}.double",),
                 note="pressed again in time: a double click")
    elif button.double is not None:
        # What else settles in this instant decides whether it is the last press of a chord.
        apart = [Not(Inside(chord, frozenset({"active"}), f"{chord}.active")) for chord in chords]
        rows.add(f"{key}.double", "waiting", "again", on=press,
                 note="pressed again in time: a double click, or the last press of a chord")
        rows.add(f"{key}.double", "again", "held", after=0,
                 when=apart[0] if len(apart) == 1 else All(tuple(apart)),
                 emit=(f"{name}.double",), note="no chord has come of it: a double click")
        rows.add(f"{key}.double", "again", "held", after=0,
                 note="part of a chord: no double click")
    for chord in chords:
        rows.add(f"chords.{chord}", "down", "held", on=f"{chord}.chord",
                 note="part of a chord: neither click nor hold")
    if button.hold is not None:
        rows.add(f"{key}.hold", "down", "held", after=button.hold.ns, emit=(f"{name}.hold",),
                 note="pressed for long: a hold, and no click to follow")
    if "held" in states:
        rows.add(key, "held", "up", on=release, note="released without a click")
    if button.double is None:
        rows.add(key, "down", "up", on=release, emit=(f"{name}.click",), note="released: a click")
    else:
        rows.add(f"{key}.double", "down", "waiting", on=release,
                 note="released: wait whether a second press follows")
        rows.add(f"{key}.double", "waiting", "up", after=button.double.ns, emit=(f"{name}.click",),
                 note="no second press in time: a click")
    return _region(f"{name}.gesture", "buttons", rows)


def _chord(name: str, chord: Chord, gadget: Gadget) -> Stock:
    key = f"chords.{name}"
    # The checks of names tell of a button that is not there; they need the rows all the same.
    down = {
        button: pressed(button, gadget.buttons.get(button, Button()),
                        _chords_of(button, gadget.chords))
        for button in chord.buttons
    }
    every = tuple(down.values())
    rows = _Rows(State(name=state) for state in ("idle", "started", "active"))
    for button in chord.buttons:
        others = tuple(Not(down[other]) for other in chord.buttons if other != button)
        alone: Expression = others[0] if len(others) == 1 else All(others)
        press = f"{button}.press"
        rows.add(f"{key}.buttons", "idle", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord")
        rows.add(f"{key}.buttons", "started", "active", on=press, when=All(every),
                 emit=(f"{name}.chord",), note=f"{button} is the last of the chord, in time")
        rows.add(f"{key}.within", "started", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord again: the time starts anew")
    rows.add(f"{key}.within", "started", "idle", after=chord.within.ns,
             note="not all buttons came in time")
    for button in chord.buttons:
        rows.add(f"{key}.buttons", "active", "idle", on=f"{button}.release",
                 when=All(tuple(Not(part) for part in every)), note="all buttons are released")
    return Stock(
        regions=(_region(name, "chords", rows),),
        conditions=(),
        events=(f"{name}.chord",),
        internal_events=(),
        raw_events=(),
        aliases={},
        shorthands={},
        flags=(),
    )


# -- proximity -------------------------------------------------------------------------------------


def burst_ns(sensor: Proximity) -> int:
    """The length of one burst: `burst` carrier cycles, to the nearest nanosecond."""
    return round(Fraction(sensor.burst * NS_PER_S) / Fraction(sensor.carrier.value))


def _proximity(name: str, sensor: Proximity, enabled: Expression | None) -> Stock:
    return Stock(
        regions=(_look(name, sensor, enabled), _field(name, sensor)),
        conditions=(
            Condition(
                key=f"proximity.{name}.enabled",
                when=Constant(True) if enabled is None else enabled,
                rises=f"{name}.enable",
                falls=f"{name}.disable",
            ),
        ),
        events=(f"{name}.near", f"{name}.far", f"{name}.wave"),
        internal_events=tuple(f"{name}.{what}" for what in ("enable", "disable", "hit", "miss")),
        raw_events=(),
        aliases={name: (f"{name}.look", f"{name}.field")},
        shorthands={},
        flags=(f"{name}.echo",),
    )


def _look(name: str, sensor: Proximity, enabled: Expression | None) -> Region:
    key, echo = f"proximity.{name}", Flag(f"{name}.echo")
    receiver = {f"{name}.receiver": Drive(1.0)}
    emitter = {f"{name}.emitter": Drive(sensor.duty.value)}
    burst = burst_ns(sensor)
    rows = _Rows(
        (
            State(name="asleep"),
            State(name="settling", outputs=receiver, awake=True),
            State(name="emitting", outputs={**receiver, **emitter}, awake=True),
        )
    )
    rows.add(f"{key}.enabled", "asleep", "settling", on=f"{name}.enable",
             note="the sensor is wanted: the first look begins")
    rows.add(f"{key}.enabled", ("settling", "emitting"), "asleep", on=f"{name}.disable",
             note="the sensor is not wanted any more: stop at once")
    rows.add(f"{key}.settle", "settling", "emitting", after=sensor.settle.ns,
             note="the receiver has settled: the burst begins")
    rows.add(f"{key}.burst", "emitting", "asleep", after=burst, when=echo, emit=(f"{name}.hit",),
             note="the receiver answers at the end of the burst")
    rows.add(f"{key}.burst", "emitting", "asleep", after=burst, emit=(f"{name}.miss",),
             note="no answer at the end of the burst")
    rows.add(f"{key}.every", "asleep", "settling", when=enabled,
             after=max(0, sensor.every.ns - sensor.settle.ns - burst), note="the next look begins")
    return _region(f"{name}.look", "proximity", rows)


def _field(name: str, sensor: Proximity) -> Region:
    key = f"proximity.{name}"
    hit, miss, agree = f"{name}.hit", f"{name}.miss", sensor.agree
    near, far, wave = f"{name}.near", f"{name}.far", f"{name}.wave"

    def counted(state: str) -> list[str]:
        return [state, *(f"{state}.{k}" for k in range(1, agree))]

    clear, close, blocked = counted("clear"), counted("near"), counted("blocked")
    rows = _Rows(State(name=state) for state in (*clear, *close, *blocked))
    for k, (state, following) in enumerate(zip(clear, [*clear[1:], "near"], strict=True), start=1):
        last = k == agree
        rows.add(f"{key}.agree", state, following, on=hit, emit=(near, wave) if last else (),
                 note=f"echo {k} of {agree}" + (": a hand is near, and it is a wave" * last))
    if clear[1:]:
        rows.add(f"{key}.agree", clear[1:], "clear", on=miss, note="no echo: the count starts anew")
    for k, (state, following) in enumerate(
        zip(close, [*close[1:], "blocked"], strict=True), start=1
    ):
        last = k == agree
        rows.add(f"{key}.agree", state, following, on=miss, emit=(far,) if last else (),
                 note=f"miss {k} of {agree}" + (": the hand is gone" * last))
    if close[1:]:
        rows.add(f"{key}.agree", close[1:], "near", on=hit, note="an echo: the count starts anew")
    for k, (state, following) in enumerate(
        zip(blocked, [*blocked[1:], "near"], strict=True), start=1
    ):
        last = k == agree
        rows.add(f"{key}.agree", state, following, on=hit, emit=(near,) if last else (),
                 note=f"echo {k} of {agree}" + (": near again, but no new wave" * last))
    if blocked[1:]:
        rows.add(f"{key}.clear", blocked[1:], "blocked", on=miss,
                 note="the field was not clear: the re-arm time starts anew")
    rows.add(f"{key}.clear", "blocked", "clear", after=sensor.clear.ns,
             note="the field has been clear: the next wave counts")
    rows.add(f"{key}.enabled", (*clear[1:], *close, *blocked), "clear", on=f"{name}.disable",
             note="count, near and re-arm time are forgotten")
    return _region(f"{name}.field", "proximity", rows)


# -- charge ----------------------------------------------------------------------------------------


def _charge(charger: Charger, *, pulled_up: bool) -> Stock:
    rows = _Rows(
        State(name=state) for state in ("unplugged", "waiting", "charging", "complete", "fault")
    )
    rows.add("charger", "unplugged", "waiting", on="usb.edge", when=Flag("usb"), emit=("usb.in",),
             note="USB power arrives")
    rows.add("charger", ("waiting", "charging", "complete", "fault"), "unplugged", on="usb.edge",
             when=Not(Flag("usb")), emit=("usb.out",), note="USB power is gone")
    low, high = Flag("status.low"), Flag("status.high")
    started, completed = ("charge.started",), ("charge.completed",)
    if charger.status == "low while charging, high when complete":
        _add_status_three(rows, pulled_up=pulled_up)
    elif charger.status is not None:
        active = low if charger.status == "low while charging" else high
        for source, to, when, emit, note in (
            ("waiting", "charging", active, started, "the charger has begun"),
            ("charging", "complete", Not(active), completed, "the charger has finished"),
            ("complete", "charging", active, started, "the charger tops the cell up again"),
        ):
            rows.add("charger.status", source, to, on="status.edge", when=when, emit=emit,
                     note=note)
        # The pin may say so already when USB comes or the controller powers up: no edge follows.
        rows.add("charger.status", "waiting", "charging", after=0, when=active, emit=started,
                 note="the pin says so already")
    known = charger.status is not None
    return Stock(
        regions=(_region("charge", "charge", rows),),
        conditions=(),
        events=("usb.in", "usb.out", "charge.started", "charge.completed", "charge.fault"),
        internal_events=(),
        raw_events=("usb.edge", "status.edge") if known else ("usb.edge",),
        aliases={},
        shorthands={},
        flags=("usb", "status.low", "status.high") if known else ("usb",),
        status_levels=_status_levels(charger.status, pulled_up),
    )


def _status_levels(status: str | None, pulled_up: bool) -> tuple[str, ...]:
    """What can be read at the status pin; a released one reads high by a pull-up."""
    if status is None:
        return ()
    high = pulled_up or "high" in status
    wanted = {"low", *(["high"] if high else []), *([] if pulled_up else ["released"])}
    return tuple(level for level in STATUS_LEVELS if level in wanted)


def _add_status_three(rows: _Rows, *, pulled_up: bool) -> None:
    """A pin with three levels: low while charging, high when complete, released on a fault.

    A pull-up makes the released pin read high: then no row can tell a fault from a complete charge.
    """
    low, high = Flag("status.low"), Flag("status.high")
    neither = All((Not(low), Not(high)))
    started, completed = ("charge.started",), ("charge.completed",)
    key, edge = "charger.status", "status.edge"
    rows.add(key, ("waiting", "complete"), "charging", on=edge, when=low, emit=started,
             note="the charger has begun")
    if not pulled_up:
        rows.add(key, "fault", "charging", on=edge, when=low, emit=started,
                 note="the charger goes on after a fault")
    rows.add(key, ("waiting", "charging") if pulled_up else ("waiting", "charging", "fault"),
             "complete", on=edge, when=high, emit=completed, note="the charger has finished")
    if not pulled_up:
        rows.add(key, ("charging", "complete"), "fault", on=edge, when=neither,
                 emit=("charge.fault",), note="the pin is released: a fault")
    # The pin may say so already when USB comes or the controller powers up: no edge follows.
    for to, when, emit in (("charging", low, started), ("complete", high, completed)):
        rows.add(key, "waiting", to, after=0, when=when, emit=emit, note="the pin says so already")


# -- gauge -----------------------------------------------------------------------------------------


def _gauge(gauge: Gauge, show: Expression | None) -> Stock:
    regions = [_bars(gauge, show)]
    conditions: list[Condition] = []
    events = ["gauge.up", "gauge.down"] if gauge.thresholds else []
    internal = ["gauge.sampled"]
    if gauge.blink is not None and gauge.light is not None:
        regions.append(_blink(gauge.blink.ns, gauge.light))
        conditions.append(
            Condition(
                key="gauge.blink",
                when=Inside("charge", frozenset({"charging"}), "charge.charging"),
                rises="gauge.blink.on",
                falls="gauge.blink.off",
            )
        )
        internal += ["gauge.blink.on", "gauge.blink.off"]
    shorthands = {}
    if gauge.low is not None or gauge.flat is not None:
        regions.append(_cell(gauge))
        events += [] if gauge.low is None else ["cell.low"]
        events += [] if gauge.flat is None else ["cell.flat"]
        events.append("cell.back")
        if gauge.low is not None:
            states = {"low"} if gauge.flat is None else {"low", "flat"}
            shorthands["cell.low"] = Inside("cell", frozenset(states), "cell.low")
    return Stock(
        regions=tuple(regions),
        conditions=tuple(conditions),
        events=tuple(events),
        internal_events=tuple(internal),
        raw_events=(),
        aliases={},
        shorthands=shorthands,
        flags=(),
    )


def gauge_quantity(gauge: Gauge) -> Quantity:
    """What the rows of a gauge compare with its levels."""
    return MEASURED if gauge.method == "voltage" else COUNTED


class _Reader:
    """How the rows of a gauge ask for its level: the measured voltage, or what is left by count."""

    def __init__(self, gauge: Gauge) -> None:
        self.asked = gauge_quantity(gauge)
        self.word = "measured" if gauge.method == "voltage" else "counted"

    def below(self, level: float) -> Expression:
        return Compare(self.asked, "<", Number(level))

    def at_least(self, level: float) -> Expression:
        return Compare(self.asked, ">=", Number(level))

    def above(self, level: float) -> Expression:
        return Compare(self.asked, ">", Number(level))


def _bars(gauge: Gauge, show: Expression | None) -> Region:
    """Region `gauge`. Each sample passes through an awake state that lasts no time.

    The region `cell` hears of the sample while that state lasts, and the bars are set at its end,
    so that both judge the voltage under one and the same load.
    """
    out = [threshold.value for threshold in gauge.thresholds]
    gap = 0.0 if gauge.hysteresis is None else gauge.hysteresis.value
    # Sums such as 3.30 + 0.04 are rounded to where decimal text ends, far below any converter step.
    back = [round(volts + gap, 12) for volts in out]
    count, read = len(out), _Reader(gauge)

    def lit(k: int) -> dict[str, Drive]:
        return {gauge.light: Drive(1.0, k)} if gauge.light is not None and k else {}

    rows = _Rows(
        (
            State(name="unread", awake=True),
            State(name="reading", awake=True),
            *(State(name=f"bars.{k}", outputs=lit(k)) for k in range(count + 1)),
            *(State(name=f"reading.{k}", outputs=lit(k), awake=True) for k in range(count + 1)),
        )
    )
    sampled = ("gauge.sampled",)
    rows.add("gauge.every", "unread", "reading", after=0, emit=sampled,
             note="the first sample, at power-up")
    for k in range(count + 1):
        rows.add("gauge.every", f"bars.{k}", f"reading.{k}", after=gauge.every.ns, emit=sampled,
                 note="time for a sample")
    for j in range(count, 0, -1):
        rows.add("gauge.thresholds", "reading", f"bars.{j}", after=0,
                 when=read.at_least(out[j - 1]), note=f"first sample: {j} bar{'s' * (j > 1)}")
    rows.add("gauge.thresholds", "reading", "bars.0", after=0, note="first sample: no bar")
    for k in range(count + 1):
        for j in range(k):
            rows.add("gauge.thresholds", f"reading.{k}", f"bars.{j}", after=0,
                     when=read.below(out[j]), emit=("gauge.down",), note=f"bar {j + 1} goes out")
        for j in range(count, k, -1):
            rows.add("gauge.hysteresis", f"reading.{k}", f"bars.{j}", after=0,
                     when=read.at_least(back[j - 1]), emit=("gauge.up",),
                     note=f"bar {j} comes back")
        rows.add("gauge.every", f"reading.{k}", f"bars.{k}", after=0,
                 note="the bars stay as they are")
    return _region("gauge", "gauge", rows, show=show)


def _blink(half_period_ns: int, light: str) -> Region:
    key = "gauge.blink"
    rows = _Rows(
        (State(name="steady"), State(name="lit"), State(name="out", takes_out={light: 1}))
    )
    rows.add(key, "steady", "lit", on="gauge.blink.on", note="charging: the top bar blinks")
    rows.add(key, ("lit", "out"), "steady", on="gauge.blink.off", note="no longer charging")
    rows.add(key, "lit", "out", after=half_period_ns, note="the top bar goes out")
    rows.add(key, "out", "lit", after=half_period_ns, note="the top bar comes back")
    return _region("gauge.blink", "gauge", rows)


def _cell(gauge: Gauge) -> Region:
    on, read = "gauge.sampled", _Reader(gauge)
    low = None if gauge.low is None else gauge.low.value
    flat = None if gauge.flat is None else gauge.flat.value
    names = ["fine", *(["low"] * (low is not None)), *(["flat"] * (flat is not None))]
    rows = _Rows(State(name=name) for name in names)
    if flat is not None:
        both = ("cell.flat",) if low is None else ("cell.low", "cell.flat")
        rows.add("gauge.flat", "fine", "flat", on=on, when=read.below(flat), emit=both,
                 note=f"{read.word} below flat")
        if low is not None:
            rows.add("gauge.flat", "low", "flat", on=on, when=read.below(flat), emit=("cell.flat",),
                     note=f"{read.word} below flat")
    if low is not None:
        rows.add("gauge.low", "fine", "low", on=on, when=read.below(low), emit=("cell.low",),
                 note=f"{read.word} below low")
    line, key = (low, "gauge.low") if low is not None else (flat, "gauge.flat")
    if line is not None:
        rows.add(key, names[1:], "fine", on=on, when=read.above(line),
                 emit=("cell.back",), note=f"{read.word} above {key.partition('.')[2]} again")
    return _region("cell", "gauge", rows)
