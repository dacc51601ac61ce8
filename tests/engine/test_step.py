"""`step` and `frequency` of `[controller]`: the time awake that an instant takes, in the ledger."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.modes import modes
from simfw.errors import DescriptionError
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Press
from tests.engine.bench import S, charges, gadget_of, run
from tests.life.test_waking import used_c

HEAD = """
[gadget]
name = "Blinker"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
awake = "1.2 mA"
asleep = "2 uA"
"""
STEP = 'step = "2000 cycles"\nfrequency = "1 MHz"\n'
STEP_C = (1.2e-3 - 2e-6) * 2e-3  # 2000 cycles of 1 MHz are 2 ms
BLINK = """
[loads.lamp]
current = "1 mA"
[behaviour.lamp]
starts = "off"
states.off = {}
states.on = { lamp = "on" }
rows = [
  { after = "300 ms", from = "off", to = "on" },
  { after = "200 ms", from = "on", to = "off" },
]
"""
WORK = BLINK.replace('states.on = { lamp = "on" }', 'states.on = { controller = "awake" }')


@pytest.mark.parametrize("fold", [True, False])
def test_each_instant_that_finds_the_controller_asleep_takes_a_step(fold: bool) -> None:
    """A lamp that blinks for 100 s: power-up and 399 changes, each 2 ms at 1.2 mA and not 2 uA."""
    drawn = charges(run(gadget_of(HEAD + STEP + BLINK), lasts="100 s", fold=fold))
    assert drawn["controller"] == pytest.approx(100 * 2e-6 + 400 * STEP_C, rel=1e-9)
    plain = charges(run(gadget_of(HEAD + BLINK), lasts="100 s", fold=fold))
    assert plain["controller"] == pytest.approx(100 * 2e-6, rel=1e-9)


@pytest.mark.parametrize("fold", [True, False])
def test_what_begins_a_time_awake_takes_one_step_more(fold: bool) -> None:
    """Awake for 200 ms of 500 ms; the instant that ends it finds the controller awake."""
    drawn = charges(run(gadget_of(HEAD + STEP + WORK), lasts="100 s", fold=fold))
    awake_c = 200 * (0.3 * 2e-6 + 0.2 * 1.2e-3)
    assert drawn["controller"] == pytest.approx(awake_c + 201 * STEP_C, rel=1e-9)


def test_a_press_takes_a_step_at_its_edges_only() -> None:
    """Each edge wakes, and keeps awake until the contact is still: 20 ms, twice."""
    gadget = gadget_of(HEAD + STEP + "[buttons.key]\n[behaviour.lamp]\nstarts = \"off\"\n"
                       "states.off = {}\n")
    press = Press(at_ns=S, button="key", for_ns=S // 2)
    drawn = charges(run(gadget, press, lasts="10 s"))
    hand = (10 - 0.04) * 2e-6 + 0.04 * 1.2e-3 + 3 * STEP_C
    assert drawn["controller"] == pytest.approx(hand, rel=1e-9)


def test_a_step_is_added_to_what_a_wake_draws() -> None:
    """Both are paid by each wake: 50 nC, and 2 ms at 1.2 mA."""
    text = HEAD + 'wake = "50 nC"\n' + STEP + BLINK
    drawn = charges(run(gadget_of(text), lasts="100 s"))
    assert drawn["controller"] == pytest.approx(100 * 2e-6 + 400 * (STEP_C + 50e-9), rel=1e-9)


def test_modes_have_it_in_their_mean() -> None:
    """Four instants a second: 2 uA and 4 * 2.396 uC."""
    (mode,) = modes(gadget_of(HEAD + STEP + BLINK))
    assert mode.parts_a["controller"] == pytest.approx(2e-6 + 4 * STEP_C, rel=1e-9)


QUICK = """
[behaviour.other]
starts = "a"
states.a = {}
states.b = {}
rows = [
  { after = "70 ms", from = "a", to = "b" },
  { after = "30 ms", from = "b", to = "a" },
]
"""


@pytest.mark.parametrize("text", [BLINK, WORK, BLINK + QUICK, WORK + QUICK])
def test_life_draws_what_a_run_draws(text: str, tmp_path: Path) -> None:
    """The compiled loop counts the same wakes to one, of regions that go round together too."""
    ours, theirs = used_c(tmp_path, HEAD + STEP + text, 3000 * S)
    assert ours == pytest.approx(theirs, abs=1.01 * STEP_C)
    assert theirs - used_c(tmp_path, HEAD + text, 3000 * S)[1] > 5000 * STEP_C


@pytest.mark.parametrize(("lines", "said"), [
    ('step = "2000 cycles"\n', 'controller.frequency: this is missing beside "step"'),
    ('frequency = "1 MHz"\n', 'controller.step: this is missing beside "frequency"'),
])  # fmt: skip
def test_what_takes_no_effect_alone_is_refused(lines: str, said: str, tmp_path: Path) -> None:
    """A number of cycles without a clock is no time, and a clock alone changes nothing."""
    (tmp_path / "gadget.toml").write_text(HEAD + lines + BLINK, encoding="utf-8")
    with pytest.raises(DescriptionError, match=said.replace(".", r"\.")):
        load_gadget(tmp_path / "gadget.toml")
