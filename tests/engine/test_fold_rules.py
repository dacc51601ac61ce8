"""Rules that look at times: a run is folded with them, and they say what they say unfolded."""

from __future__ import annotations

import pytest

from simfw.engine.run import Run
from tests.engine.bench import gadget_of, run

# A wink of 40 ms every 500 ms that emits; the gauge looks every 3 s; the cell runs down.
WINKER = """
[gadget]
name = "Winker"
[cell]
curve = "lco"
capacity = "{capacity}"
resistance = "2 ohm"
[controller]
asleep = "5 uA"
reference = "1.1 V"
adc_bits = 10
[gauge]
thresholds = ["3.5 V", "3.7 V", "3.9 V"]
every = "3 s"
low = "3.4 V"
flat = "3.3 V"
[loads.lamp]
current = "40 mA"
[behaviour.wink]
starts = "off"
states.off = {{}}
states.on = {{ lamp = "on" }}
rows = [
  {{ after = "460 ms", from = "off", to = "on", emit = "wink.begins", when = "not cell.flat" }},
  {{ after = "500 ms", from = "off", to = "off" }},
  {{ after = "40 ms", from = "on", to = "off", emit = "wink.ends" }},
]
[[rules]]
name = "a wink ends"
when = "wink.begins"
then = "wink.off"
within = "{within}"
[[rules]]
name = "a wink lasts"
stays = "wink.on"
for = "{lasts}"
[[rules]]
name = "it winks on"
when = "wink.off"
then = "wink.on"
within = "{again}"
"""


def winker(
    within: str = "45 ms", lasts: str = "30 ms", again: str = "470 ms", capacity: str = "100 mAh"
) -> str:
    """The gadget with these times in its rules."""
    return WINKER.format(within=within, lasts=lasts, again=again, capacity=capacity)


def verdicts(result: Run) -> list[tuple[bool, int | None, str | None]]:
    """What was found of each rule."""
    return [(rule.held, rule.time_ns, rule.why) for rule in result.rules]


def test_rules_about_what_repeats_do_not_keep_a_run_from_being_folded() -> None:
    """Three kinds of rules, all about the wink, over a day: few intervals, none broken."""
    result = run(gadget_of(winker(capacity="1000 mAh")), lasts="10 h")
    assert all(rule.held for rule in result.rules)
    assert max(part.cycles for part in result.intervals) > 100
    assert len(result.intervals) < 500


@pytest.mark.parametrize(
    "changed",
    [{"within": "39 ms"}, {"lasts": "41 ms"}, {"again": "450 ms"}, {}, {"within": "40 ms"},
     {"lasts": "40 ms"}, {"again": "460 ms"}],
)
def test_each_rule_is_broken_or_kept_as_without_folding(changed: dict[str, str]) -> None:
    """The edges of each rule's time: the same verdict, at the same time, for the same reason."""
    gadget = gadget_of(winker(**changed))
    folded, plain = run(gadget, lasts="1 min"), run(gadget, lasts="1 min", fold=False)
    assert verdicts(folded) == verdicts(plain)


def test_a_rule_that_breaks_late_breaks_after_thousands_of_folded_periods() -> None:
    """Once the cell is flat the lamp winks no more: found at the instant of the unfolded run."""
    gadget = gadget_of(winker(capacity="1 mAh"))
    folded = run(gadget, lasts="30 min", charge=0.3)
    plain = run(gadget, lasts="30 min", charge=0.3, fold=False)
    assert not plain.rules[2].held
    assert verdicts(folded)[:2] == verdicts(plain)[:2]
    assert folded.rules[2].time_ns == pytest.approx(plain.rules[2].time_ns, rel=1e-6)
    assert max(part.cycles for part in folded.intervals) > 20


def test_a_folded_run_goes_on_with_its_rules_as_one_long_run() -> None:
    """Left off in the middle of a wink and gone on with, each rule stands as in one run."""
    gadget = gadget_of(winker(again="470 ms"))
    whole = run(gadget, lasts="121.48 s")
    first = run(gadget, lasts="60.48 s")
    then = run(gadget, lasts="61 s", resume=first.final)
    assert verdicts(then) == verdicts(whole)
    assert [rule[1] for rule in then.final.rules] == [rule[1] for rule in whole.final.rules]
