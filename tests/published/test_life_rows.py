"""Published lives of duty-cycled gadgets, through a pattern without habits."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.life.life import life
from tests.life.made import head, pattern
from tests.published.duty_cycles import IRIS, LEAK, MONTH_H, PULSES, SENSOR


@pytest.mark.parametrize(("capacity", "months"), [(250, 1.20), (1000, 4.78), (3000, 14.35)])
def test_node_lasts_as_published(tmp_path: Path, capacity: int, months: float) -> None:
    """IRIS OEM manual, Table 5-2: 0.2904 mAh an hour; 1.20, 4.78 and 14.35 months."""
    found = life(pattern(tmp_path, IRIS.format(capacity=capacity), head()), users=3, study=False)
    assert found.average_current_a == pytest.approx(0.2904e-3, abs=0.0001e-3)
    assert found.mean_days is not None
    assert found.mean_days * 24 / MONTH_H == pytest.approx(months, rel=0.005)


def test_sensor_lasts_as_published(tmp_path: Path) -> None:
    """iocare.in, "Calculating sensor battery life": 0.142 mA, 14 101 h, 19.6 months."""
    found = life(pattern(tmp_path, SENSOR, head(horizon="1 year")), users=1, study=False)
    assert found.average_current_a == pytest.approx(0.142e-3, abs=0.0003e-3)
    assert found.mean_days is not None
    assert found.mean_days * 24 == pytest.approx(14_101, abs=1)
    assert found.mean_days * 24 / MONTH_H == pytest.approx(19.6, abs=0.05)


def test_short_pulses_count(tmp_path: Path) -> None:
    """Atmel picoPower training (ATmega164P): 0.5 mA for 10 us a second, else 0.65 uA: 0.655 uA."""
    found = life(pattern(tmp_path, PULSES, head()), users=1, study=False)
    assert found.average_current_a == pytest.approx(0.655e-6, abs=0.001e-6)
    assert found.mean_days == pytest.approx(0.1 / 0.6549935e-6 / 24, rel=1e-6)


def test_leak_empties_a_coin_cell_within_a_year(tmp_path: Path) -> None:
    """J. Ganssle, "Leaks and Drains": 200 mAh at 30 uA, 6667 h; on the shelf just as well."""
    found = life(pattern(tmp_path, LEAK, head()), users=1, study=False)
    assert found.mean_days is not None
    assert found.mean_days * 24 == pytest.approx(6667, abs=1.0)
    assert found.held.shelf_life_s == pytest.approx(found.mean_days * 86_400, rel=1e-9)


SHELVED = """
[gadget]
name = "Shelved cell"
[cell]
curve = "lco"
capacity = "100 mAh"
self_discharge = "{rate}"
"""


@pytest.mark.parametrize(
    ("rate", "days", "least", "most"),
    [
        # daviddarling.info, diracdelta.co.uk: lithium-ion loses 2 to 3 % a month;
        # yokenergy.com: at least 95 % after 30 days at 25 degC; > 90 % after 28 days: the
        # cell sheet filed as lopezirrigation 108979.
        ("2 %/month", 30.0, 0.95, 0.981),
        ("3 %/month", 28.0, 0.90, 0.975),
        # IEC 60086-3, 5.4 (watch batteries): at least 90 % after 365 days at 20 degC.
        ("10 %/year", 365.0, 0.90, 0.905),
    ],
)
def test_shelved_cell_keeps_what_is_published(
    tmp_path: Path, rate: str, days: float, least: float, most: float
) -> None:
    """The charge kept on the shelf lies where cell makers and standards have it."""
    from simfw.life.drawing import warmths
    from simfw.life.layout import Layout
    from simfw.life.parts import PartTables
    from simfw.life.registers import CHARGE
    from simfw.life.store import Store
    from simfw.life.user import Life

    made = pattern(tmp_path, SHELVED.format(rate=rate), head())
    assert made.gadget is not None
    store = Store(Layout(made, made.gadget, warmths(made)[0]), fast=False)
    user = Life(made, store, PartTables(store, made.gadget), 0, 0)
    stimuli, _ = user.stimuli(0, 0)
    user.go(stimuli, round(days * 86_400e9))
    assert least <= user.world.f[CHARGE] <= most
