"""Published lives of duty-cycled gadgets, through a pattern without habits."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.life.life import life
from tests.life.made import head, pattern

MONTH_DAYS = 30.0  # the published months

# Crossbow / MEMSIC, "IRIS OEM Edition Hardware Reference Manual", doc. 7430-0549-01, Table 5-2,
# p. 23: currents and duties of four boards; the duties are laid one after the other into 1 s.
IRIS = """
[gadget]
name = "Sensor node"
[cell]
curve = "lco"
capacity = "{capacity}"
[loads]
{loads}
{regions}
"""
IRIS_BOARDS = {
    "processor": [("6 mA", 10_000), ("10 uA", 990_000)],
    "radio": [("16 mA", 7_500), ("17 mA", 2_500), ("1 uA", 990_000)],
    "memory": [("2 uA", 1_000_000)],
    "board": [("5 mA", 10_000), ("5 uA", 990_000)],
}


def iris(capacity: str) -> str:
    """The node as a gadget: one region per board, one load per state of a board."""
    loads, regions = [], []
    for board, parts in IRIS_BOARDS.items():
        states = [f"{board}_{n}" for n in range(len(parts))]
        loads += [f'{s} = {{ current = "{a}" }}' for s, (a, _) in zip(states, parts, strict=True)]
        lines = ['starts = "s0"']
        lines += [f'states.s{n} = {{ {state} = "on" }}' for n, state in enumerate(states)]
        rows = [
            f'{{ after = "{us} us", from = "s{n}", to = "s{(n + 1) % len(parts)}" }}'
            for n, (_, us) in enumerate(parts)
        ]
        if len(parts) > 1:
            lines.append(f"rows = [{', '.join(rows)}]")
        regions.append(f"[behaviour.{board}]\n" + "\n".join(lines))
    return IRIS.format(capacity=capacity, loads="\n".join(loads), regions="\n".join(regions))


@pytest.mark.parametrize(("capacity", "months"), [("250 mAh", 1.20), ("1000 mAh", 4.78),
                                                  ("3000 mAh", 14.35)])
def test_node_lasts_as_published(tmp_path: Path, capacity: str, months: float) -> None:
    """IRIS OEM manual, Table 5-2: 0.2904 mAh an hour; 1.20, 4.78 and 14.35 months."""
    found = life(pattern(tmp_path, iris(capacity), head()), users=3, study=False)
    assert found.average_current_a == pytest.approx(0.2904e-3, abs=0.0001e-3)
    assert found.mean_days == pytest.approx(months * MONTH_DAYS, rel=0.005)


TELEMETER = """
[gadget]
name = "Telemeter"
[cell]
curve = "lco"
capacity = "2000 mAh"
[loads]
send = { current = "28 mA" }
listen = { current = "31 mA" }
sleep = { current = "120 uA" }
[behaviour.work]
starts = "send"
states.send = { send = "on" }
states.listen = { listen = "on" }
states.sleep = { sleep = "on" }
rows = [
  { after = "650 ms", from = "send", to = "listen" },
  { after = "50 ms", from = "listen", to = "sleep" },
  { after = "15 min", from = "sleep", to = "send" },
]
"""


def test_telemeter_lasts_as_published(tmp_path: Path) -> None:
    """iocare.in, "Calculating sensor battery life": 0.142 mA, 14 101 h, 19.6 months."""
    found = life(pattern(tmp_path, TELEMETER, head(horizon="1 year")), users=1, study=False)
    assert found.average_current_a == pytest.approx(0.142e-3, abs=0.0003e-3)
    assert found.mean_days is not None
    assert found.mean_days * 24 == pytest.approx(14_101, abs=1)
    assert found.mean_days / MONTH_DAYS == pytest.approx(19.6, abs=0.05)


PULSED = """
[gadget]
name = "Microcontroller that wakes once a second"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads]
awake = { current = "0.5 mA" }
asleep = { current = "0.65 uA" }
[behaviour.work]
starts = "awake"
states.awake = { awake = "on" }
states.asleep = { asleep = "on" }
rows = [
  { after = "10 us", from = "awake", to = "asleep" },
  { after = "999990 us", from = "asleep", to = "awake" },
]
"""


def test_short_pulses_count(tmp_path: Path) -> None:
    """Atmel picoPower training (ATmega164P): 0.5 mA for 10 us a second, else 0.65 uA: 0.655 uA."""
    found = life(pattern(tmp_path, PULSED, head()), users=1, study=False)
    assert found.average_current_a == pytest.approx(0.655e-6, abs=0.001e-6)
    assert found.mean_days == pytest.approx(0.1 / 0.6549935e-6 / 24, rel=1e-6)


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
        # yokenergy.com: at least 95 % after 30 days at 25 degC; another sheet: > 90 % after 28.
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
