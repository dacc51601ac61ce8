"""A vector replayed on the model, instant by instant, and the same as lines for a firmware.

The charge of the cell comes from the simulator: `Track` notes it during a run, and the replay looks
it up. What the regions asked of the world on the way is kept, so that a firmware can be told the
same numbers.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from simfw.behaviour.region import System
from simfw.behaviour.tree import CONTINUOUS, is_answer, names_in
from simfw.circuit.circuit import ChargerMode, Circuit, LoadSet
from simfw.engine.clocks import Clocks, clock_of
from simfw.engine.observer import Observer
from simfw.errors import EndlessInstant, UntellableInstant
from simfw.vectors.around import asked_by
from simfw.vectors.items import drill_items, first_at, key_of
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Sketch

__all__ = ["Account", "Exchange", "Replay", "Replayer", "Report", "Track",
           "let_go"]  # fmt: skip

PPM = 1_000_000
STIRRED_UV = 500  # a number is told anew when it has moved this far
_BEYOND = 10**18  # further than any level
MOST_REPORTS = 500_000  # so many are held against a firmware in one account: some hours of looks


class Track(Observer):
    """Notes the charge and the charger's mode over a run."""

    def __init__(self) -> None:
        self.starts: list[int] = []
        self.pieces: list[tuple[int, int, float, float]] = []
        self.modes: list[tuple[int, ChargerMode]] = []
        self.events: list[tuple[int, str]] = []
        self.counts: list[tuple[int, int, float, float]] = []

    def event(self, time_ns: int, name: str) -> None:
        """An event was emitted."""
        self.events.append((time_ns, name))

    def passed(self, start_ns: int, end_ns: int, start_charge: float, end_charge: float,
               charger: ChargerMode) -> None:  # fmt: skip
        """A stretch has gone by."""
        self.starts.append(start_ns)
        self.pieces.append((start_ns, end_ns, start_charge, end_charge))
        if not self.modes or self.modes[-1][1] != charger:
            self.modes.append((start_ns, charger))

    def counted(self, start_ns: int, end_ns: int, start: float, end: float) -> None:
        """The same of a count."""
        self.counts.append((start_ns, end_ns, start, end))

    def count(self, time_ns: int) -> float:
        """The count just before what happens to it at a time."""
        place = bisect_left(self.counts, time_ns, key=lambda entry: entry[0]) - 1
        start, end, first, last = self.counts[max(0, place)]
        return first + min(1.0, max(0.0, (time_ns - start) / (end - start))) * (last - first)

    def mode(self, time_ns: int) -> ChargerMode:
        """The charger's mode from a time on."""
        place = bisect_right(self.modes, time_ns, key=lambda entry: entry[0]) - 1
        return self.modes[place][1] if place >= 0 else "off"

    def charge(self, time_ns: int) -> float:
        """The charge at a time, straight between the ends of its stretch."""
        if not self.pieces:
            raise AssertionError("nothing was noted")
        start, end, first, last = self.pieces[max(0, bisect_right(self.starts, time_ns) - 1)]
        share = min(1.0, (time_ns - start) / (end - start))
        return first + share * (last - first)


@dataclass(frozen=True, slots=True)
class Report:
    """Something a firmware tells: "event", "out", "wake" or "sleep", when, which, and a level."""

    kind: str
    time_ns: int
    name: str = ""
    level: int = 0

    @property
    def line(self) -> str:
        """The line of the protocol."""
        name = f" {self.name}" if self.name else ""
        level = f" {self.level}" if self.kind == "out" else ""
        return f"{self.kind} {self.time_ns}{name}{level}"


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message to a firmware (any `set` lines, then one other line) and what it must tell."""

    lines: tuple[str, ...]
    reports: tuple[Report, ...]

    @property
    def ends_ns(self) -> int:
        """The time up to which it goes."""
        return int(self.lines[-1].split(" ")[1])


def let_go(before: Exchange | None, one: Exchange) -> bool:
    """Whether in `one` the supply goes that the firmware has let go of in the message before: it is
    lost behind an instant of that time, while a bench takes it away before there is any.
    """
    if before is None or not one.lines[-1].startswith("off "):
        return False
    return before.ends_ns == one.ends_ns and before.lines[-1].startswith(("step ", "power "))


@dataclass(frozen=True, slots=True)
class Account:
    """All that a firmware is told and must tell, as far as `ends_ns`; None where that is all."""

    exchanges: tuple[Exchange, ...]
    ends_ns: int | None


@dataclass(kw_only=True)
class Replay:
    """A vector on the model: the exchange with a firmware, and the items that were covered.

    `left_out` holds the stretches (after, up to) in which only what had been seen before went on,
    `periods_ns` the period of each: what stands before a stretch happens again after each period.
    `unasked` are lines that set, before the first power-up, what the model does not ask there: a
    firmware may read it at another time, and more often.
    """

    exchanges: list[Exchange] = field(default_factory=list)
    events: list[tuple[int, str]] = field(default_factory=list)
    covers: frozenset[str] = frozenset()
    left_out: list[tuple[int, int]] = field(default_factory=list)
    periods_ns: list[int] = field(default_factory=list)
    unasked: tuple[str, ...] = ()

    @cached_property
    def held(self) -> dict[int, Any]:
        """What those who hold firmwares against it have made of it, by their tolerance (ns)."""
        return {}

    def repeats(self) -> tuple[tuple[int, int, int], ...]:
        """The stretches that are left out: after, up to, and their period (ns)."""
        return tuple((*stretch, period) for stretch, period
                     in zip(self.left_out, self.periods_ns, strict=True))  # fmt: skip

    @cached_property
    def unrolled(self) -> Account:
        """The exchanges with nothing left out: what is told in the period before a stretch is told
        again in each of its periods, as far as `MOST_REPORTS` reach. With what nobody asks at
        power-up, so that a firmware knows all its numbers from then on.
        """
        ends = [exchange.ends_ns for exchange in self.exchanges]
        told = [(place, report) for place, exchange in enumerate(self.exchanges)
                for report in exchange.reports]  # fmt: skip

        def told_by(time_ns: int) -> int:
            return bisect_right(told, time_ns, key=lambda one: one[1].time_ns)

        # The inner stretches come first: they are part of the period before an outer one.
        for after_ns, up_to_ns, period_ns in sorted(self.repeats()):
            here = told_by(after_ns)
            period = [report for _, report in told[told_by(after_ns - period_ns) : here]]
            if not period:
                continue  # nothing is told, however often
            times = (up_to_ns - after_ns) // period_ns
            fit = min(times, max(0, MOST_REPORTS - len(told)) // len(period))
            place = bisect_right(ends, after_ns)
            told[here:here] = [
                (place, Report(report.kind, report.time_ns + number * period_ns, report.name,
                               report.level))
                for number in range(1, fit + 1)
                for report in period
            ]
            if fit < times:
                return self._ended(told, after_ns + fit * period_ns)
        return Account(self._with(told, len(ends)), None)

    def _with(self, told: Sequence[tuple[int, Report]], count: int) -> tuple[Exchange, ...]:
        """The first `count` exchanges with other reports, each with the place of its exchange."""
        reports: list[list[Report]] = [[] for _ in range(count)]
        for place, report in told:
            if place < count:
                reports[place].append(report)
        told_first = [*self.exchanges]
        if self.unasked:
            place = next(place for place, exchange in enumerate(told_first)
                         if exchange.lines[-1].startswith("power "))  # fmt: skip
            told_first[place] = replace(
                told_first[place], lines=(*self.unasked, *told_first[place].lines))
        return tuple(replace(exchange, reports=tuple(mine))
                     for exchange, mine in zip(told_first, reports, strict=False))

    def _ended(self, told: Sequence[tuple[int, Report]], ends_ns: int) -> Account:
        """The account up to a time inside of a stretch, which is time that goes by undisturbed."""
        whole = [exchange for exchange in self.exchanges if exchange.ends_ns <= ends_ns]
        kept = [one for one in told if one[1].time_ns <= ends_ns]
        last = Exchange((f"until {ends_ns + 1}",),
                        tuple(report for place, report in kept if place == len(whole)))  # fmt: skip
        return Account((*self._with(kept, len(whole)), last), ends_ns)

    @property
    def reports(self) -> tuple[Report, ...]:
        """All reports in order."""
        return tuple(report for exchange in self.exchanges for report in exchange.reports)


class Replayer(Sketch):
    """A sketch that follows the charge of a run and keeps account, for one replay after another.

    `clocks` are the charge clocks of the simulator, which the voltages of a run are read from.
    """

    def __init__(self, system: System, circuit: Circuit, segments: Mapping[str, int],
                 clocks: Clocks | None = None) -> None:  # fmt: skip
        super().__init__(system, circuit, segments)
        system = self.system
        self.clocks: Clocks = Clocks() if clocks is None else clocks
        self.track: Track | None = None
        self.outputs = list(dict.fromkeys(name for region in system.regions
                                          for state in region.states for name in state.drives))
        asked = drill_items(system)
        self._numbers = _numbers(system)
        self._alone = {key_of(item) for item in asked if item.startswith("alone ")}
        self._again = {key_of(item) for item in asked if item.startswith("again ")}
        self._forget(None)

    def _forget(self, track: Track | None) -> None:
        self.track = track
        self.result = Replay()
        self.levels: dict[str, int] = {}
        self.awake = False
        self.told: dict[str, int] = {}
        self.asked: dict[str, list[tuple[float, bool]]] = {}
        self.waiting: list[Report] = []
        self.sets: list[str] = []
        self.moved: list[str] = []  # the contacts that move in this instant
        self.covered: set[str] = set()
        self.began_ns = -1  # when the supply came back last
        self.had_power = False  # whether it has come at all
        self.before: dict[int, deque[str]] = {}  # the last two rows of each region

    def play(self, *, charge: float, acts: Sequence[Act], ends_ns: int,
             track: Track | None = None, whole: bool = True) -> Replay:
        """Replay `acts` from power-up at `charge` until `ends_ns`; `track` follows a run's charge.

        What happens at 0 happens in the instant in which the controller powers up.

        Without `whole`, periods in which nothing new happens are left out.

        Raises UntellableInstant where no one value of a number gives all answers of an instant.
        """
        self._forget(track)
        self.exchange(["off 0"], [])
        self.usb, self.mode, self.status = False, "off", None
        rests = {"status": self.status_level(),  # what a pin that nothing drives reads
                 **{name: int(closed) for name, closed in self.system.contacts.items()}}
        self.sets = [f"set {name} {rests.get(name, 0)}" for name in _signals(self.system)]
        before = [act for act in acts if act.at_ns == 0]
        self.start(charge, before)
        go_on = self.run_to if whole else self.go_to
        acts = [act for act in acts if act not in before]
        if track is not None:
            acts += _mode_changes(track, [*before, *acts])
        for at in sorted({act.at_ns for act in acts if act.at_ns < ends_ns}):
            go_on(at)
            self.act(act for act in acts if act.at_ns == at)
            if track is not None and track.mode(at) != self.mode:
                # A cell that is all but full: the charger ends in the instant in which it began.
                self.act([Act(at, "mode", track.mode(at), 0.0)])
        go_on(ends_ns)
        self.exchange([f"until {ends_ns}"], self.waiting)
        self.result.covers = frozenset(self.covered)
        return self.result

    def played(self, charge: float, acts: Sequence[Act], ends_ns: int, *, whole: bool = False
               ) -> Replay | None:  # fmt: skip
        """The same at a standing charge; None where an instant has no end or cannot be told."""
        try:
            return self.play(charge=charge, acts=acts, ends_ns=ends_ns, whole=whole)
        except (EndlessInstant, UntellableInstant):
            return None

    def begins(self) -> ChargerMode:
        """The mode in which the charger begins; a run may have it too cold, too hot or broken."""
        if self.track is not None and self.track.mode(self.now) == "fault":
            return "fault"
        return super().begins()

    def volts(self) -> float:
        """The terminal voltage; in a run that of the simulator's clock."""
        if self.track is None:
            return super().volts()
        loads = LoadSet(charger=self.mode) if self._gating else self.shown().loads
        return clock_of(self.circuit, loads, self.clocks).voltage(self.charge)

    def counted(self) -> float:
        """The count of the gauge; in a run that of the simulator."""
        if self.track is None or self.now == self.began_ns:
            return super().counted()
        return self.track.count(self.now)

    def next_news(self) -> int:
        """The next event of the run: what the cell does to the gauge is seen there."""
        if self.track is None:
            return NEVER
        times = self.track.events
        place = bisect_right(times, self.now, key=lambda event: event[0])
        return times[place][0] if place < len(times) else NEVER

    def left_out(self, start_ns: int, end_ns: int, period_ns: int) -> None:
        """Note a stretch that is left out."""
        self.result.left_out.append((start_ns, end_ns))
        self.result.periods_ns.append(period_ns)

    # -- what the regions ask ----------------------------------------------------------------------

    def flag(self, name: str) -> bool:
        """An input; answers are kept."""
        value = super().flag(name)
        if is_answer(name):
            self.asked.setdefault(name, []).append((0.5, not value))
        return value

    def below(self, quantity: str, level: float) -> bool:
        """A comparison of a number of the cell; kept."""
        value = super().below(quantity, level)
        self.asked.setdefault(quantity, []).append((level, value))
        return value

    def _value(self, name: str) -> int:
        """A whole number for `name` that answers all that was asked in this instant alike."""
        least, most = self._bounds(name)
        if least > most:
            raise UntellableInstant(self.now, name)
        if is_answer(name):
            return int(most > 0)
        value = min(most, round(self.quantity(name) * PPM))
        if value < least:  # what was switched since has moved it; a level may be asked with ">"
            value = min(most, least + 1)
        if name != "gauge.measured" or self.measured_ppm is not None:
            return value
        # A firmware that compares codes is told what a code stands for, as far as there is one.
        coded = [one for one in self.circuit.readings_uv(value / PPM) if least <= one <= most]
        return min(coded, key=lambda one: abs(one - value), default=value)

    def _bounds(self, name: str) -> tuple[int, int]:
        """The least and the greatest whole number that gives the answers of this instant: just
        below a level where "below" was the answer, at the level where it was not.
        """
        unit = 1 if is_answer(name) else PPM
        least, most = -_BEYOND, _BEYOND
        for level, below in self.asked[name]:
            at = first_at(level, unit)
            least, most = (least, min(most, at - 1)) if below else (max(least, at), most)
        return least, most

    # -- instants ----------------------------------------------------------------------------------

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        if self.track is not None:
            self.charge = self.track.charge(self.now)
        self.asked = {}
        if power_up and self.now:
            self.began_ns = self.now
        super()._instant(raw, power_up=power_up)
        self.covered |= self.seen
        if self._alone or self._again:
            self._note_drilled()
        asked = self.asked
        self.asked = {}
        reports = [Report("event", self.now, name) for name in self.happened_now]
        self.result.events += [(self.now, name) for name in self.happened_now]
        reports += self._outs()
        awake = self.shown().loads.controller == "awake"
        if not self.awake and (awake or self.stepper.woke):
            reports.append(Report("wake", self.now))
        if not awake and (self.awake or self.stepper.woke or power_up):
            reports.append(Report("sleep", self.now))
        self.awake = awake
        self.asked = asked
        self._tell(reports, power_up)
        self.asked = {}
        if self.released:
            self._off()

    def met_again(self) -> list[str]:
        """No contact has moved, as the firmware sees it."""
        self.moved = []
        return super().met_again()

    def lose_supply(self) -> None:
        """The supply is taken away now: all outputs are off, which need not be told."""
        self.exchange([f"until {self.now}"], self.waiting)
        self._off()
        super().lose_supply()

    def _off(self) -> None:
        self.exchange([f"off {self.now}"], [])
        self.waiting, self.levels, self.awake = [], {}, False
        self.before.clear()

    def _note_drilled(self) -> None:
        """Items that only drills cover: rows that nothing follows, times that run out again."""
        fired = self.stepper.fired
        if not fired:
            return
        region_of, again = self._region_of, self._again
        if self._alone:
            last = {region_of[key]: key for key in fired}
            self.covered |= {f"alone {key}" for key in last.values() if key in self._alone}
        for key in fired:
            number = region_of[key]
            before = self.before.get(number)
            if before is None:
                before = self.before[number] = deque(maxlen=2)
            # One row only has led back: no other could have mended what was wrong.
            if key in again and len(before) == 2 and before[0] == key:
                self.covered.add(f"again {key}")
            before.append(key)

    def _outs(self) -> list[Report]:
        drives = self.shown().drives
        found = []
        for name in self.outputs:
            drive = drives.get(name)
            level = 0 if drive is None else (
                round(drive.duty * PPM) if drive.segments is None else drive.segments)  # fmt: skip
            if level != self.levels.get(name, 0):
                self.levels[name] = level
                found.append(Report("out", self.now, name, level))
        return found

    def _tell(self, reports: list[Report], power_up: bool) -> None:
        """Write the lines of an instant, if it needs any of its own."""
        if power_up:
            for name in self.system.measures:
                self._tell_levels(name)
        changed: list[str] = []
        for name in self.asked:
            value = self._value(name)
            old = self.told.get(name)
            moved = old is None or abs(value - old) > (0 if is_answer(name) else STIRRED_UV)
            if moved or not self._fits(name, old or 0):
                self.told[name] = value
                changed.append(f"set {name} {value}")
        if power_up and not self.had_power:
            self.had_power = True
            self.result.unasked = self._untold()
        if not (changed or self.sets or power_up or self.released):
            self.waiting += reports
            return
        if not power_up:
            self.exchange([f"until {self.now}"], self.waiting)
            self.waiting = []
        last = f"step {self.now}"
        if power_up:
            last = " ".join(["power", str(self.now), *self.moved])
        self.exchange([*changed, *self.sets, last], reports)
        self.sets = []

    def _tell_echo(self, name: str) -> None:
        """Tell what an echo is when a hand has come or gone, though nobody asks now."""
        value = int(super().flag(name))
        if self.told.get(name, 0) != value:
            self.told[name] = value
            self.sets.append(f"set {name} {value}")

    def _tell_levels(self, measure: str) -> None:
        """Tell of each level of a measure whether it is reached. All of them are told of one value,
        from when it is there on: a firmware may judge them in another order, or at another time.
        """
        for number in range(1, len(self.system.measures[measure].all) + 1):
            name = f"{measure}.reached.{number}"
            value = int(super().flag(name))
            if self.told.get(name) != value:
                self.told[name] = value
                self.sets.append(f"set {name} {value}")

    def _untold(self) -> tuple[str, ...]:
        """Lines for the numbers that have not been told yet, as they are now."""
        return tuple(
            f"set {name} {value}" for name in self._numbers if name not in self.told
            for value in [int(super(Replayer, self).flag(name)) if is_answer(name)
                          else round(self.quantity(name) * PPM)]
        )  # fmt: skip

    def _fits(self, name: str, value: int) -> bool:
        least, most = self._bounds(name)
        return least <= value <= most

    def exchange(self, lines: Iterable[str], reports: Iterable[Report]) -> None:
        """Note one message and its answer."""
        self.result.exchanges.append(Exchange(tuple(lines), tuple(reports)))

    def _raw_of(self, acts: Iterable[Act]) -> list[str]:
        """Change inputs, and note them as lines."""
        acts = [act for act in acts if act.kind != "contact"
                or self.flag(f"{act.name}.closed") != bool(act.value)]
        self.moved = [act.name for act in acts if act.kind == "contact"]
        before = self.status_level()
        raw = []
        for act in acts:
            if act.kind in ("contact", "held", "usb"):
                self.sets.append(f"set {act.name} {int(act.value)}")
            raw += self._apply(act)
            if act.kind == "hand":
                self._tell_echo(f"{act.name}.echo")
            elif act.kind == "measure":
                self._tell_levels(act.name)
            after = self.status_level()
            if after != before and "status.edge" in self.stepper.event_ids:
                self.sets.append(f"set status {after}")
            before = after
        return [event for event in raw if event in self.stepper.event_ids]


def _numbers(system: System) -> tuple[str, ...]:
    """All that the rows ask for and that is no level at a pin, by name."""
    read = [names_in(asked) for asked in asked_by(system.regions, system.conditions)]
    flags = {name for names in read for name in names.flags if is_answer(name)}
    return tuple(sorted(flags.union(*(names.quantities & set(CONTINUOUS) for names in read))))


def _signals(system: System) -> list[str]:
    return [event.removesuffix(".edge") for event in system.raw_events]


def _mode_changes(track: Track, acts: Sequence[Act]) -> list[Act]:
    """What the charger did by itself, as acts; what it did at once when USB came is none."""
    plugged = {act.at_ns for act in acts if act.kind == "usb"}
    return [Act(at, "mode", mode, 0.0) for at, mode in track.modes[1:] if at not in plugged]
