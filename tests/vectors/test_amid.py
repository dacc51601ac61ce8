"""What the model leaves out, a firmware that begins amid it leaves out as well: the count stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.loading import load_gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.faulty import Driven
from simfw.vectors.sketch import Act
from tests.sharing import uncounted

HOOK = Path(__file__).parents[2] / "scenarios" / "key-hook" / "gadget.toml"
S = 1_000_000_000


@pytest.fixture(scope="module", name="judge")
def _judge() -> Judge:
    """The key hook, pressed twice, with much time after that."""
    with uncounted():
        prepared = Prepared(load_gadget(HOOK))
        model = Rehearsal(prepared)
        button = next(iter(prepared.gadget.buttons))
        acts = tuple(Act(at, "contact", button, float(closed))
                     for at, closed in ((2 * S, True), (2 * S + S // 5, False),
                                        (20 * S + S // 50, True), (20 * S + S // 4, False)))
        played = model.played(0.5, acts, 400 * S)
        assert played is not None
        judge = Judge(holding(prepared.system), prepared.gadget.segments)
        judge.add(played)
    return judge


def _gone(judge: Judge) -> tuple[object, int, int]:
    """A firmware that begins amid the longest stretch: where it stands in the end, how many
    instants it has counted, and how many it has gone through.
    """
    script = judge.courses[0].script
    longest = max(script.stretches, key=lambda one: one.up_to - one.begins)
    firmware = Driven(judge.system, judge.segments)
    firmware._begin(script)
    firmware.stepper.clear()
    firmware.stepper.halt(0)
    for message in script.messages:
        if message.time_ns > longest.begins:
            break
        firmware._hear(message)
    firmware._through((longest.begins + longest.after) // 2, script.stretches)
    firmware._stand(firmware._mark())  # which does not know of the stretch
    before, gone = firmware.instants, list[int]()
    run = firmware._instant

    def counted(raw: list[str], *, power_up: bool = False) -> None:
        gone.append(1)
        run(raw, power_up=power_up)

    firmware._instant = counted  # type: ignore[method-assign]
    firmware._through(message.time_ns, script.stretches)
    return firmware._mark(), firmware.instants - before, len(gone)


def test_what_repeats_itself_is_counted_as_if_it_were_gone_through(
    judge: Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes to the same in as many instants as one that goes through all of them."""
    stands, counted, gone = _gone(judge)
    monkeypatch.setattr(Driven, "_amid", lambda *_: None)
    assert _gone(judge) == (stands, counted, counted)
    assert gone < counted / 10
