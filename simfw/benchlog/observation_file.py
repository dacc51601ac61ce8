"""Reading the observations of a bench log, with what is wrong in each."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from simfw.behaviour.build import build_system
from simfw.behaviour.region import Region
from simfw.benchlog.as_scenario import as_done, nominal
from simfw.benchlog.held import held_for
from simfw.benchlog.model import (
    HAND_NS,
    PRESS_NS,
    BenchStep,
    Do,
    ModeReading,
    Observation,
    PinSeen,
    Recorded,
    See,
    StartCharge,
    Until,
    Wait,
)
from simfw.benchlog.written import (
    BENCH_STEPS,
    SAMPLES,
    START_HELP,
    LogFile,
    ObservationPart,
)
from simfw.circuit.circuit import Circuit
from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.firmware import states_of_reading
from simfw.gadget.load import GadgetCheck
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.base import Block, Remarks
from simfw.stimuli.recording.mapfile import find_signal, gadget_signals, own_map, read_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.scenario import Expect, Step, Usb, problems_of
from simfw.stimuli.scenario_file import read_scenario, step_mismatches
from simfw.verify.replay import Options

__all__ = ["ObservationReader", "of_gadget"]

_BELONGS = {
    "reading": ("mode",), "charge": ("mode",), "node": ("mode",), "reads": ("pin",),
    "map": ("recording",), "tolerance": ("recording",), "count": ("steps",),
    "by": ("steps", "pin", "run"), "supply": ("mode", "steps", "pin"),
}
"""The keys of an observation that only some kinds have."""

_INPUTS = {one.key: one for one in INPUTS.values()}


class ObservationReader:
    """Turns observations as written into such, and collects what is wrong."""

    def __init__(self, written: LogFile, folder: Path, check: GadgetCheck | None) -> None:
        self.written, self.folder, self.check = written, folder, check
        self.problems: list[Problem] = []
        self.foreign: list[Problem] = []

    def _problem(self, key: str, text: str, allowed: str | None = None,
                 suggestion: str | None = None) -> None:
        one = Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)
        if one not in self.problems:
            self.problems.append(one)

    def _ours(self, place: str, path: Path, gadgets: Mapping[tuple[int, ...], Gadget]) -> bool:
        """Whether a file that the log names is about one of its gadgets."""
        known = {Path(gadget.file).resolve() for gadget in gadgets.values()}
        ours = path.resolve() in known | {(self.folder / self.written.gadget).resolve()}
        if not ours:
            self._problem(place, f"it is about another gadget file, {path}")
        return ours

    def observation(
        self, key: str, one: ObservationPart, gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> Observation:
        """One of `[[observations]]` at a key path, about the gadgets of all combinations."""
        kinds = [word for word, stands in (
            ("mode", one.mode is not None), ("pin", one.pin is not None),
            ("recording", one.recording is not None), ("run", one.run is not None),
            ("steps", bool(one.steps) and one.pin is None)) if stands]
        if len(kinds) != 1:
            what = "nothing was observed" if not kinds else f"{' and '.join(kinds)} in one"
            self._problem(key, what, "steps, or mode with reading, or pin with reads and steps, or "
                                     "recording, or run")
        for name, belongs in _BELONGS.items():
            if name in one.model_fields_set and not set(belongs) & set(kinds):
                self._problem(f"{key}.{name}", f"this has no meaning without {belongs[0]}")
        if one.start is not None and "mode" in kinds:
            self._problem(f"{key}.start", "a mode has no start", 'charge = "70 % .. 90 %"')
        for word, why, allowed in (
            ("mode", "a mode is read at 25 °C", "temperature with steps"),
            ("recording", "a recording has its own temperature", "a wire in its map"),
            ("run", "a scenario has its own temperatures", "a step of it"),
        ):
            if one.temperature is not None and word in kinds:
                self._problem(f"{key}.temperature", why, allowed)
        reading = None
        if one.mode is not None:
            reading = self._reading(key, one, gadgets)
        if one.pin is not None and one.reads is None:
            self._problem(key, 'the key "reads" is missing', '"low", "high" or "floating"')
        steps = list(self._steps(key, one, gadgets))
        if one.pin is not None and one.reads is not None:
            steps.append(PinSeen(reads=one.reads))
            if any(gadget.charger is None for gadget in gadgets.values()):
                self._problem(f"{key}.pin", "the gadget has no charger")
        elif one.steps and not any(isinstance(step, Until | See) for step in steps):
            self._problem(f"{key}.steps", "nothing is seen in these steps", "see or until in one")
        start = (one.charge if one.mode is not None else one.start) or StartCharge()
        if one.supply is not None:
            for word in ("start", "charge"):
                if getattr(one, word) is not None:
                    self._problem(f"{key}.{word}", "a supply stood in place of the cell",
                                  "start or charge, or supply")
            start = one.supply
            self._in_reach(f"{key}.supply", start, gadgets)
            if (reading is not None and reading.usb) or any(
                isinstance(step, Do) and isinstance(step.step, Usb) and step.step.present
                for step in steps
            ):
                self._problem(f"{key}.supply", "USB is in: the charger would feed into the supply "
                              "that stands in place of the cell", "USB out")
        recorded = None
        if one.recording is not None and gadgets:
            recorded, begun = self._recorded(key, one, gadgets)
            start = one.start or begun
        if one.run is not None and gadgets:
            done, begun = self._done(key, one, gadgets)
            steps += done
            start = one.start or begun
        self._start(key, one, start, gadgets)
        made = Observation(
            name=one.name, key=key, start=start, steps=tuple(steps),
            reading=reading, recorded=recorded, count=one.count, temperature_c=one.temperature,
            by_hand=one.by == "hand", doubt=one.doubt, supply=one.supply is not None,
        )
        if one.count is not None and "steps" in kinds and not made.chances:
            self._problem(f"{key}.count", "nothing in these steps falls differently each time",
                          "a wait with its tolerance, or a press without for")
        return made

    def _done(
        self, key: str, one: ObservationPart, gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> tuple[list[BenchStep], StartCharge]:
        """The steps of a scenario that was done at the bench, all it expects seen; its charge."""
        place = f"{key}.run"
        path = self.folder / str(one.run)
        if not path.is_file():
            self._problem(place, f"there is no such file: {path}")
            return [], StartCharge()
        try:
            scenario = read_scenario(path, self.check)
        except DescriptionError as error:
            self.foreign += error.problems
            return [], StartCharge()
        if not self._ours(place, scenario.gadget_path, gadgets):
            return [], StartCharge()
        for gadget in gadgets.values():
            for problem in problems_of(replace(scenario, gadget=gadget)):
                one_of = replace(problem, key=place, text=f"{problem.key}: {problem.text}")
                if one_of not in self.problems:
                    self.problems.append(one_of)
        if not any(isinstance(step, Expect) for step in scenario.steps):
            self._problem(place, "nothing is expected in this scenario", "expect in one step")
        start = StartCharge("share", scenario.charge, scenario.charge)
        return list(as_done(scenario, place)), start

    def _recorded(
        self, key: str, one: ObservationPart, gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> tuple[Recorded | None, StartCharge]:
        """The recording as its map tells it, and the charge with which it begins."""
        nothing = None, StartCharge()
        path = self.folder / str(one.recording)
        mapped = None
        for name, file in (("recording", path),
                           ("map", None if one.map is None else self.folder / one.map)):
            if file is not None and not file.is_file():
                self._problem(f"{key}.{name}", f"there is no such file: {file}")
                return nothing
        gadget = next(iter(gadgets.values()))
        try:
            if one.map is not None:
                mapped = read_map(self.folder / one.map)
            opened = open_recording(path, timescale=None if mapped is None else mapped.timescale_s)
            mapped = own_map(opened, gadget) if mapped is None else mapped
            if mapped is None:
                self._problem(f"{key}.recording", "no wire is called like a signal of the gadget",
                              'map = "FILE"; `simfw map` drafts one')
                return nothing
            observed = observe(opened, mapped, gadget)
            told = mapped.begins_at(gadget)
        except DescriptionError as error:
            self.foreign += error.problems
            return nothing
        if not observed.outputs:
            self._problem(f"{key}.recording", "no wire is an output of the gadget")
        for other in gadgets.values():
            known = gadget_signals(other)
            for name, signal in observed.signals.items():
                if find_signal(known, name) != signal:
                    self._problem(f"{key}.recording",
                                  f"the gadget{of_gadget(other)} has no such signal as {name}")
            for region, state in mapped.start.items():
                states = _states(other, region)
                if state not in states:
                    self._problem(
                        f"{key}.map", f'its start names "{region}.{state}", which the gadget has '
                        "not", ", ".join(states) or ", ".join(other.behaviour),
                        nearest(state, states) or nearest(region, other.behaviour))
        charge = observed.recording.charge if told is None else told
        begun = StartCharge("any") if charge is None else StartCharge("share", charge, charge)
        tolerance_ns = one.tolerance or Options().tolerance_ns
        # The file is read: what comes after asks for its notes only, in other processes too.
        opened = replace(observed.recording, reader=_no_blocks)
        observed = replace(observed, recording=opened, decoded=())
        return Recorded(observed=observed, tolerance_ns=tolerance_ns, start=mapped.start), begun

    def _in_reach(self, place: str, supply: StartCharge,
                  gadgets: Mapping[tuple[int, ...], Gadget]) -> None:
        for gadget in gadgets.values():
            circuit = Circuit(gadget)
            low, high = (float(circuit.open_circuit_v(share)) for share in (0.0, 1.0))
            if not low <= supply.low <= supply.high <= high:
                # Rounded inwards: what is printed as allowed is.
                self._problem(place, "the cell's curve does not hold this voltage",
                              f"{math.ceil(1e3 * low) / 1e3:g} V to "
                              f"{math.floor(1e3 * high) / 1e3:g} V")

    def _start(self, key: str, one: ObservationPart, start: StartCharge,
               gadgets: Mapping[tuple[int, ...], Gadget]) -> None:
        place = f"{key}.charge" if one.mode is not None else f"{key}.start"
        for gadget in gadgets.values():
            if start.kind == "cut-off" and gadget.cell.cut_off is None:
                self._problem(place, "the cell has no cut_off", START_HELP)
            bars = () if gadget.gauge is None else gadget.gauge.thresholds
            if start.kind == "last bar" and not bars:
                self._problem(place, "the gadget has no gauge with thresholds", START_HELP)

    def _reading(self, key: str, one: ObservationPart,
                 gadgets: Mapping[tuple[int, ...], Gadget]) -> ModeReading | None:
        states: list[tuple[str, str]] = []
        stock: list[tuple[str, str]] = []
        held: list[Step] = [Usb(at_ns=0, present=True)] if one.node == "usb" else []
        for word in (one.mode or "").split():
            for gadget in gadgets.values():
                found = self._named(key, word, gadget)
                if found is None:
                    continue
                region, state = found
                if region.written:
                    states.append((region.name, state))
                    continue
                steps = held_for(gadget, region, state)
                if steps is None:
                    self._problem(f"{key}.mode", f"{region.name} passes through {state} by itself",
                                  "states in which hands can keep it")
                held += steps or ()
                # Without a status pin the firmware does not know what the charger does.
                if region.group != "charge" or (
                    gadget.charger is not None and gadget.charger.status is not None
                ):
                    stock.append((region.name, state))
        states, stock = list(dict.fromkeys(states)), list(dict.fromkeys(stock))
        held = list(dict.fromkeys(held))
        if any(isinstance(step, Usb) for step in held) and any(
            gadget.charger is None for gadget in gadgets.values()
        ):
            by_node = one.node == "usb"
            self._problem(f"{key}.{'node' if by_node else 'mode'}", "the gadget has no charger",
                          'node = "cell"' if by_node else None)
        if one.reading is not None:
            low, high = one.reading
        else:
            named = set(states_of_reading(one.mode or ""))
            figures = {
                next((figure for name, figure in gadget.readings.items()
                      if set(states_of_reading(name)) == named), None)
                for gadget in gadgets.values()
            }
            figure = figures.pop() if len(figures) == 1 else None
            if figure is None:
                self._problem(key, 'the key "reading" is missing',
                              'reading = "152 mA ± 2 mA", or [readings] in the gadget file')
                return None
            low, high = figure.low, figure.high
        if low >= high:
            self._problem(f"{key}.reading", "a reading needs its tolerance",
                          'for example "152 mA ± 2 mA"')
        return ModeReading(states=tuple(states), low_a=low, high_a=high,
                           node=one.node or "cell", stock=tuple(stock), held=tuple(held))

    def _named(self, key: str, word: str, gadget: Gadget) -> tuple[Region, str] | None:
        """The region and the state or family of it that a word of a mode names."""
        regions = build_system(gadget).regions
        region = max((one for one in regions if word.startswith(f"{one.name}.")),
                     key=lambda one: len(one.name), default=None)
        whole = next((one for one in regions if one.name == word), None)
        if whole is not None:
            self._problem(f"{key}.mode", f'"{word}" names a region without a state of it',
                          ", ".join(f"{word}.{one.name}" for one in whole.states))
            return None
        if region is None:
            name = word.partition(".")[0]
            names = [one.name for one in regions]
            self._problem(f"{key}.mode", f'there is no region "{name}"', ", ".join(names),
                          nearest(name, names))
            return None
        state = word.removeprefix(f"{region.name}.")
        known = [one.name for one in region.states]
        if not any(one == state or one.startswith(f"{state}.") for one in known):
            self._problem(f"{key}.mode", f'{region.name} has no state "{state}"',
                          ", ".join(known), nearest(state, known))
            return None
        return region, state

    def _steps(self, key: str, one: ObservationPart,
               gadgets: Mapping[tuple[int, ...], Gadget]) -> Iterator[BenchStep]:
        """The steps; a scenario that does the same at the times seen tells what is wrong."""
        made: list[BenchStep] = []
        hand = 0 if one.by == "analyser" else HAND_NS
        slack = 0
        for n, line in enumerate(one.steps):
            place = f"{key}.steps[{n}]"
            found = step_mismatches(place, line, BENCH_STEPS, SAMPLES)
            for problem in found:
                self._problem(problem.key, problem.text, problem.allowed)
            if found:
                continue
            kind = next(kind for kind in BENCH_STEPS if getattr(line, kind) is not None)
            if line.wait is not None:
                made.append(Wait(ns=line.wait.ns, low_ns=max(line.wait.low_ns, 0),
                                 high_ns=line.wait.high_ns))
            elif line.see is not None:
                made.append(See(text=line.see, key=place))
            elif line.until is not None and line.took is not None:
                took, wide = line.took, hand + slack
                low = took.low_ns - (line.looked or 0) - wide
                if took.ns <= 0:
                    self._problem(f"{place}.took", "nothing takes no time")
                made.append(Until(text=line.until, ns=took.ns, low_ns=max(low, 0),
                                  high_ns=took.high_ns + wide, key=place))
                if made[-1].low_ns >= made[-1].high_ns:  # type: ignore[union-attr]
                    self._problem(f"{place}.took", "a time needs its tolerance",
                                  'for example "2 h 40 min ± 10 min"')
                slack = 0
            else:
                loose = kind == "press" and line.for_ is None
                if loose:
                    line = line.model_copy(update={"for_": PRESS_NS})
                do = Do(step=_INPUTS[kind].read(line, place), loose=loose)
                slack = do.slack_ns
                made.append(do)
        for gadget in gadgets.values():
            for problem in problems_of(nominal(made, gadget)):
                where = re.sub(r"\.expect$", "", problem.key)
                step = next((s for s in made if isinstance(s, Until | See) and s.key == where),
                            None)
                if step is not None:
                    where += ".see" if isinstance(step, See) else ".until"
                if where.startswith(key):
                    self._problem(where.removesuffix(".at"), problem.text, problem.allowed,
                                  problem.suggestion)  # type: ignore[arg-type]
        return iter(made)


def _no_blocks(remarks: Remarks) -> Iterator[Block]:
    """Nothing to read."""
    del remarks
    return iter(())


def _states(gadget: Gadget, region: str) -> list[str]:
    """The states in which a recording may begin; the positions of a dial count as such."""
    for built in build_system(gadget).regions:
        if built.name == region and built.written:
            return [state.name for state in built.states]
    return []


def of_gadget(gadget: Gadget) -> str:
    """Which gadget file it is, for a message."""
    return f" {gadget.file}" if gadget.file else ""
