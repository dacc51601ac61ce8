"""What happens on each wire of a recording, and a draft of a map from that and from the names."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from simfw.errors import nearest
from simfw.gadget.model import Gadget
from simfw.stimuli.recording.base import Block, Recording, Remark, Remarks, Wire, seconds_text
from simfw.stimuli.recording.mapfile import Signal, find_signal, gadget_signals

__all__ = ["Activity", "WireActivity", "activity", "draft_map"]

PERIODS: Final = 100_000
PWM_HZ: Final = (25.0, 20_000.0)  # slower is blinking, faster is a carrier
CARRIER_HZ: Final = (20_000.0, 500_000.0)
NEAR: Final = 0.1  # distances that differ by no more than this are one period
MOST_LIKENED: Final = 500  # wires whose names are compared with nearly the same ones
STEADY: Final = 0.7  # share of the distances that have to be alike; a bouncing contact's vary


@dataclass(frozen=True, slots=True, kw_only=True)
class WireActivity:
    """One wire. `changes` as written, `edges` where the value really changes.

    Ticks are of the file's clock. `duty` is the share of the known time spent above zero;
    `frequency_hz` is one over the usual distance of rising edges (the mean of those near the
    median, of the latest 100,000), None of fewer than two; `steady` tells whether most distances
    are the usual one. `unknown` counts x and z. `two_valued` wires were only ever 0 or 1.
    """

    wire: Wire
    changes: int
    edges: int
    first_tick: int | None
    last_tick: int | None
    duty: float | None
    frequency_hz: float | None
    steady: bool
    unknown: int
    least: float | None
    most: float | None
    idle_high: bool
    two_valued: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """All wires of a recording, from `start_tick` to `end_tick`."""

    recording: Recording
    wires: tuple[WireActivity, ...]
    start_tick: int
    end_tick: int
    remarks: tuple[Remark, ...]

    def seconds(self, tick: int) -> str:
        """The time of a tick as exact text, in seconds."""
        return seconds_text(tick, self.recording.tick_s)


class _Count:
    def __init__(self, wire: Wire) -> None:
        self.wire = wire
        self.start = 0
        self.changes = self.edges = self.unknown = 0
        self.first: int | None = None
        self.last: int | None = None
        self.value: float | None = None
        self.since = 0
        self.on = self.known = 0
        self.rises: list[np.ndarray[tuple[int], np.dtype[np.int64]]] = []
        self.kept = 0
        self.least: float | None = None
        self.most: float | None = None
        self.two_valued = True

    def feed(self, ticks: np.ndarray[tuple[int], np.dtype[np.int64]],
             values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
        self.changes += len(ticks)
        known = np.isfinite(values)
        self.unknown += int((~known).sum())
        ticks, values = ticks[known], values[known]
        if not len(ticks):
            return
        self.least = min(float(values.min()), values[0] if self.least is None else self.least)
        self.most = max(float(values.max()), values[0] if self.most is None else self.most)
        self.two_valued &= bool(((values == 0.0) | (values == 1.0)).all())
        begun = self.value is not None
        if begun:
            ticks = np.concatenate((np.array([self.since]), ticks))
            values = np.concatenate((np.array([self.value]), values))
        spans = np.diff(ticks)
        self.on += int(spans[values[:-1] > 0].sum())
        self.known += int(spans.sum())
        turned = np.flatnonzero(values[1:] != values[:-1]) + 1
        # Several values at the very first tick are how the level is stated, not edges.
        turned = turned[ticks[turned] > self.start]
        if len(turned):
            self.edges += len(turned)
            self.first = int(ticks[turned[0]]) if self.first is None else self.first
            self.last = int(ticks[turned[-1]])
            rising = turned[values[turned] > values[turned - 1]]
            self.rises.append(ticks[rising][:PERIODS])
            self.kept += len(self.rises[-1])
            while self.kept - len(self.rises[0]) > PERIODS:
                self.kept -= len(self.rises.pop(0))
        self.since, self.value = int(ticks[-1]), float(values[-1])

    def close(self, end: int, tick_s: float) -> WireActivity:
        if self.value is not None and end > self.since:
            self.known += end - self.since
            self.on += end - self.since if self.value > 0 else 0
        rises = np.concatenate(self.rises) if self.rises else np.zeros(0, dtype=np.int64)
        period, steady = _usual(np.diff(rises))
        return WireActivity(
            wire=self.wire, changes=self.changes, edges=self.edges, first_tick=self.first,
            last_tick=self.last, duty=self.on / self.known if self.known else None,
            frequency_hz=1 / (period * tick_s) if period else None, steady=steady,
            unknown=self.unknown,
            least=self.least, most=self.most, idle_high=self.on * 2 > self.known,
            two_valued=self.two_valued)


def _usual(distances: np.ndarray[tuple[int], np.dtype[np.int64]]) -> tuple[float, bool]:
    """The usual one of some distances (ticks; 0 of none), and whether most of them are like it.

    A whole number of samples is too coarse for a carrier: the distances of 37.77 kHz sampled at
    1 MHz are 26 or 27, and only their mean tells the frequency. Gaps between bursts are left out.
    """
    if not len(distances):
        return 0.0, False
    middle = float(np.sort(distances)[(len(distances) - 1) // 2])  # one that there is
    near = np.abs(distances - middle) <= max(NEAR * middle, 1.0)
    return float(distances[near].mean()), bool(near.mean() >= STEADY)


def activity(recording: Recording) -> Activity:
    """Read the whole recording and count. Raises `DescriptionError` where it breaks."""
    counts = [_Count(wire) for wire in recording.wires]
    remarks = Remarks()
    start: int | None = None
    end = 0
    for block in recording.blocks(remarks):
        end = block.end
        if len(block.ticks):
            if start is None:
                start = int(block.ticks[0])
                for count in counts:
                    count.start = start
            for index, ticks, values in _by_wire(block, len(counts)):
                counts[index].feed(ticks, values)
    tick_s = float(recording.tick_s)
    return Activity(
        recording=recording, start_tick=0 if start is None else start, end_tick=end,
        wires=tuple(count.close(end, tick_s) for count in counts),
        remarks=(*recording.open_remarks, *remarks))


def _by_wire(block: Block, count: int) -> list[
    tuple[int, np.ndarray[tuple[int], np.dtype[np.int64]],
          np.ndarray[tuple[int], np.dtype[np.float64]]]
]:
    order = np.argsort(block.wires, kind="stable")
    bounds = np.searchsorted(block.wires[order], np.arange(count + 1))
    return [(wire, block.ticks[order[low:high]], block.values[order[low:high]])
            for wire, (low, high) in enumerate(itertools.pairwise(bounds))
            if high > low]


# A draft -------------------------------------------------------------------------------------


def draft_map(found: Activity, gadget: Gadget) -> str:
    """A map file to begin with: every wire with what was seen on it, guesses marked as such."""
    signals = gadget_signals(gadget)
    matched = _match(found, signals)
    used = {name for name, _ in matched.values()}
    lines = [
        f"# Drafted from {found.recording.path.name}: the names and the activity of its wires.",
        "# Check every line: a guess by name is only a guess.",
        "",
    ]
    if len(found.wires) > MOST_LIKENED:
        lines[2:] = [f"# Of more than {MOST_LIKENED} wires only equal names are found.", ""]
    for number, wire in enumerate(found.wires):
        lines.append(f"# {wire.wire.name}: {describe(wire, found)}")
        head = f"[wires.{_key(wire.wire.name)}]"
        if number in matched:
            lines += [head, *_draft_wire(wire, *matched[number])]
        else:
            lines += [f"# {head}", '# output = "..."'
                      + ("" if decode_guess(wire) != "level" else '      # or input = "..."')]
            if wire.two_valued and wire.idle_high and wire.edges:
                lines.append('# active = "low"      # it is high most of the time: if low means on')
        lines.append("")
    left = [name for name in signals if name not in used
            and not (name == "usb" and gadget.charger is None)]  # a stimulus that never is
    if left:
        lines.append("# Signals of the gadget without a wire: " + ", ".join(left))
    return "\n".join(lines) + "\n"


def describe(wire: WireActivity, found: Activity) -> str:
    """One line about a wire."""
    if not wire.edges:
        level = "nothing known" if wire.least is None else f"always {wire.least:g}"
        return f"no edge, {level}"
    parts = [f"{wire.edges} edge{'' if wire.edges == 1 else 's'}"]
    assert wire.first_tick is not None
    assert wire.last_tick is not None
    parts.append(f"{found.seconds(wire.first_tick)} s to {found.seconds(wire.last_tick)} s")
    if wire.duty is not None:
        parts.append(f"on {100 * wire.duty:.3g} % of the time")
    if wire.frequency_hz is not None:
        parts.append(f"about {wire.frequency_hz:.4g} Hz")
    return ", ".join(parts)


def decode_guess(wire: WireActivity) -> str:
    """How the wire looks: `pwm`, `burst` or `level`."""
    frequency = wire.frequency_hz
    if frequency is None or wire.edges < 20 or not wire.steady:
        return "level"
    if CARRIER_HZ[0] <= frequency <= CARRIER_HZ[1]:
        return "burst"
    return "pwm" if PWM_HZ[0] <= frequency < PWM_HZ[1] else "level"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else '"' + name.replace('"', '\\"') + '"'


def _match(found: Activity, signals: Mapping[str, Signal]) -> dict[int, tuple[str, Signal]]:
    """Wire number -> (signal name, signal): equal names first, then near ones.

    Names are likened for `MOST_LIKENED` wires at most.
    Nobody presses a button a thousand times a second, whatever the wire is called: one that looks
    like PWM or a carrier is taken for an output.
    """
    matched: dict[int, tuple[str, Signal]] = {}
    plain = {_plain(name): name for name in signals}
    driven = {number for number, wire in enumerate(found.wires) if decode_guess(wire) != "level"}
    for number, wire in enumerate(found.wires):
        exact = find_signal(signals, wire.wire.name)
        name = wire.wire.name if exact is not None else plain.get(_plain(wire.wire.name))
        if name is not None:
            signal = find_signal(signals, name)
            assert signal is not None
            if not (signal.is_input and number in driven):
                matched[number] = (name, signal)
    taken = {name for name, _ in matched.values()}
    for number, wire in enumerate(found.wires):
        if number in matched or len(found.wires) > MOST_LIKENED:
            continue
        close = nearest(_plain(wire.wire.name), [
            key for key, name in plain.items()
            if name not in taken and not (number in driven and signals[name].is_input)])
        if close is not None:
            taken.add(plain[close])
            matched[number] = (plain[close], signals[plain[close]])
    return matched


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _draft_wire(wire: WireActivity, name: str, signal: Signal) -> list[str]:
    word = "input" if signal.is_input else "output"
    same = name == wire.wire.name
    lines = [f'{word} = "{name}"' + ("" if same else "      # a guess by name")]
    if wire.two_valued and signal.kind == "contact" and wire.idle_high:
        lines.append('active = "low"      # it is high most of the time')
    decode = decode_guess(wire)
    if not signal.is_input and wire.two_valued and decode != "level":
        lines.append(f'decode = "{decode}"')
        if decode == "pwm" and wire.frequency_hz is not None:
            lines.append(f'longest = "{2.2e3 / wire.frequency_hz:.3g} ms"')
    if signal.kind == "hand" and wire.two_valued:
        lines.append('distance = "5 cm"      # where the hand is while the wire is on')
    return lines
