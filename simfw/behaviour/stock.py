"""Stock regions: the small state machines behind buttons, chords, proximity, charge and gauge.

They are ordinary regions with ordinary rows, built from the timings of the gadget file, so that
whatever reads rows (the simulator, the search, the specification, the C source) covers them too.
Guards that come from the file (`enabled`, `show`) may name any region; they are parsed once all
states are known and handed in here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from simfw.behaviour.region import STATUS_LEVELS, Condition, Drive, Region, Row, State
from simfw.behaviour.stock_buttons import button_parts, chord_parts, count_event
from simfw.behaviour.stock_dials import dial_parts
from simfw.behaviour.stock_measures import measure_parts
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.stock_toggles import toggle_parts
from simfw.behaviour.tree import (
    All,
    Compare,
    Constant,
    Expression,
    Flag,
    Inside,
    Not,
    Number,
    Quantity,
)
from simfw.gadget.model import MOST_CLICKS, Charger, Gadget, Gauge, Proximity

__all__ = ["BURST", "SAMPLED", "Stock", "absent", "burst_ns", "gauge_quantity", "stock"]

NS_PER_S = 1_000_000_000
SAMPLED = "gauge.sampled"
BURST = "emitting"  # the state of a sensor that sends a burst
MEASURED, COUNTED = Quantity("gauge.measured"), Quantity("gauge.counted")


def stock(
    gadget: Gadget,
    *,
    enabled: Mapping[str, Expression] | None = None,
    show: Expression | None = None,
    sample: Expression | None = None,
    turned: Mapping[str, Sequence[Expression | None]] | None = None,
) -> Stock:
    """All stock regions of `gadget`, in the order in which an instant offers events to them.

    `enabled` holds the parsed `enabled` of each sensor and measure that has one, `show` and
    `sample` those of the gauge, `turned` the guards of the rows of each dial. States, events and
    names do not depend on them.
    """
    parts = [
        *(button_parts(name, button, gadget.chords) for name, button in gadget.buttons.items()),
        *(chord_parts(name, chord, gadget) for name, chord in gadget.chords.items()),
        *(toggle_parts(name, toggle) for name, toggle in gadget.read_toggles.items()),
        *(
            _proximity(name, sensor, (enabled or {}).get(name))
            for name, sensor in gadget.proximity.items()
        ),
        *(
            measure_parts(name, measure, (enabled or {}).get(name))
            for name, measure in gadget.measures.items()
        ),
    ]
    if gadget.charger is not None:
        parts.append(_charge(gadget.charger, pulled_up=gadget.status_pulled_up))
    if gadget.gauge is not None:
        parts.append(_gauge(gadget.gauge, show, sample))
    parts += [dial_parts(name, dial, gadget, (turned or {}).get(name, ()))
              for name, dial in gadget.dials.items()]
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
        counts={name: counts for part in parts for name, counts in part.counts.items()},
        measures={name: levels for part in parts for name, levels in part.measures.items()},
        contacts={name: rest for part in parts for name, rest in part.contacts.items()},
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
            note(f"hold {where}", f'hold = "2 s" {where}', f"{name}.hold",
                 *([] if button.holds else [f"{name}.held"]))
        if button.double is None:
            note(f"double {where}", f'double = "350 ms" {where}', f"{name}.double",
                 f"{name}.waiting", f"{name}.again")
        for count in range(max(3, button.most_clicks + 1), MOST_CLICKS + 1):
            note(f"clicks {where}", f"clicks = {count} {where}", f"{name}.{count_event(count)}")
        if button.repeat is None:
            note(f"repeat {where}", f'repeat = "150 ms" {where}', f"{name}.repeat",
                 f"{name}.repeating", f"{name}.quiet")
        if button.second_hold is None:
            note(f"second_hold {where}", f'second_hold = "600 ms" {where}', f"{name}.second_hold")
    for name, toggle in gadget.toggles.items():
        if toggle.in_supply:
            note("a contact that the firmware reads", f"[toggles.{name}] without in_supply",
                 *(f"{name}.{what}" for what in ("on", "off", "closed", "opened")))
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
    rows = Rows(
        (
            State(name="asleep"),
            State(name="settling", outputs=receiver, awake=True),
            State(name=BURST, outputs={**receiver, **emitter}, awake=True),
        )
    )
    rows.add(f"{key}.enabled", "asleep", "settling", on=f"{name}.enable",
             note="the sensor is wanted: the first look begins")
    rows.add(f"{key}.enabled", ("settling", BURST), "asleep", on=f"{name}.disable",
             note="the sensor is not wanted any more: stop at once")
    rows.add(f"{key}.settle", "settling", BURST, after=sensor.settle.ns,
             note="the receiver has settled: the burst begins")
    rows.add(f"{key}.burst", BURST, "asleep", after=burst, when=echo, emit=(f"{name}.hit",),
             note="the receiver answers at the end of the burst")
    rows.add(f"{key}.burst", BURST, "asleep", after=burst, emit=(f"{name}.miss",),
             note="no answer at the end of the burst")
    rows.add(f"{key}.every", "asleep", "settling", when=enabled,
             after=max(0, sensor.every.ns - sensor.settle.ns - burst), note="the next look begins")
    return region_of(f"{name}.look", "proximity", rows)


def _field(name: str, sensor: Proximity) -> Region:
    key = f"proximity.{name}"
    hit, miss, agree = f"{name}.hit", f"{name}.miss", sensor.agree
    near, far, wave = f"{name}.near", f"{name}.far", f"{name}.wave"

    def counted(state: str) -> list[str]:
        return [state, *(f"{state}.{k}" for k in range(1, agree))]

    clear, close, blocked = counted("clear"), counted("near"), counted("blocked")
    rows = Rows(State(name=state) for state in (*clear, *close, *blocked))
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
    return region_of(f"{name}.field", "proximity", rows)


# -- charge ----------------------------------------------------------------------------------------


def _charge(charger: Charger, *, pulled_up: bool) -> Stock:
    rows = Rows(
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
        regions=(region_of("charge", "charge", rows),),
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


def _add_status_three(rows: Rows, *, pulled_up: bool) -> None:
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


def _gauge(gauge: Gauge, show: Expression | None, sample: Expression | None) -> Stock:
    regions = [_bars(gauge, show, sample)]
    conditions: list[Condition] = []
    events = ["gauge.up", "gauge.down"] if gauge.thresholds else []
    internal = [SAMPLED]
    if gauge.sample is not None:
        conditions.append(
            Condition(
                key="gauge.sample",
                when=Constant(True) if sample is None else sample,
                rises="gauge.sample.on",
                falls="gauge.sample.off",
            )
        )
        internal += ["gauge.sample.on", "gauge.sample.off"]
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


def _bars(gauge: Gauge, show: Expression | None, sample: Expression | None) -> Region:
    """Region `gauge`. Each sample passes through an awake state that lasts no time.

    The region `cell` hears of the sample while that state lasts, and the bars are set at its end,
    so that both judge the voltage under one and the same load. With `sample` the first is taken
    when that comes to hold, and again whenever it does.
    """
    out = [threshold.value for threshold in gauge.thresholds]
    # Sums such as 3.30 + 0.04 are rounded to where decimal text ends, far below any converter step.
    back = [round(volts + gauge.gap, 12) for volts in out]
    count, read = len(out), _Reader(gauge)

    def lit(k: int) -> dict[str, Drive]:
        return {gauge.light: Drive(1.0, k)} if gauge.light is not None and k else {}

    rows = Rows(
        (
            State(name="unread", awake=gauge.sample is None),
            State(name="reading", awake=True),
            *(State(name=f"bars.{k}", outputs=lit(k)) for k in range(count + 1)),
            *(State(name=f"reading.{k}", outputs=lit(k), awake=True) for k in range(count + 1)),
        )
    )
    sampled = (SAMPLED,)
    if gauge.sample is None:
        rows.add("gauge.every", "unread", "reading", after=0, emit=sampled,
                 note="the first sample, at power-up")
    else:
        wanted = "gauge.sample.on"
        rows.add("gauge.sample", "unread", "reading", on=wanted, emit=sampled,
                 note="samples are wanted: the first one")
        for k in range(count + 1):
            rows.add("gauge.sample", f"bars.{k}", f"reading.{k}", on=wanted, emit=sampled,
                     note="samples are wanted again")
    for k in range(count + 1):
        rows.add("gauge.every", f"bars.{k}", f"reading.{k}", after=gauge.every.ns, when=sample,
                 emit=sampled, note="time for a sample")
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
    return region_of("gauge", "gauge", rows, show=show)


def _blink(half_period_ns: int, light: str) -> Region:
    key = "gauge.blink"
    rows = Rows(
        (State(name="steady"), State(name="lit"), State(name="out", takes_out={light: 1}))
    )
    rows.add(key, "steady", "lit", on="gauge.blink.on", note="charging: the top bar blinks")
    rows.add(key, ("lit", "out"), "steady", on="gauge.blink.off", note="no longer charging")
    rows.add(key, "lit", "out", after=half_period_ns, note="the top bar goes out")
    rows.add(key, "out", "lit", after=half_period_ns, note="the top bar comes back")
    return region_of("gauge.blink", "gauge", rows)


def _cell(gauge: Gauge) -> Region:
    on, read = SAMPLED, _Reader(gauge)
    low = None if gauge.low is None else gauge.low.value
    flat = None if gauge.flat is None else gauge.flat.value
    names = ["fine", *(["low"] * (low is not None)), *(["flat"] * (flat is not None))]
    rows = Rows(State(name=name) for name in names)
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
    return region_of("cell", "gauge", rows)
