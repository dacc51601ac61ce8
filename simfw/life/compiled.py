"""The hot loop, compiled where numba is installed (the extra `fast`), else as it stands.

Compiled code takes long to make when functions hand a hundred sequences to each other. So, before
compiling, the groups m, t, p, s (tables) and w (world) that the loop's functions take are packed
into flat arrays - whole numbers and reals, by how often they change - and every
`m.name[index]` in the source becomes an access to its array at the place that the array's head
tells. The arithmetic is the same, so the results are equal.
"""

from __future__ import annotations

import ast
import functools
import importlib.util
import inspect
import textwrap
from collections.abc import Callable, Sequence
from types import FunctionType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simfw.life import instant, kernel, lookup, outside
from simfw.life.registers import Model, Parts, Stimuli, Tables, World

__all__ = ["Loop", "can_compile", "packed"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

_MODULES = (lookup, instant, outside, kernel)
_AS_THEY_STAND = {"node_charges"}
_GROUPS: dict[str, type[Any]] = {"m": Model, "t": Tables, "p": Parts, "s": Stimuli, "w": World}
_KINDS = {"known": ("m", "t"), "parts": ("p",), "drawn": ("s",), "world": ("w",)}
_ARRAYS = tuple(f"{kind}_{what}" for kind in _KINDS for what in "ir")


def can_compile() -> bool:
    """Whether the compiler is installed."""
    return importlib.util.find_spec("numba") is not None


class _Place(NamedTuple):
    """Where a field lives: the array of its head, the head's index, and the array of its data."""

    head: str
    at: int
    data: str


def _fields(names: Sequence[str]) -> list[tuple[str, str, bool]]:
    """(group, field, whether it holds reals) in the order of packing."""
    return [
        (group, field, "Reals" in str(kind))
        for group in names
        for field, kind in _GROUPS[group].__annotations__.items()
    ]


def _places() -> dict[tuple[str, str], _Place]:
    places = {}
    for kind, names in _KINDS.items():
        for number, (group, field, real) in enumerate(_fields(names)):
            data = f"{kind}_{'r' if real else 'i'}"
            places[group, field] = _Place(f"{kind}_i", 2 * number, data)
    return places


def packed(groups: dict[str, Any]) -> tuple[Ints, Reals, dict[str, Any]]:
    """Groups as one array of whole numbers (with the head) and one of reals, and views of them."""
    fields = _fields(list(groups))
    ints: list[Any] = []
    reals: list[Any] = []
    head = np.zeros(2 * len(fields), dtype=np.int64)
    at_i, at_r = len(head), 0
    for number, (group, field, real) in enumerate(fields):
        values = getattr(groups[group], field)
        head[2 * number] = at_r if real else at_i
        head[2 * number + 1] = len(values)
        if real:
            reals.append(np.asarray(values, dtype=np.float64))
            at_r += len(values)
        else:
            ints.append(np.asarray(values, dtype=np.int64))
            at_i += len(values)
    whole = np.concatenate([head, *ints])
    real_values = np.concatenate([*reals, np.zeros(1)])
    views: dict[str, dict[str, Any]] = {group: {} for group in groups}
    for number, (group, field, real) in enumerate(fields):
        start, length = int(head[2 * number]), int(head[2 * number + 1])
        views[group][field] = (real_values if real else whole)[start : start + length]
    return whole, real_values, {
        group: _GROUPS[group](**values) for group, values in views.items()
    }


class _Flatten(ast.NodeTransformer):
    """Rewrites one function of the loop for packed groups."""

    def __init__(self, names: frozenset[str]) -> None:
        self._functions = names
        self._places = _places()
        self._aliases: dict[str, tuple[str, str]] = {}

    def _field(self, node: ast.AST) -> tuple[str, str] | None:
        if (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id in _GROUPS
        ):
            return node.value.id, node.attr
        if isinstance(node, ast.Name):
            return self._aliases.get(node.id)
        return None

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        """Take the groups out of the parameters and the annotations off."""
        kept = [arg for arg in node.args.args if arg.arg not in _GROUPS]
        if len(kept) < len(node.args.args):
            kept = [*(ast.arg(name) for name in _ARRAYS), *kept]
        node.args.args = [ast.arg(arg.arg) for arg in kept]
        node.returns = None
        self.generic_visit(node)
        return node

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        """A name given to a whole field only stands for it."""
        field = self._field(node.value) if isinstance(node.value, ast.Attribute) else None
        if field is not None and isinstance(node.targets[0], ast.Name):
            self._aliases[node.targets[0].id] = field
            return ast.Pass()
        self.generic_visit(node)
        return node

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        """`m.name[index]` is found by the head."""
        field = self._field(node.value)
        self.generic_visit(node)
        if field is None:
            return node
        place = self._places[field]
        start = _item(place.head, ast.Constant(place.at), ast.Load())
        return _item(place.data, ast.BinOp(start, ast.Add(), node.slice), node.ctx)

    def visit_Call(self, node: ast.Call) -> ast.AST:
        """`len(m.name)` stands in the head; the loop's functions take the arrays."""
        if not isinstance(node.func, ast.Name):
            self.generic_visit(node)
            return node
        if node.func.id == "len":
            field = self._field(node.args[0])
            assert field is not None
            place = self._places[field]
            return _item(place.head, ast.Constant(place.at + 1), ast.Load())
        if node.func.id in self._functions:
            rest = [a for a in node.args if not (isinstance(a, ast.Name) and a.id in _GROUPS)]
            if len(rest) < len(node.args):
                handed: list[ast.expr] = [ast.Name(name, ast.Load()) for name in _ARRAYS]
                node.args = [*handed, *rest]
        node.args = [self.visit(argument) for argument in node.args]
        return node


def _item(array: str, index: ast.expr, context: ast.expr_context) -> ast.Subscript:
    return ast.Subscript(ast.Name(array, ast.Load()), index, context)


@functools.cache
def _compiled() -> Callable[..., int]:
    import numba

    found = [
        (name, value, module)
        for module in _MODULES
        for name, value in vars(module).items()
        if isinstance(value, FunctionType)
        and value.__module__ == module.__name__
        and name not in _AS_THEY_STAND
    ]
    names: dict[str, Any] = {}
    for module in _MODULES:
        names.update(vars(module))
    functions = frozenset(name for name, _, _ in found)
    for name, plain, module in found:
        tree = ast.parse(textwrap.dedent(inspect.getsource(plain)))
        flat = ast.fix_missing_locations(_Flatten(functions).visit(tree))
        ast.increment_lineno(flat, plain.__code__.co_firstlineno - 1)
        made: dict[str, Any] = {}
        exec(compile(flat, str(module.__file__), "exec"), names, made)
        made[name].__module__ = module.__name__
        options: dict[str, Any] = {"cache": True, "error_model": "numpy"}
        if name != "run":
            # Only what is called from outside needs the costly way in from Python.
            options |= {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
        names[name] = numba.njit(**options)(made[name])
    run: Callable[..., int] = names["run"]
    return run


class Loop:
    """The hot loop for one user: `bind` tables and stimuli, then `run`."""

    def __init__(self, fast: bool, world: World) -> None:
        self._fast = fast
        self.world = world
        self._bound: tuple[Any, ...] = ()
        self._known: tuple[Any, ...] = (None,)
        self._drawn: tuple[Any, ...] = (None,)
        self.take_world(world)

    def take_world(self, world: World) -> None:
        """Go on with this world; `self.world` is it, or views of its packed values."""
        self.world = world
        if self._fast:
            ints, reals, views = packed({"w": world})
            self._world = (ints, reals)
            self.world = views["w"]

    def bind(self, model: Model, tables: Tables, parts: Parts, stimuli: Stimuli) -> None:
        """Use these tables and stimuli from now on."""
        if self._fast:
            # What has not changed stays packed.
            if self._drawn[0] is not stimuli:
                self._drawn = (stimuli, *packed({"s": stimuli})[:2])
            if self._known[0] is not tables:
                self._known = (tables, *packed({"m": model, "t": tables})[:2])
            self._bound = (*self._known[1:], *packed({"p": parts})[:2], *self._drawn[1:])
        else:
            self._bound = (model, tables, parts, stimuli)

    def run(self, until: int) -> int:
        """Go on until a time (ns), the end of the last span, or a miss."""
        if self._fast:
            return int(_compiled()(*self._bound, *self._world, until))
        model, tables, parts, stimuli = self._bound
        return kernel.run(model, tables, parts, self.world, stimuli, until)
