"""The hot loop, compiled where numba is installed, else as it stands.

The very functions of `kernel` and of what it calls are compiled: the arithmetic is the same, so the
results are equal. They are given bare addresses instead of arrays: a hundred arrays, each with an
owner to be counted, would take most of the time, in compiling as in running.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
from collections.abc import Callable
from types import FunctionType
from typing import Any

import numpy as np

from simfw.compiling import jitted
from simfw.life import (
    ahead,
    arithmetic,
    cycling,
    instant,
    kernel,
    passing,
    pending,
    registers,
    standing,
    waking,
)
from simfw.life.columns import flat
from simfw.life.registers import Parts, Stimuli, Tables, World

__all__ = ["Loop"]

_SOURCES = (registers, arithmetic, standing, waking, pending, cycling, ahead, passing, instant,
            kernel)
_GROUPS: tuple[type[Any], ...] = (Tables, Parts, World, Stimuli)


def _real(group: type[Any]) -> list[bool]:
    """For each field of a group, whether it holds reals."""
    return ["Reals" in str(kind) for kind in group.__annotations__.values()]


def _pointer(real: bool) -> Any:
    """A function for compiled code that makes an address a pointer to reals or whole numbers."""
    from numba import types
    from numba.extending import intrinsic

    kind: Any = types.CPointer(  # type: ignore[no-untyped-call]
        types.float64 if real else types.int64
    )

    @intrinsic
    def pointer(_context: Any, _address: Any) -> Any:
        def generate(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return builder.inttoptr(arguments[0], context.get_value_type(kind))

        return kind(types.int64), generate

    return pointer


def _jit(function: FunctionType, inner: bool) -> Callable[..., Any]:
    # Only what is called from outside needs the costly way in from Python. The rest becomes part of
    # the loop: handing over the groups, a hundred addresses, would cost more than what is called.
    return jitted(
        function, no_cpython_wrapper=inner, no_cfunc_wrapper=True, forceinline=inner)


@functools.cache
def _compiled() -> Callable[..., int]:
    """`kernel.run`, compiled; it takes the addresses of all sequences, in order, and the time.

    What has been compiled is kept on disk under a name that depends on the source, registers
    included: they are built in as constants.
    """
    text = "".join(map(inspect.getsource, _SOURCES)) + _entry_source()
    modules = {module.__name__ for module in _SOURCES}
    digest = hashlib.sha256(text.encode()).hexdigest()[:8]
    names: dict[str, Any] = {"ints": _pointer(False), "reals": _pointer(True)}
    for module in _SOURCES:
        names |= vars(module)
    exec(compile(_entry_source(), str(kernel.__file__), "exec"), names)
    names["entry"].__module__ = kernel.__name__
    for name, plain in list(names.items()):
        if isinstance(plain, FunctionType) and plain.__module__ in modules:
            copy = FunctionType(plain.__code__, names, f"{name}_{digest}")
            copy.__module__ = plain.__module__
            copy.__qualname__ = f"{name}_{digest}"
            names[name] = _jit(copy, inner=name != "entry")
    entry: Callable[..., int] = names["entry"]
    return entry


def _entry_source() -> str:
    """The way into the compiled loop: the groups are put together from the addresses."""
    number = 0
    made = []
    for group in _GROUPS:
        fields = []
        for real in _real(group):
            fields.append(f"{'reals' if real else 'ints'}(at[{number}])")
            number += 1
        made.append(f"{group.__name__}({', '.join(fields)})")
    return f"def entry(at, until):\n    return run({', '.join(made)}, until)\n"


class Loop:
    """The hot loop of one user, with the state of the gadget in `world`."""

    def __init__(self, fast: bool, world: World) -> None:
        self._fast = fast
        self.world = world
        count = sum(len(group.__annotations__) for group in _GROUPS)
        self._arrays: tuple[Any, ...] = (None,) * count  # kept, so that no address goes stale
        self._addresses = np.zeros(count, dtype=np.int64)
        self.take_world(world)

    def take_world(self, world: World) -> None:
        """Go on with this state."""
        if self._fast:
            fields: list[Any] = list(world)
            arrays: list[Any] = [
                values if isinstance(values, np.ndarray) else flat(values, True, real=real)
                for values, real in zip(fields, _real(World), strict=True)
            ]
            world = World(*arrays)
        self.world = world

    def run(self, tables: Tables, parts: Parts, stimuli: Stimuli, until: int) -> int:
        """Go on until a time (ns), the end of the last span, or a miss."""
        if not self._fast:
            return kernel.run(tables, parts, self.world, stimuli, until)
        arrays: tuple[Any, ...] = (*tables, *parts, *self.world, *stimuli)
        for n, array in enumerate(arrays):
            if array is not self._arrays[n]:
                self._addresses[n] = array.ctypes.data
        self._arrays = arrays
        return int(_compiled()(self._addresses, until))
