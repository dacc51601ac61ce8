"""The hot loop against the simulator, closed forms and itself compiled."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest

from simfw.circuit.infrared import catch_probability
from simfw.engine.simulator import simulate
from simfw.errors import EndlessInstant
from simfw.life import registers as k
from simfw.life.arithmetic import QUARTER_NS, QUARTERS, lay
from simfw.life.drawing import warmths
from simfw.life.held import held
from simfw.life.layout import Layout
from simfw.life.life import life
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.user import Life, UserLife, live
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS, Pattern
from simfw.stimuli.scenario import Scenario, Usb
from tests.examples import life_outputs, same
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import CHARGER, EVENING, SENSOR, head, lamp, pattern

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def ready(made: Pattern, user: int = 0, *, fast: bool = False) -> Life:
    """A user of a pattern with nominal parts, at the start."""
    assert made.gadget is not None
    store = Store(Layout(made, made.gadget, warmths(made)[0]), fast)
    return Life(made, store, PartTables(store, made.gadget), 1, user)


def alone(made: Pattern, user: int = 0, *, fast: bool = False) -> UserLife:
    """The whole life of one user with nominal parts."""
    assert made.gadget is not None
    store = Store(Layout(made, made.gadget, warmths(made)[0]), fast)
    return live(made, store, PartTables(store, made.gadget), 1, user)


@pytest.mark.parametrize(
    ("name", "charge", "hours"),
    [
        ("larder-lamp/household.toml", 1.0, 13),
        ("larder-lamp/household.toml", 0.3, 13),
        ("larder-lamp/household.toml", 0.6, 60),  # comes back to the level used last
        ("key-hook/comings-and-goings.toml", 0.5, 60),
        ("cellar-steps/potatoes.toml", 0.8, 60),  # sampled buttons, a chord, a blink
        ("cellar-steps/potatoes.toml", 0.2, 30),  # with a bar that goes out
    ],
)
def test_loop_agrees_with_the_simulator(name: str, charge: float, hours: int) -> None:
    """Same stimuli, same states and bars to the nanosecond; the charge drawn within 5e-6."""
    made = dataclasses.replace(load_pattern(SCENARIOS / name), charge=charge)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    until = hours * 3600 * 10**9
    run = run_beside(user, stimuli, until)
    drawn = charge - user.world.f[k.CHARGE]
    assert drawn == pytest.approx(charge - run.end_charge, rel=5e-6)
    assert user.world.f[k.USED] == pytest.approx(run.charge_used_c, rel=2e-5)
    if user.world.i[k.PLUGS] == 0:  # nothing else gave: what the cell lost is what was used
        capacity_c = user.layout.gadget.cell.capacity.value
        assert user.world.f[k.USED] == pytest.approx(drawn * capacity_c, rel=1e-9)
    for use in run.states:
        followed = {*made.gadget.behaviour, "gauge"}  # type: ignore[union-attr]
        if use.region in followed - {"night", "lamp_mode"}:
            assert spent_ns(user, use.region, use.state) == use.time_ns
    waves = sum(event.name == "wave.wave" for event in run.events)
    assert sum(user.world.caught) == waves


def test_charging_agrees_with_the_simulator(tmp_path: Path) -> None:
    """Plugged in from nearly empty: precharge, taper, end and use while charging, within 1e-3."""
    made = pattern(tmp_path, lamp(more=CHARGER, cell='resistance = "200 mΩ"'),
                   head(charge="20 %") + EVENING + """
[[habits]]
name = "plug"
at = "06:00"
steps = [ { usb = true }, { wait = "9 h" }, { usb = false } ]
""")
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    for hours in (8, 12, 23):
        until = hours * 3600 * 10**9
        run = run_beside(user, stimuli, until)
        assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=1e-3)


def test_charge_time_is_that_of_the_simulator() -> None:
    """From empty until the charger ends, with nobody touching the gadget, within 1e-4."""
    gadget = load_pattern(SCENARIOS / "larder-lamp/household.toml").gadget
    assert gadget is not None
    found = held(gadget).charge_time_s
    left = Scenario(charge=0.01, lasts_ns=60 * DAY_NS, steps=(), gadget=gadget)
    opened = simulate(gadget, left, trace=False).empty_at_ns
    assert opened is not None
    empty = simulate(gadget, dataclasses.replace(left, lasts_ns=opened), trace=False).end_charge
    plugged = Scenario(charge=empty, lasts_ns=4 * 3600 * 10**9, gadget=gadget,
                       steps=(Usb(at_ns=0, present=True),))
    run = simulate(gadget, plugged, trace=False)
    ends = [event.time_ns for event in run.events if event.name == "charge.completed"]
    assert found == pytest.approx(ends[0] * 1e-9, rel=1e-4)


def test_habit_lasts_as_the_closed_form_says(tmp_path: Path) -> None:
    """One hour of light a day: days = capacity / (idle for 24 h + light for 1 h)."""
    made = pattern(tmp_path, lamp().replace('cut_off = "3.0 V"', "").replace(
        'restart = "3.2 V"', ""), head() + EVENING)
    found = life(made, users=5, study=False)
    assert found.mean_days == pytest.approx(500.0 / (0.05 * 24 + 20.0), rel=0.03)
    assert found.error_days == 0.0
    # To the hour: after n whole evenings the rest goes at the rate of the hour that comes.
    spent, hour = 0.0, 0
    while spent < 500.0:
        spent += 0.05 + (20.0 if hour % 24 == 19 else 0.0)
        hour += 1
    assert found.mean_days == pytest.approx(hour / 24.0, abs=1.0 / 24.0)


@pytest.mark.parametrize(("every_ms", "agree", "wave_ms"), [(250, 1, 100), (200, 2, 300)])
def test_waves_are_caught_as_often_as_the_closed_form_says(
    tmp_path: Path, every_ms: int, agree: int, wave_ms: int
) -> None:
    """Hands at random moments: the share caught is that of a random phase, within 4 deviations."""
    made = pattern(tmp_path, SENSOR.format(every=f"{every_ms} ms", agree=agree),
                   head(horizon="2 days") + f"""
[[habits]]
name = "waving"
each = "day"
times = 600
steps = [ {{ wave = "wave", distance = "10 cm", for = "{wave_ms} ms" }} ]
""")
    user = ready(made)
    stimuli, _ = user.stimuli(0, 2 * DAY_NS)
    user.go(stimuli, 2 * DAY_NS)
    waves = user.world.waves[0]
    wanted = catch_probability(wave_ms * 1e-3, every_ms * 1e-3, agree)
    spread = math.sqrt(wanted * (1 - wanted) / waves)
    assert user.world.caught[0] / waves == pytest.approx(wanted, abs=4 * spread + 0.005)


def test_hand_out_of_range_is_missed() -> None:
    """A hand too far away for the echo is never caught, a near one is."""
    made = load_pattern(SCENARIOS / "larder-lamp/household.toml")
    for distance, share in ((0.1, 0.0), (4.0, 1.0)):
        step = dataclasses.replace(
            made.habits[0].steps[0],
            distance_m=dataclasses.replace(made.habits[0].steps[0].distance_m,
                                           low=distance, high=distance),
        )
        one = dataclasses.replace(made.habits[0], steps=(step,))
        user = ready(dataclasses.replace(made, habits=(one,)))
        stimuli, _ = user.stimuli(0, DAY_NS)
        user.go(stimuli, DAY_NS)
        waves = user.world.waves[0]
        assert waves > 0
        assert 1 - user.world.caught[0] / waves == share


def test_charging_habit_begins_when_its_condition_comes_true(tmp_path: Path) -> None:
    """`when = "gauge <= 1"` plugs in once the bar has gone, again and again."""
    made = pattern(tmp_path, lamp(more=CHARGER, current="60 mA"),
                   head(horizon="60 days") + EVENING + """
[[habits]]
name = "charge"
when = "gauge <= 1"
steps = [ { usb = true }, { wait = "8 h" }, { usb = false } ]
""")
    found = alone(made)
    assert found.spans >= 8
    assert found.plugs == found.spans
    assert found.emptied == 0
    assert found.days == pytest.approx(60 / 10, rel=0.4)


def test_days_between_charges_do_not_hang_on_the_charge_of_the_start(tmp_path: Path) -> None:
    """What comes before the first charge is no span: from full, half and little the same days.

    200 mAh less the bar that is left (the gauge turns at 3.6 V, somewhat below a tenth), by 24 h of
    60 mA in a month: charged about once in half a year, longer than the horizon.
    """
    charge = """
[[habits]]
name = "charge"
when = "gauge <= 0"
steps = [ { usb = true }, { wait = "8 h" }, { usb = false } ]
"""
    text = lamp(capacity="200 mAh", more=CHARGER, current="4 mA")
    found = [
        life(pattern(tmp_path, text, head(horizon="10 days", charge=start) + EVENING + charge),
             users=1, study=False)
        for start in ("100 %", "50 %", "20 %")
    ]
    days = [one.mean_days for one in found]
    assert days[0] is not None
    assert days[0] > 20
    assert days[1:] == pytest.approx([days[0]] * 2, abs=1.0)
    for one in found:
        assert 365.25 / one.charges_per_year == pytest.approx(days[0] + 8 / 24, abs=1.0)


def test_who_never_charges_has_days_from_a_full_cell_only(tmp_path: Path) -> None:
    """A habit that never plugs in: from full the days until empty, from half no whole span."""
    never = """
[[habits]]
name = "never"
each = "day"
at = "12:00"
when = "lamp.lit"
steps = [ { usb = true }, { wait = "2 h" }, { usb = false } ]
"""
    text = lamp(capacity="100 mAh", more=CHARGER)
    full, half = (
        alone(pattern(tmp_path, text, head(horizon="1 day", charge=start) + EVENING + never))
        for start in ("100 %", "50 %")
    )
    assert full.days == pytest.approx(100 / 21.2, abs=1.0)
    assert (half.days, half.spans, half.emptied) == (None, 0, 1)


def test_gated_habit_happens_only_while_its_condition_holds(tmp_path: Path) -> None:
    """With `each` and `when`, the condition is asked at the drawn moment."""
    gated = EVENING.replace('at = "19:00"', 'at = "19:00"\nwhen = "lamp.lit"')
    made = pattern(tmp_path, lamp(), head() + gated)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    user.go(stimuli, 5 * DAY_NS)
    assert user.world.i[k.ASKED] == 0
    made = pattern(tmp_path, lamp(), head() + gated.replace("lamp.lit", "lamp.dark"))
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    user.go(stimuli, 5 * DAY_NS)
    assert user.world.i[k.ASKED] == 10


def test_stimuli_reach_over_the_end_of_a_stretch(tmp_path: Path) -> None:
    """A habit that begins in one stretch of days goes on in the next."""
    long = EVENING.replace('wait = "1 h"', 'wait = "100 h"')
    long = long.replace("at =", 'each = "monday"\nat =')
    made = pattern(tmp_path, lamp(current="1 mA"), head(horizon="70 days") + long)
    found = alone(made)
    layout = ready(made).layout
    lit = layout.offset[layout.region_id["lamp"]] + 1
    assert found.spent_ns[lit] / found.total_ns == pytest.approx(100 / 168, rel=0.1)


def test_holidays_leave_the_gadget_alone(tmp_path: Path) -> None:
    """Nobody presses while away; without holidays there are more presses."""
    quiet = '[[holidays]]\nname = "away"\ntimes = 3\nlasts = "30 days"\n'
    asked = []
    for more in ("", quiet):
        made = pattern(tmp_path, lamp(current="1 mA"), head(horizon="1 year") + EVENING + more)
        found = alone(made)
        asked.append(found.asked / (found.total_ns / DAY_NS))
    assert asked[0] == pytest.approx(2.0, rel=0.01)
    assert 1.2 < asked[1] < 1.9


def test_seasons_change_the_cells_resistance(tmp_path: Path) -> None:
    """A cold winter raises a resistance that hangs on temperature, and the cut-off comes sooner."""
    cell = ('resistance = "5 Ω"\nresistance_at_temperature = '
            '["30 Ω @ -10 degC", "5 Ω @ 25 degC"]')
    days = []
    for season in ("", '[season]\nmean = "0 degC"\nswing = "10 degC"\n'):
        made = pattern(tmp_path, lamp(cell=cell, current="30 mA"), head() + EVENING + season)
        days.append(life(made, users=1, study=False).mean_days)
    assert days[0] is not None
    assert days[1] is not None
    assert days[1] < days[0]


@pytest.mark.filterwarnings("ignore::simfw.errors.GadgetWarning")
def test_endless_instant_is_an_error(tmp_path: Path) -> None:
    """Rows that chase each other without time passing are named."""
    more = """
[behaviour.loop]
starts = "a"
states.a = {}
states.b = {}
rows = [
  { on = "key.click", from = "a", to = "b", emit = "ping" },
  { on = "ping", from = "b", to = "a", emit = "pong" },
  { on = "pong", from = "a", to = "b", emit = "ping" },
]
"""
    made = pattern(tmp_path, lamp(more=more), head() + EVENING)
    with pytest.raises(EndlessInstant, match=r"loop.rows\[2\] -> behaviour.loop.rows\[1\]"):
        alone(made)


def test_compiled_and_plain_loop_agree_to_the_last_digit(tmp_path: Path) -> None:
    """With numba the same functions give the same lives: charging, gated habits, years, waves."""
    pytest.importorskip("numba")
    made = pattern(tmp_path, lamp(more=CHARGER, current="60 mA"),
                   head(horizon="20 days") + EVENING + """
[[habits]]
name = "charge"
when = "gauge <= 1"
steps = [ { usb = true }, { wait = "3 h .. 9 h" }, { usb = false } ]
[[habits]]
name = "now and then"
each = "day"
times = "mean 3"
when = "lamp.dark"
steps = [ { press = "key", for = "100 ms .. 300 ms" } ]
""")
    assert alone(made, 3) == alone(made, 3, fast=True)
    # Beyond 2^53 ns, or 104 days: whole numbers of nanoseconds that no real holds exactly.
    made = dataclasses.replace(load_pattern(SCENARIOS / "key-hook/comings-and-goings.toml"),
                               horizon_ns=130 * DAY_NS)  # fmt: skip
    assert alone(made, 1) == alone(made, 1, fast=True)
    made = dataclasses.replace(load_pattern(SCENARIOS / "larder-lamp/household.toml"), charge=0.3)
    lives = [ready(made, 2, fast=fast) for fast in (False, True)]
    for user in lives:
        user.go(user.stimuli(0, 56 * DAY_NS)[0], 6 * DAY_NS)
    plain, fast = (
        {name: list(values) for name, values in user.world._asdict().items()} for user in lives
    )
    assert plain == fast


@pytest.mark.parametrize("name", ["larder-lamp/household", "key-hook/comings-and-goings"])
def test_compiled_loop_gives_the_expected_outputs(name: str) -> None:
    """A whole study, compiled, prints what the plain one does; JSON agrees within 1e-9."""
    pytest.importorskip("numba")
    for path, text in life_outputs(SCENARIOS / f"{name}.toml", fast=True).items():
        kept = path.read_text(encoding="utf-8")
        if path.suffix == ".json":
            same(json.loads(text), json.loads(kept))
        else:
            assert text == kept


def test_heat_adds_up_to_what_was_drawn(tmp_path: Path) -> None:
    """The charge over the quarters of the week is all the charge there was."""
    found = alone(pattern(tmp_path, lamp(), head() + EVENING))
    assert sum(found.heat_c) == pytest.approx(found.used_c, rel=1e-9)
    by_hour = np.array(found.heat_c).reshape(7, 24, 4).sum(axis=(0, 2))
    assert int(by_hour.argmax()) == 19


@pytest.mark.parametrize(("start", "lasts"), [
    (0, 1), (7, QUARTER_NS), (3 * QUARTER_NS, QUARTER_NS), (5, QUARTERS * QUARTER_NS),
    (QUARTER_NS, QUARTERS * QUARTER_NS), (QUARTER_NS - 1, 3 * QUARTERS * QUARTER_NS + 2),
    (9 * QUARTERS * QUARTER_NS + 11, 2 * QUARTERS * QUARTER_NS + 17 * QUARTER_NS),
    ((QUARTERS - 2) * QUARTER_NS, 5 * QUARTER_NS),
])  # fmt: skip
def test_a_charge_is_spread_over_the_week_as_its_time_is(start: int, lasts: int) -> None:
    """Each quarter of an hour gets the share of the time that falls into it, of any week."""
    heat = [0.0] * QUARTERS
    spread = np.zeros(QUARTERS)
    lay(spread, start, start + lasts, 3.0)
    first, last = start // QUARTER_NS, (start + lasts - 1) // QUARTER_NS
    for quarter in range(first, last + 1):
        within = min(start + lasts, (quarter + 1) * QUARTER_NS) - max(start, quarter * QUARTER_NS)
        heat[quarter % QUARTERS] += 3.0 * within / lasts
    assert spread == pytest.approx(heat, rel=1e-12)
