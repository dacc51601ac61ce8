"""`Panel`: what the page asks for, done on a bench. It knows nothing of sockets or of the browser.

Every answer is a value of JSON. What a request may not hold is told as `UsageError`, so that the
page can say it.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simfw.bench.bench import Bench, Mark
from simfw.bench.course import Differences, TooManyEvents
from simfw.bench.journal import Deed
from simfw.bench.view import View
from simfw.engine.repeat import repeat_life, time_left
from simfw.engine.run import Occurred, Run
from simfw.engine.snapshot import Snapshot
from simfw.engine.stepwise import LONGEST_NS
from simfw.errors import QuantityError, RunError, SimfwError, UsageError
from simfw.formatting import format_duration, format_percent
from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from simfw.panel.chart import chart_of
from simfw.panel.described import described, diagrams_of, figures_of, kind_of
from simfw.panel.kept import page_of
from simfw.panel.watched import Recorded, Watched, deeds_of
from simfw.quantity import read_ns
from simfw.report.text import text_report
from simfw.stimuli.scenario import Scenario, write_scenario
from simfw.writing import write_whole

__all__ = ["MOST_MARKS", "Exists", "Panel"]

MOST_MARKS = 400
"""Snapshots that are kept to go back to; of more, every second of the older ones is dropped."""

MOST_DEEDS = 500
"""So many things can be done in one frame."""

MOST_SHOWN = 200
"""So many events the page shows."""

_DAY_NS = 86_400 * 10**9
_LONGEST_FRAME_NS = 31 * _DAY_NS
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,79}")


class Exists(UsageError):
    """A file of that name is there already: somebody has to say that it may be written over."""


@dataclass(frozen=True, slots=True)
class _Stamp:
    """What tells one writing of a file from the next."""

    modified_ns: int
    size: int


class Panel:
    """A gadget file on the bench, with figures changed at will."""

    def __init__(
        self, path: str | Path, charge: float = 0.8, watched: Scenario | None = None,
        notes: Sequence[str] = (), recorded: Recorded | None = None,
        begin: Snapshot | None = None,
    ) -> None:
        """`watched` is a scenario of the gadget file `path` whose steps happen by themselves.

        Time stands where the first of its expectations is not met, else at the beginning. `notes`
        are told on the page, `recorded` outputs drawn beside the model's, and `begin` is where it
        stands at time 0, None at power-up. Raises DescriptionError as `load_gadget` does, with
        nothing begun.
        """
        self.path = Path(path)
        self._settings: dict[str, Any] = {}
        self.left: Mapping[str, str] = {}  # what a bench log leaves of a figure, by key
        stamp = self._stamped()
        self._trouble = ""
        self._tried = stamp
        self._ahead: list[Deed] = []
        self._next = 0
        gadget = load_gadget(self.path)
        self._put(Bench(gadget, charge if watched is None else watched.charge, begin=begin))
        self.watched = None
        if watched is not None:
            self._ahead = deeds_of(watched, gadget)
            self.watched = Watched(watched, self.bench.prepared, notes, recorded, begin)
            first = self.watched.first_unmet_ns
            if first is not None:
                self._go(first)
                self.bench.view()  # the next one is of the moment, not the mean of the way here

    def _put(self, bench: Bench) -> None:
        self.bench = bench
        self._marks: list[Mark] = [bench.snapshot()]
        self._run: tuple[tuple[int, int], Run] | None = None

    # -- what the page asks ----------------------------------------------------------------------

    def answer(self, what: str, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Do one thing that was asked for; raises UsageError (KeyError for an unknown thing)."""
        known = {
            "gadget": self.gadget, "frame": self.frame, "next": self.next_thing, "back": self.back,
            "course": self.course, "figures": self.figures, "change": self.change,
            "save": self.save, "file": self.file, "to": self.to,
            "diagrams": self.diagrams,
        }
        return known[what](asked)

    def gadget(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        """What the gadget is, and how it stands."""
        return described(self.bench.prepared) | {
            "file": self.path.name, "view": self._view(), "settings": dict(self._settings),
            "events": self._events(),
            "start_charge": self.bench.charge,
            "watched": None if self.watched is None else self.watched.told(),
        }

    def _events(self) -> list[dict[str, Any]]:
        """The latest events of the course."""
        events: tuple[Occurred, ...] = ()
        if self.bench.time_ns:
            with contextlib.suppress(TooManyEvents, RunError):
                events = self.bench.run().events[-MOST_SHOWN:]
        return [{"time_ns": event.time_ns, "name": event.name} for event in events]

    def frame(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Do what was done, each at its time, and let time go by."""
        deeds = asked.get("deeds", [])
        if not isinstance(deeds, list) or len(deeds) > MOST_DEEDS:
            raise UsageError(f"deeds: a list of at most {MOST_DEEDS}.")
        bench = self.bench
        until = _time(asked, "to_ns", bench.time_ns)
        wanted = [self._deed(deed) for deed in deeds]
        if wanted:
            self._mark()
        for at_ns, kind, name, level in wanted:
            self._go(min(max(at_ns, bench.time_ns), self._latest()))
            bench.set(kind, name, level)
        self._go(min(max(until, bench.time_ns), self._latest()))
        return self._view()

    def _go(self, time_ns: int) -> None:
        """Let time go by; what a scenario does meanwhile happens."""
        while self._next < len(self._ahead) and self._ahead[self._next].time_ns < time_ns:
            self._happen()
        self.bench.to(time_ns)

    def _happen(self) -> None:
        """The next step of the scenario happens."""
        deed = self._ahead[self._next]
        self._next += 1
        self.bench.to(max(deed.time_ns, self.bench.time_ns))
        self.bench.set(deed.kind, deed.name, deed.level)

    def _latest(self) -> int:
        return min(LONGEST_NS - 2, self.bench.time_ns + _LONGEST_FRAME_NS)

    def _deed(self, asked: Any) -> tuple[int, Any, str, float]:
        if not isinstance(asked, dict):
            raise UsageError("A deed is a table.")
        kind, name, level = kind_of(asked.get("kind")), asked.get("name"), asked.get("level")
        if kind is None or not isinstance(name, str):
            raise UsageError("A deed names an input: kind and name.")
        if isinstance(level, bool) or not isinstance(level, int | float) or (
            not math.isfinite(level)
        ):
            raise UsageError(f"{name}: a level is a number.")
        if (kind, name) not in self.bench.inputs:
            raise UsageError(f"{name}: the gadget has no such {kind}.")
        if kind == "hand" and level != -1 and not level > 0:
            raise UsageError(f"{name}: a hand is more than 0 m away.")
        if kind in ("contact", "toggle", "usb", "fault") and level not in (0, 1):
            raise UsageError(f"{name}: this is on (1) or off (0).")
        if kind == "temperature" and not -273.15 <= level <= 1000:
            raise UsageError(f"{name}: no such temperature.")
        return _time(asked, "at_ns", self.bench.time_ns), kind, name, float(level)

    def next_thing(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        """Go on to the next thing that happens, within a day."""
        self._mark()
        bench = self.bench
        ends = bench.time_ns + _DAY_NS
        while True:
            step = self._ahead[self._next] if self._next < len(self._ahead) else None
            until = ends if step is None else min(ends, max(step.time_ns, bench.time_ns))
            found = bench.until(within=until - bench.time_ns)
            if found is not None or step is None or bench.time_ns < until or until == ends:
                return self._arrived() | {"found": found is not None}
            self._happen()

    def to(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Go to a time that is written with its units, ahead or back."""
        text = asked.get("time")
        try:
            time_ns = read_ns(text if isinstance(text, str) else "")
        except QuantityError as error:
            raise UsageError(f"{text}: {error.text}. Allowed: {error.allowed}.") from error
        if time_ns < self.bench.time_ns:
            return self.back({"time_ns": time_ns})
        if time_ns > self._latest():
            raise UsageError(f"{text}: at most 31 days ahead at once.")
        self._mark()
        self._go(time_ns)
        return self._arrived()

    def back(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Go back to a time."""
        time_ns = _time(asked, "time_ns", 0)
        if time_ns > self.bench.time_ns:
            raise UsageError("Time goes on by frames.")
        while len(self._marks) > 1 and self._marks[-1].time_ns > time_ns:
            self._marks.pop()
        bench, done = self.bench, self.bench.journal
        bench.back(self._marks[-1])
        for deed in done[len(bench.journal):]:
            if deed.time_ns >= time_ns:
                break
            bench.to(deed.time_ns)
            bench.set(deed.kind, deed.name, deed.level)
        bench.to(time_ns)
        self._next = sum(deed.time_ns < time_ns for deed in self._ahead)
        bench.view()
        return self._view()

    def _mark(self) -> None:
        if self._marks[-1].time_ns != self.bench.time_ns:
            self._marks.append(self.bench.snapshot())
        if len(self._marks) > MOST_MARKS:
            older = len(self._marks) // 2
            self._marks[1:older] = self._marks[1:older:2]

    def course(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """The course, or a part of it, as a picture."""
        start = _time(asked, "start_ns", 0)
        end = _time(asked, "end_ns", self.bench.time_ns)
        if not self.bench.time_ns:
            return {"start_ns": 0, "end_ns": 0}
        end = max(start + 1, end)
        drawn = chart_of(self._whole(), self.bench.prepared, self.bench.repeating, start, end)
        if self.watched is not None:
            drawn["recorded"] = self.watched.blocks(start, end)
        return drawn

    def _whole(self) -> Run:
        key = (self.bench.time_ns, len(self.bench.journal))
        if self._run is None or self._run[0] != key:
            self._run = (key, self.bench.run(events=False))
        return self._run[1]

    # -- figures ---------------------------------------------------------------------------------

    def figures(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        """Every figure of the gadget, and those that are set otherwise.

        With `left`, what a bench log leaves of it, where there is one.
        """
        figures = [one | {"left": self.left[one["key"]]} if one["key"] in self.left else one
                   for one in figures_of(self.bench.gadget)]
        return {"figures": figures, "settings": dict(self._settings)}

    def diagrams(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        """The state diagram of each written region that is not too large for one."""
        return {"diagrams": diagrams_of(self.bench.prepared)}

    def change(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Replay the course with other figures, and tell what differs from how it was.

        `settings` holds keys and their texts; those that are not named are as in the file.
        """
        settings = asked.get("settings")
        if not isinstance(settings, dict) or not all(
            isinstance(value, str) for value in settings.values()
        ):
            raise UsageError("settings: keys of the gadget file with their values as text.")
        changed = {key: _as_toml(value) for key, value in settings.items()}
        return self._replay(load_gadget(self.path, changed), settings)

    def _replay(self, gadget: Gadget, settings: Mapping[str, Any]) -> dict[str, Any]:
        before = self.bench
        other = before.replayed(gadget)
        told: dict[str, Any] = {"none": True}
        if before.time_ns:
            told = _differences(before.differences(other))
        self._put(other)
        other.view()
        self._settings = dict(settings)
        return {"differences": told, "view": self._view(), "settings": dict(self._settings)}

    # -- files -----------------------------------------------------------------------------------

    def _stamped(self) -> _Stamp | None:
        try:
            found = os.stat(self.path)
        except OSError:
            return None
        return _Stamp(found.st_mtime_ns, found.st_size)

    def file(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        """Whether the gadget file was written anew; if so it is read and the course replayed.

        A mistake in it is told, and the old gadget stays.
        """
        stamp = self._stamped()
        if stamp is None or stamp == self._tried:
            return {"changed": False, "trouble": self._trouble}
        self._tried = stamp
        try:
            gadget = load_gadget(self.path, {k: _as_toml(v) for k, v in self._settings.items()})
            told = self._replay(gadget, self._settings)
        except SimfwError as error:
            self._trouble = str(error)
            return {"changed": False, "trouble": self._trouble}
        self._trouble = ""
        return told | {"changed": True, "trouble": ""}

    def save(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Write the course beside the gadget as a scenario, or with `page` as a page of its own.

        Raises Exists where a file of that name is there and `over` is not true, UsageError where
        the name leads elsewhere, or to the gadget itself.
        """
        name, title = asked.get("name"), asked.get("title", "")
        if not isinstance(name, str) or not isinstance(title, str) or len(title) > 200:
            raise UsageError("A course has a name and a title of at most 200 letters.")
        page = asked.get("page") is True
        path = self._beside(name, ".html" if page else ".toml", asked.get("over") is True)
        if page:
            write_whole(path, self._page(title or path.stem))
            return {"name": path.name, "steps": len(self.bench.journal)}
        scenario = self.bench.scenario(title)
        write_scenario(scenario, path)
        return {"name": path.name, "steps": len(scenario.steps)}

    def _beside(self, name: str, suffix: str, over: bool) -> Path:
        """The file of that name beside the gadget, which may be written."""
        stem = name.removesuffix(suffix)
        if _NAME.fullmatch(stem) is None:
            raise UsageError(
                f'"{name[:80]}" is no name for a file here. Allowed: up to 80 letters without '
                "accents, digits, spaces, _ and -, beginning with a letter or digit.")
        path = self.path.parent / f"{stem.rstrip()}{suffix}"
        if path.is_symlink():
            raise UsageError(f"{path.name} leads elsewhere: it is a link.")
        if path.exists():
            if path.samefile(self.path):
                raise UsageError(f"{path.name} is the gadget itself.")
            if not over:
                raise Exists(f"{path.name} is there already.")
        return path

    def _page(self, title: str) -> str:
        """The course until now as a page that asks nothing of anybody, with its report."""
        run = self.bench.run()
        report = text_report(run, repeat_life(run, ranges=True), time_left(run), events=False)
        heading = f"{self.bench.gadget.head.name}: {title}"
        changed = ", ".join(f"{key} = {value}" for key, value in self._settings.items())
        return page_of(run, self.bench.prepared, report,
                       f"{heading} ({changed})" if changed else heading)

    # -- values ----------------------------------------------------------------------------------

    def _arrived(self) -> dict[str, Any]:
        """How it stands at the moment, with the events of the way here: no means over a leap."""
        way = self._view()
        return self._view() | {key: way[key] for key in ("since_ns", "events", "dropped")}

    def _view(self) -> dict[str, Any]:
        return _view(self.bench.view())


def _time(asked: Mapping[str, Any], key: str, otherwise: int) -> int:
    value = asked.get(key, otherwise)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < LONGEST_NS:
        raise UsageError(f"{key}: a time is a whole number of ns from 0 on.")
    return value


def _as_toml(text: str) -> Any:
    from simfw.setting import parse_settings

    return parse_settings([f"value={text}"])["value"]


def _view(view: View) -> dict[str, Any]:
    return {
        "time_ns": view.time_ns,
        "since_ns": view.since_ns,
        "lights": [
            {"name": light.name, "level": light.level, "least": light.least, "most": light.most,
             "lit": light.lit, "current_a": light.current_a, "brightness": light.brightness}
            for light in view.lights
        ],
        "regions": [
            {"name": region.name, "state": region.state, "since_ns": region.since_ns,
             "due_ns": region.due_ns}
            for region in view.regions
        ],
        "used_c": dict(view.used_c),
        "consumers_a": dict(view.consumers_a),
        "current_a": view.current_a,
        "least_a": view.least_a,
        "most_a": view.most_a,
        "charger_a": view.charger_a,
        "charge": view.charge,
        "voltage_v": view.voltage_v,
        "open_circuit_v": view.open_circuit_v,
        "left_c": view.left_c,
        "alive": view.alive,
        "bars": view.bars,
        "charger": view.charger,
        "inputs": [{"kind": kind, "name": name, "level": level}
                   for (kind, name), level in view.inputs.items()],
        "events": [{"time_ns": event.time_ns, "name": event.name}
                   for event in view.events[-MOST_SHOWN:]],
        "dropped": view.dropped + max(0, len(view.events) - MOST_SHOWN),
    }


MOST_TOLD = 100


def _differences(found: Differences) -> dict[str, Any]:
    """Differences in words and numbers; of very many the first are told, and how many there are."""
    return {
        "none": found.none,
        "events_left_out": found.events_left_out,
        "events": [
            {"name": move.name,
             "before": None if move.before_ns is None else format_duration(move.before_ns),
             "after": None if move.after_ns is None else format_duration(move.after_ns)}
            for move in found.events[:MOST_TOLD]
        ],
        "states": [
            {"region": one.region, "from": format_duration(one.start_ns),
             "to": format_duration(one.end_ns), "before": one.before, "after": one.after}
            for one in found.states[:MOST_TOLD]
        ],
        "more": max(0, len(found.events) - MOST_TOLD) + max(0, len(found.states) - MOST_TOLD),
        "charge": [format_percent(charge, 6) for charge in found.charge],
    }
