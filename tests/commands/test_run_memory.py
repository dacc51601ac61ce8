"""What `simfw run` keeps: no more than is asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw.engine.simulator as simulator
from simfw.cli import main

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios/key-hook/keys-lost.toml"


@pytest.mark.parametrize(
    ("options", "events", "intervals"),
    [((), False, False), (("--json",), True, False), (("--csv", "out"), True, True),
     (("--record", "out.csv"), False, True),
     (("--plot", "out.svg"), False, True)],
)
def test_a_run_keeps_events_and_intervals_only_for_what_lists_them(
    options: tuple[str, ...], events: bool, intervals: bool, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A report needs neither; JSON lists events, CSV both, plots and recordings intervals."""
    kept = []
    simulate = simulator.simulate

    def watched(*arguments, **more):
        result = simulate(*arguments, **more)
        kept.append((bool(result.events), bool(result.intervals)))
        return result

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(simulator, "simulate", watched)
    main(["run", str(SCENARIO), *options])
    assert kept[0] == (events, intervals)
