"""A TOML file with the place of every key, so that a message can point at the line.

The standard library reads the values; a second parse with tree-sitter tells where each key stands
and how its value is written.
"""

from __future__ import annotations

import copy
import hashlib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from simfw.errors import DescriptionError, Problem, nearest

if TYPE_CHECKING:
    import tree_sitter

__all__ = [
    "OPTION",
    "KeyPath",
    "Kind",
    "Place",
    "TomlFile",
    "key_text",
    "read_bytes",
    "read_text",
    "read_toml",
    "require_kind",
]

KeyPath = tuple[str | int, ...]
Kind = Literal["gadget", "scenario", "pattern", "map", "bench log"]

OPTION = "--set"  # what messages name in place of the file where a value came from there

LARGEST_BYTES = 4_000_000
DEEPEST = 32  # tables and lists inside each other
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_LONGEST_VALUE = 60


@dataclass(frozen=True, slots=True)
class Place:
    """Where a key stands: its line (from 1), and its value as written (None if long or a table).

    `span` are the bytes of its value (from, to); None for a section.
    """

    line: int
    written: str | None
    span: tuple[int, int] | None = None


@dataclass(frozen=True, kw_only=True)
class TomlFile:
    """The values of a file, and the place of each of its keys by key text."""

    file: str
    path: Path
    data: dict[str, Any]
    digest: str
    source: bytes = field(repr=False)
    written_as: Mapping[str, str] = field(default_factory=dict)
    """Key text as the program calls it, to that of the file, where `renamed` changed a name."""
    settings: Mapping[str, str] = field(default_factory=dict)
    """Key text to the value as messages show it, where the file's own was replaced."""

    @cached_property
    def places(self) -> Mapping[str, Place]:
        """The place of each key; found out when it is first needed, as most files are sound."""
        return _places(self.source)

    def renamed(self, table: KeyPath, names: Mapping[str, str]) -> TomlFile:
        """Return the file with keys of one table read by other names: former name to present one.

        A former name stays, to be refused, where the present one is written too. Messages keep
        naming the key as the file does.
        """
        data = copy.deepcopy(self.data)
        inside: Any = data
        for part in table:
            inside = inside[part]
        written = dict(self.written_as)
        for former, now in names.items():
            if former in inside and now not in inside:
                inside[now] = inside.pop(former)
                written[key_text((*table, now))] = key_text((*table, former))
        return replace(self, data=data, written_as=written)

    def rewritten(self, values: Mapping[str, str]) -> bytes:
        """The bytes of the file with other values (TOML text) at keys that it writes.

        Everything else stays as it is. Raises KeyError for a key that the file does not write.
        """
        spans = []
        for key, text in values.items():
            span = self.places[key].span
            if span is None:
                raise KeyError(key)
            spans.append((span, text))
        source = self.source
        for (start, end), text in sorted(spans, reverse=True):
            source = source[:start] + text.encode("utf-8") + source[end:]
        return source

    def _as_written(self, key: str) -> str:
        for now, former in self.written_as.items():
            if key == now or key.startswith((f"{now}.", f"{now}[")):
                return former + key[len(now):]
        return key

    def place(self, key: str) -> Place | None:
        """Return the place of `key`, or of the nearest key above it that the file has."""
        while key:
            found = self.places.get(key) or self.places.get(_loose(key))
            if found is not None:
                return found
            key = _above(key)
        return None

    def locate(self, problems: Iterable[Problem]) -> list[Problem]:
        """Return `problems` with file, line and the value as written, in the order of lines.

        Problems that name another file already stay as they are and come first.
        """
        located = [self._locate(problem) for problem in problems]
        return sorted(located, key=lambda p: (p.file == self.file, p.line or 0))

    def _locate(self, problem: Problem) -> Problem:
        if problem.file:
            return problem
        problem = replace(problem, key=self._as_written(problem.key))
        key: str = problem.key
        while key:
            if key in self.settings:
                found = self.settings[key] if key == problem.key else problem.found
                return replace(problem, file=OPTION, found=found)
            key = _above(key)
        below = next((one for one in self.settings if one.startswith(f"{problem.key}.")), None)
        if below is not None and problem.key not in self.places:  # a section that it made
            return replace(problem, file=OPTION)
        place = self.place(problem.key)
        exact = self.places.get(problem.key) or self.places.get(_loose(problem.key))
        found = problem.found
        written = exact.written if exact is not None else None
        if written is not None and (found is None or not written.startswith("[")):
            found = written  # of a list, the one element in question says more
        return replace(
            problem, file=self.file, line=place.line if place is not None else None, found=found
        )


def key_text(path: Sequence[str | int]) -> str:
    """Write a key path as the file would: `behaviour.lamp.states."lit.full"`, `rows[3].to`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            name = part if _BARE.fullmatch(part) else '"' + part.replace('"', '\\"') + '"'
            text += f".{name}" if text else name
    return text


def _loose(key: str) -> str:
    """Return `key` without quotation marks: the form in which it is looked up a second time."""
    return key.replace('"', "")


def _above(key: str) -> str:
    """Return the key one level above `key`, empty for a key of the top level."""
    inside = re.fullmatch(r'(.*?)(?:\[\d+\]|\.?"(?:[^"\\]|\\.)*"|\.?[^."\[\]]+)', key, re.DOTALL)
    return inside[1] if inside is not None else ""


def read_bytes(path: str | Path, *, largest: int = LARGEST_BYTES) -> bytes:
    """Return the bytes of a file; raises `DescriptionError` if it cannot be read."""
    path = Path(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(largest + 1)
    except FileNotFoundError:
        raise _refusal(path, "there is no such file", suggestion=_nearest_file(path)) from None
    except IsADirectoryError:
        inside = sorted(str(path / found.name) for found in path.glob("*.toml"))
        raise _refusal(
            path, "this is a folder, not a file", suggestion=tuple(inside[:3]) or None
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refusal(path, f"the file cannot be read: {reason}") from None
    if len(raw) > largest:
        raise _refusal(path, f"the file is larger than {largest // 1_000_000} MB")
    return raw


def read_text(path: str | Path, *, largest: int = LARGEST_BYTES) -> tuple[str, bytes]:
    """Return the text of a UTF-8 file (a byte order mark is dropped) and its bytes.

    Raises `DescriptionError` where it is not there, larger than `largest` bytes, or not UTF-8.
    """
    raw = read_bytes(path, largest=largest)
    try:
        return raw.decode("utf-8-sig"), raw
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        kind = " (it looks like UTF-16)" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ""
        raise DescriptionError(
            [
                Problem(
                    key="",
                    file=str(path),
                    line=line,
                    text=f"byte 0x{raw[error.start]:02x} is not UTF-8 text{kind}",
                    allowed="text files saved as UTF-8",
                )
            ]
        ) from None


def read_toml(path: str | Path) -> TomlFile:
    """Read a TOML file. Raises `DescriptionError`; a mistake of syntax quotes its line."""
    text, raw = read_text(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DescriptionError([_syntax_problem(str(path), text, str(error))]) from None
    except RecursionError:
        raise _too_deep(path) from None
    except ValueError:
        raise _refusal(Path(path), "a number has more digits than are read") from None
    if _depth(data) > DEEPEST:
        raise _too_deep(path)
    if not data:
        raise _refusal(Path(path), "the file says nothing")
    return TomlFile(
        file=str(path),
        path=Path(path),
        data=data,
        digest=hashlib.sha256(raw).hexdigest(),
        source=text.encode(),
    )


def _depth(data: object) -> int:
    """How deep tables and lists are nested, found level by level."""
    depth, level = 0, [data]
    while level and depth <= DEEPEST:
        level = [item for part in level if isinstance(part, dict | list)
                 for item in (part.values() if isinstance(part, dict) else part)]
        depth += bool(level)
    return depth


def _too_deep(path: str | Path) -> DescriptionError:
    return _refusal(Path(path), f"tables and lists are nested more than {DEEPEST} deep")


def require_kind(file: TomlFile, wanted: Kind) -> None:
    """Refuse a file that is plainly of another kind than `wanted`; raises `DescriptionError`."""
    found = _kind(file.data)
    if found is None or found == wanted:
        return
    named = file.data.get("gadget")
    path = str(file.path.parent / named) if isinstance(named, str) else None
    if path == str(file.path):
        path = None
    raise _refusal(
        file.path,
        f"this is a {found} file; expected a {wanted} file",
        suggestion=path if wanted == "gadget" else None,
    )


def _kind(data: Mapping[str, Any]) -> Kind | None:
    """Tell the kind of a file from the keys that only one kind has."""
    if isinstance(data.get("gadget"), dict) or isinstance(data.get("cell"), dict):
        return "gadget"
    if "habits" in data or "horizon" in data:
        return "pattern"
    if isinstance(data.get("wires"), dict):
        return "map"
    if isinstance(data.get("observations"), list):
        return "bench log"
    return "scenario" if isinstance(data.get("gadget"), str) and "lasts" in data else None


def _refusal(
    path: Path, text: str, *, suggestion: str | tuple[str, ...] | None = None
) -> DescriptionError:
    return DescriptionError([Problem(key="", file=str(path), text=text, suggestion=suggestion)])


def _nearest_file(path: Path) -> str | None:
    try:
        names = [found.name for found in path.parent.iterdir()]
    except OSError:
        return None
    name = nearest(path.name, sorted(names), likeness=0.75)
    return str(path.parent / name) if name else None


_HINTS = (
    (r"Illegal character '\\n'", "a text in quotation marks that ends on its own line"),
    ("Unclosed inline table|Invalid initial character for a key part",
     "an inline table { ... } on one line, without a comma before its end"),
    ("Unclosed array", "a list [ ... ] with a comma between its items"),
    ("Unescaped", 'paths with / in them, or "\\\\" for one backslash'),
    ("Invalid statement|Expected '='", "[section] or key = value on each line"),
    ("Cannot overwrite a value", "each key once"),
    ("Cannot declare", "each table once"),
    ("Invalid value|Expected newline or end of document",
     'text and quantities in quotation marks ("22R"), plain numbers, true, false, [ ], { }'),
)  # fmt: skip
_CURLY = "“”„‘’‚«»"


def _syntax_problem(file: str, text: str, message: str) -> Problem:
    """Turn the message of the TOML reader into a problem with the line and a mark under it."""
    lines = text.splitlines() or [""]
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    number, column = len(lines), len(lines[-1]) + 1
    if found is not None:
        message = message[: found.start()]
        if found[1] is not None:
            number, column = int(found[1]), int(found[2])
    allowed = next((hint for start, hint in _HINTS if re.match(start, message)), None)
    message = re.sub(
        r"\((('[^']*'(, )?)+),?\)", lambda m: m[1].replace("', '", ".").replace("'", '"'), message
    )
    line = lines[number - 1] if number <= len(lines) else ""
    if line[column - 1 : column] in tuple(_CURLY):
        allowed = "straight quotation marks"
    start = max(0, column - 70)
    shown = line[start : start + 100]
    mark = " " * (column - 1 - start) + "^"
    return Problem(
        key="",
        file=file,
        line=number,
        text=f"this is not TOML: {message[:1].lower()}{message[1:]}",
        allowed=allowed,
        quote=f"    {_printable(shown)}\n    {mark}",
    )


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text.expandtabs(1))


_KEYS = ("bare_key", "quoted_key", "dotted_key")


def _places(source: bytes) -> dict[str, Place]:
    """Return the place of each key of a TOML text that the TOML reader has accepted."""
    import tree_sitter
    import tree_sitter_toml

    tree = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language())).parse(source)
    places: dict[str, Place] = {}
    counts: dict[KeyPath, int] = {}

    def note(path: KeyPath, node: tree_sitter.Node, value: tree_sitter.Node | None) -> None:
        line = node.start_point[0] + 1
        for end in range(1, len(path) + 1):
            own = end == len(path)
            span = (value.start_byte, value.end_byte) if own and value is not None else None
            place = Place(line, _written(source, value) if own else None, span)
            text = key_text(path[:end])
            places.setdefault(text, place)
            places.setdefault(_loose(text), place)

    def pairs(parent: tree_sitter.Node, prefix: KeyPath) -> None:
        for node in parent.children:
            if node.type in ("pair", "ERROR"):
                parts = [child for child in node.children if child.type != "comment"]
                if not parts or parts[0].type not in _KEYS:
                    continue
                path = prefix + _key_parts(source, parts[0])
                value = parts[-1] if len(parts) > 2 else None
                note(path, parts[0], value)
                values(value, path)

    def values(node: tree_sitter.Node | None, path: KeyPath) -> None:
        if node is None:
            return
        if node.type == "inline_table":
            pairs(node, path)
        elif node.type == "array":
            items = [n for n in node.children if n.is_named and n.type not in ("comment", "ERROR")]
            for index, item in enumerate(items):
                note((*path, index), item, item)
                values(item, (*path, index))

    root = tree.root_node
    pairs(root, ())
    for table in root.children:
        if table.type not in ("table", "table_array_element"):
            continue
        key = next(child for child in table.children if child.type in _KEYS)
        path = _with_latest(_key_parts(source, key), counts)
        if table.type == "table_array_element":
            index = counts.get(path, -1) + 1
            counts[path] = index
            path = (*path, index)
        note(path, key, None)
        pairs(table, path)
    return places


def _with_latest(parts: KeyPath, counts: Mapping[KeyPath, int]) -> KeyPath:
    """Put the index of the latest element behind each array of tables that `parts` passes."""
    path: KeyPath = ()
    for position, part in enumerate(parts):
        path = (*path, part)
        if path in counts and position < len(parts) - 1:
            path = (*path, counts[path])
    return path


def _key_parts(source: bytes, node: tree_sitter.Node) -> KeyPath:
    """Return the parts of a key node; quoted parts are unquoted as TOML does."""
    if node.type == "dotted_key":
        inner = [child for child in node.children if child.type in _KEYS]
        return tuple(part for child in inner for part in _key_parts(source, child))
    text = source[node.start_byte : node.end_byte].decode()
    if node.type == "quoted_key":
        return tuple(tomllib.loads(f"{text} = 0"))
    return (text,)


def _written(source: bytes, node: tree_sitter.Node | None) -> str | None:
    """Return a value as written, None where it is long, a table or a list of tables."""
    if node is None or node.type == "inline_table":
        return None
    text = source[node.start_byte : node.end_byte].decode()
    return None if len(text) > _LONGEST_VALUE or "\n" in text or "{" in text else text
