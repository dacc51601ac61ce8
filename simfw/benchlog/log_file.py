"""Reading a bench log: all its mistakes together, those of the gadget files that it names too."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

from simfw.behaviour.build import build_system
from simfw.behaviour.region import Region
from simfw.benchlog.as_scenario import as_done, nominal
from simfw.benchlog.held import held_for
from simfw.benchlog.model import (
    CLOCK,
    HAND_NS,
    PRESS_NS,
    Answer,
    BenchLog,
    BenchStep,
    Do,
    ModeReading,
    Observation,
    PinSeen,
    Question,
    Recorded,
    See,
    StartCharge,
    Unknown,
    Until,
    Wait,
)
from simfw.benchlog.written import (
    BENCH_STEPS,
    SAMPLES,
    START_HELP,
    LogFile,
    ObservationPart,
    QuestionPart,
    ends_of,
    in_days,
)
from simfw.circuit.circuit import Circuit
from simfw.errors import DescriptionError, Problem, QuantityError, nearest
from simfw.gadget.dimensions import dimension_of
from simfw.gadget.figures import entries
from simfw.gadget.firmware import states_of_reading
from simfw.gadget.load import GadgetCheck, named_gadget
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import (
    RATIO,
    TIME,
    Timing,
    read_number,
    read_span,
)
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.pattern import Pattern
from simfw.stimuli.pattern_file import read_pattern
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.base import Block, Remarks
from simfw.stimuli.recording.mapfile import find_signal, gadget_signals, own_map, read_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.scenario import Expect, Step, Usb, problems_of
from simfw.stimuli.scenario_file import read_scenario, step_mismatches
from simfw.tomlfile import OPTION, key_text, read_toml, require_kind
from simfw.validation import check_data
from simfw.verify.replay import Options

__all__ = ["MOST_COMBINATIONS", "read_bench_log"]

MOST_COMBINATIONS = 256

_BELONGS = {
    "reading": ("mode",), "charge": ("mode",), "node": ("mode",), "reads": ("pin",),
    "map": ("recording",), "tolerance": ("recording",), "count": ("steps",),
    "by": ("steps", "pin", "run"), "supply": ("mode", "steps", "pin"),
}
"""The keys of an observation that only some kinds have."""

_INPUTS = {one.key: one for one in INPUTS.values()}


def read_bench_log(path: str | Path, check: GadgetCheck | None = None) -> BenchLog:
    """Read and check a bench log and the gadget files it names, one for each combination.

    `check` is handed to `read_gadget`. Raises `DescriptionError` with the problems of all files.
    """
    file = read_toml(path)
    require_kind(file, "bench log")
    checked = check_data(LogFile, copy.deepcopy(file.data), SAMPLES)
    problems = list(checked.problems)
    written = checked.value
    log: BenchLog | None = None
    foreign: list[Problem] = []
    if written is not None:
        reader = _Reader(written, file.path.parent, check)
        log = reader.log(str(path))
        problems += checked.keep(reader.problems)
        foreign = reader.foreign
    if problems or foreign or log is None:
        raise DescriptionError(file.locate([*dict.fromkeys(foreign), *problems]))
    return log


class _Reader:
    """Turns a log as written into a log, and collects what is wrong."""

    def __init__(self, written: LogFile, folder: Path, check: GadgetCheck | None) -> None:
        self.written, self.folder, self.check = written, folder, check
        self.problems: list[Problem] = []
        self.foreign: list[Problem] = []

    def _problem(self, key: str, text: str, allowed: str | None = None,
                 suggestion: str | None = None) -> None:
        one = Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)
        if one not in self.problems:
            self.problems.append(one)

    def log(self, file: str) -> BenchLog:
        written = self.written
        self._twice("questions", [one.name for one in written.questions])
        self._twice("observations", [one.name for one in written.observations])
        if not written.observations:
            self._problem("observations", "nothing was observed", "[[observations]] for each")
        questions = tuple(self._question(n, one) for n, one in enumerate(written.questions))
        gadgets = self._gadgets(questions)
        known = gadgets or self._plain()  # with mistakes in the answers, what else is wrong?
        unknowns = self._unknowns(known) if known else ()
        observations = [
            self._observation(f"observations[{n}]", one, known)
            for n, one in enumerate(written.observations)
        ]
        return BenchLog(
            title=written.title, file=file, gadget_path=self.folder / written.gadget,
            kit=written.kit, unknowns=unknowns, questions=questions,
            observations=tuple(observations), gadgets=gadgets, pattern=self._pattern(known),
        )

    def _pattern(self, gadgets: Mapping[tuple[int, ...], Gadget]) -> Pattern | None:
        if self.written.pattern is None:
            return None
        path = self.folder / self.written.pattern
        if not path.is_file():
            self._problem("pattern", f"there is no such file: {path}")
            return None
        try:
            found = read_pattern(path, self.check)
        except DescriptionError as error:
            self.foreign += error.problems
            return None
        self._ours("pattern", found.gadget_path, gadgets)
        return found

    def _ours(self, place: str, path: Path, gadgets: Mapping[tuple[int, ...], Gadget]) -> bool:
        """Whether a file that the log names is about one of its gadgets."""
        known = {Path(gadget.file).resolve() for gadget in gadgets.values()}
        ours = path.resolve() in known | {(self.folder / self.written.gadget).resolve()}
        if not ours:
            self._problem(place, f"it is about another gadget file, {path}")
        return ours

    def _twice(self, section: str, names: list[str]) -> None:
        for n, name in enumerate(names):
            if name in names[:n]:
                self._problem(f"{section}[{n}].name", "this name is taken", "names used once each")

    # -- questions -------------------------------------------------------------------------------

    def _question(self, number: int, one: QuestionPart) -> Question:
        key = f"questions[{number}]"
        self._twice(f"{key}.answers", [answer.name for answer in one.answers])
        return Question(name=one.name, asks=one.asks, answers=tuple(
            Answer(
                name=answer.name, change=dict(_flat(answer.change, ())),
                file=None if answer.file is None else self.folder / answer.file,
            )
            for answer in one.answers
        ))

    def _gadgets(self, questions: tuple[Question, ...]) -> dict[tuple[int, ...], Gadget]:
        """The gadget of each combination of answers."""
        found: dict[tuple[int, ...], Gadget] = {}
        count = 1
        for question in questions:
            count *= len(question.answers)
        if count > MOST_COMBINATIONS:
            self._problem("questions", f"these are {count} combinations of answers",
                          f"at most {MOST_COMBINATIONS}")
            return found
        told: set[tuple[str, ...]] = set()
        for combination in product(*(range(len(one.answers)) for one in questions)):
            answers = [q.answers[n] for q, n in zip(questions, combination, strict=True)]
            files = {answer.file for answer in answers if answer.file is not None}
            keys = [f"questions[{q}].answers[{n}]" for q, n in enumerate(combination)]
            if len(files) > 1:
                self._problem(keys[-1], "two answers that go together name two gadget files",
                              "one file for both, or changes in place of files")
                continue
            change: dict[str, Any] = {}
            for key, answer in zip(keys, answers, strict=True):
                for name, value in answer.change.items():
                    if name in change and change[name] != value:
                        self._problem(f"{key}.change", f"another answer changes {name} too",
                                      "each key changed by one question")
                    change[name] = value
            folder, name, key = self.folder, self.written.gadget, "gadget"
            for own, answer in zip(keys, answers, strict=True):
                if answer.file is not None:
                    folder, name, key = Path(), str(answer.file), f"{own}.file"
            _, gadget, wrong = named_gadget(
                folder, name, self.check, read=True, settings=change)
            mark = tuple(problem.text + problem.key for problem in wrong)
            if wrong and mark not in told:
                told.add(mark)
                self.foreign += [self._own(one, key, keys, answers) for one in wrong]
            if gadget is not None:
                found[combination] = gadget
        return found

    def _plain(self) -> dict[tuple[int, ...], Gadget]:
        """The gadget as its file says."""
        _, gadget, wrong = named_gadget(self.folder, self.written.gadget, self.check, read=True)
        return {} if gadget is None or wrong else {(): gadget}

    def _own(self, problem: Problem, key: str, places: list[str],
             answers: list[Answer]) -> Problem:
        """A problem of a gadget; what an answer sets is a mistake of the log."""
        if problem.file == OPTION:
            for place, answer in zip(places, answers, strict=True):
                for name, value in answer.change.items():
                    if (problem.key == name or problem.key.startswith((f"{name}.", f"{name}["))
                            or name.startswith(f"{problem.key}.")):  # a section that is none
                        said = f"{problem.key} = {value}: {problem.text}"
                        return replace(problem, key=f"{place}.change", text=said, file="",
                                       line=None, found=None)
        return problem if problem.file else replace(
            problem, key=key if problem.key == "gadget" else problem.key)

    # -- unknowns --------------------------------------------------------------------------------

    def _unknowns(self, gadgets: Mapping[tuple[int, ...], Gadget]) -> tuple[Unknown, ...]:
        found = [
            one for key, text in self.written.unknown.items()
            if (one := self._unknown(key, text, gadgets)) is not None
        ]
        known = {one.key for one in found}
        for entry in entries(next(iter(gadgets.values()))):
            figure = entry.figure
            low, high = (
                (float(figure.low_ns), float(figure.high_ns)) if isinstance(figure, Timing)
                else (figure.low, figure.high)
            )
            everywhere = all(entry.key in quantities(one) for one in gadgets.values())
            if entry.origin != "guess" or low >= high or entry.key in known or not everywhere:
                continue
            dimension = dimension_of(next(iter(gadgets.values())), entry.key, figure)
            if dimension is not None:
                found.append(Unknown(key=entry.key, low=low, high=high, dimension=dimension,
                                     guess=True))
        return tuple(found)

    def _unknown(
        self, key: str, text: object, gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> Unknown | None:
        place = key_text(("unknown", key))
        if isinstance(text, dict):
            self._problem(place, "this key has dots and needs quotation marks",
                          f'for example "{key}.{next(iter(text), "x")}" = "1 uA .. 40 uA"')
            return None
        if key == CLOCK:
            return self._clock(place, text)
        dimension = None
        for gadget in gadgets.values():
            known = quantities(gadget)
            if key not in known:
                self._problem(place, f"the gadget{_of(gadget)} has no such figure",
                              "a figure that the gadget file writes, or clock",
                              nearest(key, [*known, CLOCK]))
                return None
            dimension = dimension or dimension_of(gadget, key, known[key])
        if dimension is None:
            self._problem(place, "it cannot be told what this figure measures")
            return None
        try:
            low, high = ends_of(in_days(text) if dimension is TIME else text, dimension)
        except QuantityError as error:
            self._problem(place, error.text, 'a range such as "1 uA .. 40 uA"')
            return None
        if not low < high:
            self._problem(place, "this is one value and not a range",
                          'a range such as "1 uA .. 40 uA"')
            return None
        return Unknown(key=key, low=low, high=high, dimension=dimension)

    def _clock(self, place: str, text: object) -> Unknown | None:
        help_text = 'a tolerance such as "± 10 %", or a range such as "95 % .. 110 %"'
        try:
            if isinstance(text, str) and ".." in text:
                low, high = read_span(text, RATIO)
            else:
                plain = re.sub(r"^\s*(±|\+/-|\+-)", "", text) if isinstance(text, str) else text
                share = read_number(plain, RATIO, positive=True)
                low, high = 1.0 - share, 1.0 + share
        except QuantityError as error:
            self._problem(place, error.text, help_text)
            return None
        if not 0.1 <= low < high <= 10.0:
            self._problem(place, "no clock is that far off", help_text)
            return None
        return Unknown(key=CLOCK, low=low, high=high)

    # -- observations ----------------------------------------------------------------------------

    def _observation(
        self, key: str, one: ObservationPart, gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> Observation:
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
                                  f"the gadget{_of(other)} has no such signal as {name}")
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
                self._problem(place, "the cell's curve does not hold this voltage",
                              f"{low:.3g} V to {high:.3g} V")

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
                if region.group in ("behaviour", "dials"):
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
            self._problem(f"{key}.mode", "the gadget has no charger")
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


def _flat(change: Mapping[str, Any], above: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    """`change` with nested tables as dotted keys; a table that is a quantity stays one."""
    for key, value in change.items():
        name = ".".join((*above, key))
        if isinstance(value, dict) and "value" not in value and "." not in key and value:
            yield from _flat(value, (*above, key))
        else:
            yield name, value


def _no_blocks(remarks: Remarks) -> Iterator[Block]:
    """Nothing to read."""
    del remarks
    return iter(())


def _states(gadget: Gadget, region: str) -> list[str]:
    """The states in which a recording may begin; the positions of a dial count as such."""
    for built in build_system(gadget).regions:
        if built.name == region and built.group in ("behaviour", "dials"):
            return [state.name for state in built.states]
    return []


def _of(gadget: Gadget) -> str:
    return f" {gadget.file}" if gadget.file else ""
