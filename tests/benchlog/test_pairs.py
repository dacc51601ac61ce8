"""Pairs of figures that are said to be known together: only where they are, and with a unit."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from simfw.benchlog import narrowing
from simfw.benchlog.model import Unknown
from simfw.benchlog.narrowed import Together
from simfw.quantity import CHARGE, RESISTANCE
from simfw.report.bench_log import _together_span

RESISTOR = Unknown(key="lights.lamp.resistor", low=33.0, high=68.0, dimension=RESISTANCE)
CAPACITY = Unknown(key="cell.capacity", low=2700.0, high=3960.0, dimension=CHARGE)


@pytest.mark.parametrize(("wide", "said"), [(0.1, 1), (0.742, 0)])
def test_a_pair_is_told_only_where_its_ends_lie_closer_than_those_of_either(
    wide: float, said: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The runs that fit lie on a line by chance; what was then looked for is what counts."""
    trials = [SimpleNamespace(worst=0.5, x=[share, share]) for share in (0.0, 0.5, 1.0)]
    rival: Any = SimpleNamespace(
        trials=trials, figures=2, log=SimpleNamespace(unknowns=(RESISTOR, CAPACITY)))
    middle = math.log(33.0 / 2700.0)
    monkeypatch.setattr(narrowing, "_worth", lambda *_: True)
    monkeypatch.setattr(narrowing, "_ends", lambda *_: (
        SimpleNamespace(outer=middle), SimpleNamespace(outer=middle + wide)))
    assert len(narrowing._together(rival)) == said


def test_a_ratio_is_told_in_the_units_of_its_figures() -> None:
    """33 Ω over 750 mAh (2700 C) is 0.044 Ω/mAh; the product 24,750 Ω·mAh."""
    log: Any = SimpleNamespace(unknowns=(RESISTOR, CAPACITY))
    keys = (RESISTOR.key, CAPACITY.key)
    ratio = Together(kind="ratio", keys=keys, low=33 / 2700, high=66 / 2700)
    assert _together_span(log, ratio) == "0.044 .. 0.088 Ω/mAh"
    product = Together(kind="product", keys=keys, low=0.1 * 3600, high=1.0 * 3600)
    assert _together_span(log, product) == "100 .. 1e+03 Ω·mAh"
