"""A small sample of single changes to the demo gadgets; the whole run is a script."""

from __future__ import annotations

from tests.quality.mutants import DEMOS, Judge, mutants, report, sample


def test_there_are_enough_different_mutants() -> None:
    """More than 300 single changes, each of another place, of all kinds."""
    chosen = sample(330)
    assert len(chosen) >= 300
    assert len({(folder, one.kind, one.place) for folder, one in chosen}) == len(chosen)
    assert len({one.kind for _, one in chosen}) >= 9


def test_telling_changes_are_caught_and_the_gadget_itself_is_not() -> None:
    """A rule, an expectation or a check notices each of these; the sound gadget raises nothing."""
    judge = Judge(DEMOS / "key-hook")
    every = {one.place: one for one in mutants(judge.gadget)}
    done = [("key-hook", every[place], judge.verdict(every[place].gadget))
            for place in ("behaviour.lamp_mode.rows[4]", "behaviour.search.rows[2] dwell x10")]
    assert all(verdict in ("expectation", "rule", "check", "refused") for _, _, verdict in done)
    assert judge.verdict(judge.gadget) == "same"
    assert "2 mutants" in report(done)
