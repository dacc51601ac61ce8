"""Rules that wait while cycles are folded: verdict and time are those without folding."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from simfw.engine.observer import Observer
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.engine.simulator import simulate
from simfw.stimuli.scenario import Press, Scenario, Step
from tests.engine.bench import MS, S, gadget_of, names, scenario

HEAD = """
[gadget]
name = "Waiting"
[cell]
curve = "lco"
capacity = "80 mAh"
resistance = "0.5 Ω"
cut_off = "3.0 V"
[controller]
awake = "2 mA"
asleep = "10 uA"
[loads.lamp]
current = "30 mA"
[loads.mark]
current = "3 mA"
[buttons.key]
style = "sample"
samples = 3
sample_every = "4 ms"
hold = "800 ms"
[buttons.other]
"""
BLINK = """
[behaviour.blink]
starts = "off"
states.off = {}
states.on = { mark = "on" }
rows = [
  { after = "FIRST", from = "off", to = "on" },
  { after = "SECOND", from = "on", to = "off" },
]
"""
LAMP = """
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
states.last = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = ["lit", "last"], to = "dark" },
  { on = "other.press", from = "lit", to = "lit" },
  { after = "LONG", from = "lit", to = "last" },
  { on = "key.hold", from = "last", to = "dark" },
]
"""
STATES = ("lamp.lit", "lamp.dark", "lamp.last", "not lamp.lit", "mark > 0", "lamp > 0",
          "cell.voltage < 3.9", "lamp.lit and mark == 0")
EVENTS = ("key.press", "other.press", "key.hold", "key.click and lamp.dark",
          "other.press and lamp.lit")
TIMES = ("0 ms", "3 ms", "50 ms", "1 s", "7.5 s", "20 s", "20.001 s", "43.21 s", "2 min")


@st.composite
def rules(draw: st.DrawFn) -> str:
    """One rule that looks at times."""
    time = draw(st.sampled_from(TIMES))
    if draw(st.booleans()):
        when = draw(st.sampled_from(STATES + EVENTS))
        return f'when = "{when}"\nthen = "{draw(st.sampled_from(STATES))}"\nwithin = "{time}"\n'
    time = "1 ms" if time == "0 ms" else time
    return f'stays = "{draw(st.sampled_from(STATES))}"\nfor = "{time}"\n'


@st.composite
def cases(draw: st.DrawFn) -> tuple[str, Scenario]:
    """A gadget with a few rules, and presses over some minutes."""
    text = HEAD + LAMP.replace("LONG", draw(st.sampled_from(["20 s", "43 s", "1 h"])))
    if draw(st.booleans()):
        first, second = (draw(st.sampled_from(["40 ms", "100 ms", "1 s", "3.7 s"])) for _ in "12")
        text += BLINK.replace("FIRST", first).replace("SECOND", second)
    else:
        text += BLINK[: BLINK.index("rows")]
        text += 'rows = [{ after = "30 s", from = "off", to = "on" }]\n'
    for number, rule in enumerate(draw(st.lists(rules(), min_size=1, max_size=3))):
        text += f'[[rules]]\nname = "rule {number}"\n{rule}'
    steps: list[Step] = []
    for button in ("key", "other"):
        at = draw(st.integers(0, 5000)) * MS + draw(st.integers(0, 1)) * 1_234_567
        for _ in range(draw(st.integers(0, 3))):
            for_ns = draw(st.sampled_from([6, 50, 150, 1000, 9000])) * MS
            steps.append(Press(at_ns=at, button=button, for_ns=for_ns))
            at += for_ns + draw(st.sampled_from([30, 500, 20_000, 60_000])) * MS
    lasts_ns = draw(st.sampled_from([20, 90])) * S
    steps = [step for step in steps if step.at_ns < lasts_ns]
    charge = draw(st.sampled_from([0.9, 0.61, 0.6, 0.59]))
    return text, replace(scenario(*steps, lasts="1 s", charge=charge), lasts_ns=lasts_ns)


def both(text: str, what: Scenario) -> tuple[Run, Run, int]:
    """The run folded and not, and how many cycles were folded in which a rule waits."""
    prepared = Prepared(gadget_of(text))
    made = Simulation(prepared, what, 0, True, False, (), None)
    folded = made.run()
    waiting = sum(bool(one.held) for one in made.folder.cycles)
    return folded, Simulation(prepared, what, 0, False, False, (), None).run(), waiting


@settings(max_examples=150)
@given(cases())
def test_a_rule_that_waits_is_judged_alike_folded_or_not(case: tuple[str, Scenario]) -> None:
    """Whether it holds, when it broke, why, and all events."""
    folded, plain, waiting = both(*case)
    event(f"a rule waits in a fold: {waiting > 0}")
    event(f"broken: {any(not one.held for one in plain.rules)}")
    assert folded.rules == plain.rules
    assert names(folded) == names(plain)
    assert [one.time_ns for one in folded.events] == [one.time_ns for one in plain.events]
    assert folded.charge_used_c == pytest.approx(plain.charge_used_c, rel=1e-6)


HOUR = LAMP.replace("LONG", "1 h") + '''
[[rules]]
name = "put out in time"
when = "lamp.lit"
then = "lamp.dark"
within = "20 min"
[[rules]]
name = "lit for long"
stays = "lamp.lit"
for = "25 min"
'''
BEGUN = Press(at_ns=S, button="key", for_ns=100 * MS)


class _Count(Observer):
    """Counts the instants that are gone through."""

    def __init__(self) -> None:
        self.instants = 0

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """One more."""
        del time_ns, states, happened
        self.instants += 1


@pytest.mark.parametrize("ends_ns", [19 * 60 * S, 20 * 60 * S + 1_104 * MS, 24 * 60 * S, None])
def test_a_rule_that_waits_for_long_costs_no_instant_for_each_sample(ends_ns: int | None) -> None:
    """A contact is sampled every 4 ms, 20 minutes long: folded that is some hundred instants, and
    the end of the time comes in its nanosecond.
    """
    gadget = gadget_of(HEAD + HOUR)
    steps = [BEGUN] if ends_ns is None else [
        BEGUN, Press(at_ns=ends_ns, button="key", for_ns=100 * MS)]
    what = scenario(*steps, lasts="26 min")
    count = _Count()
    folded = simulate(gadget, what, observers=(count,))
    assert count.instants < 2000
    waits, stays = folded.rules
    # Sampled at 0, 4, 8, ... ms, a press of 1 s is settled with the third sample that sees it, and
    # the click comes with its release, 100 ms on.
    clicked_ns = S + 108 * MS
    assert next(one.time_ns for one in folded.events if one.name == "key.click") == clicked_ns
    ended_ns = None if ends_ns is None else ends_ns + 108 * MS
    late = ended_ns is None or ended_ns > clicked_ns + 20 * 60 * S
    assert (waits.held, waits.time_ns) == (not late, clicked_ns + 20 * 60 * S if late else None)
    assert (stays.held, stays.time_ns) == (ended_ns is None, ended_ns)
