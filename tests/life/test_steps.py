"""The pieces of the hot loop, and rare steps: each against the engine or worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.engine.clock import Clock
from simfw.engine.simulator import simulate
from simfw.errors import EndlessInstant, UsageError
from simfw.life import registers as k
from simfw.life.arithmetic import advance, answers, piece
from simfw.life.columns import Column, Hashed
from simfw.life.drawing import POOL
from simfw.life.grid import grid_of
from simfw.life.layout import MODES, Layout
from simfw.life.learning import Comb, Learner, Question
from simfw.life.life import life
from simfw.life.user import ABANDONED_DAYS
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS, Pattern
from tests.life.beside_run import as_scenario, run_beside, spent_ns
from tests.life.made import CHARGER, EVENING, SENSOR, head, lamp, pattern
from tests.life.test_loop import SCENARIOS, alone, ready

HOUR_NS = 3600 * 10**9


def buckets(grid: np.ndarray) -> list[int]:
    """The index of a grid, as `PartTables` makes it."""
    at = np.searchsorted(grid, np.arange(k.BUCKETS + 1) / k.BUCKETS, side="right") - 1
    at[-1] = len(grid) - 2
    return at.tolist()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-2e-4, 2e-4).filter(lambda f: abs(f) > 1e-9), min_size=5, max_size=5),
    st.floats(0.0, 1.0), st.floats(0.1, 1e6),
)
def test_charge_advances_like_the_charge_clock(
    rates: list[float], charge: float, time_s: float
) -> None:
    """Any piecewise linear rate, through nodes and towards rests: as the engine has it."""
    grid = np.array([0.0, 0.013, 0.2, 0.71, 1.0])
    clock = Clock(grid, -np.array([rates]), np.zeros(5), np.linspace(3.0, 4.0, 5), 1.0)
    wanted = clock.advance(charge, time_s, None)
    reached, passed = advance(
        grid.tolist(), buckets(grid), rates, 0, charge, time_s, -1.0, 2.0, 0.0
    )
    assert wanted is not None
    assert passed == time_s
    assert reached == pytest.approx(charge + wanted, abs=1e-9)


def test_charge_stops_at_a_bound_in_the_right_time() -> None:
    """At a steady rate the time to a bound is distance by rate; no rate, no change."""
    grid = [0.0, 0.5, 1.0]
    index = buckets(np.array(grid))
    for rate, low, high, end in ((-1e-3, 0.3, 2.0, 0.3), (1e-3, -1.0, 0.9, 0.9)):
        reached, passed = advance(grid, index, [rate] * 3, 0, 0.6, 1e4, low, high, 0.0)
        assert reached == end
        assert passed == pytest.approx((end - 0.6) / rate)
    assert advance(grid, index, [0.0] * 3, 0, 0.6, 9.0, -1.0, 2.0, 0.0) == (0.6, 9.0)
    # Away from a rest that pushes off so hard that no number holds it: to the end of the grid.
    assert advance(grid, index, [-9.0, 0.001, 9.0], 0, 0.6, 1e4, -1.0, 2.0, 0.0)[0] == 1.0
    assert advance(grid, index, [-1.0] * 3, 0, 0.0, 5.0, -1.0, 2.0, 0.0) == (0.0, 5.0)


def test_pieces_and_ranges_hold_beyond_their_ends() -> None:
    """Beyond the tables the outermost piece counts; without a range everything is answered."""
    grid = np.array([0.0, 0.001, 0.4, 1.0])
    found = [piece(grid.tolist(), buckets(grid), s) for s in (-0.1, 0.0, 0.0009, 0.001, 0.4, 1.2)]
    assert found == [0, 0, 0, 1, 2, 2]
    reach = [0.1 + 0.01 * n for n in range(k.RANGE_NODES)]
    assert answers(reach, 0, 0.1, 0.0)
    assert not answers(reach, 0, 0.11, 0.0)
    assert answers(reach, 0, 0.1 + 0.01 * (k.RANGE_NODES - 1), 99.0)
    assert answers([-1.0] * k.RANGE_NODES, 0, 99.0, 3.0)


def test_grid_has_the_curve_and_enough_between() -> None:
    """Every point of the curve, no wide gaps, and not more than is of use of a dense curve."""
    curve = np.array([0.0, 0.3, 0.31, 1.0])
    grid = grid_of(curve)
    assert set(curve) <= set(grid.tolist())
    assert np.diff(grid).min() > 0.0
    assert np.diff(grid).max() <= 1 / 120 + 1e-12
    assert np.diff(grid[grid <= 0.05]).max() <= 1 / 800 + 1e-12
    assert len(grid_of(np.linspace(0.0, 1.0, 50_001))) < 1200


def test_columns_and_tables_grow_alike_as_arrays_and_lists() -> None:
    """What is added is there, however often room is made."""
    rng = np.random.default_rng(1)
    for fast in (False, True):
        column = Column(fast, real=True, start=[0.5])
        table = Hashed(fast)
        for n in range(300):
            column.extend(np.full(n % 5, float(n)) if n % 2 else [float(n)] * (n % 5))
            column.append(float(-n))
            table.put(int(rng.integers(1 << 50)), n)
        assert len(column) == 1 + sum(n % 5 + 1 for n in range(300))
        assert float(column.data[len(column) - 1]) == -299.0
        column.put(0, 7.0)
        assert float(column.data[0]) == 7.0
        key = next(iter(table.known))
        table.put(key, 4711)
        assert sum(int(value) == 4711 for value in table.values) == 1


def compare(made: Pattern, hours: int, drawn_abs: float = 1e-6) -> None:
    """One user against the simulator: states to the nanosecond, the charge nearly so."""
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    until = hours * HOUR_NS
    run = run_beside(user, stimuli, until)
    assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=drawn_abs)
    for use in run.states:
        region = user.layout.region_id[use.region]
        if user.layout.regions[region].group == "behaviour":
            # Where a mark of the charge decides, to the time in which a hair of it is drawn.
            assert spent_ns(user, use.region, use.state) == pytest.approx(
                use.time_ns, abs=30 * 10**9)


READS = """
[behaviour.guard]
starts = "low"
states.low = {}
states.high = {}
rows = [
  { on = "key.click", from = "low", to = "high", when = "cell.charge >= 0.4 and lamp > 0" },
  { on = "key.click", from = "high", to = "low", when = "3.7 > cell.voltage" },
]
"""


def test_guards_on_charge_and_levels_are_as_in_the_simulator(tmp_path: Path) -> None:
    """Rows that read the charge, a voltage on the right hand side, and an output."""
    made = pattern(tmp_path, lamp(current="60 mA", more=READS), head(charge="60 %") + EVENING)
    compare(made, 4 * 24)


@pytest.mark.parametrize("without", [(), ("restart",), ("cut_off", "restart")])
def test_power_lost_and_given_back_is_as_in_the_simulator(
    without: tuple[str, ...], tmp_path: Path
) -> None:
    """Run empty, plugged in while the protection is open, unplugged, plugged in again when full.

    With the thresholds of the protection and without: then the charger alone brings it back.
    """
    gadget = lamp(current="200 mA", cell='resistance = "200 mΩ"',
                  more=CHARGER.replace(
                      'finish = "10 %"',
                      'finish = "10 %"\nprecharge = { below = "3.1 V", rate = "10 %" }\n'
                      'recharge = "4.1 V"\nstatus = "low while charging"'))
    kept = [line for line in gadget.splitlines() if not line.startswith(without)]
    made = pattern(
        tmp_path, "\n".join(kept),
        head(charge="10 %") + EVENING + """
[[habits]]
name = "plug"
at = "22:00"
steps = [ { usb = true }, { wait = "9 h" }, { usb = false } ]
""")
    compare(made, 70, drawn_abs=2e-4)


def test_a_charge_that_starts_again_begins_as_in_the_simulator(tmp_path: Path) -> None:
    """The cell rests above the float voltage; the lamp takes it below `recharge` and `below` both.

    With the full current the terminal would stand above `below`, so that which one begins stays.
    """
    text = lamp(current="60 mA", cell='resistance = "10 Ω"', more='''
[charger]
current = "20 mA"
float = "3.9 V"
finish = "10 %"
recharge = "3.8 V"
precharge = { below = "3.5 V", rate = "10 %" }
''')
    made = pattern(tmp_path, text, head(charge="85 %") + EVENING + """
[[habits]]
name = "plug"
at = "01:00"
steps = [ { usb = true }, { wait = "23 h" }, { usb = false } ]
""")
    compare(made, 23)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    run = simulate(user.layout.gadget, as_scenario(user, stimuli, 23 * HOUR_NS))
    modes = {part.loads.charger for part in run.intervals if part.levels[0] > 0.0}
    assert modes == {"precharge"}


def test_full_cell_that_is_plugged_in_is_complete_at_once(tmp_path: Path) -> None:
    """At 100 % the charger ends in the instant in which it begins."""
    made = pattern(tmp_path, lamp(more=CHARGER), head() + """
[[habits]]
name = "plug"
at = "00:00"
steps = [ { usb = true }, { wait = "1 h" }, { usb = false } ]
""")
    user = ready(made)
    user.go(user.stimuli(0, DAY_NS)[0], HOUR_NS // 2)
    assert user.world.i[k.FULL_AT] == 0
    assert user.world.i[k.PLUGS] == 1


def test_steady_hand_is_as_in_the_simulator() -> None:
    """A hand that stays for an hour, and one that stays away: looks go on with and without."""
    made = load_pattern(SCENARIOS / "larder-lamp/household.toml")
    step = made.habits[0].steps[0]
    long = replace(step, for_ns=replace(step.for_ns, low=50 * 60e9, high=70 * 60e9))
    at = replace(made.habits[0], times=replace(made.habits[0].times, low=1, high=1),
                 steps=(long,))
    compare(replace(made, habits=(at,), charge=0.5), 20, drawn_abs=1e-5)


def test_habit_that_always_wants_begins_once_a_day_but_not_on_holidays(tmp_path: Path) -> None:
    """A condition that stays true starts its habit again a day later, beyond what is prepared."""
    always = """
[[habits]]
name = "always"
when = "not key.closed"
steps = [ { press = "key", for = "200 ms" } ]
"""
    asked = []
    for more in ("", '[[holidays]]\nname = "away"\ntimes = 3\nlasts = "20 days"\n'):
        made = pattern(tmp_path, lamp(current="10 uA"), head(horizon="1 day") + always + more)
        user = ready(made)
        for number in range(3):
            until = (number + 1) * 56 * DAY_NS
            stimuli, left = user.stimuli(number, until)
            user.go(stimuli, until)
            user._carry(stimuli, left)
        asked.append(user.world.i[k.ASKED])
    assert asked[0] == pytest.approx(3 * 56, abs=1)
    assert asked[0] > POOL
    assert asked[1] < asked[0]


def test_gadget_left_empty_is_given_up(tmp_path: Path) -> None:
    """Nobody plugs in: the span ends when the protection opened, some weeks after are enough."""
    text = lamp(current="60 mA", more=CHARGER)
    made = pattern(tmp_path, text, head(horizon="1 day") + EVENING + """
[[habits]]
name = "never"
each = "monday"
at = "12:00"
when = "lamp.lit"
steps = [ { usb = true }, { wait = "2 h" }, { usb = false } ]
""")
    found = alone(made)
    assert found.plugs == 0
    assert found.emptied == 1
    assert found.days == pytest.approx(500 / (60 + 0.05 * 24), rel=0.15)
    assert found.total_ns / DAY_NS < found.days + ABANDONED_DAYS + 2 * 56


@pytest.mark.parametrize(
    ("cell", "more", "charge", "found"),
    [
        # Without load the cell rests above `restart`, the state at power-up takes it to `cut_off`.
        ('resistance = "20 Ω"', "", "50 %", "the protection opens -> the protection closes"),
        # The load takes the terminal below `recharge`; at 100 % the charger feeds it alone, with
        # less than `finish`, and ends at once.
        ('resistance = "1 Ω"',
         CHARGER.replace('finish = "10 %"', 'recharge = "4.19 V"\nfinish = "80 %"'), "100 %",
         "the charger stops -> the charger starts"),
    ],
)
def test_switching_without_end_is_an_error(
    tmp_path: Path, cell: str, more: str, charge: str, found: str
) -> None:
    """Protection or charger that chase themselves are named."""
    text = lamp(current="60 mA", cell=cell, more=more).replace('starts = "dark"', 'starts = "lit"')
    plug = '[[habits]]\nname = "p"\nat = "01:00"\nsteps = [ { usb = true }, { wait = "1 h" } ]\n'
    made = pattern(tmp_path, text, head(charge=charge) + (plug if more else EVENING))
    with pytest.raises(EndlessInstant, match=found):
        alone(made)


def test_gate_that_reads_the_cell_is_refused(tmp_path: Path) -> None:
    """Bars shown by voltage alone cannot be told in advance."""
    more = CHARGER + 'light = "bars"\nshow = "cell.voltage > 3.5"\n[lights.bars]\nleds = 2\n' \
        'segments = true\nforward = ["2 V @ 2 mA", "2.2 V @ 10 mA"]\nresistor = "1k"\n'
    made = pattern(tmp_path, lamp(more=more), head() + EVENING)
    with pytest.raises(UsageError, match="over a pattern it may read"):
        ready(made)


def test_resting_sensor_counts_its_wakes(tmp_path: Path) -> None:
    """Wake-up charges of looks that rest: the mean of so many a second."""
    controller = '[controller]\nwake = "40 uC"\nasleep = "1 uA"\n'
    made = pattern(tmp_path, SENSOR.format(every="500 ms", agree=1) + controller,
                   head(charge="80 %"))
    user = ready(made)
    user.go(user.stimuli(0, DAY_NS)[0], DAY_NS)
    run = simulate(user.layout.gadget, as_scenario(user, user.stimuli(0, 0)[0], DAY_NS),
                   trace=False)
    assert user.world.f[k.USED] == pytest.approx(run.charge_used_c, rel=1e-5)
    assert user.world.f[k.USED] > 86400 * 80e-6


def test_sample_of_the_gauge_reads_what_is_drawn_at_its_time(tmp_path: Path) -> None:
    """Samples fall on the start of every eighth look, whose receiver draws 20 mA: bars as there."""
    folder = SCENARIOS / "larder-lamp"
    text = (folder / "gadget.toml").read_text(encoding="utf-8")
    text = text.replace('supply = { value = "0.37 mA"', 'supply = { value = "20 mA"')
    made = pattern(tmp_path, text, (folder / "household.toml").read_text(encoding="utf-8"))
    user = ready(replace(made, charge=0.6))
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    until = 24 * HOUR_NS
    run = run_beside(user, stimuli, until)
    bars = {use.state: use.time_ns for use in run.states if use.region == "gauge"}
    assert sum(time > 0 for time in bars.values()) > 1
    assert all(spent_ns(user, "gauge", state) == time for state, time in bars.items())


LONG = """
[behaviour.wheel]
starts = "s0"
{states}
rows = [
{rows}
]
"""


def wheel(count: int, row: str) -> str:
    """A region with `count` states in a ring; `row` is what leads from each to the next."""
    return LONG.format(
        states="\n".join(f'states.s{n} = {{ lamp = "{n % 100} %" }}' for n in range(count)),
        rows="\n".join(f'  {{ {row}, from = "s{n}", to = "s{(n + 1) % count}" }},'
                       for n in range(count)),
    )


@pytest.mark.parametrize("row", ['on = "key.press"', 'after = "200 ms"'])
def test_a_region_with_many_states_is_lived_as_it_is_run(tmp_path: Path, row: str) -> None:
    """States are numbers, not bits: beyond 64 the times in each state stay those of the engine."""
    made = pattern(tmp_path, lamp(more=wheel(90, row)), head(horizon="2 days") + """
[[habits]]
name = "play"
times = 100
steps = [ { press = "key", for = "200 ms" } ]
""")
    user = ready(made)
    stimuli, _ = user.stimuli(0, 2 * DAY_NS)
    until = 30 * HOUR_NS
    run = run_beside(user, stimuli, until)
    region = user.layout.region_id["wheel"]
    spent = {use.state: use.time_ns for use in run.states if use.region == "wheel"}
    for state in user.layout.state_id[region]:
        assert spent_ns(user, "wheel", state) == pytest.approx(
            spent.get(state, 0), abs=(0 if "press" in row else 200_000_000))
    assert len([time for time in spent.values() if time]) == 90
    assert 1.0 - user.world.f[k.CHARGE] == pytest.approx(1.0 - run.end_charge, rel=5e-6)


def test_too_many_regions_or_waiting_habits_are_told_with_their_number(tmp_path: Path) -> None:
    """What there is, what is allowed; habits with a time of their own do not count."""
    regions = "\n".join(
        f'[behaviour.r{n}]\nstarts = "a"\nstates.a = {{}}\nrows = []' for n in range(70))
    with pytest.raises(UsageError) as caught:
        ready(pattern(tmp_path, lamp(more=regions), head() + EVENING))
    assert str(caught.value) == ("The gadget has 73 regions (a button has two). "
                                 "Allowed over a pattern: 60 at most.")
    habit = '\n[[habits]]\nname = "{}"\n{}\nsteps = [ {{ press = "key", for = "1 s" }} ]\n'
    timed = "".join(habit.format(n, f'when = "lamp.lit"\nat = "{n // 60:02}:{n % 60:02}"')
                    for n in range(70))
    assert len(ready(pattern(tmp_path, lamp(), head() + timed)).layout.habit_conditions) == 70
    waiting = "".join(habit.format(n, 'when = "lamp.lit"') for n in range(61))
    with pytest.raises(UsageError) as caught:
        ready(pattern(tmp_path, lamp(), head() + waiting))
    assert str(caught.value) == ("The pattern has 61 habits that begin by their when alone. "
                                 "Allowed over a pattern: 60 at most.")


FULL_OR_RELEASED = """
[behaviour.which]
starts = "none"
states.none = {}
states.early = {}
states.late = {}
rows = [
  { on = "key.release", from = "none", to = "early", when = "charge.charging" },
  { on = "key.release", from = "none", to = "late", when = "charge.complete" },
]
"""


def test_what_the_charge_reaches_comes_before_a_dwell_that_ends_in_its_nanosecond(
    tmp_path: Path
) -> None:
    """The charge ends just as a release settles: circuit before dwells, as one-instant.md says."""
    charger = CHARGER.replace('finish = "10 %"', 'finish = "10 %"\nstatus = "low while charging"')
    made = pattern(tmp_path, lamp(more=charger + FULL_OR_RELEASED), head())
    assert made.gadget is not None
    layout = Layout(made, made.gadget, (25.0,))
    learner = Learner(layout, lambda _moment, _states: 0, lambda _loads, _output: 0.0)
    size, regions = layout.size, layout.region_id

    def no(_question: Question) -> bool:
        return False

    def after(comb: Comb, *codes: int) -> Comb:
        for code in codes:
            comb = learner.step(comb, code, no).comb
        return comb

    def state(comb: Comb, region: str) -> str:
        number = regions[region]
        return layout.regions[number].states[comb.states[number]].name

    contact = k.EXPIRE + regions["key.contact"]
    held = after(
        learner.start(), k.SETTLE, size[k.SUPPLY] + 1, k.SETTLE, size[k.TOUCH] + 1, k.SETTLE,
        contact, size[k.TOUCH], k.SETTLE,
    )
    assert [state(held, name) for name in ("charge", "key.gesture")] == ["charging", "down"]
    complete = size[k.FORCE] + k.MARK_MODE + MODES.index("complete")
    ended = after(held, complete, contact)
    assert [state(ended, name) for name in ("charge", "key.gesture", "which")] == [
        "complete", "up", "late"
    ]
    assert state(after(held, contact), "which") == "early"


PLAYS = """
[loads.glow]
current = "40 mA"
[loads.horn]
current = "25 mA"
[sequences.breathe]
points = ["0 % @ 0 s", "100 % @ 1 s", "0 % @ 2 s"]
every = "20 ms"
[sequences.hurry]
steps = ["on for 60 ms", "off for 940 ms"]
[sequences.five]
steps = ["on for 2 s", "off for 3 s"]
times = 5
[behaviour.show]
starts = "quiet"
states.quiet = {}
states.plays = { glow = "breathe", horn = "five" }
states.over = { horn = "hurry" }
rows = [
  { on = "key.click", from = "quiet", to = "plays" },
  { on = "key.click", from = ["plays", "over"], to = "quiet" },
  { on = "show.ended", from = "plays", to = "over" },
]
"""


def test_sequences_are_as_in_the_simulator(tmp_path: Path) -> None:
    """A line in fewer steps, a finite sequence that leads on, a blink; states to the nanosecond."""
    made = pattern(tmp_path, lamp(more=PLAYS), head(charge="90 %") + EVENING)
    compare(made, 3 * 24, drawn_abs=2e-6)
    user = ready(made)
    line = user.layout.region_id["show:glow"]
    assert len(user.layout.regions[line].states) <= 17


def test_a_line_whose_length_varies_has_the_steps_of_each_gadget(tmp_path: Path) -> None:
    """Evenly up and down is half of the current, however long either takes (mean of a triangle)."""
    line = ('[sequences.breathe]\nevery = "50 ms"\npoints = ["0 % @ 0 s", "100 % @ 300 ms", '
            '{ value = "0 % @ 600 ms", range = "450 ms .. 900 ms" }]')
    text = lamp(more=line).replace('lamp = "on", idle', 'lamp = "breathe", idle')
    made = pattern(tmp_path, text, head(horizon="4 days") + EVENING)
    found = life(made, users=4, fast=False, study=False)
    assert found.average_current_a == pytest.approx(50e-6 + 20e-3 / 2 / 24, rel=0.01)
