"""What may be written for a value of a file, as JSON Schema, for editors that read schemas.

A form is never narrower than what is read: a value that it refuses is refused when the file is
loaded. It is wider where only the loader can judge (ranges, names, what other keys say).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BeforeValidator

from simfw.quantity import LETTERS, Standing
from simfw.slips import NUMBER
from simfw.units import PREFIXES, WORD_PREFIXES, WORDS, Dimension

__all__ = ["Form", "Reads", "drawn", "either", "plain", "point", "quantity", "tabled", "text"]

Schema = Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """A form by its `key` under `definitions`."""

    key: str
    schema: Schema


@dataclass(frozen=True, slots=True)
class Reads(BeforeValidator):
    """A validator that also says what it reads."""

    form: Form | None = None


def _plain_name(dimension: Dimension) -> str:
    return dimension.name.removeprefix("a ").removeprefix("an ").replace(" ", "-")


def _any_case(word: str) -> str:
    return "".join(f"[{sign.lower()}{sign.upper()}]" if sign.isalpha() and sign.isascii()
                   else re.escape(sign) for sign in word)  # fmt: skip


def _spaced(unit: str) -> str:
    """A unit in signs, with the blanks and the other spellings that are read."""
    signs = {"µ": "[uµμ]", "Ω": "(?:[Ω\N{OHM SIGN}]|ohms?)", "2": r"\^?[2²]", "/": " */ *"}
    if unit == "°C":
        return "(?:° *C|℃)"
    return " *".join(signs.get(sign, re.escape(sign)) for sign in unit)


def _unit(dimension: Dimension) -> str:
    """What stands behind a number; spelt-out units with any prefix, which is judged at loading."""
    ways = [_spaced(name) for name in sorted(dimension.units, key=len, reverse=True)]
    bases = {base for prefix in (*PREFIXES, "") for base in WORDS.values()
             if (prefix + base).removeprefix("-") in dimension.units}  # fmt: skip
    words = [_any_case(word).replace("h[oO]", "h[ -]*[oO]") for word, base in WORDS.items()
             if base in bases]  # fmt: skip
    if words:
        prefixes = "|".join([f"[{''.join(PREFIXES)}uK]", *map(_any_case, WORD_PREFIXES)])
        ways.append(f"(?:{prefixes})?[ -]*(?:{'|'.join(words)})[sS]?")
    return f"(?:{'|'.join(ways)})"


_SIGNED = NUMBER.replace("[+-]?", "[+−-]?", 1)


def _reading(dimension: Dimension) -> str:
    """One number with its unit; several for a time."""
    number = rf"{_SIGNED}\s*{_unit(dimension)}"
    ways = [rf"(?:{number}\s*)+" if dimension.name == "a time" else number]
    if dimension in LETTERS:
        letter = f"[{''.join(LETTERS[dimension])}μ]"
        ways += [rf"\d{{0,9}}{letter}\d{{0,6}}", rf"[+−-]?\d{{1,9}}(?:\.\d{{1,9}})? ?{letter}"]
    return f"(?:{'|'.join(ways)})"


_MARGIN = r"(?:\s*(?:±|\+/-|\+-|\().*)?"


def _told(dimension: Dimension) -> str:
    return f"{dimension.name[0].upper()}{dimension.name[1:]}, such as \"{dimension.example}\""


def _table(value: Schema, *, ranged: bool) -> Schema:
    more = {"range": {"type": "string"}} if ranged else {}
    return {
        "type": "object", "required": ["value"], "additionalProperties": False,
        "properties": {"value": value, **more, "standing": {"enum": list(get_args(Standing))},
                       "source": {"type": "string"}},
    }  # fmt: skip


def quantity(dimension: Dimension) -> Form:
    """A figure: with tolerance or range, or a table that adds standing and source."""
    units = ", ".join(dimension.units)
    written = {"type": "string", "pattern": rf"^\s*{_reading(dimension)}{_MARGIN}\s*$"}
    return Form(_plain_name(dimension), {
        "description": f"{_told(dimension)}. Units: {units}. A tolerance (± 5 %) or a range in "
                       "brackets may follow; a table adds standing and source.",
        "anyOf": [written, _table(written, ranged=True)],
    })  # fmt: skip


def plain(dimension: Dimension) -> Form:
    """One number with its unit."""
    return Form(f"plain-{_plain_name(dimension)}", {
        "description": f"{_told(dimension)}. Units: {', '.join(dimension.units)}.",
        "type": "string", "pattern": rf"^\s*{_reading(dimension)}\s*$",
    })  # fmt: skip


def drawn(dimension: Dimension) -> Form:
    """One number, a range, or a bell curve of which one is drawn each time."""
    reading = _reading(dimension)
    return Form(f"drawn-{_plain_name(dimension)}", {
        "description": f"{_told(dimension)}; a range with \"..\", or \"normal MEAN ± DEVIATION\". "
                       f"Units: {', '.join(dimension.units)}.",
        "type": "string",
        "pattern": rf"^\s*(?:normal\s.*|{reading}\s*(?:\.\..*)?)$",
    })  # fmt: skip


def point(left: Dimension, right: Dimension) -> Form:
    """One quantity that holds at another."""
    written = {"type": "string",
               "pattern": rf"^\s*{_reading(left)}{_MARGIN}\s*@\s*{_reading(right)}{_MARGIN}\s*$"}
    return Form(f"{_plain_name(left)}-at-{_plain_name(right)}", {
        "description": f"{_told(left)}, at {right.name}, such as \"{right.example}\": "
                       f"\"{left.example} @ {right.example}\".",
        "anyOf": [written, _table(written, ranged=False)],
    })  # fmt: skip


def text(key: str, description: str, pattern: str | None = None, **more: Any) -> Form:
    """Text of a kind of its own; `more` goes into the schema."""
    schema: dict[str, Any] = {"description": description, "type": "string"} | more
    return Form(key, schema if pattern is None else schema | {"pattern": pattern})


def tabled(form: Form) -> Form:
    """The same, or a table that adds range, standing and source."""
    return either(form.key, form.schema["description"], form, _table(form.schema, ranged=True))


def either(key: str, description: str, *forms: Form | Schema) -> Form:
    """What one of several forms takes."""
    kinds = [one.schema if isinstance(one, Form) else one for one in forms]
    return Form(key, {"description": description, "anyOf": kinds})
