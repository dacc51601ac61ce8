"""Which changes are tried, and what is said where days have no end."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from types import SimpleNamespace

import pytest

from simfw.life import changes
from simfw.life.changes import best_changes, corners, extra_lives, mean_days
from tests.life.made import head, pattern

BLINKER = """
[gadget]
name = "Blinker"
[cell]
curve = "lco"
capacity = "100 mAh ± 10 %"
self_discharge = "3 %/month"
[loads]
glow = { current = "0.2 mA" }
[behaviour.lamp]
starts = "lit"
states.lit = { glow = "on" }
states.dark = {}
rows = [
  { after = "10 min", from = "lit", to = "dark" },
  { after = "10 min", from = "dark", to = "lit" },
]
"""


STILL = BLINKER[: BLINKER.index("[behaviour.lamp]")] + """
[behaviour.lamp]
starts = "begin"
states.begin = {}
states.lit = { glow = "on" }
rows = [{ after = "0 s", from = "begin", to = "lit" }]
"""


def days(mean_a: float, capacity_ah: float = 0.1, a_month: float = 0.03) -> float:
    """How long a cell lasts that loses a share of what it still holds in 30 days, by hand:
    Q' = -I - k Q, so Q is 0 after ln(1 + k Q0 / I) / k.
    """
    lost = a_month / (30 * 24)
    return math.log1p(lost * capacity_ah / mean_a) / lost / 24


def test_times_are_halved_and_the_best_three_changes_told(tmp_path: Path) -> None:
    """Lit for a third of the time in place of half of it; half the current gains most."""
    made = pattern(tmp_path, BLINKER, head())
    found = best_changes(made, 0, False)
    assert found[0].change == "loads.glow.current: 200 µA -> 100 µA"
    now = days(0.1e-3)
    assert {one.change: one.gain_days for one in found[1:]} == {
        "behaviour.lamp.rows[0].after: 10 min -> 5 min":
            pytest.approx(days(0.2e-3 / 3) - now, rel=1e-3),
        "cell.capacity: 100 mAh -> 150 mAh": pytest.approx(days(0.1e-3, 0.15) - now, rel=1e-3),
    }  # fmt: skip
    assert found[0].gain_days == pytest.approx(days(0.05e-3) - now, rel=1e-3)


def test_self_discharge_is_told_by_the_month_and_times_of_nothing_are_left(tmp_path: Path) -> None:
    """What leaks weighs more than what is drawn; a time of 0 s cannot be halved."""
    made = pattern(tmp_path, STILL.replace("0.2 mA", "2 uA"), head())
    found = {one.change: one.gain_days for one in best_changes(made, 0, False)}
    now = days(2e-6)
    assert found == {
        "loads.glow.current: 2 µA -> 1 µA": pytest.approx(days(1e-6) - now, rel=0.02),
        "cell.self_discharge: 3 %/month -> 1.5 %/month":
            pytest.approx(days(2e-6, a_month=0.015) - now, rel=0.02),
        "cell.capacity: 100 mAh -> 150 mAh": pytest.approx(days(2e-6, 0.15) - now, rel=0.02),
    }  # fmt: skip
    # Two users live once as written, with three changes, and with both ends of one figure.
    assert extra_lives(made, 8) == 2 * (1 + 3 + 5)


def test_days_without_end_cannot_be_made_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if one of two cells never ran empty: no change is proposed, and no worst and best."""
    lived = itertools.count()
    monkeypatch.setattr(changes, "live", lambda *_args, **_more: SimpleNamespace(
        days=None if next(lived) % 2 else 3.0))  # fmt: skip
    made = pattern(tmp_path, STILL, head())
    assert made.gadget is not None
    assert mean_days(made, made.gadget, 0, False, (0, 1)) == math.inf
    assert best_changes(made, 0, False, (0, 1)) == ()
    assert next(lived) == 4  # nothing was tried
    next(lived)
    assert corners(made, 0, False, (0, 1)) is None


def test_without_ranges_there_is_no_worst_and_no_best(tmp_path: Path) -> None:
    """Every figure is taken as written."""
    made = pattern(tmp_path, BLINKER.replace(" ± 10 %", ""), head())
    assert corners(made, 0, False) is None


@pytest.mark.parametrize("capacity", ["100 mAh ± 10 %", "100 mAh"])
def test_the_lives_that_will_be_lived_are_counted_beforehand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capacity: str
) -> None:
    """For eight users two typical ones, each once with every design."""
    made = pattern(tmp_path, BLINKER.replace("100 mAh ± 10 %", capacity), head())
    lived: list[object] = []
    live = changes.live

    def counted(*args: object, **more: object) -> object:
        lived.append(args)
        return live(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(changes, "live", counted)
    best_changes(made, 0, False, (0, 1))
    corners(made, 0, False, (0, 1))
    assert len(lived) == extra_lives(made, 8)


LATCHED = """
[gadget]
name = "Soft latch"
[cell]
curve = "lco"
capacity = "100 mAh"
cut_off = "3.0 V"
leakage = "1 uA"
[controller]
awake = "1 mA"
asleep = "20 uA"
powered_by = ["wake"]
[loads.glow]
current = "20 mA"
[buttons.wake]
[behaviour.box]
starts = "boot"
states.boot = { controller = "awake" }
states.lit = { glow = "on" }
states.off = { controller = "unpowered" }
rows = [
  { after = "200 ms", from = "boot", to = "lit", when = "wake.closed" },
  { after = "250 ms", from = "boot", to = "off" },
  { after = "10 min", from = "lit", to = "off" },
]
"""
WAKING = """
[[habits]]
name = "look"
times = 2
between = ["08:00", "20:00"]
steps = [{ press = "wake", for = "400 ms" }]
"""


def test_no_dwell_is_proposed_by_which_the_gadget_would_not_do_its_work(tmp_path: Path) -> None:
    """Let go of after 125 ms, before it asks after 200 ms whether the button is held: it would
    never be lit, and the cell would last for years. Half the time lit is what gains most.
    """
    made = pattern(tmp_path, LATCHED, head() + WAKING)
    found = [one.change for one in best_changes(made, 0, False)]
    assert "behaviour.box.rows[2].after: 10 min -> 5 min" in found
    assert not any(one.startswith("behaviour.box.rows[1]") for one in found)
