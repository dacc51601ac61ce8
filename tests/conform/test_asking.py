"""A firmware may read its numbers at other times than the model, and more often."""

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.conform.firmware import Drive
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.conform.inside import Inside
from tests.report.golden import DEMOS

SOURCE = Path(__file__).parent / "larder_firmware.py"
GADGET = next(path for path in DEMOS if path.parent.name == "larder-lamp")
S = 10**9
JUDGED = '        if self.state == "emitting":\n            self.emit("wave.hit" if'


@pytest.fixture(scope="module")
def drive():
    """A hand that comes and goes, from power-up on."""
    acts = (Act(1 * S, "hand", "wave", 0.05), Act(4 * S, "hand", "wave", -1.0))
    replay = Rehearsal(Prepared(load_gadget(GADGET))).play(charge=0.5, acts=acts, ends_ns=6 * S)
    return Drive("a hand", 0.5, acts, 6 * S, replay)


def reading(name, within_ns=0, state="settling"):
    """The firmware of the larder lamp, which reads `name` at the end of a state, too, and ignores
    what it reads.
    """
    text = SOURCE.read_text(encoding="utf-8")
    assert text.count(JUDGED) == 1
    return Inside(text.replace(
        JUDGED,
        f'        if self.state == "{state}":\n            self.lamp.number("{name}")\n{JUDGED}',
    ), within_ns=within_ns)  # fmt: skip


@pytest.mark.parametrize("state", ["settling", "resting"])
def test_an_echo_that_the_model_does_not_ask_for_can_be_read(state, drive):
    """At the end of settling, before the model has read any, nothing was told: a firmware that
    asked stood there without an answer, and its next output was missed.
    """
    assert reading("wave.echo", state=state).differs(drive) is None


def test_each_number_that_the_rows_read_is_set_before_the_first_power_up(drive):
    """Once, as it is then; what is told on the way is left as it is."""
    lines = [line for one in drive.replay.unrolled.exchanges for line in one.lines]
    before = lines[: lines.index("power 0")]
    assert before.count("set wave.echo 0") == 1
    assert sum(line.startswith("set gauge.measured ") for line in before) == 1
    assert "set wave.echo 1" in lines[len(before) :]


@pytest.mark.parametrize("within_ns", [0, 1])
def test_a_question_for_a_number_that_is_never_set_is_told_as_such(within_ns, drive):
    """Not as the output that it never comes to tell."""
    found = reading("hand.echo", within_ns).differs(drive)
    assert found is not None
    assert (found.time_ns, found.expected, found.told) == (0, "nothing", "ask hand.echo")
    assert "asks for `hand.echo`, a number that the model never reads" in str(found)
