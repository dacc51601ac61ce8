"""JSON Schemas of the files, made from the models that read them.

A TOML editor that is given one completes keys, shows units and marks mistakes while somebody
types. A schema never refuses a file that can be loaded; what only the loader can judge (names,
ranges, what keys mean together) it lets pass. Dialect: JSON Schema draft 7, which the editors know.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Mapping
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from simfw.benchlog.written import BENCH_STEPS, BenchLine, LogFile
from simfw.errors import UsageError, hint
from simfw.forms import Form, Reads
from simfw.gadget.model import Gadget
from simfw.quantity import Timing
from simfw.stimuli.pattern_file import HABIT_STEPS, PatternFile
from simfw.stimuli.pattern_file import StepLine as HabitStep
from simfw.stimuli.recording.mapfile import Map
from simfw.stimuli.scenario_file import KINDS, Kinds, ScenarioFile, StepLine
from simfw.validation import kind_of, known_keys

__all__ = ["FILES", "schema_of"]

FILES: Mapping[str, tuple[type[BaseModel], str]] = {
    "gadget": (Gadget, "What a gadget is made of and what its firmware does."),
    "scenario": (ScenarioFile, "What somebody does with a gadget, and what is expected then."),
    "pattern": (PatternFile, "How a gadget is used over months."),
    "map": (Map, "What the wires of a recording carry."),
    "bench-log": (LogFile, "Guesses about a gadget, and what was seen at the bench."),
}
"""The model of each kind of file, and what the file is."""

_LINES: Mapping[type[BaseModel], Kinds] = {
    StepLine: KINDS, HabitStep: HABIT_STEPS, BenchLine: BENCH_STEPS}
_PLAIN = {bool: "boolean", int: "integer", float: "number", str: "string"}


def schema_of(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file of `FILES`."""
    if kind not in FILES:
        raise UsageError(f'There is no kind of file "{kind}". Allowed: {", ".join(FILES)}.'
                         + hint(kind, FILES))
    model, about = FILES[kind]
    writer = _Writer()
    top = writer.table(model)
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": f"simfw {kind} file",
        **top,
        "description": about,
        "definitions": dict(sorted(writer.found.items())),
    }


class _Writer:
    """Schemas of annotations; what is used more than once goes to `found`, by name."""

    def __init__(self) -> None:
        self.found: dict[str, Mapping[str, Any]] = {}

    def table(self, model: type[BaseModel]) -> dict[str, Any]:
        """A table: the keys of `model` and no others."""
        keys = known_keys(model)
        schema: dict[str, Any] = {
            "type": "object",
            "description": _about(model),
            "additionalProperties": False,
            "properties": {name: self.key(info) for name, info in keys.items()},
        }
        needed = [name for name, info in keys.items() if info.is_required()]
        if needed:
            schema["required"] = needed
        if model in _LINES:
            schema["oneOf"] = [{"required": [kind, *needs]}
                               for kind, (needs, _) in _LINES[model].items()]  # fmt: skip
        return schema

    def key(self, info: FieldInfo) -> dict[str, Any]:
        """What may stand behind a key, and what holds where it is left out."""
        schema = self.value(info.annotation, info.metadata)
        default = info.default.text if isinstance(info.default, Timing) else info.default
        if info.is_required() or not isinstance(default, bool | int | float | str) or default == "":
            return schema
        told = f"Left out: {default}." if not isinstance(default, bool) else None
        if told is None or "$ref" not in schema:
            return {**schema, "default": default}
        # Beside a reference draft 7 reads nothing.
        return {"allOf": [schema], "default": default, "description": told}

    def value(self, annotation: Any, metadata: Iterable[Any] = ()) -> dict[str, Any]:
        """A value by its annotation and what was said beside it."""
        said = [*metadata, *_beside(annotation)]
        form = next((one.form for one in said if isinstance(one, Reads) and one.form), None)
        kind = kind_of(annotation)
        form = form or getattr(kind, "form", None)
        if isinstance(form, Form):
            self.found.setdefault(form.key, form.schema)
            return {"$ref": f"#/definitions/{form.key}"}
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            if kind.__name__ not in self.found:
                self.found[kind.__name__] = {}  # its place, should it hold itself
                self.found[kind.__name__] = self.table(kind)
            return {"$ref": f"#/definitions/{kind.__name__}"}
        origin = get_origin(kind)
        if origin is dict:
            return {"type": "object", "additionalProperties": self.value(get_args(kind)[1])}
        if origin is tuple:
            return {"type": "array", "items": self.value(get_args(kind)[0]), **_length(said)}
        if kind is Any:
            return {"type": ["string", "number", "boolean", "array", "object"]}
        if origin is Literal:
            return {"enum": list(get_args(kind))}
        return {"type": _PLAIN[kind], **_limits(said)}


def _beside(annotation: Any) -> list[Any]:
    """What stands beside a type, in an annotation that may leave room for None."""
    found: list[Any] = []
    inner = get_args(annotation) if get_origin(annotation) in (Union, UnionType) else ()
    for one in (annotation, *inner):
        if get_origin(one) is Annotated:
            for said in get_args(one)[1:]:
                found += [said, *getattr(said, "metadata", ())]
    return found


def _length(said: Iterable[Any]) -> dict[str, int]:
    limits = {}
    for one in said:
        if isinstance(one, annotated_types.MinLen):
            limits["minItems"] = one.min_length
        if isinstance(one, annotated_types.MaxLen):
            limits["maxItems"] = one.max_length
    return limits


_BOUNDS: Mapping[type[Any], tuple[str, str]] = {
    annotated_types.Ge: ("ge", "minimum"), annotated_types.Le: ("le", "maximum"),
    annotated_types.Gt: ("gt", "exclusiveMinimum"), annotated_types.MinLen: (
        "min_length", "minLength"),
}  # fmt: skip


def _limits(said: Iterable[Any]) -> dict[str, Any]:
    return {_BOUNDS[type(one)][1]: getattr(one, _BOUNDS[type(one)][0])
            for one in said if type(one) in _BOUNDS}  # fmt: skip


def _about(model: type[BaseModel]) -> str:
    """What the docstring of a model says, as one line."""
    return re.sub(r"\s+", " ", inspect.getdoc(model) or "").replace("`", "")
