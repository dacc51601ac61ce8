"""What a life takes for granted while regions rest: what guards say, and who is moved by whom."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.behaviour.expression import Happened
from simfw.behaviour.parsing import parse_expression
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.resting import Moment, Truths, laps_of
from tests.life.made import head, pattern

PARTS = """
[gadget]
name = "Bench lamp"
[cell]
curve = "lco"
capacity = "200 mAh"
[charger]
current = "100 mA"
float = "4.2 V"
status = "low while charging"
[gauge]
thresholds = ["3.5 V", "3.8 V"]
every = "10 s"
[loads]
glow = { current = "1 mA" }
[buttons.key]
debounce = "20 ms"
[proximity.wave]
every = "125 ms"
carrier = "38 kHz"
duty = "50 %"
burst = 24
receiver = { supply = "0.4 mA" }
"""
INPUTS = ("usb", "status.low", "status.high", "key.closed")
ROUND = """
[behaviour.blink]
starts = "on"
{resumes}
states.on = {{ glow = "on" }}
states.off = {{}}
rows = [
  {{ after = "1 s", from = "on", to = "off"{guard} }},
  {{ after = "1 s", from = "off", to = "on"{emit} }},
]
"""
HEARS = """
[behaviour.other]
starts = "idle"
states.idle = {{}}
states.told = {{}}
rows = [{{ on = "blink.back", from = "{source}", to = "{to}" }},
        {{ on = "key.click", from = "idle", to = "told" }}]
"""


def truths(folder: Path, text: str, habits: str = "", **changes: object) -> Truths:
    """What holds in the first states of a gadget, nothing touched, at 3.7 V and every output off
    but the first.
    """
    made = pattern(folder, text, head() + habits)
    layout = Layout(made, made.gadget, warmths(made)[0])
    states = tuple([numbers[region.starts] for numbers, region
                    in zip(layout.state_id, layout.regions, strict=True)])  # fmt: skip
    moment = {"states": states, "following": (False,) * len(states), "flags": (False,) * 4,
              "echoes": (False,), "mode": 0, "protected": False, "warmth": 0}  # fmt: skip
    return Truths(layout, Moment(**{**moment, **changes}),  # type: ignore[arg-type]
                  lambda _moment, _states, number: float(number == 0),
                  lambda _moment, _states, name, level: name != "cell.charge" and level > 3.7)


@pytest.mark.parametrize(
    ("text", "nothing", "all_touched"),
    [
        ("usb", False, True), ("status.low", False, True), ("status.high", False, True),
        ("key.closed", False, True), ("wave.echo", False, True),
        ("blink.on and not usb", True, False), ("blink.off or usb", False, True),
        ("cell.voltage < 3.8", True, True), ("3.8 < cell.voltage", False, False),
        ("cell.charge >= 0.5", True, True), ("glow > 0.5", True, True),
        ("glow < 0.5", False, False), ("gauge == 0", True, True), ("gauge > 0", False, False),
    ],
)  # fmt: skip
def test_guards_are_read_from_the_states_and_inputs_of_a_moment(
    tmp_path: Path, text: str, nothing: bool, all_touched: bool
) -> None:
    """With no input on and with all of them."""
    gadget = PARTS + ROUND.format(resumes="", guard="", emit="")
    for wanted, on in ((nothing, False), (all_touched, True)):
        found = truths(tmp_path, gadget, flags=(on,) * 4, echoes=(on,))
        expression = parse_expression(text, found.layout.system.names)
        assert found.holds(expression, found.moment.states) == wanted
        assert not found.holds(Happened("usb.in"), found.moment.states)


def test_each_input_is_told_from_the_others(tmp_path: Path) -> None:
    """One of them on at a time."""
    gadget = PARTS + ROUND.format(resumes="", guard="", emit="")
    for number, one in enumerate(INPUTS):
        flags = tuple(place == number for place in range(len(INPUTS)))
        found = truths(tmp_path, gadget, flags=flags)
        held = [name for name in INPUTS if found.holds(
            parse_expression(name, found.layout.system.names), found.moment.states)]  # fmt: skip
        assert held == [one]


@pytest.mark.parametrize(
    ("parts", "rests"),
    [
        ({}, True),
        ({"guard": ', when = "not usb"'}, True),  # nothing changes it meanwhile
        ({"guard": ', when = "usb"'}, False),  # its dwell leads nowhere
        ({"emit": ', emit = "blink.back"'}, True),  # nobody hears
        ({"resumes": 'resume_points = ["on", "off"]'}, False),  # where it was is remembered
    ],
)
def test_a_region_that_goes_round_rests_if_nothing_hangs_on_it(
    tmp_path: Path, parts: dict[str, str], rests: bool
) -> None:
    """A blinking light."""
    found = truths(tmp_path, PARTS + ROUND.format(**{"resumes": "", "guard": "", "emit": "",
                                                     **parts}))  # fmt: skip
    blink = found.layout.region_id["blink"]
    assert (blink in laps_of(found)) == rests


@pytest.mark.parametrize(
    ("source", "to", "rests"), [("idle", "told", False), ("told", "idle", True),
                                ("idle", "same", True)])  # fmt: skip
def test_a_region_that_moves_another_does_not_rest(
    tmp_path: Path, source: str, to: str, rests: bool
) -> None:
    """It tells of each round; the other hears it in one of its states, and may stay there."""
    found = truths(tmp_path, PARTS + ROUND.format(resumes="", guard="",
                                                  emit=', emit = "blink.back"')
                   + HEARS.format(source=source, to=to))  # fmt: skip
    assert (found.layout.region_id["blink"] in laps_of(found)) == rests


HABIT = """
[[habits]]
name = "answers"
when = "{when}"
steps = [{{ press = "key", for = "200 ms" }}]
"""


@pytest.mark.parametrize(
    ("when", "rests"),
    [
        ("blink.back", False), ("blink.back and not usb", False), ("usb or blink.back", False),
        ("not (usb or blink.back)", False), ("usb.in", True), ("key.click and not usb", True),
        ("blink.on", False), ("blink.on or blink.off", True),
    ],
)  # fmt: skip
def test_a_region_that_somebody_answers_to_does_not_rest(
    tmp_path: Path, when: str, rests: bool
) -> None:
    """A habit that begins on what the region tells, or on where it is, has to see each round."""
    found = truths(tmp_path, PARTS + ROUND.format(resumes="", guard="",
                                                  emit=', emit = "blink.back"'),
                   HABIT.format(when=when))  # fmt: skip
    assert (found.layout.region_id["blink"] in laps_of(found)) == rests


def test_nothing_rests_while_the_protection_is_open(tmp_path: Path) -> None:
    """A dead gadget goes nowhere."""
    text = PARTS + ROUND.format(resumes="", guard="", emit="")
    assert laps_of(truths(tmp_path, text))
    assert laps_of(truths(tmp_path, text, protected=True)) == {}
