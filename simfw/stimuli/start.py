"""The charge that a scenario or pattern begins with: a share, or what a meter shows."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated

from simfw.errors import Problem, QuantityError, UsageError
from simfw.forms import Reads, either, plain
from simfw.quantity import RATIO, VOLTAGE, format_percent, read_number
from simfw.slips import NUMBER

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Start", "StartField", "charge_meant", "charge_of", "read_start"]

_PLATEAU = 0.01  # a share of charge that a voltage on a flat piece may leave open
_ALSO = 'or the open-circuit voltage such as "3.9 V"'


@dataclass(frozen=True, slots=True)
class Start:
    """A share (0..1), or an open-circuit voltage with half of its last digit (V)."""

    share: float | None = None
    open_circuit_v: float = 0.0
    half_digit_v: float = 0.0


def read_start(value: object) -> Start:
    """What is written as a charge to begin with; raises `QuantityError`."""
    if isinstance(value, Start):
        return value
    try:
        share = read_number(value, RATIO)
    except QuantityError as error:
        return _read_volts(value, error)
    if share > 1:
        raise QuantityError(text="a charge is at most 100 %", allowed=f"0 % to 100 %, {_ALSO}")
    return Start(share)


def _read_volts(value: object, no_share: QuantityError) -> Start:
    try:
        volts = read_number(value, VOLTAGE)
    except QuantityError as no_voltage:
        told = no_voltage if no_voltage.suggestion and not no_share.suggestion else no_share
        raise QuantityError(
            text=told.text, allowed=f"{no_share.allowed}, {_ALSO}",
            suggestion=no_share.suggestion or (
                no_voltage.suggestion if isinstance(value, str) else None),
        ) from None
    number = re.match(NUMBER, str(value).strip())
    written = Decimal(number[0]) if number is not None else Decimal(0)
    exponent = written.as_tuple().exponent
    unit_v = volts / float(written) if written else 1.0
    half_v = 0.5 * 10.0**exponent * unit_v if isinstance(exponent, int) else 0.0
    return Start(open_circuit_v=volts, half_digit_v=half_v)


StartField = Annotated[Start, Reads(read_start, form=either(
    "start", 'A share such as "80 %", or the open-circuit voltage such as "3.9 V".',
    plain(RATIO), plain(VOLTAGE)))]


def charge_of(start: Start, gadget: Gadget | None) -> tuple[float, list[Problem]]:
    """The charge (0..1) that is meant, and what is wrong with it (key `charge`).

    A voltage is that of the cell at rest, with nothing drawn: it is looked up on the open-circuit
    curve of `gadget`. A meter rounds: up to half of the last digit past an end of the curve it
    means that end. Without a gadget a voltage means nothing yet, and half is given back.
    """
    if start.share is not None:
        return start.share, []
    if gadget is None:
        return 0.5, []
    import numpy as np

    from simfw.circuit.cell import cell_curve

    curve = cell_curve(gadget)
    low_v, high_v = float(curve.voltage_v[0]), float(curve.voltage_v[-1])
    volts, half_v = start.open_circuit_v, start.half_digit_v * (1 + 1e-9)
    if not low_v - half_v <= volts <= high_v + half_v:
        text = f'the open-circuit curve "{gadget.cell.curve}" never has this voltage'
        return 0.5, [Problem(key="charge", text=text,
                             allowed=f"{low_v:.4g} V to {high_v:.4g} V, or a share such as 80 %")]
    volts = min(max(volts, low_v), high_v)
    same = np.flatnonzero(curve.voltage_v == volts)
    if len(same) == 0:
        return float(np.interp(volts, curve.voltage_v, curve.charge)), []
    first, last = float(curve.charge[same[0]]), float(curve.charge[same[-1]])
    if last - first > _PLATEAU:
        text = (f'the open-circuit curve "{gadget.cell.curve}" is flat at this voltage, from '
                f"{format_percent(first)} to {format_percent(last)}")
        return 0.5, [Problem(key="charge", text=text, allowed="a share such as 80 %")]
    if last == 1.0:
        return 1.0, []
    return 0.0 if first == 0.0 else (first + last) / 2, []


def charge_meant(name: str, value: float | str, gadget: Gadget | None) -> float:
    """The charge (0..1) that a call or an option means: text as in a scenario, or a share itself.

    Without a gadget a voltage is only read, and half is given back. Raises `UsageError`, which
    begins with `name`.
    """
    if not isinstance(value, str):
        if not 0.0 <= value <= 1.0:
            raise UsageError(f"{name}{value:g}: a charge is a share. Allowed: 0 to 1, {_ALSO}.")
        return float(value)
    try:
        start = read_start(value)
    except QuantityError as error:
        raise UsageError(f"{name}{value}: {error}") from None
    charge, unclear = charge_of(start, gadget)
    for problem in unclear:
        raise UsageError(f"{name}{value}: {problem.text}. Allowed: {problem.allowed}.")
    return charge
