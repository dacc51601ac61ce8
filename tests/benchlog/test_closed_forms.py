"""Intervals whose ends can be worked out by hand.

Each is within 0.2 % of the starting range; what is printed lies outside of what a run reached.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from simfw.benchlog.narrowing import narrow
from simfw.benchlog.search import Aim, Rival
from simfw.loading import load_bench_log
from tests.benchlog.lantern import FULL_C, bar_charge, interval, log_of

DAY = 86_400.0


def agrees(found, key: str, low: float, high: float, before: tuple[float, float]) -> None:
    """Hold both ends of an interval against those worked out, and look that they lie outside."""
    near = 0.002 * (before[1] - before[0])
    one = interval(found, key)
    assert one.low_reached == pytest.approx(low, abs=near)
    assert one.high_reached == pytest.approx(high, abs=near)
    assert one.low == pytest.approx(low, abs=near)
    assert one.high == pytest.approx(high, abs=near)
    assert one.low <= one.low_reached <= one.high_reached <= one.high


def test_what_lay_in_the_drawer_tells_the_standby_current(tmp_path: Path):
    """I = (Q0 - Q(bar)) / t: two bars after 120 days bound the drain from both sides."""
    log = log_of(tmp_path, """
[unknown]
"cell.leakage" = "10 uA .. 200 uA"
[[observations]]
name = "drawer"
start = "full"
steps = [{ wait = "120 days" }, { see = "gauge == 2" }]
""")
    found = narrow(log, brief=True)
    low = FULL_C * (1.0 - bar_charge(3)) / (120 * DAY)  # three bars no more
    high = FULL_C * (1.0 - bar_charge(2)) / (120 * DAY)  # two bars still
    agrees(found, "cell.leakage", low, high, (10e-6, 200e-6))
    assert interval(found, "cell.leakage").low_by == ("drawer",)


def test_the_end_of_a_range_that_a_run_has_reached_is_looked_for_no_further(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """At most three bars after 120 days bound a leakage from below alone."""
    log = log_of(tmp_path, """
[unknown]
"cell.leakage" = "10 uA .. 200 uA"
[[observations]]
name = "drawer"
start = "full"
steps = [{ wait = "120 days" }, { see = "gauge <= 3" }]
""")
    rival = Rival(log, (), seed=0, most=1000)
    rival.prepare()
    rival.least(rival.all)
    end = rival.end(Aim(share=0), 1, rival.all)
    assert end is not None
    assert (end.reached, end.outer) == (1.0, 1.0)
    asked = []
    propose = rival._extreme

    def counted(*args, **kwargs):
        asked.append(args)
        return propose(*args, **kwargs)

    monkeypatch.setattr(rival, "_extreme", counted)
    assert rival.end(Aim(share=0), 1, rival.all) == end
    assert not asked


def test_two_drains_trade_off_and_their_sum_is_known(tmp_path: Path):
    """Asleep and leakage can stand for one another: only the sum is bounded."""
    log = log_of(tmp_path, """
[unknown]
"cell.leakage" = "1 uA .. 40 uA"
"controller.asleep" = "1 uA .. 60 uA"
[[observations]]
name = "drawer"
start = "full"
steps = [{ wait = "200 days" }, { see = "gauge == 2" }]
""")
    found = narrow(log)
    # A gauge that samples each second is awake for no time: asleep draws all along.
    low = FULL_C * (1.0 - bar_charge(3)) / (200 * DAY)
    high = FULL_C * (1.0 - bar_charge(2)) / (200 * DAY)
    (together,) = found.rivals[0].together
    assert (together.kind, set(together.keys)) == ("sum", {"cell.leakage", "controller.asleep"})
    assert together.low == pytest.approx(low, abs=0.2e-6)
    assert together.high == pytest.approx(high, abs=0.2e-6)
    agrees(found, "controller.asleep", 1e-6, high - 1e-6, (1e-6, 60e-6))


def test_a_charge_time_tells_the_capacity(tmp_path: Path):
    """Straight line, 1 ohm: constant current to 4.2 V - I R, then tau = R Q / 1.2 V per log."""
    log = log_of(tmp_path, """
[unknown]
"cell.capacity" = "300 mAh .. 800 mAh"
[[observations]]
name = "charge"
start = "0 %"
by = "analyser"
steps = [{ usb = true }, { until = "charge.complete", took = "2 h 40 min ± 10 min" }]
""", resistance="1 Ω", leakage="0 A", cut_off="2.5 V")
    found = narrow(log, brief=True)
    # s at the end of constant current: 3.0 + 1.2 s + 0.2 x 1 = 4.2; then 200 mA to 20 mA.
    per_c = (1.0 - 0.2 / 1.2) / 0.2 + (1.0 / 1.2) * math.log(10.0)  # seconds per coulomb
    agrees(found, "cell.capacity", 9000.0 / per_c, 10_200.0 / per_c, (1080.0, 2880.0))


def test_running_down_by_a_constant_load_tells_its_current(tmp_path: Path):
    """I = Q (1 - s(bar)) / t, with the leakage beside it."""
    log = log_of(tmp_path, """
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
[[observations]]
name = "lit"
start = "full"
by = "analyser"
steps = [
  { press = "key", for = "100 ms" },
  { until = "gauge == 2", took = "2 h 5 min ± 5 min" },
]
""", leakage="0 A")
    found = narrow(log, brief=True)
    used = FULL_C * (1.0 - bar_charge(3))
    agrees(found, "loads.lamp.current", used / 7800.0, used / 7200.0, (0.03, 0.12))


def test_a_meter_tells_a_current_as_it_reads(tmp_path: Path):
    """The mode's mean current is the lamp's and the leakage's."""
    log = log_of(tmp_path, """
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
[[observations]]
name = "meter"
mode = "lamp.lit"
charge = "50 % .. 90 %"
reading = "62 mA ± 1 mA"
""")
    found = narrow(log, brief=True)
    agrees(found, "loads.lamp.current", 0.061 - 40e-6, 0.063 - 40e-6, (0.03, 0.12))


def test_a_reading_below_the_floor_bounds_from_above(tmp_path: Path):
    """Below 30 uA: no lower end."""
    log = log_of(tmp_path, """
[unknown]
"cell.leakage" = "1 uA .. 100 uA"
[[observations]]
name = "meter, dark"
mode = "lamp.dark"
reading = "below 30 uA"
""")
    found = narrow(log, brief=True)
    agrees(found, "cell.leakage", 1e-6, 30e-6, (1e-6, 100e-6))
    assert interval(found, "cell.leakage").low_by == ()


def test_a_reading_that_a_figure_hardly_moves_holds_none_of_its_ends(tmp_path: Path):
    """The lamp's reading is at its edge for the lamp's current; what sleeps moves it by a 50th of
    its tolerance. That ends where the reading in the dark leaves the least to the leakage.
    """
    log = log_of(tmp_path, """
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"cell.leakage" = "1 uA .. 10 uA"
"controller.asleep" = "1 uA .. 20 uA"
[[observations]]
name = "meter, dark"
mode = "lamp.dark"
reading = "12 uA ± 0.5 uA"
[[observations]]
name = "meter, lit"
mode = "lamp.lit"
reading = "62 mA ± 1 mA"
""")
    found = narrow(log, brief=True)
    asleep = interval(found, "controller.asleep")
    assert asleep.high_reached == pytest.approx(11.5e-6, rel=0.002)
    assert asleep.low_by == asleep.high_by == ("meter, dark",)
    lamp = interval(found, "loads.lamp.current")
    assert lamp.low_by == lamp.high_by == ("meter, lit",)


def test_one_clock_factor_is_told_by_an_automatic_off(tmp_path: Path):
    """45 min by the file, 46 min by the stopwatch within 3 s: 1.021 to 1.0235 of the clock."""
    gadget_row = '{ after = "45 min", from = "lit", to = "dark" },'
    log_of(tmp_path, """
[unknown]
clock = "± 10 %"
[[observations]]
name = "off"
start = "80 %"
by = "analyser"
steps = [
  { press = "key", for = "100 ms" },
  { until = "lamp.dark", took = "46 min ± 3 s" },
]
""", leakage="0 A")
    path = tmp_path / "gadget.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(
        "rows = [\n", f"rows = [\n  {gadget_row}\n"), encoding="utf-8")
    from simfw.loading import load_bench_log

    found = narrow(load_bench_log(tmp_path / "log.toml"), brief=True)
    # 0.1 s of press, a debounce and the dwell, both of this clock: 0.1 s + f (45 min + 20 ms).
    low, high = ((46 * 60 + d - 0.1) / (45 * 60 + 0.02) for d in (-3.0, 3.0))
    agrees(found, "clock", low, high, (0.9, 1.1))


def test_the_true_reference_is_told_by_the_voltage_at_a_bar(tmp_path: Path):
    """Measured = true x nominal / true reference: the bar of 3.9 V goes at 3.9 V x ref / 1.1."""
    log = log_of(tmp_path, """
[unknown]
"controller.reference" = "1.06 V .. 1.14 V"
[[observations]]
name = "bar"
start = "full"
by = "analyser"
steps = [
  { press = "key", for = "100 ms" },
  { until = "gauge == 2", took = "2 h ± 6 min" },
]
""", leakage="0 A")
    found = narrow(log, brief=True)
    # The voltage after t: 4.2 - 1.2 x 60 mA t / Q; no ADC is written, so that there are no steps.
    ends = [(4.2 - 1.2 * 0.06 * t / FULL_C) * 1.1 / 3.9 for t in (7560.0, 6840.0)]
    agrees(found, "controller.reference", *ends, (1.06, 1.14))


def test_a_start_that_is_not_known_well_counts(tmp_path: Path):
    """From 95 % to full: the drain is bounded by the worse end of the start each time."""
    log = log_of(tmp_path, """
[unknown]
"cell.leakage" = "5 uA .. 200 uA"
[[observations]]
name = "drawer"
start = "95 % .. 100 %"
steps = [{ wait = "4 months ± 1 week" }, { see = "gauge == 2" }]
""")
    low = FULL_C * (0.95 - bar_charge(3)) / ((4 * 30.4375 + 7) * DAY)
    high = FULL_C * (1.0 - bar_charge(2)) / ((4 * 30.4375 - 7) * DAY)
    agrees(narrow(log, brief=True), "cell.leakage", low, high, (5e-6, 200e-6))


def test_a_voltage_at_rest_can_be_the_start(tmp_path: Path):
    """3.84 V on the straight line is 70 %: to 3.6 V it is a fifth of the capacity."""
    log = log_of(tmp_path, """
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
[[observations]]
name = "from a voltage"
start = "3.84 V"
by = "analyser"
steps = [
  { press = "key", for = "100 ms" },
  { until = "gauge == 1", took = "1 h 40 min ± 4 min" },
]
""", leakage="0 A")
    used = FULL_C * (0.7 - bar_charge(2))
    found = narrow(log, brief=True)
    agrees(found, "loads.lamp.current", used / 6240.0, used / 5760.0, (0.03, 0.12))


def test_how_long_a_supply_stays_is_what_the_stopwatch_says(tmp_path: Path) -> None:
    """Held for 1 s, dark 5 s after the touch: 4 s, whatever the clock, for a capacitor holds it."""
    (tmp_path / "gadget.toml").write_text('''
[gadget]
name = "Step light"
[cell]
curve = "lco"
capacity = "500 mAh"
[controller]
powered_by = ["key"]
hold_up = "3 s"
[loads.lamp]
current = "20 mA"
[buttons.key]
[behaviour.lamp]
starts = "off"
states.off = { controller = "unpowered", lamp = "on" }
rows = []
''', encoding="utf-8")
    (tmp_path / "log.toml").write_text('''
gadget = "gadget.toml"
[unknown]
"controller.hold_up" = "1 s .. 10 s"
clock = "± 10 %"
[[observations]]
name = "goes dark"
by = "analyser"
steps = [{ wait = "1 s" }, { press = "key", for = "1 s" },
         { until = "lamp == 0", took = "5 s ± 0.2 s" }]
''', encoding="utf-8")
    found = narrow(load_bench_log(tmp_path / "log.toml"))
    assert found.rivals[0].state == "fits"
    left = interval(found, "controller.hold_up")
    assert (left.low * 1e-9, left.high * 1e-9) == pytest.approx((3.8, 4.2), abs=0.02)
    assert "clock" in found.untouched
