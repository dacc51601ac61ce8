"""A study over users follows dials as a run does."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.life import registers as k
from simfw.life.life import life
from simfw.report.life import life_text
from simfw.stimuli.pattern import DAY_NS
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import head, lamp, pattern
from tests.life.test_steps import HOUR_NS, ready

DIALS = """
[buttons.turn]
hold = "400 ms"
repeat = "100 ms"
[dials.dim]
count = 9
from = "1 %"
to = "100 %"
spacing = "ratio"
starts = 4
rows = [
  { on = ["turn.click", "turn.repeat"], step = 1, wrap = true },
  { on = "key.click", step = -2 },
]
[behaviour.shade]
starts = "plain"
states.plain = { lamp = "dim" }
states.soft = { lamp = "60 %", scale = { lamp = "dim" } }
rows = [
  { on = "dim.end", from = "plain", to = "soft" },
  { on = "turn.hold", from = "soft", to = "plain" },
]
"""


def test_dials_are_lived_as_they_are_run(tmp_path: Path) -> None:
    """Charge and the time in each state of a life are those of the same presses in a run."""
    made = pattern(tmp_path, lamp(more=DIALS), head(horizon="2 days") + """
[[habits]]
name = "play"
times = 40
steps = [ { press = "turn", for = "100 ms .. 1500 ms" }, { wait = "5 min .. 20 min" },
  { press = "key", for = "200 ms" } ]
""")
    user = ready(made)
    stimuli, _ = user.stimuli(0, 2 * DAY_NS)
    until = 30 * HOUR_NS
    run = run_beside(user, stimuli, until)
    spent = {use.state: use.time_ns for use in run.states if use.region == "shade"}
    assert set(spent) == {"plain", "soft"}
    region = user.layout.region_id["shade"]
    for state in user.layout.state_id[region]:
        assert spent_ns(user, "shade", state) == spent[state]
    assert 1.0 - user.world.f[k.CHARGE] == pytest.approx(1.0 - run.end_charge, rel=5e-6)


def test_held_states_say_where_dials_stand(tmp_path: Path) -> None:
    """The run time of a dialled light is that at the dial's start, and it says so; without a dial
    it says nothing of one.
    """
    def told(more: str) -> str:
        made = pattern(tmp_path, lamp(more=more), head(horizon="1 h") + """
[[habits]]
name = "play"
times = 1
steps = [ { press = "key", for = "200 ms" } ]
""")
        return life_text(life(made, users=1, study=False))

    assert "dials stand where they start; `simfw circuit`" in told(DIALS)
    assert "dials" not in told("")
