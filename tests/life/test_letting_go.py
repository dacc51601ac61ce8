"""A soft latch over a pattern: as `run` has it, at every power-up and after every letting go."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.engine.simulator import simulate
from simfw.life import registers as k
from simfw.life.life import life
from simfw.life.sweep import read_vary, sweep
from simfw.life.user import Life
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from simfw.stimuli.steps import Toggle
from tests.life.beside_run import (
    as_scenario,
    ends,
    run_beside,
    spent_ns,
    stands,
    stimuli_of,
    writes,
)
from tests.life.made import head, pattern
from tests.life.test_loop import alone, ready

H = 3600 * 10**9
MS = 10**6
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
        run = run_beside(user, stimuli, until)
        comb = user.store.combs[int(user.world.i[k.COMB])]
        lived, played = stands(user), ends(run)
        for name in ("lamp", "mood"):
            assert lived[name] == played[name]
        assert comb.released == run.final.released
        assert comb.dead == (not run.final.alive)
        assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=5e-4)
        for use in run.states:
            if use.region in ("lamp", "mood"):
                assert spent_ns(user, use.region, use.state) == pytest.approx(
                    use.time_ns, abs=60 * 10**9)
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


LATCH = """
[gadget]
name = "Camping light"
[cell]
curve = "lco"
capacity = "150 mAh"
cut_off = "3.4 V"
restart = "3.5 V"
leakage = "20 uA"
[charger]
current = "20 mA"
float = "4.2 V"
[controller]
awake = "1 mA"
asleep = "30 uA"
wake = "2 uC"
powered_by = ["power", "slide", "usb"]
hold_up = "50 ms"
[loads.lamp]
current = "20 mA"
[loads.green]
current = "500 uA"
[buttons.power]
debounce = "10 ms"
[toggles.slide]
debounce = "0 s"
[toggles.main]
in_supply = true
[dials.dim]
values = ["30 %", "60 %", "100 %"]
kept = true
rows = [{ on = "slide.closed", step = 1, wrap = true }]
[behaviour.lamp]
starts = "lit"
kept = "state"
resume_points = ["lit", "night"]
states.lit = { lamp = "dim" }
states.night = { green = "on" }
states.off = { controller = "unpowered", lamp = "10 %" }
states.spent = { controller = "unpowered" }
rows = [
  { on = "power.press", from = "lit", to = "night" },
  { on = "power.release", from = "lit", to = "off" },
  { on = "power.press", from = "night", to = "lit" },
  { after = "70 ms", from = "night", to = "spent" },
  { after = "60 ms", from = "off", to = "resume" },
  { on = "slide.opened", from = ["lit", "off"], to = "spent" },
  { on = "usb.in", from = "spent", to = "night" },
]
[behaviour.step]
starts = "one"
kept = "state"
states.one = {}
states.two = { green = "40 %" }
rows = [
  { on = "power.release", from = "one", to = "two" },
  { on = "power.release", from = "two", to = "one" },
]
[behaviour.since]
starts = "new"
states.new = {}
states.old = { green = "20 %" }
rows = [{ after = "120 ms", from = "new", to = "old" }]
"""
BLINKS = """
[gadget]
name = "Buoy"
[cell]
curve = "lco"
capacity = "150 mAh"
[controller]
asleep = "30 uA"
powered_by = ["power", "slide"]
hold_up = "50 ms"
[loads.lamp]
current = "20 mA"
[buttons.power]
[toggles.slide]
[toggles.main]
in_supply = true
[behaviour.blink]
starts = "on"
states.on = { lamp = "on" }
states.out = { controller = "unpowered" }
rows = [
  { after = "40 ms", from = "on", to = "out" },
  { after = "30 ms", from = "out", to = "on" },
]
"""
BELL = """
[gadget]
name = "Bell"
[cell]
curve = "lco"
capacity = "10 mAh"
[controller]
asleep = "2 mA"
powered_by = ["power"]
hold_up = "5 s (0 s .. 10 s)"
[buttons.power]
debounce = "0 s"
[behaviour.bell]
starts = "off"
states.off = { controller = "unpowered" }
rows = []
"""
STIRRED = LATCH.replace('wake = "2 uC"', 'step = "40000 cycles"\nfrequency = "1 MHz"')
STYLES = {
    "kept and held up": LATCH,
    "kept": LATCH.replace('hold_up = "50 ms"\n', ""),
    "held up, and every instant wakes it": STIRRED,
    "held up": LATCH.replace('kept = "state"\n', ""),
    "blinks through a state that lets go": BLINKS,
    "blinks without hold_up": BLINKS.replace('hold_up = "50 ms"\n', ""),
}


def goes_along(user: Life, scenario: Scenario) -> tuple[int, int]:
    """Hold a user against a run, in the middle of every stretch between two instants of it.

    States, whether the controller has its supply, and at the end charge and writes. Returns how
    often it lost and got its supply.
    """
    run = simulate(user.layout.gadget, scenario, fold=False)
    stimuli = stimuli_of(user, scenario)
    at_once = Life(user.pattern, user.store, user.parts, 1, 0)
    for each in (user, at_once):
        each.world.i[k.ENDS_EMPTY] = 0  # it goes on when the cell is empty

    def dead(one: Life) -> bool:
        return one.store.combs[int(one.world.i[k.COMB])].dead

    lost = back = 0
    was = True
    for one in run.intervals:
        if one.end_ns - one.start_ns < 2:
            continue
        user.go(stimuli, (one.start_ns + one.end_ns) // 2)
        states = stands(user)
        when = f"{one.start_ns} ns .. {one.end_ns} ns"
        assert {name: states[name] for name in run.regions} == dict(
            zip(run.regions, one.states, strict=True)), when
        alive = one.loads.controller != "off"
        assert dead(user) != alive, when
        lost += was and not alive
        back += alive and not was
        was = alive
    user.go(stimuli, scenario.lasts_ns)
    at_once.go(stimuli, scenario.lasts_ns)
    assert (dead(at_once), stands(at_once)) == (dead(user), stands(user))
    for each in (user, at_once):
        assert each.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=1e-6)
        assert each.world.f[k.USED] == pytest.approx(run.charge_used_c, rel=1e-6)
        assert writes(each) == {use.region: use.writes for use in run.kept}
    return lost, back


_TIMES = st.lists(st.sampled_from([10, 20, 30, 40, 50, 60, 70, 120]), max_size=8)
_STORES: dict[str, Life] = {}


@st.composite
def courses(draw: st.DrawFn) -> tuple[Step, ...]:
    """Contacts and USB that come and go at times on a grid on which everything else lies, too."""
    steps: list[Step] = []
    for name in ("power", "slide", "main", "usb"):
        at = 0
        changes = draw(_TIMES)
        for number, gap in enumerate(changes):
            at += gap * MS
            if name == "usb":
                steps.append(Usb(at_ns=at, present=number % 2 == 0))
            elif name == "power" and number % 2 == 0:
                held = changes[number + 1] if number + 1 < len(changes) else 900
                steps.append(Press(at_ns=at, button=name, for_ns=held * MS))
            elif name != "power":
                steps.append(Toggle(at_ns=at, toggle=name,
                                    closed=(number % 2 == 0) == (name == "slide")))
    return tuple(sorted(steps, key=lambda step: step.at_ns))


@pytest.mark.parametrize("style", STYLES)
@settings(max_examples=12, deadline=None)
@given(steps=courses(), charge=st.sampled_from([0.9, 0.5]))
def test_any_course_over_a_pattern_is_that_of_a_run(
    style: str, steps: tuple[Step, ...], charge: float, tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Whatever opens and closes when: the same states, losses, power-ups, writes and charge."""
    if style not in _STORES:
        made = pattern(tmp_path_factory.mktemp("latch"), STYLES[style], head())
        _STORES[style] = ready(made)
    known = _STORES[style]
    gadget = known.layout.gadget
    if gadget.charger is None:
        steps = tuple(step for step in steps if not isinstance(step, Usb))
    user = Life(dataclasses.replace(known.pattern, charge=charge), known.store, known.parts, 1, 0)
    goes_along(user, Scenario(charge=charge, lasts_ns=600 * MS, gadget=gadget, steps=steps))


def test_a_supply_that_stays_for_a_while_is_lost_at_its_end_or_kept_by_a_contact(
    tmp_path: Path,
) -> None:
    """Nothing powers it at first: it goes at once. The contact opens at 120 ms with a hold-up of
    50 ms: gone at 170 ms, but for a press in that time or in that very instant.
    """
    made = pattern(tmp_path, BELL.replace("5 s (0 s .. 10 s)", "50 ms"), head())
    known = ready(made)
    gadget = known.layout.gadget
    for again, lost in ((None, 2), (150, 2), (170, 2), (171, 3)):
        steps: list[Step] = [Press(at_ns=100 * MS, button="power", for_ns=20 * MS)]
        if again is not None:
            steps.append(Press(at_ns=again * MS, button="power", for_ns=100 * MS))
        user = Life(made, known.store, known.parts, 1, 0)
        assert goes_along(user, Scenario(
            charge=1.0, lasts_ns=500 * MS, gadget=gadget, steps=tuple(steps))) == (
                lost, lost - 1), again
        on_ms = {None: 70, 150: 200, 170: 220, 171: 220}[again]
        assert user.world.f[k.USED] == pytest.approx(2e-3 * on_ms * 1e-3, rel=1e-9)


def test_a_contact_that_closes_behind_an_open_switch_changes_nothing(tmp_path: Path) -> None:
    """Let go of at 90 ms, switched off at 120 ms: names read as they were left until it is on."""
    made = pattern(tmp_path, LATCH, head())
    user = ready(made)
    steps = [Press(at_ns=10 * MS, button="power", for_ns=20 * MS)]
    slides = [Toggle(at_ns=at * MS, toggle="slide", closed=closed)
              for at, closed in ((140, True), (160, False), (170, True), (185, False), (190, True))]
    mains = [Toggle(at_ns=120 * MS, toggle="main", closed=False),
             Toggle(at_ns=200 * MS, toggle="main", closed=True)]
    assert goes_along(user, Scenario(
        charge=1.0, lasts_ns=300 * MS, gadget=user.layout.gadget,
        steps=tuple(sorted([*steps, *slides, *mains], key=lambda step: step.at_ns)))) == (1, 1)


def test_a_long_life_with_a_hold_up_and_what_is_kept_is_that_of_a_run(tmp_path: Path) -> None:
    """Days in which the cell is run empty and charged."""
    text = TORCH.replace('"power", "usb"]', '"power", "usb"]\nhold_up = "70 s"').replace(
        'starts = "waking"', 'starts = "waking"\nkept = "state"')
    text = text.replace('after = "60 ms", from = "waking"', 'after = "60 ms", from = "*"')
    made = pattern(tmp_path, text, head(charge="90 %", horizon="9 days") + HABITS)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 9 * 24 * H)
    scenario = as_scenario(user, stimuli, 60 * H)
    lost, back = goes_along(user, scenario)
    assert lost >= 6
    assert back >= 5


def test_a_hold_up_that_is_swept_costs_what_it_lasts(tmp_path: Path) -> None:
    """Pressed for 1 min a day, 36 C at 2 mA: 600 s a day with 9 min of hold-up, twice with 19."""
    made = pattern(tmp_path, BELL, head() + """
[[habits]]
name = "rung"
at = "12:00"
steps = [ { press = "power", for = "1 min" } ]
""")
    assert made.gadget is not None
    for times, days in (("9 min..19 min", (30.0, 15.0)), ("0 s..9 min", (300.0, 30.0))):
        varied = [read_vary(f"controller.hold_up={times}:2", made.gadget)]
        found = [one.percentiles for one in sweep(made, varied, users=1).points]
        assert [one and one[1] for one in found] == pytest.approx(days, abs=1.01)
    # With its tolerance a minute and 5 s at most, 10 s: never without.
    spread = life(made, users=8, study=False, fast=False).percentiles
    assert spread is not None
    assert 36 / 0.14 - 1 <= spread[0] < spread[2] <= 36 / 0.12 + 1
