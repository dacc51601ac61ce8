"""`KEY=VALUE`: what a gadget would be with another value of a key, without an edit of its file.

A key is written as messages write it (`behaviour.lamp.rows[3].after`, `states."lit.full"`). The
value takes the place of what the file holds before anything is checked, so that whatever a file
may say can be set, and a mistake in it is told like one of the file.
"""

from __future__ import annotations

import copy
import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from simfw.errors import DescriptionError, Problem, UsageError, nearest
from simfw.tomlfile import OPTION, KeyPath, TomlFile, key_text

__all__ = ["Settings", "key_path", "parse_settings", "with_settings"]

Settings = Mapping[str, Any]
"""Key text to the value as a TOML file would hold it."""

_PART = re.compile(r'(?:(?:^|\.)(?:([A-Za-z0-9_-]+)|("(?:[^"\\]|\\.)*")))|\[(\d{1,9})\]')


def key_path(key: str) -> KeyPath | None:
    """The parts of a key text (names, and numbers of list items from 0); None where it is none."""
    parts: list[str | int] = []
    at = 0
    while at < len(key):
        found = _PART.match(key, at) if at == 0 or key[at] in ".[" else None
        if found is None or (not parts and (found[3] is not None or key[0] == ".")):
            return None
        bare, quoted, index = found.groups()
        if index is not None:
            parts.append(int(index))
        else:
            parts.append(bare if quoted is None else quoted[1:-1].replace('\\"', '"'))
        at = found.end()
    return tuple(parts) or None


def parse_settings(texts: Sequence[str]) -> dict[str, Any]:
    """What `KEY=VALUE` arguments set: a value that TOML can read is that, another is text.

    So `true`, `3` and `["on", "off"]` are what they look like, and `1.5 s` or `22R` need no
    quotation marks. Raises `UsageError`.
    """
    found: dict[str, Any] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        key = key.strip()
        path = key_path(key)
        if not equals or path is None:
            raise UsageError(f"{OPTION} {text}: this is not KEY=VALUE. "
                             'Allowed: for example buttons.power.hold="1.5 s".')
        if key_text(path) in found:
            raise UsageError(f"{OPTION} {text}: {key} is set twice.")
        found[key_text(path)] = _value(value.strip())
    return found


def _value(text: str) -> Any:
    try:
        read = tomllib.loads(f"value = {text}")
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return text
    return read["value"] if set(read) == {"value"} else text


def with_settings(file: TomlFile, settings: Settings) -> TomlFile:
    """`file` as if it held `settings`. A table on the way that it does not have is made.

    Raises `DescriptionError` where a key leads through something that is no table, or to a list
    item that is not there.
    """
    if not settings:
        return file
    data = copy.deepcopy(file.data)
    problems = [problem for key, value in settings.items()
                for problem in _put(data, key, copy.deepcopy(value))]
    if problems:
        raise DescriptionError(problems)
    told = "\n".join(f"{key} = {value!r}" for key, value in sorted(settings.items()))
    return replace(
        file, data=data, settings={key: _shown(value) for key, value in settings.items()},
        digest=hashlib.sha256(f"{file.digest}\n{told}".encode()).hexdigest(),
    )


def _put(data: dict[str, Any], key: str, value: Any) -> list[Problem]:
    """Put `value` where `key` leads; the problem that is in its way."""
    path = key_path(key)
    if path is None:
        return [Problem(key=key, file=OPTION, text="this is not a key",
                        allowed='names with dots between them, such as buttons.power.hold')]
    inside: Any = data
    for at, part in enumerate(path):
        above = key_text(path[:at]) or "the file"
        if isinstance(part, int):
            if not isinstance(inside, list) or part >= len(inside):
                many = len(inside) if isinstance(inside, list) else None
                return [Problem(
                    key=key, file=OPTION, text=f"{above} has no item {part}",
                    allowed=None if many is None else f"0 to {many - 1}" if many else "none")]
        elif not isinstance(inside, dict):
            near = nearest(str(part), list(inside[0])) if _tables(inside) else None
            return [Problem(key=key, file=OPTION, text=f"{above} is no table", suggestion=near)]
        if at == len(path) - 1:
            inside[part] = value
        else:
            inside = inside[part] if isinstance(part, int) else inside.setdefault(part, {})
    return []


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _shown(value: Any) -> str:
    """A value as messages show it."""
    return f'"{value}"' if isinstance(value, str) else str(value)
