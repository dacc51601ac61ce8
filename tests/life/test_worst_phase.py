"""What takes turns while it rests: protection and charger meet each load when it is on, not before.

A user is held against `simulate`, which steps every change of state.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.simulator import simulate
from simfw.life import registers as k
from simfw.life.user import Life
from simfw.stimuli.pattern import DAY_NS
from simfw.stimuli.scenario import Scenario, Usb
from tests.life.beside_run import run_beside, stimuli_of
from tests.life.made import CHARGER, EVENING, head, lamp, pattern
from tests.life.test_letting_go import goes_along
from tests.life.test_loop import ready

MS = 10**6
BLINK = """
[loads.flash]
current = "{current}"
[behaviour.blink]
starts = "{starts}"
states.out = {{}}
states.lit = {{ flash = "on" }}
rows = [
  {{ after = "{out}", from = "out", to = "lit" }},
  {{ after = "{lit}", from = "lit", to = "out" }},
]
"""


def blinking(
    folder: Path, *, current: str = "100 mA", starts: str = "out", out: str = "950 ms",
    lit: str = "50 ms", restart: str = "3.2 V", more: str = "", charge: str = "100 %",
) -> Life:
    """A lamp on a cell of 4 Ω with a blink; nobody touches it."""
    text = lamp(capacity="2 Ah", cell='resistance = "4 Ω"', more=more + BLINK.format(
        current=current, starts=starts, out=out, lit=lit))
    text = text.replace('restart = "3.2 V"', f'restart = "{restart}"')
    return ready(pattern(folder, text, head(charge=charge) + EVENING))


def test_a_blink_opens_the_protection_when_it_is_lit(tmp_path: Path) -> None:
    """At 2 % the cell rests at 3.37 V, and the flash takes 0.4 V of it: dark it lasts, 950 ms."""
    user = blinking(tmp_path, charge="2 %", restart="4.1 V")
    gadget = user.layout.gadget
    assert goes_along(user, Scenario(charge=0.02, lasts_ns=5000 * MS, gadget=gadget)) == (1, 0)
    assert user.world.i[k.LAST_OPEN] == 950 * MS


def test_a_blink_opens_a_protection_that_closes_at_once_once_a_lap(tmp_path: Path) -> None:
    """From above `restart` to below `cut_off` at every flash, and dark again: every 950 ms."""
    user = blinking(tmp_path, charge="2 %")
    gadget = user.layout.gadget
    scenario = Scenario(charge=0.02, lasts_ns=5000 * MS, gadget=gadget)
    run = simulate(gadget, scenario, fold=False)
    assert [part.start_ns for part in run.intervals] == [n * 950 * MS for n in range(6)]
    goes_along(user, scenario)
    assert user.world.i[k.EMPTIED] == 5
    assert user.world.i[k.LAST_OPEN] == 5 * 950 * MS
    # Over a day it is no more work: what comes round is gone in one step, with all that opens.
    user.go(stimuli_of(user, scenario), DAY_NS)
    assert user.world.i[k.EMPTIED] == DAY_NS // (950 * MS)
    assert user.world.i[k.LAST_OPEN] == DAY_NS // (950 * MS) * 950 * MS
    assert user.world.i[k.INSTANTS] < 200


@pytest.mark.parametrize(("starts", "lit_s", "plugged_s", "ends_s", "lasts_s"), [
    ("lit", 40, 5, 40, 280), ("out", 40, 5, 5, 280), ("lit", 1, 31, 32, 125), ("out", 1, 0, 0, 124),
])
def test_a_charge_ends_when_what_takes_turns_is_dark(
    starts: str, lit_s: int, plugged_s: int, ends_s: int, lasts_s: int, tmp_path: Path
) -> None:
    """Nearly full: with 60 mA beside it the charger gives more than the 10 mA at which it ends."""
    user = blinking(tmp_path, current="60 mA", starts=starts, out="30 s", lit=f"{lit_s} s",
                    more=CHARGER, charge="99 %")
    gadget = user.layout.gadget
    steps = (Usb(at_ns=plugged_s * 1000 * MS, present=True),)
    scenario = Scenario(charge=0.99, lasts_ns=lasts_s * 1000 * MS, gadget=gadget, steps=steps)
    run = simulate(gadget, scenario, fold=False)
    assert next(part.start_ns for part in run.intervals
                if part.loads.charger == "complete") == ends_s * 1000 * MS
    user.go(stimuli_of(user, scenario), scenario.lasts_ns)
    assert user.world.i[k.FULL_AT] == ends_s * 1000 * MS
    assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=1e-6)


PUMP = """
[loads.pump]
current = "100 mA"
[behaviour.pump]
starts = "idle"
states.idle = {}
states.on = { pump = "on" }
states.off = {}
rows = [
  { on = "key.press", from = "idle", to = "on" },
  { on = "key.press", from = ["on", "off"], to = "idle" },
  { after = "5 min", from = "on", to = "off" },
  { after = "55 min", from = "off", to = "on" },
]
"""


@pytest.mark.parametrize(("minutes", "on_min"), [(4, 4), (600, 50), (63, 8)])
def test_what_goes_round_slowly_draws_what_it_draws_until_it_is_ended(
    minutes: int, on_min: int, tmp_path: Path
) -> None:
    """5 min of every hour at 100 mA, from one press to the next: no mean of the hour."""
    made = pattern(tmp_path, lamp(more=PUMP), head() + f"""
[[habits]]
name = "water"
at = "19:00"
each = "day"
steps = [
  {{ press = "key", for = "200 ms" }}, {{ wait = "{minutes} min" }},
  {{ press = "key", for = "200 ms" }},
]
""")
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    until = 30 * 3600 * 10**9
    run = run_beside(user, stimuli, until)
    assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=1e-6)
    drawn_c = (1.0 - user.world.f[k.CHARGE]) * 1800.0
    lit_c = 20e-3 * (minutes * 60 + 0.2)
    assert drawn_c == pytest.approx(50e-6 * until * 1e-9 + 0.1 * 60 * on_min + lit_c, rel=1e-3)
