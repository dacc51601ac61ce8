"""Reading a bench log: all its mistakes together, those of the gadget files that it names too."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations, product
from pathlib import Path
from typing import Any

from simfw.benchlog.model import CLOCK, Answer, BenchLog, Question, Unknown
from simfw.benchlog.observation_file import ObservationReader, of_gadget
from simfw.benchlog.written import SAMPLES, LogFile, QuestionPart, ends_of, in_days
from simfw.errors import DescriptionError, Problem, QuantityError, nearest
from simfw.gadget.dimensions import dimension_of
from simfw.gadget.figures import entries
from simfw.gadget.load import GadgetCheck, named_gadget
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import RATIO, TIME, Timing, read_number, read_span
from simfw.stimuli.pattern import Pattern
from simfw.stimuli.pattern_file import read_pattern
from simfw.tomlfile import OPTION, key_text, read_toml, require_kind
from simfw.validation import check_data

__all__ = ["MOST_COMBINATIONS", "read_bench_log"]

MOST_COMBINATIONS = 256


def read_bench_log(path: str | Path, check: GadgetCheck | None = None) -> BenchLog:
    """Read and check a bench log and the gadget files it names, one for each combination.

    `check` is handed to `read_gadget`. Raises `DescriptionError` with the problems of all files.
    """
    file = read_toml(path)
    require_kind(file, "bench log")
    checked = check_data(LogFile, file.data, SAMPLES)
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


class _Reader(ObservationReader):
    """Turns a log as written into a log, and collects what is wrong."""

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
            self.observation(f"observations[{n}]", one, known)
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
        if not told:
            self._same_answers(questions, found)
        return found

    def _same_answers(
        self, questions: tuple[Question, ...], gadgets: Mapping[tuple[int, ...], Gadget]
    ) -> None:
        """Answers to one question with which the gadget is the same, whatever the other answers."""
        for number, question in enumerate(questions):
            for n, m in combinations(range(len(question.answers)), 2):
                pairs = [(one, gadgets.get((*key[:number], m, *key[number + 1 :])))
                         for key, one in gadgets.items() if key[number] == n]
                if pairs and all(other is not None and _same(one, other) for one, other in pairs):
                    self._problem(
                        f"questions[{number}].answers[{m}]",
                        f'with it the gadget is the same as with "{question.answers[n].name}"',
                        "answers of which each makes another gadget")

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
                self._problem(place, f"the gadget{of_gadget(gadget)} has no such figure",
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


def _same(one: Gadget, other: Gadget) -> bool:
    """Whether two gadgets are written alike, down to their names, wherever they are written."""
    return all(getattr(one, name) == getattr(other, name)
               for name in Gadget.model_fields if name not in ("file", "digest"))


def _flat(change: Mapping[str, Any], above: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    """`change` with nested tables as dotted keys; a table that is a quantity stays one."""
    for key, value in change.items():
        name = ".".join((*above, key))
        if isinstance(value, dict) and "value" not in value and "." not in key and value:
            yield from _flat(value, (*above, key))
        else:
            yield name, value
