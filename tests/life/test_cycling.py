"""What comes round although others hear it: gone in one step, and lived as it is run."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.life import cycling
from simfw.life import registers as k
from simfw.life.study import gather
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS, Pattern
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import head, pattern
from tests.life.test_loop import ready

GALLERY = Path(__file__).parents[1] / "gallery"
HOUR_NS = 3600 * 10**9

TICKS = """
[gadget]
name = "Ticks"
[cell]
curve = "lco"
capacity = "{capacity} mAh"
resistance = "300 mΩ"
cut_off = "3.0 V"
[controller]
awake = "1 mA"
asleep = "3 uA"
wake = "50 nC"
[loads]
lamp.current = "8 mA"
flag.current = "3 mA"
spot.current = "600 uA"
[gauge]
thresholds = ["3.5 V", "3.6 V", "3.7 V", "3.75 V", "3.8 V", "3.9 V", "4.0 V"]
every = "{sample} ms"
low = "3.55 V"
[buttons.key]
debounce = "20 ms"

[behaviour.heart]
starts = "beat"
states.beat = {{}}
rows = [ {{ after = "{beat} ms", from = "beat", to = "beat", emit = "heart.tick" }} ]
[behaviour.light]
starts = "off"
states.off = {{}}
states.on = {{ lamp = "on", controller = "{controller}" }}
rows = [
  {{ on = "heart.tick", from = "off", to = "on", when = "mode.loud" }},
  {{ on = "heart.tick", from = "on", to = "off" }},
  {{ on = "cell.low", from = "on", to = "off" }},
]
[behaviour.count]
starts = "c0"
{states}
rows = [
{rows}
]
[behaviour.flag]
starts = "down"
states.down = {{}}
states.up = {{ flag = "on" }}
rows = [
  {{ on = "round", from = "down", to = "up" }},
  {{ after = "{up} ms", from = "up", to = "down" }},
]
[behaviour.wink]
starts = "out"
states.out = {{}}
states.lit = {{ spot = "on" }}
rows = [
  {{ after = "{out} ms", from = "out", to = "lit" }},
  {{ after = "30 ms", from = "lit", to = "out" }},
]
[behaviour.mode]
starts = "loud"
states.loud = {{}}
states.quiet = {{}}
rows = [
  {{ on = "key.press", from = "loud", to = "quiet" }},
  {{ on = "key.press", from = "quiet", to = "loud" }},
  {{ after = "47 min", from = "quiet", to = "loud" }},
]
"""

PLAY = """
[[habits]]
name = "play"
times = 20
steps = [ { press = "key", for = "300 ms" } ]
"""


def ticks(
    *, count: int = 3, beat: int = 400, up: int = 150, out: int = 970, sample: int = 1000,
    capacity: float = 20.0, controller: str = "asleep",
) -> str:
    """A heart that a light and a counter hear, a flag at each round of it, and a wink alone."""
    states = "\n".join(f"states.c{n} = {{}}" for n in range(count))
    rows = "\n".join(
        f'  {{ on = "heart.tick", from = "c{n}", to = "c{(n + 1) % count}"'
        + (', emit = "round" },' if n == count - 1 else " },")
        for n in range(count)
    )
    return TICKS.format(beat=beat, up=up, out=out, sample=sample, capacity=capacity,
                        controller=controller, states=states, rows=rows)


def lives_as_it_runs(made: Pattern, hours: int, *, fast: bool = False) -> int:
    """States to the nanosecond but where the charge decides, the charge within 5 in a million.

    Returns in how many instants.
    """
    user = ready(made, fast=fast)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    until = hours * HOUR_NS
    run = run_beside(user, stimuli, until)
    world = user.world
    assert world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=5e-6)
    assert world.f[k.USED] == pytest.approx(run.charge_used_c, rel=1e-5)
    for use in run.states:
        region = user.layout.region_id[use.region]
        if region in user.layout.tracked and use.region != "wink":
            assert spent_ns(user, use.region, use.state) == pytest.approx(
                use.time_ns, abs=3 * 10**9), use
    return int(world.i[k.INSTANTS])


@pytest.mark.parametrize(
    ("count", "beat", "up", "out", "sample", "capacity", "controller"),
    [
        (3, 400, 150, 970, 1000, 20.0, "asleep"),
        (5, 250, 100, 1234, 3000, 1.5, "awake"),
        (2, 500, 240, 170, 1500, 3.0, "awake"),
    ],
)
def test_periods_gone_in_one_step_are_those_gone_one_by_one(
    tmp_path: Path, count: int, beat: int, up: int, out: int, sample: int, capacity: float,
    controller: str,
) -> None:
    """Presses, bars that go out, a time-out of its own and the protection come in between."""
    text = ticks(count=count, beat=beat, up=up, out=out, sample=sample, capacity=capacity,
                 controller=controller)
    made = pattern(tmp_path, text, head() + PLAY)
    worlds = []
    for least in (cycling.LEAST_PERIODS, 1 << 60):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(cycling, "LEAST_PERIODS", least)
            user = ready(made)
            stimuli, _ = user.stimuli(0, DAY_NS)
            user.go(stimuli, HOUR_NS // 4)
            worlds.append(user.world)
    folded, stepped = worlds
    # Which samples of the gauge fall on a beat is as in the period that was watched: 50 nC each.
    assert folded.f[k.CHARGE] == pytest.approx(stepped.f[k.CHARGE], abs=1e-7)
    assert folded.f[k.USED] == pytest.approx(stepped.f[k.USED], rel=2e-6)
    assert sum(folded.spent) == sum(stepped.spent)
    regions = [r for r in user.layout.tracked if user.layout.regions[r].name != "wink"]
    for r in regions:
        places = slice(user.layout.offset[r], user.layout.offset[r + 1])
        # A mark of the charge is passed to the time in which rounding is drawn.
        assert folded.spent[places] == pytest.approx(stepped.spent[places], abs=10**7)
    assert 5 * folded.i[k.INSTANTS] < stepped.i[k.INSTANTS]


@pytest.mark.parametrize("fast", [False, True])
def test_a_day_of_ticks_takes_some_thousand_instants(tmp_path: Path, fast: bool) -> None:
    """2.5 beats a second are 216,000 a day, and the samples of the gauge besides."""
    if fast:
        pytest.importorskip("numba")
    made = pattern(tmp_path, ticks(capacity=500), head() + PLAY)
    assert lives_as_it_runs(made, 24, fast=fast) < 20_000


def test_a_life_of_ticks_is_worked_out_as_it_stands(tmp_path: Path) -> None:
    """The ticker of the gallery: 4.603 mA, 1000 mAh, 217 h, in fewer instants than an hour has."""
    (tmp_path / "pattern.toml").write_text(
        f'gadget = "{GALLERY}/ticker/gadget.toml"\ncharge = "100 %"\nhorizon = "30 days"\n',
        encoding="utf-8")
    made = load_pattern(tmp_path / "pattern.toml")
    user = ready(made)
    found = user.whole()
    assert found.days == pytest.approx(1000 / 4.603 / 24, rel=1e-4)
    assert user.world.i[k.INSTANTS] < 10_000
    assert gather(made, 1, 0, fast=False).average_current_a == pytest.approx(4.603e-3, rel=1e-5)
