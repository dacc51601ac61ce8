"""Which of many resting combinations are listed."""

from __future__ import annotations

import pytest

from simfw.behaviour.build import build_system
from simfw.engine.factors import factors
from simfw.engine.listing import MOST_LISTED, Standing, listed
from simfw.engine.modes import survey
from simfw.report.modes import modes_text
from tests.engine.bench import gadget_of

HEAD = """
[gadget]
name = "Course"
[cell]
curve = "lco"
capacity = "500 mAh"
[loads]
white = { current = "20 mA" }
red = { current = "10 mA" }
bars = { current = "4 mA" }
[buttons.mode]
hold = "1 s"
[buttons.colour]
hold = "1 s"
"""
LAMP = """
[behaviour.lamp]
starts = "off"
states.off = {}
states.a = { white = "on", red = "on" }
states.b = { white = "50 %", red = "50 %" }
states.c = { white = "25 %", red = "25 %" }
states.d = { white = "10 %", red = "10 %" }
states.e = { white = "5 %", red = "5 %" }
states.f = { white = "2 %", red = "2 %" }
rows = [
  { on = "mode.click", from = "off", to = "a", when = "lock.open" },
  { on = "mode.click", from = "a", to = "b", when = "lock.open" },
  { on = "mode.click", from = "b", to = "c", when = "lock.open" },
  { on = "mode.click", from = "c", to = "d", when = "lock.open" },
  { on = "mode.click", from = "d", to = "e", when = "lock.open" },
  { on = "mode.click", from = "e", to = "f", when = "lock.open" },
  { on = "mode.click", from = "f", to = "off", when = "lock.open" },
]
"""
OTHERS = """
[dials.level]
values = ["50 %", "100 %"]
rows = [{ on = "mode.hold", step = 1, wrap = true, when = "lock.open" }]
[behaviour.shade]
starts = "day"
states.day = { scale = { white = "level", red = "off" } }
states.night = { scale = { white = "off" } }
rows = [
  { on = "colour.click", from = "day", to = "night", when = "lock.open" },
  { on = "colour.click", from = "night", to = "day", when = "lock.open" },
]
[behaviour.lock]
starts = "open"
states.open = {}
states.shut = {}
rows = [
  { on = "colour.hold", from = "open", to = "shut" },
  { on = "colour.hold", from = "shut", to = "open" },
]
[behaviour.telling]
starts = "quiet"
states.quiet = {}
states.shown = { bars = "on" }
rows = [
  { on = ["mode.click", "colour.click"], from = "*", to = "shown" },
  { after = "3 s", from = "shown", to = "quiet" },
]
"""


def test_what_scales_another_stays_with_it_and_the_rest_is_listed_apart() -> None:
    """Seven lamp states x two shades, the bars once; the lock draws nothing and makes no mode."""
    found = survey(gadget_of(HEAD + LAMP + OTHERS))
    assert [tuple(mode.states.values()) for mode in found.modes] == [
        ("off", "day", "quiet"),
        *((state, shade, "quiet") for state in ("off", "a", "b", "c", "d", "e", "f")
          for shade in ("day", "night") if (state, shade) != ("off", "day")),
        ("off", "day", "shown"),
    ]
    assert found.together is not None
    assert found.together.left_out == 28 - 15
    # White at half its current by the dial, and the bars.
    assert found.together.sum_a == pytest.approx(0.010 + 0.004)
    assert found.together.current_a == pytest.approx(found.together.sum_a)


def test_a_mode_that_the_meter_has_a_reading_of_is_listed_in_any_case() -> None:
    """Also where two groups that are listed apart are both elsewhere in it."""
    text = HEAD + LAMP + OTHERS + '[readings]\n"lamp.b telling.shown" = "9.1 mA"\n'
    found = survey(gadget_of(text))
    assert tuple(found.modes[-1].states.values()) == ("b", "day", "shown")
    assert list(found.modes[-1].readings) == ["lamp.b telling.shown"]
    assert found.together is not None
    assert found.together.left_out == 28 - 16


def test_groups_are_no_more_than_what_comes_in_every_combination() -> None:
    """Bars that are lit only while the lamp is on cannot be told apart from it."""
    tied = OTHERS.replace(
        '{ on = ["mode.click", "colour.click"], from = "*", to = "shown" }',
        '{ on = "mode.click", from = "*", to = "shown", when = "not lamp.off" }',
    ).replace('{ after = "3 s", from = "shown", to = "quiet" }',
              '{ on = "mode.click", from = "shown", to = "quiet" }')
    gadget = gadget_of(HEAD + LAMP + tied)
    system = build_system(gadget)
    stands = listed(gadget, system, Standing(gadget, system)).stands
    assert any(stand.allowed["telling"] == {"shown"} for stand in stands)
    assert factors(system, stands) == [("lamp", "shade", "telling")]


def test_of_one_long_list_no_more_than_a_counted_number_is_listed() -> None:
    """Seventy levels in one region: sixty lines, and how many are not there."""
    levels = range(1, 71)
    lamp = '[behaviour.lamp]\nstarts = "n1"\n'
    lamp += "".join(f'states.n{n} = {{ white = "{n} %" }}\n' for n in levels)
    lamp += "rows = [\n" + "".join(
        f'  {{ on = "mode.click", from = "n{n}", to = "n{n % 70 + 1}" }},\n' for n in levels) + "]"
    gadget = gadget_of(HEAD + lamp)
    found = survey(gadget)
    assert (len(found.modes), found.unlisted, found.together) == (MOST_LISTED, 10, None)
    assert "10 more modes are not listed" in modes_text(gadget, found)

PLUG = """
[gadget]
name = "Case"
[cell]
curve = "lco"
capacity = "100 mAh"
[charger]
current = "50 mA"
float = "4.2 V"
status = "low while charging"
[loads]
lamp = { current = "5 mA" }
mark = { current = "1 mA" }
[buttons.key]
[behaviour.plug]
starts = "no"
states.no = {}
states.yes = { mark = "on" }
rows = [
  { after = "500 ms", from = "no", to = "yes", when = "CHARGES", emit = "plug.seen" },
  { after = "500 ms", from = "no", to = "no" },
  { after = "500 ms", from = "yes", to = "no", when = "not (CHARGES)", emit = "plug.gone" },
  { after = "500 ms", from = "yes", to = "yes" },
]
[behaviour.box]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
  { on = "plug.seen", from = "dark", to = "lit" },
  { on = "plug.gone", from = "lit", to = "dark" },
]
"""


@pytest.mark.parametrize("asked", ["status.low", "usb", "charge.charging", "usb and status.low"])
def test_what_one_region_does_to_another_only_on_the_charger_joins_no_modes(asked: str):
    """Without USB the pin is never low, so the plug never lights the box: dark and lit come round
    by themselves nowhere, and each of the four combinations draws what it drives.
    """
    found = survey(gadget_of(PLUG.replace("CHARGES", asked)))
    drawn = {tuple(mode.states.values()): mode.current_a for mode in found.modes}
    assert drawn == pytest.approx({
        ("no", "dark"): 0.0, ("no", "lit"): 5e-3, ("yes", "dark"): 1e-3, ("yes", "lit"): 6e-3,
    })


def test_a_blink_that_asks_for_usb_is_still_one_mode():
    """Only the region itself moves: both of its states are a part of its blink."""
    text = PLUG.replace(', emit = "plug.seen"', "").replace(', emit = "plug.gone"', "")
    text = text.replace("CHARGES", "usb").replace('  { on = "plug.seen", from = "dark", to = "lit" '
                                                  "},\n", "")
    text = text.replace('  { on = "plug.gone", from = "lit", to = "dark" },\n', "")
    found = survey(gadget_of(text))
    assert [tuple(mode.states.values()) for mode in found.modes] == [
        ("no/yes", "dark"), ("no/yes", "lit")]


def test_what_only_a_charger_moves_stays_lit_once_it_is_unplugged():
    """Both ways ask for USB: unplugged while it glows it glows on, so each state is a mode."""
    found = survey(gadget_of(GLOW))
    drawn = {mode.states["lamp"]: mode.current_a for mode in found.modes}
    assert drawn == pytest.approx({"dark": 50e-6, "glow": 20e-3})


GLOW = """
[gadget]
name = "Glow"
[cell]
curve = "lco"
capacity = "500 mAh"
[charger]
current = "100 mA"
float = "4.2 V"
[loads]
lamp = { current = "20 mA" }
idle = { current = "50 uA" }
[behaviour.lamp]
starts = "dark"
states.dark = { idle = "on" }
states.glow = { lamp = "on" }
rows = [
  { after = "1 s", from = "dark", to = "glow", when = "usb" },
  { after = "1 s", from = "glow", to = "dark", when = "usb" },
]
"""


def test_what_only_adds_up_is_exact_though_the_beats_never_come_round():
    """Fourteen blinks on as many periods, 1 mA each: the mean is the sum of 20 ms over each
    period, 0.133 mA, and no line is marked as one that may be off.
    """
    periods = [700, 1100, 1300, 1700, 1900, 2300, 2900, 3100, 3700, 4100, 4300, 4700, 5300, 5900]
    text = '[gadget]\nname = "Stars"\n[cell]\ncurve = "lithium-primary"\ncapacity = "220 mAh"\n'
    for n, period in enumerate(periods):
        text += (f'[loads.s{n}]\ncurrent = "1 mA"\n[behaviour.b{n}]\nstarts = "out"\n'
                 f'states.out = {{}}\nstates.in = {{ s{n} = "on" }}\n'
                 f'rows = [ {{ after = "{period - 20} ms", from = "out", to = "in" }},\n'
                 '{ after = "20 ms", from = "in", to = "out" } ]\n')
    gadget = gadget_of(text)
    found = survey(gadget)
    mean_a = 1e-3 * sum(20 / period for period in periods)
    assert found.modes[0].current_a == pytest.approx(mean_a, rel=1e-12)
    assert found.modes[0].within_a == 0.0
    assert "~" not in modes_text(gadget, found)
