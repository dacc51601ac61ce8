"""Idle ticks are counted where periods hardly come round together, and nothing else changes."""

from __future__ import annotations

import pytest

from simfw.engine.repeat import time_left
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press
from tests.engine.bench import MS, S, gadget_of, prepared, run, scenario

# Two contacts that are read on grids of their own, a wink, a gauge; a lamp that a press lights.
WINK = """
[gadget]
name = "Winker"
[cell]
curve = "lco"
capacity = "{capacity}"
resistance = "200 mohm"
cut_off = "3.0 V"
[controller]
asleep = "5 uA"
awake = "1 mA"
{wake}
reference = "1.1 V"
adc_bits = 10
[loads]
mark = {{ current = "3 mA" }}
lamp = {{ current = "40 mA" }}
[buttons.up]
style = "sample"
samples = 2
sample_every = "{up}"
[buttons.down]
style = "sample"
samples = 2
sample_every = "{down}"
[gauge]
thresholds = ["3.5 V", "3.7 V", "3.9 V"]
every = "{every}"
low = "3.4 V"
[behaviour.night]
starts = "pause"
states.pause = {{}}
states.wink = {{ mark = "on" }}
rows = [
  {{ after = "{pause}", from = "pause", to = "wink", when = "not cell.low", emit = "night.wink" }},
  {{ after = "43 ms", from = "wink", to = "pause" }},
]
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "on" }}
rows = [
  {{ on = "up.click", from = "dark", to = "lit" }},
  {{ after = "7 s", from = "lit", to = "dark" }},
]
[[rules]]
name = "lit, then dark"
within = "8 s"
when = "lamp.lit"
then = "lamp.dark"
"""
EACH_INSTANT = 'step = "400 cycles"\nfrequency = "1 MHz"\nwake = "2 uC"'
PARTS = {
    "up": "48.7 ms", "down": "50 ms", "every": "2 s", "pause": "1.97 s", "wake": EACH_INSTANT,
    "capacity": "300 mAh",
}
PRESSES = tuple(Press(at_ns=at * S, button="up", for_ns=150 * MS) for at in (1, 700, 1999))


def winker(**parts: str) -> Gadget:
    """The gadget with other parts."""
    return gadget_of(WINK.format(**{**PARTS, **parts}))


def told(result: Run) -> tuple[object, ...]:
    """All of a run that is exact."""
    return (
        result.events, result.rules, result.empty_at_ns,
        [(use.region, use.state, use.time_ns) for use in result.states],
        [(one.region, one.writes) for one in result.kept], result.final.time_ns,
    )


def of_states(result: Run) -> dict[tuple[str, str], float]:
    """The charge (C) in each state."""
    return {(use.region, use.state): use.charge_c for use in result.states}


@pytest.mark.parametrize("parts", [
    {"up": "56.595317 ms"},
    {"up": "56.595317 ms", "wake": ""},
    {"up": "56.595317 ms", "wake": 'wake = "2 uC"'},
    {},
    {"down": "51.3 ms", "every": "2.1 s"},
    {"down": "48.7 ms", "every": "0.1733 s"},
    {"up": "331 ms", "down": "333 ms", "pause": "91 ms"},
    {"up": "331 ms", "down": "333 ms", "pause": "91 ms", "wake": 'wake = "2 uC"'},
], ids=str)
def test_counted_ticks_leave_all_as_it_is_when_they_are_gone_along(parts: dict[str, str]) -> None:
    """Events, verdicts and times are those of every tick by itself, and so is the charge."""
    gadget = winker(**parts)
    for charge in (0.8, 0.0995):
        counted = run(gadget, *PRESSES, lasts="35 min", charge=charge, trace=False)
        each = run(gadget, *PRESSES, lasts="35 min", charge=charge, trace=False, fold=False)
        assert told(counted) == told(each)
        used = each.start_charge - each.end_charge
        assert counted.end_charge == pytest.approx(each.end_charge, abs=1e-7 * used)
        drawn = sum(use.charge_c for use in counted.consumers) / counted.capacity_c
        assert counted.start_charge - counted.end_charge == pytest.approx(drawn, rel=1e-9)
        assert of_states(counted) == pytest.approx(of_states(each), rel=1e-6)


def test_wakings_of_counted_ticks_are_exact() -> None:
    """Each takes 1 mC: not a tenth of one is missing after 20 minutes."""
    gadget = winker(up="56.595317 ms", wake=EACH_INSTANT.replace("2 uC", "1 mC"))
    counted, each = (
        run(gadget, lasts="20 min", trace=False, fold=fold) for fold in (True, False))
    one, other = (next(use.charge_c for use in result.consumers if use.name == "controller")
                  for result in (counted, each))
    assert one == pytest.approx(other, abs=1e-4)


def test_a_day_of_ticks_that_never_meet_takes_few_steps() -> None:
    """Neither the search for a common period nor the ticks are gone along one by one."""
    gadget = winker(up="56.595317 ms")
    day = Simulation(prepared(gadget), scenario(lasts="1 day", charge=0.8), 0, True, False, (),
                     None)
    day.run()
    assert day.steps < 2000


def test_what_goes_on_after_counted_ticks_is_what_goes_on_after_each() -> None:
    """A run that is resumed there does the same."""
    gadget = winker(up="56.595317 ms")
    results = []
    for fold in (True, False):
        first = run(gadget, *PRESSES[:1], lasts="1000.01 s", fold=fold, trace=False)
        results.append(told(run(gadget, *PRESSES[:1], lasts="100 s", resume=first.final)))
    assert results[0] == results[1]


def test_the_time_left_is_exact_where_periods_hardly_come_round() -> None:
    """It is that of the same gadget with a period next to it which comes round, not a mean."""
    odd, even = (
        time_left(run(winker(up=up, pause="1.957 s", wake="", capacity="30 mAh"), lasts="1 min"))
        for up in ("50.000317 ms", "50 ms"))
    assert not odd.about
    assert not even.about
    assert odd.seconds == pytest.approx(even.seconds, rel=1e-6)
