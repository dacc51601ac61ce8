"""Reading a bench log: all its mistakes together, those of the gadget files that it names too."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from itertools import product
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from simfw.benchlog.model import (
    CLOCK,
    HAND_NS,
    PRESS_NS,
    Answer,
    BenchLog,
    BenchStep,
    Do,
    Kit,
    ModeReading,
    Observation,
    PinSeen,
    Question,
    See,
    StartCharge,
    Unknown,
    Until,
    Wait,
)
from simfw.errors import DescriptionError, Problem, QuantityError, nearest
from simfw.forms import Reads, plain, text
from simfw.gadget.dimensions import dimension_of
from simfw.gadget.fields import Name
from simfw.gadget.figures import entries
from simfw.gadget.load import GadgetCheck, named_gadget
from simfw.gadget.model import Gadget, Part
from simfw.gadget.quantities import quantities
from simfw.quantity import (
    CURRENT,
    LENGTH,
    RATIO,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    Timing,
    read_figure,
    read_number,
    read_span,
    read_timing,
)
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.scenario import Expect, Scenario, problems_of
from simfw.stimuli.scenario_file import (
    READING,
    Instant,
    Kinds,
    Span,
    read_reading,
    step_mismatches,
)
from simfw.tomlfile import OPTION, key_text, read_toml, require_kind
from simfw.validation import check_data

__all__ = ["BENCH_STEPS", "MOST_COMBINATIONS", "BenchLine", "LogFile", "read_bench_log"]

MOST_COMBINATIONS = 256

_STARTS = ("full", "cut-off", "last bar", "any")
_START_HELP = ('"full", "cut-off", "last bar", "any", a share such as "80 %", shares such as '
               '"95 % .. 100 %", or a voltage at rest such as "3.80 V"')
_MONTHS = re.compile(r"(\d+(?:\.\d+)?)\s*months?\b")
_BELOW = re.compile(r"\s*below\s+(.*)", re.DOTALL)
_PIN = "charger.status"


def _months(value: object) -> object:
    """Months in a time become days: a month is a twelfth of a year, 30.4375 days."""
    if not isinstance(value, str):
        return value
    return _MONTHS.sub(lambda found: f"{Decimal(found[1]) * Decimal('30.4375'):f} days", value)


def _timing(value: object) -> Timing:
    return read_timing(_months(value))


def _start(value: object) -> StartCharge:
    if isinstance(value, StartCharge):
        return value
    if isinstance(value, str) and value.strip() in _STARTS:
        return StartCharge(value.strip())  # type: ignore[arg-type]
    try:
        return _start_share(value)
    except QuantityError as error:
        near = nearest(value, _STARTS) if isinstance(value, str) else None
        raise QuantityError(
            text=error.text, allowed=_START_HELP, suggestion=near or error.suggestion
        ) from None


def _start_share(value: object) -> StartCharge:
    if isinstance(value, str) and re.search(r"V\s*($|\.\.|±)", value):
        low, high = _ends(value, VOLTAGE)
        return StartCharge("volts", low, high)
    low, high = _ends(value, RATIO)
    if high > 1:
        raise QuantityError(text="a charge is at most 100 %")
    return StartCharge("share", low, high)


def _ends(value: object, dimension: Any) -> tuple[float, float]:
    """Both ends of a range, or of a value with a tolerance."""
    if isinstance(value, str) and ".." in value and "(" not in value:
        return read_span(value, dimension)
    figure = read_figure(value, dimension)
    return figure.low, figure.high


def _reading(value: object) -> tuple[float, float]:
    below = _BELOW.fullmatch(value) if isinstance(value, str) else None
    if below is not None:
        return 0.0, read_number(below[1], CURRENT, positive=True)
    try:
        return _ends(value, CURRENT)
    except QuantityError as error:
        raise QuantityError(
            text=error.text, suggestion=error.suggestion,
            allowed='a current such as "152 mA ± 2 mA", or "below 10 uA"') from None


StartText = Annotated[StartCharge, Reads(_start, form=text(
    "start-of-observation", f"The charge then: {_START_HELP}."))]
Reading = Annotated[tuple[float, float], Reads(_reading, form=text(
    "meter-reading", 'A current such as "152 mA ± 2 mA", or "below 10 uA".'))]
Loose = Annotated[Timing, Reads(_timing, form=text(
    "loose-time", 'A time such as "8 months ± 1 week" or "50 min ± 5 min".', r"\d"))]
Degrees = Annotated[float, Reads(
    lambda value: read_number(value, TEMPERATURE), form=plain(TEMPERATURE))]
Metres = Annotated[float, Reads(
    lambda value: read_number(value, LENGTH, positive=True), form=plain(LENGTH))]


class BenchLine(Part):
    """One line of the steps of an observation, as written."""

    wait: Loose | None = None
    until: str | None = None
    see: str | None = None
    press: Name | None = None
    wave: Name | None = None
    toggle: Name | None = None
    measure: Name | None = None
    usb: bool | None = None
    temperature: Degrees | None = None
    fault: bool | None = None
    took: Loose | None = None
    looked: Span | None = None
    for_: Annotated[Span | None, Field(alias="for")] = None
    bounce: Instant | None = None
    distance: Metres | None = None
    to: Literal["on", "off"] | None = None
    value: Annotated[tuple[float, str], Reads(read_reading, form=READING)] | None = None
    at: Annotated[int, Field(exclude=True)] = 0  # of the step of a scenario that it becomes


class ObservationPart(Part):
    """`[[observations]]`, as written."""

    name: Name
    start: StartText | None = None
    steps: tuple[BenchLine, ...] = ()
    mode: Name | None = None
    reading: Reading | None = None
    charge: StartText | None = None
    node: Literal["cell", "usb"] | None = None
    pin: Literal["charger.status"] | None = None
    reads: Literal["low", "high", "floating"] | None = None
    temperature: Degrees | None = None
    by: Literal["hand", "analyser"] = "hand"
    doubt: bool = False


class AnswerPart(Part):
    """`[[questions.answers]]`, as written."""

    name: Name
    file: Name | None = None
    change: Annotated[dict[str, Any], Field(default_factory=dict)]


class QuestionPart(Part):
    """`[[questions]]`, as written."""

    name: Name
    asks: str = ""
    answers: Annotated[tuple[AnswerPart, ...], Field(min_length=1)]


class LogFile(Part):
    """A bench log, as written."""

    title: str = ""
    gadget: Name
    kit: tuple[Kit, ...] = ("eyes",)
    unknown: Annotated[dict[str, Any], Field(default_factory=dict)]
    questions: tuple[QuestionPart, ...] = ()
    observations: tuple[ObservationPart, ...] = ()


_INPUTS = {one.key: one for one in INPUTS.values()}
BENCH_STEPS: Kinds = {
    "wait": ((), ()),
    "until": (("took",), ("looked",)),
    "see": ((), ()),
    **{
        key: (
            tuple(one for one in _INPUTS[key].needs if (key, one) != ("press", "for")),
            (*(("for",) if key == "press" else ()), *_INPUTS[key].may),
        )
        for key in BenchLine.model_fields if key in _INPUTS
    },
}
_SAMPLES: dict[str, Any] = {
    "gadget": "gadget.toml",
    "name": "shelf",
    "answers": [],
    "took": "2 h 40 min ± 10 min",
    "for": "120 ms",
    "distance": "12 cm",
    "to": "on",
    "value": "12 lx",
}


def read_bench_log(path: str | Path, check: GadgetCheck | None = None) -> BenchLog:
    """Read and check a bench log and the gadget files it names, one for each combination.

    `check` is handed to `read_gadget`. Raises `DescriptionError` with the problems of all files.
    """
    file = read_toml(path)
    require_kind(file, "bench log")
    checked = check_data(LogFile, copy.deepcopy(file.data), _SAMPLES)
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
            observations=tuple(observations), gadgets=gadgets,
        )

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
                    if problem.key == name or problem.key.startswith((f"{name}.", f"{name}[")):
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
            low, high = _ends(_months(text) if dimension is TIME else text, dimension)
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
            ("steps", bool(one.steps) and one.pin is None)) if stands]
        if len(kinds) != 1:
            what = "nothing was observed" if not kinds else f"{' and '.join(kinds)} in one"
            self._problem(key, what, "steps, or mode with reading, or pin with reads and steps")
        for name, belongs in (("reading", "mode"), ("charge", "mode"), ("node", "mode"),
                              ("reads", "pin")):
            if getattr(one, name) is not None and belongs not in kinds:
                self._problem(f"{key}.{name}", f"this has no meaning without {belongs}")
        if one.start is not None and "mode" in kinds:
            self._problem(f"{key}.start", "a mode has no start", 'charge = "70 % .. 90 %"')
        if one.temperature is not None and "mode" in kinds:
            self._problem(f"{key}.temperature", "a mode is read at 25 °C",
                          "temperature with steps")
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
        self._start(key, one, start, gadgets)
        return Observation(
            name=one.name, key=key, start=start, steps=tuple(steps),
            reading=reading, temperature_c=one.temperature, by_hand=one.by == "hand",
            doubt=one.doubt,
        )

    def _start(self, key: str, one: ObservationPart, start: StartCharge,
               gadgets: Mapping[tuple[int, ...], Gadget]) -> None:
        place = f"{key}.charge" if one.mode is not None else f"{key}.start"
        for gadget in gadgets.values():
            if start.kind == "cut-off" and gadget.cell.cut_off is None:
                self._problem(place, "the cell has no cut_off", _START_HELP)
            bars = () if gadget.gauge is None else gadget.gauge.thresholds
            if start.kind == "last bar" and not bars:
                self._problem(place, "the gadget has no gauge with thresholds", _START_HELP)

    def _reading(self, key: str, one: ObservationPart,
                 gadgets: Mapping[tuple[int, ...], Gadget]) -> ModeReading | None:
        states: list[tuple[str, str]] = []
        usb = one.node == "usb"
        for word in (one.mode or "").split():
            region, _, state = word.partition(".")
            if (region, state) == ("charge", "charging"):
                usb = True
                continue
            for gadget in gadgets.values():
                known = gadget.behaviour.get(region)
                if known is None:
                    self._problem(f"{key}.mode", f'there is no region "{region}"',
                                  f"{', '.join(gadget.behaviour)}, charge.charging",
                                  nearest(region, gadget.behaviour))
                elif not any(s == state or s.startswith(f"{state}.") for s in known.states):
                    self._problem(f"{key}.mode", f'{region} has no state "{state}"',
                                  ", ".join(known.states), nearest(state, known.states))
            states.append((region, state))
        if usb and any(gadget.charger is None for gadget in gadgets.values()):
            self._problem(f"{key}.mode", "the gadget has no charger")
        if one.reading is not None:
            low, high = one.reading
        else:
            figures = {gadget.readings.get(one.mode or "") for gadget in gadgets.values()}
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
                           node=one.node or "cell", usb=usb)

    def _steps(self, key: str, one: ObservationPart,
               gadgets: Mapping[tuple[int, ...], Gadget]) -> Iterator[BenchStep]:
        """The steps; a scenario that does the same at the times seen tells what is wrong."""
        made: list[BenchStep] = []
        hand = 0 if one.by == "analyser" else HAND_NS
        slack = 0
        for n, line in enumerate(one.steps):
            place = f"{key}.steps[{n}]"
            found = step_mismatches(place, line, BENCH_STEPS, _SAMPLES)
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
            for problem in problems_of(_nominal(made, gadget)):
                where = re.sub(r"\.expect$", "", problem.key)
                step = next((s for s in made if isinstance(s, Until | See) and s.key == where),
                            None)
                if step is not None:
                    where += ".see" if isinstance(step, See) else ".until"
                if where.startswith(key):
                    self._problem(where.removesuffix(".at"), problem.text, problem.allowed,
                                  problem.suggestion)  # type: ignore[arg-type]
        return iter(made)


def _nominal(steps: list[BenchStep], gadget: Gadget) -> Scenario:
    """A scenario of the same steps at the times that were seen."""
    now = counted = 0
    found: list[Any] = []
    for step in steps:
        match step:
            case Wait(ns=ns):
                now += ns
            case Do():
                counted = now
                found.append(step.at(now))
            case Until(text=text, ns=ns, key=key):
                now = counted = max(counted + ns, now)
                found.append(Expect(at_ns=now, text=text, key=key))
            case See(text=text, key=key):
                found.append(Expect(at_ns=now, text=text, key=key))
            case _:
                pass
    return Scenario(charge=0.5, lasts_ns=now + 10**9, steps=tuple(found), gadget=gadget)


def _flat(change: Mapping[str, Any], above: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    """`change` with nested tables as dotted keys; a table that is a quantity stays one."""
    for key, value in change.items():
        name = ".".join((*above, key))
        if isinstance(value, dict) and "value" not in value and "." not in key and value:
            yield from _flat(value, (*above, key))
        else:
            yield name, value


def _of(gadget: Gadget) -> str:
    return f" {gadget.file}" if gadget.file else ""
