"""Every error that simfw raises on purpose.

    SimfwError                 exit status 1
    |-- DescriptionError       exit status 2: a file cannot be used; carries all its problems
    |-- QuantityError          exit status 2: one text that is no quantity of the wanted kind
    |-- UsageError             exit status 2: the command line or a call cannot be used
    `-- RunError               exit status 1: the model itself cannot go on
        |-- EndlessInstant     more than the allowed events in one instant; names the loop
        `-- UntellableInstant  one instant asks a number on both sides of what it could be

The text of an error is built from its fields, and the exit status is an attribute of its class.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

__all__ = [
    "DescriptionError",
    "EndlessInstant",
    "GadgetWarning",
    "Problem",
    "QuantityError",
    "RunError",
    "SimfwError",
    "UntellableInstant",
    "UsageError",
    "hint",
    "nearest",
]


SHORTEST_BEGINNING = 3
"""Letters of a name that say which one was meant, where only one begins so."""


def nearest(word: str, names: Iterable[str], *, likeness: float = 0.6) -> str | None:
    """Return the name most like `word`, or None when none is near enough to suggest.

    `likeness` is how near that is, 0..1 (1 = equal).
    """
    names = list(names)
    for name in names:
        if name.casefold() == word.casefold():
            return name
    found = difflib.get_close_matches(word, names, n=1, cutoff=likeness)
    if found:
        return found[0]
    begun = [name for name in names if len(word) >= SHORTEST_BEGINNING
             and name.casefold().startswith(word.casefold())]
    if len(begun) == 1:  # an abbreviation
        return begun[0]
    # Short words with two letters changed about are too far apart for the ratio.
    return next((name for name in names if sorted(name) == sorted(word)), None)


def hint(word: str, names: Iterable[str]) -> str:
    """The end of a message that offers the nearest name, empty where none is near enough."""
    near = nearest(word, names)
    return "" if near is None else f' Did you mean "{near}"?'


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One mistake in one file.

    `key` is the dotted path of the key (`behaviour.lamp.rows[3].to`), empty for the file as a
    whole; `found` is what stands there, as written, or None where something is missing; `text`
    says what is wrong; `allowed` says what may stand there instead; `suggestion` is the nearest
    name (or a few that may have been meant), where there is one. `line` counts from 1, None where
    no line can be told. `quote` is the line of the file with a mark under the place, for mistakes
    of syntax.
    """

    key: str
    text: str
    file: str = ""
    line: int | None = None
    found: str | None = None
    allowed: str | None = None
    suggestion: str | tuple[str, ...] | None = None
    quote: str = ""

    def __str__(self) -> str:
        place = self.file + (f":{self.line}" if self.line is not None else "")
        head = self.key if self.found is None else f"{self.key} = {self.found}"
        parts = [part for part in (place, head) if part]
        message = ": ".join([*parts, self.text]) + "."
        if self.allowed:
            message += f" Allowed: {self.allowed}."
        if self.suggestion:
            names = (self.suggestion,) if isinstance(self.suggestion, str) else self.suggestion
            message += f" Did you mean {' or '.join(_quoted(name) for name in names)}?"
        return message + (f"\n{self.quote}" if self.quote else "")


def _quoted(name: str) -> str:
    """Return `name` in quotation marks, as it would be typed into a file."""
    return f"'{name}'" if '"' in name else f'"{name}"'


class SimfwError(Exception):
    """The root of all errors that simfw raises on purpose."""

    exit_code = 1


class DescriptionError(SimfwError):
    """A file cannot be used. `problems` holds all mistakes found in it, in file order."""

    exit_code = 2

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems]
        count = len(lines)
        lines.append(f"{count} problem{'' if count == 1 else 's'}; nothing was done.")
        return "\n".join(lines)


class QuantityError(SimfwError, ValueError):
    """A text is not a quantity of the wanted kind.

    Fields as in `Problem`; `subkey` names the key inside a quantity written as a table, of which
    `others` are further mistakes.
    """

    exit_code = 2

    def __init__(
        self,
        *,
        text: str,
        allowed: str | None = None,
        suggestion: str | tuple[str, ...] | None = None,
        subkey: str = "",
        others: tuple[QuantityError, ...] = (),
    ) -> None:
        self.others = others
        self.text = text
        self.allowed = allowed
        self.suggestion = suggestion
        self.subkey = subkey
        super().__init__(text)

    def under(self, subkey: str) -> QuantityError:
        """Return the same mistake, placed at `subkey` of a table."""
        return QuantityError(
            text=self.text, allowed=self.allowed, suggestion=self.suggestion, subkey=subkey,
            others=self.others,
        )

    def allowing(self, allowed: str) -> QuantityError:
        """Return the same mistake, where `allowed` is what may stand there."""
        return QuantityError(
            text=self.text, allowed=allowed, suggestion=self.suggestion, subkey=self.subkey,
            others=self.others,
        )

    def __str__(self) -> str:
        return str(Problem(key="", text=self.text, allowed=self.allowed,
                           suggestion=self.suggestion))


class UsageError(SimfwError):
    """The command line or a call cannot be used as it stands."""

    exit_code = 2


class GadgetWarning(UserWarning):
    """A gadget file that can be used, with something in it that a run may not survive."""


class RunError(SimfwError):
    """The model itself cannot go on."""


@dataclass
class EndlessInstant(RunError):
    """One instant does not come to rest.

    `loop` names the rows or electrical changes that chase each other; `hint` says what ends it.
    """

    time_ns: int
    limit: int
    loop: tuple[str, ...] = field(default=())
    hint: str = "Give one of these rows a dwell or a guard"

    def __str__(self) -> str:
        chain = " -> ".join(self.loop)
        return (
            f"At {self.time_ns / 1e9:.9g} s more than {self.limit} events follow one another "
            f"without time passing: {chain}. {self.hint}."
        )


@dataclass
class UntellableInstant(RunError):
    """What is switched in one instant moves a number past a level that is asked before and after:
    no value of `name` gives both answers, while a firmware is told one for each instant.
    """

    time_ns: int
    name: str

    def __str__(self) -> str:
        return (f"At {self.time_ns / 1e9:.9g} s {self.name} crosses a level within one instant, "
                "for what is switched in it moves the voltage; a firmware is told one value.")
