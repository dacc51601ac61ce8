"""The same stimuli give the same run, in whatever order the file has them."""

from __future__ import annotations

import dataclasses

from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.commands._shared import dump_json
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.report.ledger import ledger_json
from simfw.report.record import recording_text
from simfw.stimuli.scenario import (
    Expect,
    Press,
    Step,
    Temperature,
    Usb,
    Wave,
    problems_of,
)
from tests.engine.bench import MS, gadget_of, scenario

GADGET = gadget_of("""
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1 ohm"
cut_off = "3.0 V"
restart = "3.3 V"
[charger]
current = "50 mA"
float = "4.20 V"
status = "low while charging"
[controller]
awake = "1 mA"
asleep = "4 uA"
[loads]
lamp = { current = "5 mA" }
[buttons.a]
debounce = "10 ms"
double = "200 ms"
[buttons.b]
debounce = "0 s"
hold = "100 ms"
[chords]
both = { buttons = ["a", "b"], within = "50 ms" }
[proximity.wave]
every = "50 ms"
settle = "1 ms"
agree = 1
clear = "100 ms"
carrier = "40 kHz"
duty = "50 %"
burst = 40
receiver = { supply = "0.4 mA", threshold = "0.7 mW/m2" }
emitter = { forward = ["1.35 V @ 100 mA", "1.2 V @ 20 mA"], resistor = "47R", \
intensity = "36 mW/sr @ 100 mA", half_angle = "25 deg", \
switch = { kind = "npn", base = "1k", saturation = "0.1 V" } }
target = { reflectance = "55 %", area = "80 cm2" }
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "b.press", from = "dark", to = "lit", when = "a.closed" },
  { on = "a.click", from = "dark", to = "lit" },
  { on = "a.press", from = "lit", to = "dark", when = "not b.closed" },
  { on = "wave.wave", from = "*", to = "lit" },
  { on = "usb.in", from = "*", to = "dark", when = "b.pressed" },
]
[[rules]]
name = "asked"
when = "a.press and not b.closed and not usb"
then = "lamp.lit"
within = "30 ms"
""".replace("\\\n", ""))
PREPARED = Prepared(GADGET)

# Few times, so that much of it touches, and 0 among them.
TIMES = st.sampled_from([0, 50, 60, 100, 110, 200, 300]).map(lambda ms: ms * MS)
LENGTHS = st.sampled_from([10, 50, 100, 200]).map(lambda ms: ms * MS)


def kept(wished: list[Step]) -> list[Step]:
    """The steps that go together: what overlaps with one that is there already is left out."""
    steps: list[Step] = []
    for step in wished:
        if not problems_of(scenario(*steps, step, lasts="1 s")):
            steps.append(step)
    return steps


STEPS = st.lists(
    st.one_of(
        st.builds(
            Press, at_ns=TIMES, button=st.sampled_from("ab"), for_ns=LENGTHS,
            bounce_ns=st.sampled_from([0, 2, 10 * MS]),
        ),
        st.builds(Wave, at_ns=TIMES, sensor=st.just("wave"), for_ns=LENGTHS,
                  distance_m=st.sampled_from([0.05, 0.1, 3.0])),
        st.builds(Usb, at_ns=TIMES, present=st.booleans()),
        st.builds(Temperature, at_ns=TIMES, temperature_c=st.sampled_from([0.0, 40.0])),
        st.builds(Expect, at_ns=TIMES, text=st.sampled_from(["lamp.lit", "a.pressed", "usb"])),
    ),
    min_size=2, max_size=9,
).map(kept)


SHUFFLED = STEPS.flatmap(lambda steps: st.tuples(st.just(steps), st.permutations(steps)))


def both_runs(shuffled: tuple[list[Step], list[Step]], *, fold: bool) -> list[Run]:
    """The runs of both orders of writing."""
    return [
        simulate(GADGET, scenario(*steps, lasts="700 ms", charge=0.5), fold=fold, prepared=PREPARED)
        for steps in shuffled
    ]


@settings(max_examples=150, deadline=None)
@given(shuffled=SHUFFLED, fold=st.booleans())
def test_the_order_of_writing_has_no_part_in_a_run(shuffled, fold):
    """Events, intervals, rules, expectations and recording are equal: back to back, at 0, all."""
    first, second = both_runs(shuffled, fold=fold)
    assert first == dataclasses.replace(second, scenario=first.scenario)
    assert recording_text(first, ".csv") == recording_text(second, ".csv")


@settings(max_examples=8, deadline=None)
@given(shuffled=SHUFFLED)
def test_the_order_of_writing_has_no_part_in_what_is_printed(shuffled):
    """The JSON of a run is the same byte by byte; it tells of repetitions as well."""
    first, second = (dump_json(ledger_json(one)) for one in both_runs(shuffled, fold=True))
    assert first == second
