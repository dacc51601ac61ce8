"""Guards as C expressions, without floating point.

A comparison of a light's level is resolved here against the finite list of levels that the light
can have, so that the C comparison agrees with the model for every one of them. A comparison of a
voltage or charge becomes one of whole microvolts or parts per million: for a whole number x and a
limit L, x < L is x < ceil(L) and x <= L is x <= floor(L).
"""

from __future__ import annotations

import math
from fractions import Fraction

from simfw.behaviour.expression import (
    COMPARE,
    MIRRORED,
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Happened,
    Inside,
    Not,
    Number,
    Operator,
    Quantity,
)
from simfw.errors import UsageError
from simfw.report.source.plan import PPM, Plan, StateRef

__all__ = ["compile_guard"]

_HOOKS = {
    "gauge.measured": ("fw_hook_measured_uv()", PPM),
    "gauge.counted": ("fw_hook_counted_ppm()", PPM),
    "cell.voltage": ("fw_hook_cell_uv()", PPM),
    "cell.charge": ("fw_hook_charge_ppm()", PPM),
}


def _truth(value: bool) -> str:
    return "true" if value else "false"


def _inside(plan: Plan, part: Inside) -> str:
    region = plan.system.region(part.region)
    names = [state.name for state in region.states]
    here = f"fw.state[{plan.regions[part.region]}]"
    if set(names) <= part.states:
        return "true"
    wanted = [index for index, name in enumerate(names) if name in part.states]
    if not wanted:
        return "false"
    # Neighbouring states have neighbouring numbers: a run of three or more is one range.
    runs: list[list[int]] = []
    for index in wanted:
        if runs and runs[-1][-1] == index - 1:
            runs[-1].append(index)
        else:
            runs.append([index])
    tests = []
    for run in runs:
        macros = [plan.states[StateRef(part.region, names[index])] for index in run]
        if (
            len(run) > 2
            and run[0] == 0
            and plan.state_numbers[StateRef(part.region, names[0])] == 0
        ):
            tests.append(f"({here} <= {macros[-1]})")
        elif len(run) > 2:
            tests.append(f"(({here} >= {macros[0]}) && ({here} <= {macros[-1]}))")
        else:
            tests += [f"({here} == {macro})" for macro in macros]
    return tests[0] if len(tests) == 1 else "(" + " || ".join(tests) + ")"


def _flag(plan: Plan, part: Flag) -> str:
    names = {signal.name: signal.macro for signal in plan.signals}
    if part.name in ("status.low", "status.high"):
        if "status" not in names:
            return "false"
        level = "FW_LOW" if part.name == "status.low" else "FW_HIGH"
        return f"(fw.level[{names['status']}] == {level})"
    stem, _, tail = part.name.rpartition(".")
    if tail == "echo":
        return f"fw_hook_echo({plan.echoes[stem]})"
    measure, _, level = stem.partition(".")
    if level == "reached":
        return f"fw_hook_reached({plan.reached[f'{measure}.{tail}']})"
    name = stem if tail == "closed" else part.name
    return f"(fw.level[{names[name]}] != 0u)" if name in names else "false"


def _choose(text: str, values: list[int], holds: list[bool], suffix: str) -> str:
    """A C test of `text`, one of `values` (sorted), that is true exactly where `holds` is."""
    if all(holds) or not any(holds):
        return _truth(holds[0])
    changes = [i for i in range(1, len(holds)) if holds[i] != holds[i - 1]]
    if len(changes) == 1:
        sign = ">=" if holds[-1] else "<"
        return f"({text} {sign} {values[changes[0]]}{suffix})"
    # Only == and != are true in the middle, and they have one odd value out.
    odd = holds.index(sum(holds) == 1)
    return f"({text} {'==' if holds[odd] else '!='} {values[odd]}{suffix})"


def _level(plan: Plan, name: str, sign: Operator, limit: float, reader: str) -> str:
    output = plan.output(name)
    if output is None:
        return _truth(COMPARE[sign](0.0, limit))
    return _choose(
        f"{reader}({output.macro})",
        output.ranks,
        [COMPARE[sign](share, limit) for _, share in output.levels],
        "u",
    )


def _number_in(state: str) -> int:
    tail = state.rpartition(".")[2]
    return int(tail) if tail.isdigit() else 0


def _bars(plan: Plan, sign: Operator, limit: float) -> str:
    """A test of the gauge: its bars are the number in its state's name, none while unread."""
    region = next((item for item in plan.system.regions if item.name == "gauge"), None)
    if region is None:
        return _truth(COMPARE[sign](0.0, limit))
    holding = frozenset(
        state.name for state in region.states if COMPARE[sign](float(_number_in(state.name)), limit)
    )
    return _inside(plan, Inside("gauge", holding))


def _cell(name: str, sign: Operator, limit: float) -> str:
    text, scale = _HOOKS[name]
    suffix = "u" if name in ("cell.charge", "gauge.counted") else ""
    # Limits are decimal numbers; the shortest text that gives this float back is what was meant.
    exact = Fraction(repr(round(limit, 12))) * scale
    if exact < 0 and suffix:
        return _truth(sign in (">", ">=", "!="))
    if sign in ("==", "!=") and exact.denominator != 1:
        return _truth(sign == "!=")
    whole = math.ceil(exact) if sign in ("<", ">=") else math.floor(exact)
    return f"({text} {sign} {whole}{suffix})"


def _scaled(plan: Plan, name: str, reader: str) -> tuple[str, int]:
    output = plan.output(name)
    if output is None:
        return "0u", 1
    return f"fw_level_of({output.macro}, {reader}({output.macro}))", output.segments or PPM


def _compare(plan: Plan, part: Compare, reader: str) -> str:
    left, sign, right = part.left, part.operator, part.right
    if isinstance(left, Number) and isinstance(right, Number):
        return _truth(COMPARE[sign](left.value, right.value))
    if isinstance(left, Number):
        left, sign, right = right, MIRRORED[sign], left
    if not isinstance(left, Quantity):
        raise AssertionError(part)
    if isinstance(right, Number):
        if left.name in _HOOKS:
            return _cell(left.name, sign, right.value)
        if left.name == "gauge":
            return _bars(plan, sign, right.value)
        return _level(plan, left.name, sign, right.value, reader)
    if {left.name, right.name} & {"gauge", *_HOOKS}:
        raise UsageError(
            f"The guard comparing {left.name} with {right.name} cannot be written as C: compare "
            "each of them with a number."
        )
    # Two levels: a/A ? b/B is a*B ? b*A; both products stay below 2^40.
    (a, scale_a), (b, scale_b) = _scaled(plan, left.name, reader), _scaled(plan, right.name, reader)
    if scale_a == scale_b:
        return f"({a} {sign} {b})"
    return f"(((uint64_t){a} * UINT64_C({scale_b})) {sign} ((uint64_t){b} * UINT64_C({scale_a})))"


def compile_guard(plan: Plan, part: Expression, reader: str = "fw_rank") -> str:
    """The C expression of `part`; `reader` is the function that gives the rank of an output.

    Raises UsageError for what the C source has no words for.
    """
    match part:
        case Constant():
            return _truth(part.value)
        case Inside():
            return _inside(plan, part)
        case Flag():
            return _flag(plan, part)
        case Compare():
            return _compare(plan, part, reader)
        case Not():
            return f"(!{compile_guard(plan, part.part, reader)})"
        case All():
            return "(" + " && ".join(compile_guard(plan, p, reader) for p in part.parts) + ")"
        case Any():
            return "(" + " || ".join(compile_guard(plan, p, reader) for p in part.parts) + ")"
        case Happened():
            raise UsageError(
                f"A guard asks whether {part.event} happened; only rules and habits may do that."
            )
