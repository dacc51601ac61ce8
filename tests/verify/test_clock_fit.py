"""The clock factor, fitted from edges that a recorder rounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.verify.clock_fit import Sample, fit_clock

MS = 1_000_000


@given(factor=st.floats(0.97, 1.03), step_ms=st.sampled_from([1, 5, 10, 20]))
def test_the_true_factor_lies_in_what_is_told_where_times_are_rounded(factor: float, step_ms: int
                                                                      ) -> None:  # fmt: skip
    """Six edges of dwells of 3 s, each written to some ms."""
    step = step_ms * MS
    lasts = [3_000 * MS + number * 100 * MS for number in range(6)]
    samples = [Sample(timing="dwell", time_ns=float(ns), slope_ns=float(ns), recorded_ns=np.array(
        [round(ns * factor / step) * step], dtype=float)) for ns in lasts]  # fmt: skip
    fit = fit_clock(samples, 20.0 * MS, resolution_ns=float(step))
    assert fit.low is not None
    assert fit.high is not None
    assert fit.low <= factor <= fit.high


def test_rounded_times_tell_the_factor_less_well() -> None:
    """The same edges, known to 1 ns and to 20 ms: the wider is told wider."""
    samples = [Sample(timing="dwell", time_ns=3e9, slope_ns=3e9, recorded_ns=np.array([3e9]))] * 6
    fine, coarse = (fit_clock(samples, 20.0 * MS, resolution_ns=step) for step in (1.0, 20e6))
    assert fine.doubt < coarse.doubt == pytest.approx(20e6 / 3e9)
