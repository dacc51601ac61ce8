"""What `simfw circuit` says that a bar may mean holds in every run."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit.gauge import GaugeBand, gauge_bands
from simfw.engine.simulator import simulate
from tests.property.test_engine_laws import prepared, scenarios

MOVED = 1e-4  # the charge that may have moved since the sample


@cache
def bands(demo: str) -> tuple[GaugeBand, ...]:
    """The bands of a demo gadget."""
    return gauge_bands(prepared(demo).gadget)


@pytest.mark.parametrize("demo", ["larder-lamp", "cellar-steps", "key-hook"])
@settings(deadline=None, max_examples=25)
@given(data=st.data())
def test_no_run_shows_bars_outside_their_band(demo, data):
    """Lights together, looks, charging: the charge lies in the band of the bars at each time."""
    run = simulate(prepared(demo).gadget, data.draw(scenarios(demo)), prepared=prepared(demo))
    for part in run.intervals:
        if part.bars is not None and not part.states.count("unread") and not part.loads.protected:
            band = bands(demo)[part.bars]
            assert band.low - MOVED <= part.start_charge <= band.high + MOVED
