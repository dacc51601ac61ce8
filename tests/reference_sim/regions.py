"""Regions and rows: the written ones, and the stock regions built from their timings.

The rows of the stock regions are those of `docs/reference/behaviour.md`.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from tests.reference_sim.expressions import parse
from tests.reference_sim.reading import exact, ns
from tests.reference_sim.sequences import total_ns

MS = 10**6
# Events that pass between stock regions only: nothing reports them.
INTERNAL = (".edge", ".hit", ".miss", ".enable", ".disable", ".sampled", ".sample.on",
            ".sample.off", ".blink.on", ".blink.off")


@dataclass
class Row:
    """In one of `sources`, on `on` or after `after_ns`, if `when`: go to `to` and emit."""

    sources: tuple[str, ...]
    to: str
    on: str | None = None
    after_ns: int | None = None
    when: ast.expr | None = None
    emit: tuple[str, ...] = ()


@dataclass
class Region:
    """One state machine; `outputs` per state, `awake` states keep the controller awake."""

    name: str
    states: tuple[str, ...]
    starts: str
    rows: list[Row] = field(default_factory=list)
    awake: frozenset[str] = frozenset()
    outputs: dict[str, dict[str, Any]] = field(default_factory=dict)
    scales: dict[str, dict[str, str]] = field(default_factory=dict)
    resume_points: tuple[str, ...] = ()
    kept: str = ""  # "state" or "resume"
    unpowered: frozenset[str] = frozenset()  # states in which the firmware lets go of its supply

    def add(
        self,
        sources: str,
        to: str,
        on: str | None = None,
        after: int | None = None,
        when: str | None = None,
        emit: str = "",
    ) -> None:
        """A row; `sources` and `emit` are lists with blanks between."""
        guard = None if when is None else parse(when)
        self.rows.append(
            Row(tuple(sources.split()), to, on, after, guard, tuple(emit.split()))
        )


def in_family(state: str, family: str) -> bool:
    """Whether `state` is `family` itself or one of its members."""
    return state == family or state.startswith(family + ".")


def regions_of(gadget: dict[str, Any]) -> list[Region]:
    """All regions, in the order of an instant."""
    found: list[Region] = []
    buttons = gadget.get("buttons", {})
    chords = gadget.get("chords", {})
    for name, spec in buttons.items():
        mine = {
            chord: chord_live(chord, chords)
            for chord, what in chords.items()
            if name in what["buttons"]
        }
        found += [_contact(name, spec), _gesture(name, spec, mine)]
        if "repeat" in spec:
            found.append(_repeats(name, spec, mine))
    found += [_chord(name, chords) for name in chords]
    from tests.reference_sim import outside

    found += [outside.toggle(name, spec) for name, spec in gadget.get("toggles", {}).items()
              if not spec.get("in_supply")]
    for name, spec in gadget.get("proximity", {}).items():
        found += [_look(name, spec), _field(name, spec)]
    for name, spec in gadget.get("measures", {}).items():
        found += outside.measure(name, spec)
    if "charger" in gadget:
        found.append(_charge(gadget["charger"], pulled_up(gadget)))
    if "gauge" in gadget:
        found += _gauge(gadget["gauge"])
    from tests.reference_sim import dials

    found += [dials.dial(name, spec) for name, spec in gadget.get("dials", {}).items()]
    sequences = gadget.get("sequences", {})
    return found + [_written(name, spec, sequences)
                    for name, spec in gadget.get("behaviour", {}).items()]


def _contact(name: str, spec: dict[str, Any]) -> Region:
    closing = f"{name}.closed and not {name}.pressed"
    opening = f"not {name}.closed and {name}.pressed"
    press, release = f"{name}.press", f"{name}.release"
    style = spec.get("style", "settle")
    if style != "sample":
        closed_ns = ns(spec.get("debounce", "20 ms"))
        one = "debounce_release" not in spec
        opened_ns = closed_ns if one else ns(spec["debounce_release"])
        # With two lengths the state says which edge began it.
        shut, open_ = ("bouncing",) * 2 if one else ("bouncing.closing", "bouncing.opening")
        lengths = {shut: closed_ns, open_: opened_ns}
        region = Region(f"{name}.contact", ("still", *lengths), "still")
        region.awake = frozenset(lengths)
        edge = f"{name}.edge"
        if style == "first-edge":
            region.add("still", shut, edge, None, closing, press)
            region.add("still", open_, edge, None, opening, release)
            for state, length in lengths.items():
                region.add(state, shut, None, length, closing, press)
                region.add(state, open_, None, length, opening, release)
                region.add(state, "still", None, length)
            return region
        everywhere = " ".join(region.states)
        if one:
            region.add(everywhere, "bouncing", edge)
        else:
            region.add(everywhere, shut, edge, None, f"{name}.closed")
            region.add(everywhere, open_, edge, None, f"not {name}.closed")
        for state, length in lengths.items():
            region.add(state, "still", None, length, closing, press)
            region.add(state, "still", None, length, opening, release)
            region.add(state, "still", None, length)
        return region
    count, every = spec.get("samples", 4), ns(spec.get("sample_every", "5 ms"))
    between = [f"bouncing.{k}" for k in range(1, count)]
    region = Region(f"{name}.contact", ("still", "reading", *between), "still")
    region.awake = frozenset({"reading", *between})
    region.add("still", "reading", after=every)
    for k, state in enumerate(["reading", *between], start=1):
        wait = every if k > 1 else 0
        if k < count:
            region.add(state, f"bouncing.{k}", after=wait, when=f"{closing} or {opening}")
        else:
            region.add(state, "still", after=wait, when=closing, emit=press)
            region.add(state, "still", after=wait, when=opening, emit=release)
        region.add(state, "still", after=wait)
    return region


def holds_of(spec: dict[str, Any]) -> list[tuple[str, int]]:
    """Every hold length of a button with its event, the shortest first."""
    found = [("hold", spec["hold"])] if "hold" in spec else []
    found += spec.get("holds", {}).items()
    return sorted(((event, ns(text)) for event, text in found), key=lambda item: item[1])


def _counted(state: str, k: int) -> str:
    return state if k == 1 else f"{state}.{k}"


def count_event(name: str, k: int) -> str:
    """What k presses in a row yield."""
    return f"{name}." + {1: "click", 2: "double"}.get(k, f"clicks{k}")


def _gesture(name: str, spec: dict[str, Any], chords: dict[str, tuple[str, ...]]) -> Region:
    """`chords`: those of the button, each with the states in which it has come about."""
    holds, window = holds_of(spec), spec.get("double")
    most = 1 if window is None else spec.get("clicks", 2)
    second = spec.get("second_hold")
    press, release = f"{name}.press", f"{name}.release"
    region = Region(f"{name}.gesture", (), "up")
    live = " or ".join(f"{chord}.{state}" for chord, states in chords.items() for state in states)
    if chords:
        region.add("up", "held", on=press, when=live)
    region.add("up", "down", on=press)
    downs = [_counted("down", k) for k in range(1, most)] or ["down"]
    if most == 2 and second is not None:
        downs.append("down.2")  # whether it is a double is known when it is let go
    # Holds of the first press.
    lengths = [("down", 0), *((_held(event, holds), length) for event, length in holds)]
    for (state, begun), (event, length) in zip(lengths, holds, strict=False):
        region.add(state, _held(event, holds), None, length - begun, None, f"{name}.{event}")
    if second is not None:
        region.add("down.2", "held", None, ns(second), None, f"{name}.second_hold")
    # Further presses.
    for k in range(2, most + 1):
        before, last = _counted("waiting", k - 1), k == most
        if _counted("down", k) in downs:
            region.add(before, _counted("down", k), on=press)
        elif last and chords:
            # The chord alone: whether this press ends one is known when all is that settles now.
            region.add(before, "again", on=press)
            region.add("again", "held", None, 0, f"not ({live})", count_event(name, k))
            region.add("again", "held", None, 0)
        else:
            region.add(before, "held", on=press, emit=count_event(name, k))
    told = [state for state, _ in lengths[1:] if state != "held"]
    for chord in chords:
        region.add(" ".join((*downs, *told)), "held", on=f"{chord}.chord")
    entered = {row.to for row in region.rows}
    held = [state for state in ("held", *told) if state in entered]
    if held:
        region.add(" ".join(held), "up", on=release)
    for k, state in enumerate(downs, start=1):
        if k == most:
            region.add(state, "up", on=release, emit=count_event(name, k))
            continue
        region.add(state, _counted("waiting", k), on=release)
        region.add(_counted("waiting", k), "up", None, ns(window), None, count_event(name, k))
    region.states = tuple(
        dict.fromkeys(["up", *(s for row in region.rows for s in (*row.sources, row.to))])
    )
    return region


def _held(event: str, holds: list[tuple[str, int]]) -> str:
    return "held" if len(holds) == 1 else f"held.{event}"


def _repeats(name: str, spec: dict[str, Any], chords: dict[str, tuple[str, ...]]) -> Region:
    region = Region(f"{name}.repeats", ("quiet", "repeating"), "quiet")
    # A press that is let go in the very instant of its hold repeats nothing.
    region.add("quiet", "repeating", f"{name}.{holds_of(spec)[0][0]}", None, f"{name}.pressed")
    region.add("repeating", "repeating", None, ns(spec["repeat"]), None, f"{name}.repeat")
    for event in (f"{name}.release", *(f"{chord}.chord" for chord in chords)):
        region.add("repeating", "quiet", on=event)
    return region


def larger_chords(name: str, chords: dict[str, Any]) -> list[str]:
    """Chords of more buttons that have a button in common with this one."""
    mine = set(chords[name]["buttons"])
    return [
        other
        for other, spec in chords.items()
        if len(spec["buttons"]) > len(mine) and mine & set(spec["buttons"])
    ]


def chord_live(name: str, chords: dict[str, Any]) -> tuple[str, ...]:
    """The states in which this chord has come about: with rivals it takes a moment to be told."""
    small = any(name in larger_chords(other, chords) for other in chords)
    return ("together", "active") if larger_chords(name, chords) or small else ("active",)


def _chord(name: str, chords: dict[str, Any]) -> Region:
    spec, rivals = chords[name], larger_chords(name, chords)
    buttons = spec["buttons"]
    slow = "together" in chord_live(name, chords)
    states = ("idle", "started", *(("together", "taken") if slow else ()), "active")
    region = Region(name, states, "idle")
    everyone = " and ".join(f"{b}.pressed" for b in buttons)
    nobody = " and ".join(f"not {b}.pressed" for b in buttons)
    for button in buttons:
        alone = " and ".join(f"not {b}.pressed" for b in buttons if b != button)
        region.add("idle", "started", on=f"{button}.press", when=alone)
        if slow:
            region.add("started", "together", f"{button}.press", when=everyone)
        else:
            region.add("started", "active", f"{button}.press", when=everyone, emit=f"{name}.chord")
        region.add("started", "started", on=f"{button}.press", when=alone)
    if slow:
        if rivals:
            won = " or ".join(f"{r}.{s}" for r in rivals for s in ("together", "taken", "active"))
            region.add("together", "taken", None, 0, won)
        region.add("together", "active", None, 0, None, f"{name}.chord")
    region.add("started", "idle", after=ns(spec.get("within", "60 ms")))
    for button in buttons:
        region.add("taken active" if slow else "active", "idle", f"{button}.release", None, nobody)
    return region


def burst_ns(spec: dict[str, Any]) -> int:
    """Length of a burst, to the nearest nanosecond."""
    return round(Fraction(spec["burst"]) * 10**9 / exact(spec["carrier"]))


def _look(name: str, spec: dict[str, Any]) -> Region:
    settle, burst = ns(spec.get("settle", "2 ms")), burst_ns(spec)
    rest = ns(spec.get("every", "125 ms")) - settle - burst
    region = Region(f"{name}.look", ("asleep", "settling", "emitting"), "asleep")
    region.awake = frozenset({"settling", "emitting"})
    region.add("asleep", "settling", on=f"{name}.enable")
    region.add("settling emitting", "asleep", on=f"{name}.disable")
    region.add("settling", "emitting", after=settle)
    region.add("emitting", "asleep", after=burst, when=f"{name}.echo", emit=f"{name}.hit")
    region.add("emitting", "asleep", after=burst, emit=f"{name}.miss")
    region.add("asleep", "settling", after=rest, when=spec.get("enabled"))
    return region


def _field(name: str, spec: dict[str, Any]) -> Region:
    agree = spec.get("agree", 2)
    hit, miss = f"{name}.hit", f"{name}.miss"

    def step(state: str, k: int) -> str:
        return state if k == 0 else f"{state}.{k}"

    families = [[step(state, k) for k in range(agree)] for state in ("clear", "near", "blocked")]
    clear, near, blocked = families
    region = Region(f"{name}.field", (*clear, *near, *blocked), "clear")
    counts = (
        (clear, "near", hit, miss, f"{name}.near {name}.wave"),
        (near, "blocked", miss, hit, f"{name}.far"),
        (blocked, "near", hit, miss, f"{name}.near"),
    )
    for family, then, more, back, emit in counts:
        for k, state in enumerate(family):
            if k + 1 < agree:
                region.add(state, family[k + 1], on=more)
            else:
                region.add(state, then, on=more, emit=emit)
            if k:
                region.add(state, family[0], on=back)
    region.add("blocked", "clear", after=ns(spec.get("clear", "600 ms")))
    rest = [s for family in families for s in family if s != "clear"]
    region.add(" ".join(rest), "clear", on=f"{name}.disable")
    return region


def pulled_up(gadget: dict[str, Any]) -> bool:
    """Whether a status pin that the charger lets go of reads high."""
    if "status" not in gadget.get("charger", {}):
        return False
    pins = gadget.get("pins", {}).values()
    return "pull_up" in gadget.get("controller", {}) or any(
        pin["source"] == "charger.status" and "to_supply" in pin for pin in pins
    )


def _charge(spec: dict[str, Any], pulled: bool) -> Region:
    region = Region(
        "charge", ("unplugged", "waiting", "charging", "complete", "fault"), "unplugged"
    )
    region.add("unplugged", "waiting", on="usb.edge", when="usb", emit="usb.in")
    gone = "waiting charging complete fault"
    region.add(gone, "unplugged", on="usb.edge", when="not usb", emit="usb.out")
    edge = "status.edge"
    match spec.get("status"):
        case None:
            pass
        case "low while charging, high when complete":
            region.add("waiting complete", "charging", edge, None, "status.low", "charge.started")
            if not pulled:
                region.add("fault", "charging", edge, None, "status.low", "charge.started")
            region.add(
                "waiting charging fault", "complete", edge, None, "status.high", "charge.completed"
            )
            if not pulled:
                neither = "not status.low and not status.high"
                region.add("charging complete", "fault", edge, None, neither, "charge.fault")
            region.add("waiting", "charging", None, 0, "status.low", "charge.started")
            region.add("waiting", "complete", None, 0, "status.high", "charge.completed")
        case text:
            level = f"status.{text.split()[0]}"
            region.add("waiting", "charging", edge, None, level, "charge.started")
            region.add("charging", "complete", edge, None, f"not {level}", "charge.completed")
            region.add("complete", "charging", edge, None, level, "charge.started")
            region.add("waiting", "charging", None, 0, level, "charge.started")
    return region


def read_name(spec: dict[str, Any]) -> str:
    """What the gauge compares: a voltage, or a share that it has counted."""
    return "gauge.counted" if spec.get("method") == "counting" else "gauge.measured"


def _gauge(spec: dict[str, Any]) -> list[Region]:
    reads_what = read_name(spec)
    thresholds = [exact(text) for text in spec.get("thresholds", [])]
    hysteresis = exact(spec.get("hysteresis", "0 V"))
    every, top = ns(spec.get("every", "1 s")), len(thresholds)
    bars = [f"bars.{k}" for k in range(top + 1)]
    reads = [f"reading.{k}" for k in range(top + 1)]
    gauge = Region("gauge", ("unread", "reading", *bars, *reads), "unread")
    sample = spec.get("sample")
    if sample is None:
        gauge.awake = frozenset({"unread", "reading", *reads})
        gauge.add("unread", "reading", after=0, emit="gauge.sampled")
    else:  # at once when it comes to hold, and from then on
        gauge.awake = frozenset({"reading", *reads})
        gauge.add("unread", "reading", on="gauge.sample.on", emit="gauge.sampled")
        for k in range(top + 1):
            gauge.add(bars[k], reads[k], on="gauge.sample.on", emit="gauge.sampled")
    for k in range(top + 1):
        gauge.add(bars[k], reads[k], after=every, when=sample, emit="gauge.sampled")
    for k in range(top, 0, -1):
        gauge.add("reading", bars[k], after=0, when=_at_least(reads_what, thresholds[k - 1]))
    gauge.add("reading", bars[0], after=0)
    for k in range(top + 1):
        for lower in range(k):
            below = f"{reads_what} < {float(thresholds[lower])!r}"
            gauge.add(reads[k], bars[lower], after=0, when=below, emit="gauge.down")
        for upper in range(top, k, -1):
            again = _at_least(reads_what, thresholds[upper - 1] + hysteresis)
            gauge.add(reads[k], bars[upper], after=0, when=again, emit="gauge.up")
        gauge.add(reads[k], bars[k], after=0)
    found = [gauge]
    if "blink" in spec:
        half = ns(spec["blink"])
        blink = Region("gauge.blink", ("steady", "lit", "out"), "steady")
        blink.add("steady", "lit", on="gauge.blink.on")
        blink.add("lit out", "steady", on="gauge.blink.off")
        blink.add("lit", "out", after=half)
        blink.add("out", "lit", after=half)
        found.append(blink)
    if "low" in spec:
        found.append(_cell(spec))
    return found


def _at_least(what: str, level: Fraction) -> str:
    return f"{what} >= {float(level)!r}"


def _cell(spec: dict[str, Any]) -> Region:
    low = float(exact(spec["low"]))
    read = read_name(spec)
    sampled = "gauge.sampled"
    states = ("fine", "low", "flat") if "flat" in spec else ("fine", "low")
    region = Region("cell", states, "fine")
    if "flat" in spec:
        below_flat = f"{read} < {float(exact(spec['flat']))!r}"
        region.add("fine", "flat", sampled, None, below_flat, "cell.low cell.flat")
        region.add("low", "flat", sampled, None, below_flat, "cell.flat")
    region.add("fine", "low", sampled, None, f"{read} < {low!r}", "cell.low")
    back = "low flat" if "flat" in spec else "low"
    region.add(back, "fine", sampled, None, f"{read} > {low!r}", "cell.back")
    return region


def _written(name: str, spec: dict[str, Any], sequences: dict[str, Any]) -> Region:
    states = tuple(spec["states"])
    region = Region(name, states, spec["starts"])
    region.resume_points = tuple(spec.get("resume_points", ()))
    region.kept = spec.get("kept", "")
    region.outputs = {
        state: {k: v for k, v in outputs.items() if k not in ("controller", "scale")}
        for state, outputs in spec["states"].items()
    }
    region.scales = {state: out.get("scale", {}) for state, out in spec["states"].items()}
    region.awake = frozenset(
        state for state, out in spec["states"].items() if out.get("controller") == "awake"
    )
    # That the longest finite sequence of a state is over is told before its own dwells.
    for state, outputs in region.outputs.items():
        totals = [total for level in outputs.values() if level in sequences
                  and (total := total_ns(sequences[level])) is not None]
        if totals:
            region.rows.append(Row((state,), "same", None, max(totals), None, (f"{name}.ended",)))
    region.unpowered = frozenset(
        state for state, out in spec["states"].items() if out.get("controller") == "unpowered"
    )
    for row in spec.get("rows", []):
        emit, on = row.get("emit", []), row.get("on")
        for event in on if isinstance(on, list) else [on]:  # a list: one row for each event
            region.rows.append(
                Row(
                    sources=_sources(row["from"], states),
                    to=row["to"],
                    on=event,
                    after_ns=ns(row["after"]) if "after" in row else None,
                    when=parse(row["when"]) if "when" in row else None,
                    emit=(emit,) if isinstance(emit, str) else tuple(emit),
                )
            )
    return region


def _sources(written: str | list[str], states: tuple[str, ...]) -> tuple[str, ...]:
    if written == "*":
        return states
    found: list[str] = []
    for one in [written] if isinstance(written, str) else written:
        if one == "*":
            found += states
        elif one.endswith(".*"):
            found += [s for s in states if in_family(s, one[:-2])]
        else:
            found.append(one)
    return tuple(found)
