"""A soft latch over a pattern: as `run` has it, at every power-up and after every letting go."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.simulator import simulate
from simfw.errors import UsageError
from simfw.life import registers as k
from tests.life.made import head, pattern
from tests.life.test_loop import alone, ready
from tests.life.test_memory import as_scenario

H = 3600 * 10**9
TORCH = """
[gadget]
name = "Pocket torch"
[cell]
curve = "lco"
capacity = "12 mAh"
cut_off = "3.4 V"
restart = "3.5 V"
leakage = "20 uA"
[charger]
current = "20 mA"
float = "4.2 V"
[controller]
awake = "1 mA"
asleep = "30 uA"
powered_by = ["power", "usb"]
[loads.lamp]
current = "2 mA"
[loads.green]
current = "500 uA"
[buttons.power]
debounce = "5 ms"
[buttons.level]
[toggles.main]
in_supply = true
[behaviour.lamp]
starts = "waking"
states.waking = {}
states.lit = { lamp = "on" }
states.off = { controller = "unpowered", lamp = "10 %" }
rows = [
  { after = "50 ms", from = "waking", to = "lit", when = "power.closed" },
  { after = "60 ms", from = "waking", to = "off" },
  { on = "power.press", from = "lit", to = "off" },
  { after = "90 min", from = "lit", to = "off" },
]
[behaviour.mood]
starts = "plain"
resume_points = ["plain", "late"]
kept = "resume"
states.plain = {}
states.late = { green = "on" }
rows = [
  { on = "level.press", from = "plain", to = "late" },
  { on = "level.press", from = "late", to = "plain" },
]
"""
HABITS = """
[[habits]]
name = "on, off by the button, on again until it lets go"
at = "07:00"
steps = [
  { press = "power", for = "200 ms" }, { wait = "7 min" }, { press = "level", for = "100 ms" },
  { wait = "20 min" }, { press = "power", for = "150 ms" }, { wait = "10 min" },
  { press = "level", for = "150 ms" }, { wait = "10 min" },
  { press = "power", for = "200 ms" }, { wait = "2 h" }, { press = "power", for = "20 ms" },
  { wait = "1 min" }, { press = "power", for = "400 ms" }, { wait = "5 min" },
  { toggle = "main", to = "off" }, { wait = "1 min" }, { toggle = "main", to = "on" },
]
[[habits]]
name = "plug"
at = "20:00"
each = "week"
steps = [
  { usb = true }, { wait = "90 min" }, { press = "power", for = "1 s" }, { wait = "1 h" },
  { usb = false },
]
"""


def test_what_lets_go_over_days_is_what_lets_go_in_a_run(tmp_path: Path) -> None:
    """States as left, times, charge; what is let go of draws nothing but the leakage."""
    made = pattern(tmp_path, TORCH, head(charge="90 %", horizon="20 days") + HABITS)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 20 * 24 * H)
    let_go = opened = 0
    for hours in (7, 7.2, 8, 9.9, 10.2, 20, 21, 22.6, 30, 80, 300):
        until = round(hours * H)
        run = simulate(user.layout.gadget, as_scenario(user, stimuli, until), trace=False)
        user.go(stimuli, until)
        comb = user.store.combs[int(user.world.i[k.COMB])]
        states = dict(zip(run.regions, (one.state for one in run.final.regions), strict=True))
        names = {name: user.layout.regions[n].states[comb.states[n]].name
                 for name, n in user.layout.region_id.items()}
        assert {name: names[name] for name in ("lamp", "mood")} == {
            name: states[name] for name in ("lamp", "mood")}
        assert comb.released == run.final.released
        assert comb.dead == (not run.final.alive)
        assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=5e-4)
        for use in run.states:
            if use.region in ("lamp", "mood"):
                n = user.layout.region_id[use.region]
                flat = user.layout.offset[n] + user.layout.state_id[n][use.state]
                assert user.world.spent[flat] == pytest.approx(use.time_ns, abs=60 * 10**9)
        let_go += comb.released
        opened += run.empty_at_ns is not None
    assert let_go > 3
    assert opened


def test_lying_let_go_of_is_no_lack_of_light(tmp_path: Path) -> None:
    """Nobody is refused anything, and no time counts as dead: the press brings it back."""
    made = pattern(tmp_path, TORCH.replace('"12 mAh"', '"900 mAh"'),
                   head(horizon="10 days") + HABITS)
    lived = alone(made)
    assert (lived.dead_ns, lived.refused, lived.emptied) == (0, 0, 0)
    assert lived.asked > 20


@pytest.mark.parametrize(("old", "new", "said"), [
    ('powered_by = ["power", "usb"]', 'powered_by = ["power"]\nhold_up = "20 ms"',
     "hold_up is not 0"),
    ('starts = "waking"', 'starts = "waking"\nkept = "state"',
     "what lamp keeps is what stood before that state"),
])
def test_what_a_study_cannot_follow_is_refused_by_name(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    """A time that a latch waits for, and what stood before what is not kept."""
    made = pattern(tmp_path, TORCH.replace(old, new), head() + HABITS)
    with pytest.raises(UsageError) as found:
        ready(made)
    assert str(found.value).startswith("behaviour.lamp.states.off: a study over users cannot")
    assert said in str(found.value)
    assert str(found.value).endswith('Write "asleep" for this command.')
