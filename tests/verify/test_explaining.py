"""Thirty firmwares that differ by one thing: the first difference names that thing.

Every third of them is tried here; `python -m tests.verify.test_explaining` tries all and counts.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest

import simfw
from simfw.gadget.model import Gadget
from simfw.report.replay import replay_text
from simfw.stimuli.recording.signals import Observed
from simfw.verify.explaining import Divergence, explain
from simfw.verify.prediction import Model
from simfw.verify.replay import Replayed, replay
from tests.verify.firmwares import DIFFERENCES, LAMP, STEPS, Difference
from tests.verify.recorded import recorded

NAMED: dict[str, bool] = {}
SAMPLE = DIFFERENCES[::3]


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
    return Model(lamp, recorded(folder, LAMP, STEPS, lamp))


def explained(observed: Observed, lamp: Gadget, like: Model) -> tuple[Replayed, Divergence | None]:
    """The replay and what is said about its first difference."""
    model = Model(lamp, observed, like=like)
    result = replay(observed, lamp, model=model)
    return result, explain(result, lamp, model)


def is_named(lamp: Gadget, written: Model, folder: Path, difference: Difference) -> bool:
    """Whether the suspects name what is different, which must show as a disagreement."""
    assert LAMP.count(difference.before) == 1
    text = LAMP.replace(difference.before, difference.after)
    observed = recorded(folder, text, STEPS, lamp, written.prepared)
    result, divergence = explained(observed, lamp, written)
    assert not result.agrees
    assert divergence is not None
    named = any(suspect.key.startswith(difference.key) for suspect in divergence.suspects)
    report = replay_text(result, divergence, None, lambda words, _: words)
    assert "First difference" in report
    assert not named or difference.key in report.split("single changes that remove it")[1]
    return named


@pytest.mark.parametrize("difference", SAMPLE, ids=lambda one: one.name)
def test_the_changed_row_or_timing_is_among_the_suspects(
    lamp: Gadget, written: Model, tmp_path: Path, difference: Difference
) -> None:
    """Each change shows as a disagreement; whether its key is named is counted below."""
    NAMED[difference.name] = is_named(lamp, written, tmp_path, difference)


def test_at_least_nine_of_ten_are_named() -> None:
    """The count over the sample (of those that ran, where they are split over processes)."""
    assert len(DIFFERENCES) == 30
    assert len(SAMPLE) == 10
    missed = sorted(name for name, named in NAMED.items() if not named)
    assert len(missed) <= 1, missed


def test_the_unchanged_lamp_has_no_difference(
    lamp: Gadget, written: Model, tmp_path: Path
) -> None:
    """Nothing to explain, nothing tried."""
    observed = recorded(tmp_path, LAMP, STEPS, lamp, written.prepared)
    result, divergence = explained(observed, lamp, written)
    assert result.agrees
    assert divergence is None


def main() -> None:
    """Try all thirty, and tell which were named."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "lamp.toml").write_text(LAMP)
        one = simfw.load_gadget(folder / "lamp.toml")
        model = Model(one, recorded(folder, LAMP, STEPS, one))
        named = [is_named(one, model, folder, difference) for difference in DIFFERENCES]
    for difference, known in zip(DIFFERENCES, named, strict=True):
        print(f"{'named' if known else 'not named':<10} {difference.name}")
    print(f"{sum(named)} of {len(named)} named")


if __name__ == "__main__":
    main()
