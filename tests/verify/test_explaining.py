"""Thirty firmwares that differ by one thing: the first difference names that thing."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.report.record import recording_text
from simfw.report.replay import replay_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import own_map
from simfw.stimuli.recording.signals import Observed, observe
from simfw.verify.explaining import Divergence, explain
from simfw.verify.prediction import Model
from simfw.verify.replay import Replayed, replay
from tests.verify.firmwares import DIFFERENCES, LAMP, STEPS, Difference

NAMED: dict[str, bool] = {}


@pytest.fixture(scope="module")
def lamp(tmp_path_factory: pytest.TempPathFactory) -> Gadget:
    """The lamp as written."""
    path = tmp_path_factory.mktemp("lamp") / "lamp.toml"
    path.write_text(LAMP)
    return simfw.load_gadget(path)


@pytest.fixture(scope="module")
def written(lamp: Gadget, tmp_path_factory: pytest.TempPathFactory) -> Model:
    """Its model, whose circuit all variants share."""
    folder = tmp_path_factory.mktemp("written")
    return Model(lamp, recorded(folder, LAMP, lamp))


def recorded(folder: Path, text: str, lamp: Gadget, like: Prepared | None = None) -> Observed:
    """The session with a lamp of this description, as a recording of the lamp as written."""
    (folder / "lamp.toml").write_text(text)
    (folder / "session.toml").write_text(STEPS)
    plan = simfw.load_scenario(folder / "session.toml")
    assert plan.gadget is not None
    run = simulate(plan.gadget, plan, prepared=Prepared(plan.gadget, like=like))
    path = folder / "run.csv"
    path.write_text(recording_text(run, ".csv"))
    recording = open_recording(path)
    mapped = own_map(recording, lamp)
    assert mapped is not None
    return observe(recording, mapped, lamp)


def explained(observed: Observed, lamp: Gadget, like: Model) -> tuple[Replayed, Divergence | None]:
    """The replay and what is said about its first difference."""
    model = Model(lamp, observed, like=like)
    result = replay(observed, lamp, model=model)
    return result, explain(result, lamp, model)


@pytest.mark.parametrize("difference", DIFFERENCES, ids=lambda one: one.name)
def test_the_changed_row_or_timing_is_among_the_suspects(
    lamp: Gadget, written: Model, tmp_path: Path, difference: Difference
) -> None:
    """Each change shows as a disagreement; whether its key is named is counted below."""
    assert LAMP.count(difference.before) == 1
    text = LAMP.replace(difference.before, difference.after)
    observed = recorded(tmp_path, text, lamp, written.prepared)
    result, divergence = explained(observed, lamp, written)
    assert not result.agrees
    assert divergence is not None
    NAMED[difference.name] = any(suspect.key.startswith(difference.key)
                                 for suspect in divergence.suspects)
    report = replay_text(result, divergence, None, lambda words, _: words)
    assert "First difference" in report
    if NAMED[difference.name]:
        assert difference.key in report.split("single changes that remove it")[1]


def test_at_least_27_of_30_are_named() -> None:
    """The count over all of them (of those that ran, where they are split over processes)."""
    assert len(DIFFERENCES) == 30
    missed = sorted(name for name, named in NAMED.items() if not named)
    assert len(missed) <= 3, missed


def test_the_unchanged_lamp_has_no_difference(
    lamp: Gadget, written: Model, tmp_path: Path
) -> None:
    """Nothing to explain, nothing tried."""
    result, divergence = explained(recorded(tmp_path, LAMP, lamp, written.prepared), lamp, written)
    assert result.agrees
    assert divergence is None
