"""Sequences that grow: lists where the hot loop runs as it stands, arrays where it is compiled."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

__all__ = ["Column", "Hashed", "flat"]

_ROOM = 64


def flat(values: Iterable[Any], fast: bool, *, real: bool = False) -> Any:
    """Values as the hot loop takes them: an array where it is compiled, else a list."""
    if not fast:
        return values.tolist() if isinstance(values, np.ndarray) else list(values)
    if not isinstance(values, np.ndarray):
        values = list(values)
    return np.ascontiguousarray(values, dtype=np.float64 if real else np.int64)


class Column:
    """Numbers that are only added to. `data` may be longer than what has been added."""

    def __init__(self, fast: bool, *, real: bool = False, start: Iterable[Any] = ()) -> None:
        self._fast = fast
        self.data: Any = np.zeros(_ROOM, np.float64 if real else np.int64) if fast else []
        self._count = 0
        self.extend(start)

    def __len__(self) -> int:
        return self._count

    def extend(self, values: Iterable[Any]) -> None:
        """Add values at the end."""
        if not self._fast:
            self.data.extend(values.tolist() if isinstance(values, np.ndarray) else values)
            self._count = len(self.data)
            return
        if not isinstance(values, np.ndarray):
            values = list(values)
        count = self._count + len(values)
        if count > len(self.data):
            larger = np.zeros(2 * count, self.data.dtype)
            larger[: self._count] = self.data[: self._count]
            self.data = larger
        self.data[self._count : count] = values
        self._count = count

    def append(self, value: float) -> None:
        """Add one value at the end."""
        self.extend((value,))

    def put(self, at: int, value: float) -> None:
        """Change a value that is there."""
        self.data[at] = value


class Hashed:
    """A hash table with open addressing, as `arithmetic.find` reads it."""

    def __init__(self, fast: bool) -> None:
        self._fast = fast
        self.known: dict[int, int] = {}
        self._rebuild(256)

    def _rebuild(self, size: int) -> None:
        self.keys = flat([-1] * size, self._fast)
        self.values = flat([0] * size, self._fast)
        for key, value in self.known.items():
            self._put(key, value)

    def _put(self, key: int, value: int) -> None:
        last = len(self.keys) - 1
        at = ((key ^ (key >> 15) ^ (key >> 31)) * 40503) & last
        while self.keys[at] >= 0 and self.keys[at] != key:
            at = (at + 1) & last
        self.keys[at] = key
        self.values[at] = value

    def put(self, key: int, value: int) -> None:
        """Add a key, or change what it leads to."""
        self.known[key] = value
        if 3 * len(self.known) > len(self.keys):
            self._rebuild(4 * len(self.keys))
        else:
            self._put(key, value)
