"""Laws of a gauge that counts charge, on random lamps, and a plain model to hold it against."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from tests.engine.bench import S, gadget_of, scenario

DEBOUNCE_S = 0.02
MINUTE = 60


@dataclass(frozen=True)
class Drawn:
    """A lamp and what is done to it: mA, mAh, and shares in % but for the charge (0..1)."""

    capacity: int
    figure: int
    power_up: int
    asleep_ua: int
    lamp: int
    leakage_ua: int
    thresholds: tuple[int, ...]
    hysteresis: int
    low: int
    flat: int
    every: int
    charger: int
    charge: float
    presses: tuple[int, ...]
    plugs: tuple[int, ...]
    lasts: int
    blink_ms: int = 0
    wake: str = ""

    @property
    def gadget(self) -> Gadget:
        """The lamp as a file says it; without resistance, so that currents are as written."""
        lit = 'states.lit = { lamp = "on" }'
        back = ""
        if self.blink_ms:
            lit += "\nstates.out = {}"
            back = (f'{{ after = "{self.blink_ms} ms", from = "lit", to = "out" }},\n'
                    f'{{ after = "{self.blink_ms} ms", from = "out", to = "lit" }},\n')
        charger = "" if not self.charger else (
            f'[charger]\ncurrent = "{self.charger} mA"\nfloat = "4.25 V"\n'
            'status = "low while charging"\n')
        bars = ", ".join(f'"{share} %"' for share in self.thresholds)
        return gadget_of(f"""
[gadget]
name = "Drawn"
[cell]
curve = "lco"
capacity = "{self.capacity} mAh"
leakage = "{self.leakage_ua} uA"
[controller]
asleep = "{self.asleep_ua} uA"
{self.wake or f'awake = "{self.asleep_ua} uA"'}
[loads.lamp]
current = "{self.lamp} mA"
[buttons.key]
{charger}
[gauge]
method = "counting"
capacity = "{self.figure} mAh"
power_up = "{self.power_up} %"
thresholds = [{bars}]
hysteresis = "{self.hysteresis} %"
low = "{self.low} %"
flat = "{self.flat} %"
every = "{self.every} s"
[behaviour.lamp]
starts = "off"
states.off = {{}}
{lit}
rows = [
  {{ on = "key.press", from = "off", to = "lit" }},
  {{ on = "key.press", from = {'["lit", "out"]' if self.blink_ms else '"lit"'}, to = "off" }},
  {back}]
""")

    @property
    def scenario(self) -> Scenario:
        """The presses and plugs, at whole seconds."""
        steps: list[Step] = [Press(at_ns=at * S, button="key", for_ns=S // 2)
                             for at in self.presses]
        steps += [Usb(at_ns=at * S, present=k % 2 == 0) for k, at in enumerate(self.plugs)]
        return scenario(*steps, lasts=f"{self.lasts} s", charge=self.charge)


@st.composite
def drawn(draw: st.DrawFn, *, usb: bool, rich: bool) -> Drawn:
    """A lamp on a cell of some 20 mAh over some hours; `rich` with blinks and wake-ups."""
    capacity = draw(st.integers(15, 40))
    lasts = draw(st.integers(20, 300)) * MINUTE
    shares = draw(st.lists(st.integers(1, 90), min_size=1, max_size=4, unique=True))
    flat = draw(st.integers(1, 40))
    hysteresis = draw(st.integers(0, 9))

    def moments(most: int) -> tuple[int, ...]:
        return tuple(sorted(draw(st.lists(st.integers(1, lasts - 2), max_size=most, unique=True))))

    return Drawn(
        capacity=capacity,
        figure=draw(st.integers(10, 60)),
        power_up=draw(st.integers(0, 100)),
        asleep_ua=draw(st.sampled_from([0, 5, 300, 3000])),
        lamp=draw(st.integers(1, 30)),
        leakage_ua=draw(st.sampled_from([0, 3, 900])),
        thresholds=tuple(sorted(shares)),
        hysteresis=hysteresis,
        low=flat + draw(st.integers(1, 30)),
        flat=flat,
        every=draw(st.sampled_from([1, 7, 60])),
        charger=draw(st.sampled_from([0, 3, 12])) if usb else 0,
        charge=draw(st.integers(40, 90)) / 100 + 1.73e-4,  # no sample just at a level
        presses=moments(6),
        plugs=moments(3) if usb else (),
        lasts=lasts,
        blink_ms=draw(st.sampled_from([0, 500, 1300])) if rich else 0,
        wake='awake = "2 mA"\nwake = "3 uC"' if rich and draw(st.booleans()) else "",
    )


def told(run: Run) -> list[tuple[int, str]]:
    """What the gauge told, and when."""
    return [(event.time_ns, event.name) for event in run.events
            if event.name.startswith(("gauge.", "cell."))]


# -- a plain model, from the page on the gauge alone -----------------------------------------------


class Near(Exception):
    """A count nearer to a level than a float can tell."""


def model(case: Drawn) -> tuple[list[tuple[int, str]], float]:
    """What the gauge tells, sample by sample, and the count at the end.

    Every current is constant between two things that happen; the cell neither fills nor empties.
    """
    charge = case.charge
    count = min(max(1 - (1 - charge) * case.capacity / case.figure, 0.0), 1.0)
    lamp = plugged = False
    bars: int | None = None
    state = "fine"
    told_: list[tuple[int, str]] = []
    things: dict[float, list[str]] = {0.0: ["sample"], float(case.lasts): ["end"]}
    for at in case.presses:
        things.setdefault(at + DEBOUNCE_S, []).append("press")
    for at in case.plugs if case.charger else ():
        things.setdefault(float(at), []).insert(0, "plug")
    for at in range(case.every, case.lasts, case.every):
        things.setdefault(float(at), []).append("sample")
    now = 0.0
    for at in sorted(things):
        hours = (at - now) / 3600
        out = case.asleep_ua / 1000 + (case.lamp if lamp else 0) - (case.charger if plugged else 0)
        charge -= (out + case.leakage_ua / 1000) * hours / case.capacity
        count = min(max(count - out * hours / case.figure, 0.0), 1.0)
        if not 0.02 < charge < 0.99:
            raise Near
        now = at
        for thing in things[at]:
            if thing == "press":
                lamp = not lamp
            elif thing == "plug":
                plugged = not plugged
            elif thing == "sample":
                bars, state = sampled(case, count, bars, state, round(at * S), told_)
    return told_, count


def sampled(
    case: Drawn, count: float, bars: int | None, state: str, at_ns: int,
    told_: list[tuple[int, str]],
) -> tuple[int, str]:
    """One sample: low and flat first, then the bars."""

    def below(share: float) -> bool:
        if abs(count - share / 100) < 1e-9:
            raise Near
        return count < share / 100

    gone = []
    if state != "flat" and below(case.flat):
        gone = ["cell.low", "cell.flat"] if state == "fine" else ["cell.flat"]
        state = "flat"
    elif state == "fine" and below(case.low):
        gone, state = ["cell.low"], "low"
    elif state != "fine" and not below(case.low):
        gone, state = ["cell.back"], "fine"
    told_ += [(at_ns, name) for name in gone]
    full = sum(not below(share) for share in case.thresholds)
    if bars is None or full < bars:
        if bars is not None:
            told_.append((at_ns, "gauge.down"))
        return full, state
    back = sum(not below(share + case.hysteresis) for share in case.thresholds)
    if back > bars:
        told_.append((at_ns, "gauge.up"))
        return back, state
    return bars, state


@settings(deadline=None, max_examples=60)
@given(drawn(usb=True, rich=False))
def test_a_counting_gauge_is_the_plain_model(case: Drawn):
    """Same events at the same samples, and the same count at the end."""
    try:
        wanted, count = model(case)
    except Near:
        assume(False)
    run = simulate(case.gadget, case.scenario)
    assume(all(event.name != "charge.completed" for event in run.events))
    assert told(run) == wanted
    assert run.final.counted == pytest.approx(count, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(drawn(usb=False, rich=True))
def test_no_bar_comes_back_without_usb(case: Drawn):
    """Whatever is switched on and off, a counting gauge only ever shows fewer bars."""
    run = simulate(case.gadget, case.scenario)
    assume(run.empty_at_ns is None)
    assert not any(event.name in ("gauge.up", "cell.back") for event in run.events)
    shown = [part.bars for part in run.intervals if part.bars is not None]
    assert all(later <= earlier for earlier, later in pairwise(shown))


@settings(deadline=None, max_examples=30)
@given(drawn(usb=True, rich=True))
def test_folding_changes_nothing_that_a_counting_gauge_tells(case: Drawn):
    """Folded and one by one: the same events, the same count."""
    folded = simulate(case.gadget, case.scenario)
    plain = simulate(case.gadget, case.scenario, fold=False)
    assert told(folded) == told(plain)
    assert folded.final.counted == pytest.approx(plain.final.counted, abs=1e-8)
    assert folded.end_charge == pytest.approx(plain.end_charge, abs=1e-8)
