"""All mistakes of one file together: from a pydantic model to `Problem`s.

A value that cannot be used is noted and then replaced by a stand-in, so that everything else of
the file is still checked. A misspelt key is read as the nearest known one, for the same reason.
What was replaced is remembered in `Checked.tainted`: later checks must not complain of stand-ins.
"""

from __future__ import annotations

import copy
import types
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from simfw.errors import Problem, QuantityError, nearest
from simfw.tomlfile import KeyPath, key_text

__all__ = ["Checked", "check_data", "kind_of", "known_keys"]

Model = TypeVar("Model", bound=BaseModel)

_ROUNDS = 12


@dataclass(kw_only=True)
class Checked(Generic[Model]):
    """The outcome of a check: `value` (None where not even stand-ins helped) and its problems."""

    value: Model | None
    problems: list[Problem] = field(default_factory=list)
    tainted: set[str] = field(default_factory=set)

    def keep(self, problems: Iterable[Problem]) -> list[Problem]:
        """Return those of `problems` that do not touch a stand-in."""
        return [problem for problem in problems if not self._touches(problem.key)]

    def _touches(self, key: str) -> bool:
        wanted = _steps(key)
        for tainted in self.tainted:
            other = _steps(tainted)
            shorter = min(len(wanted), len(other))
            if wanted[:shorter] == other[:shorter]:
                return True
        return False


def _steps(key: str) -> list[str]:
    return key.replace("[", ".[").replace('"', "").split(".")


def known_keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the keys that a file may use for `model`, in the order of its fields."""
    return {
        info.alias or name: info for name, info in model.model_fields.items() if not info.exclude
    }


def check_data(
    model: type[Model], data: Mapping[str, Any], samples: Mapping[str, Any]
) -> Checked[Model]:
    """Validate `data` against `model` and collect all its mistakes.

    `samples` gives, for a required key, a value as a file would hold it; it serves as stand-in and
    as the example in the message about a missing key. A dotted path of two (`target.area`) goes
    before the bare key; with "?" in front it is the stand-in for an optional key.
    """
    work = _Work(model, copy.deepcopy(dict(data)), samples)
    value = work.run()
    return Checked(value=value, problems=work.problems, tainted=work.tainted)


class _Work(Generic[Model]):
    def __init__(
        self, model: type[Model], data: dict[str, Any], samples: Mapping[str, Any]
    ) -> None:
        self.model = model
        self.data = data
        self.samples = samples
        self.problems: list[Problem] = []
        self.tainted: set[str] = set()
        self.renamed: dict[KeyPath, str] = {}
        # A file may have thousands of steps, all of one model.
        self._known: dict[type[BaseModel], dict[str, FieldInfo]] = {}

    def run(self) -> Model | None:
        self._rename_unknown(self.model, self.data, ())
        for _ in range(_ROUNDS):
            try:
                return self.model.model_validate(self.data)
            except ValidationError as error:
                mistakes = error.errors(include_url=False)
                noted = frozenset(self.tainted)
                for mistake in mistakes:
                    if self._text(mistake["loc"]) not in noted and not _follows(mistake, mistakes):
                        self._note(mistake)
                for mistake in mistakes:
                    self._repair(mistake["loc"])
        return None

    # --- unknown keys, before anything else

    def _rename_unknown(self, annotation: Any, value: Any, path: KeyPath) -> None:
        """Note every unknown key below `path`; take it out, or give it the name that was meant."""
        if not isinstance(value, dict | list):  # most are single values
            return
        kind = kind_of(annotation)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            if not isinstance(value, dict):
                return
            known = self._known.get(kind) or self._known.setdefault(kind, known_keys(kind))
            for name in [name for name in value if name not in known]:
                self._unknown(value, name, known, path)
            for name, info in known.items():
                if name in value:
                    self._rename_unknown(info.annotation, value[name], (*path, name))
        elif get_origin(kind) is dict and isinstance(value, dict):
            inner = get_args(kind)[1]
            self._misplaced(value, kind_of(inner), path)
            for name, item in value.items():
                self._rename_unknown(inner, item, (*path, name))
        elif get_origin(kind) is tuple and isinstance(value, list):
            for index, item in enumerate(value):
                self._rename_unknown(get_args(kind)[0], item, (*path, index))

    def _unknown(
        self, table: dict[str, Any], name: str, known: Mapping[str, FieldInfo], path: KeyPath
    ) -> None:
        meant = _nearest_key(name, known)
        if meant is not None and not path and not _fits(table[name], known[meant].annotation):
            meant = None
        self._add(
            (*path, name),
            f"unknown {'section' if not path and isinstance(table[name], dict | list) else 'key'}",
            allowed=", ".join(known),
            suggestion=meant,
            taint=False,
        )
        value = table.pop(name)
        if meant is not None and meant not in table:
            table[meant] = value
            self.renamed[(*path, meant)] = name
        else:
            self.tainted.add(self._text((*path, name)))

    def _misplaced(self, table: dict[str, Any], inner: Any, path: KeyPath) -> None:
        """Note keys of one member that stand where the names of members should ("lights.leds")."""
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return
        known = known_keys(inner)
        for name, value in list(table.items()):
            inside = set(value) if isinstance(value, dict) else None
            if name in known and (inside is None or (inside and not inside & set(known))):
                section = key_text(path)
                self._add(
                    (*path, name),
                    f"[{section}] holds names, and each name its own keys",
                    allowed=f'"{name}" under [{section}.NAME]',
                )
                del table[name]
                self.tainted.add(section)  # the names that should stand here are not known

    # --- everything else

    def _note(self, mistake: Any) -> None:
        loc: KeyPath = tuple(mistake["loc"])
        kind: str = mistake["type"]
        context = mistake.get("ctx", {})
        cause = context.get("error")
        if kind == "missing":
            self._missing(loc)
        elif isinstance(cause, QuantityError):
            for one in (cause, *cause.others):
                self._add(
                    loc + ((one.subkey,) if one.subkey else ()),
                    one.text,
                    allowed=one.allowed,
                    suggestion=one.suggestion,
                )
            self.tainted.add(self._text(loc))
        elif kind == "literal_error":
            names = get_args(kind_of(self._annotation(loc)))
            found = _value_at(self.data, loc)
            self._add(
                loc,
                "unknown name" if isinstance(found, str) else _is_a(found),
                allowed=", ".join(f'"{name}"' for name in names),
                suggestion=nearest(found, names) if isinstance(found, str) else None,
            )
        elif kind in _LIMITS:
            text, allowed = _LIMITS[kind]
            self._add(loc, text.format(**context), allowed=allowed.format(**context))
        elif kind in ("int_type", "int_from_float"):
            self._add(loc, "this is not a whole number", allowed="a whole number")
        else:
            self._wrong_kind(loc, _WANTED.get(kind, mistake["msg"]))

    def _wrong_kind(self, loc: KeyPath, allowed: str) -> None:
        """Note a value of the wrong kind, with an example of the right one where there is one."""
        found = _value_at(self.data, loc)
        kind = kind_of(self._annotation(loc))
        suggestion = None
        sample = self._sample(loc)
        if get_origin(kind) is tuple:
            if _is_table_kind(get_args(kind)[0]):
                allowed = f"[[{key_text(loc)}]] for each" if len(loc) == 1 else "[ { ... }, ... ]"
            elif isinstance(sample, list):
                allowed = str(_as_toml(str(loc[-1]), sample))
            elif isinstance(found, str):
                suggestion = f'["{found}"]'
        elif get_origin(kind) is dict and isinstance(found, list):
            name = key_text(loc)
            allowed = f"[{name}.NAME] for each" if len(loc) == 1 else f"{loc[-1]}.NAME = {{ ... }}"
        elif isinstance(kind, type) and issubclass(kind, BaseModel) and len(loc) > 1:
            keys = [name for name, info in known_keys(kind).items() if info.is_required()]
            inner = ", ".join(f"{name} = ..." for name in keys) or "..."
            allowed = f"a table {{ {inner} }}"
        self._add(loc, _is_a(found), allowed=allowed, suggestion=suggestion)

    def _missing(self, loc: KeyPath) -> None:
        name, sample = str(loc[-1]), self._sample(loc)
        if isinstance(loc[-1], int):  # an element of a list that has a fixed length
            self._add(loc[:-1], "this list is too short",
                      allowed=_as_toml(str(loc[-2]), self._sample(loc[:-1])))
            return
        allowed: str | None
        if isinstance(sample, dict) and sample and len(loc) == 1:
            text, allowed = f"the section [{name}] is missing", f"[{name}] with {', '.join(sample)}"
        else:
            text, allowed = f'the key "{name}" is missing', _as_toml(name, sample)
        self._add(loc, text, allowed=allowed, at=loc[:-1])

    def _add(
        self,
        loc: KeyPath,
        text: str,
        *,
        allowed: str | None = None,
        suggestion: str | tuple[str, ...] | None = None,
        at: KeyPath | None = None,
        taint: bool = True,
    ) -> None:
        key = self._text(loc)
        shown = key if at is None else self._text(at)
        self.problems.append(Problem(key=shown, text=text, allowed=allowed, suggestion=suggestion))
        if taint:
            self.tainted.add(key)

    def _text(self, loc: KeyPath) -> str:
        """Return the key text of `loc` with every renamed part as the file has it."""
        written = [
            self.renamed.get(tuple(loc[: end + 1]), part) for end, part in enumerate(loc)
        ]
        return key_text(written)

    def _annotation(self, loc: KeyPath) -> Any:
        annotation: Any = self.model
        for part in loc:
            annotation = kind_of(annotation)
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                annotation = known_keys(annotation)[str(part)].annotation
            elif get_origin(annotation) is dict:
                annotation = get_args(annotation)[1]
            else:
                annotation = get_args(annotation)[0]
        return annotation

    def _sample(self, loc: KeyPath) -> Any:
        words = [str(part) for part in loc if isinstance(part, str)]
        return self.samples.get(".".join(words[-2:]), self.samples.get(words[-1]))

    def _repair(self, loc: KeyPath) -> None:
        """Put a stand-in at `loc`, or take the value out where it may be absent."""
        # An element of a list of plain values takes the list with it: the others were checked too.
        while isinstance(loc[-1], int) and not self._is_table(loc):
            loc = loc[:-1]
        try:
            parent = _value_at(self.data, loc[:-1])
        except KeyError:
            return  # the list went with an earlier element
        if isinstance(loc[-1], int):
            parent[loc[-1]] = copy.deepcopy(self._table_sample(loc))
            return
        above = kind_of(self._annotation(loc[:-1]))
        if isinstance(above, type) and issubclass(above, BaseModel):
            info = known_keys(above)[loc[-1]]
            broken = parent.pop(loc[-1], None)
            optional = (f"?{loc[-2]}.{loc[-1]}" if len(loc) > 1 else "", f"?{loc[-1]}")
            if info.is_required():
                parent[loc[-1]] = copy.deepcopy(self._sample(loc))
            elif isinstance(broken, str) and _is_list_of_values(info.annotation):
                parent[loc[-1]] = [broken]  # what was meant; if not, it goes in the next round
            elif found := [key for key in optional if key in self.samples]:
                parent[loc[-1]] = copy.deepcopy(self.samples[found[0]])
        elif self._is_table(loc):
            parent[loc[-1]] = copy.deepcopy(self._table_sample(loc))
        else:
            parent.pop(loc[-1], None)

    def _is_table(self, loc: KeyPath) -> bool:
        return _is_table_kind(self._annotation(loc))

    def _table_sample(self, loc: KeyPath) -> dict[str, Any]:
        """Return the smallest legal table for `loc`: its required keys with their samples."""
        kind = kind_of(self._annotation(loc))
        if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
            return {}
        return {
            name: self._sample((*loc, name))
            for name, info in known_keys(kind).items()
            if info.is_required()
        }


def _follows(mistake: Any, others: Sequence[Any]) -> bool:
    """Whether a list is only too short because pydantic does not count its broken elements."""
    loc = mistake["loc"]
    return mistake["type"] == "too_short" and any(
        len(other["loc"]) > len(loc) and other["loc"][: len(loc)] == loc for other in others
    )


def kind_of(annotation: Any) -> Any:
    """Return an annotation without `Annotated` and without `| None`."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin in (Union, types.UnionType):
            annotation = next(arg for arg in get_args(annotation) if arg is not type(None))
        else:
            return annotation


def _is_table_kind(annotation: Any) -> bool:
    kind = kind_of(annotation)
    return get_origin(kind) is dict or (isinstance(kind, type) and issubclass(kind, BaseModel))


def _is_list_of_values(annotation: Any) -> bool:
    kind = kind_of(annotation)
    return get_origin(kind) is tuple and not _is_table_kind(get_args(kind)[0])


def _fits(value: object, annotation: Any) -> bool:
    """Whether a section stands where one is wanted, and no section where none is."""
    return isinstance(value, dict) == _is_table_kind(annotation)


def _nearest_key(name: str, known: Iterable[str]) -> str | None:
    names = list(known)
    folded = name.casefold().replace("-", "_").replace(" ", "_")
    return next((n for n in names if n == folded), None) or nearest(
        name, names, likeness=0.65
    )


def _value_at(data: Any, loc: Sequence[str | int]) -> Any:
    for part in loc:
        data = data[part]
    return data


_LIMITS = {
    "greater_than_equal": ("this is too small", "{ge} or more"),
    "greater_than": ("this is too small", "more than {gt}"),
    "less_than_equal": ("this is too large", "{le} or less"),
    "too_short": ("this list is too short", "{min_length} or more"),
    "string_too_short": ("nothing is written here", "some text"),
    "too_long": ("this list is too long", "{max_length} or fewer"),
}

_WANTED = {
    "string_type": "text in quotation marks",
    "float_type": "a number",
    "bool_type": "true or false",
    "tuple_type": "a list [ ... ]",
    "dict_type": "a table { ... }",
    "model_type": "a table { ... }",
    "model_attributes_type": "a table { ... }",
}


def _is_a(value: object) -> str:
    """Say what kind of value stands where another kind is wanted."""
    if isinstance(value, bool):
        kind = "true or false"
    elif isinstance(value, str):
        kind = "text"
    elif isinstance(value, int | float):
        kind = "a number"
    elif isinstance(value, dict):
        kind = "a table"
    elif isinstance(value, list | tuple):
        kind = "a list"
    else:
        kind = "a date or time of day"
    return f"{kind} cannot stand here"


def _as_toml(name: str, sample: Any) -> str | None:
    """Return an example line for a missing key."""
    if isinstance(sample, dict):
        sample = "{ ... }"
        return f"for example {name} = {sample}"
    if sample is None:
        return None
    if isinstance(sample, list):
        sample = "[" + ", ".join(f'"{item}"' for item in sample) + "]"
    elif isinstance(sample, str):
        sample = f'"{sample}"'
    return f"for example {name} = {sample}"


