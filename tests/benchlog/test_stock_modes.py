"""Readings of modes in which stock regions, dials and toggles are named, by Ohm and by sums."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.narrowing import narrow
from simfw.errors import DescriptionError
from simfw.loading import load_bench_log
from simfw.report.bench_log import narrowed_json, narrowed_text
from tests.benchlog.lantern import interval

# Leakage 40 uA; red 10 mA while it charges, the lamp 60 mA x dial while the key is down.
GADGET = """
[gadget]
name = "Tool bag light"
[cell]
curve = "line.csv"
capacity = "500 mAh"
leakage = "40 uA"
[charger]
current = "200 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[loads.red]
current = "10 mA"
[loads.lamp]
current = "60 mA"
[buttons.key]
debounce = "20 ms"
hold = "3 s"
[buttons.ring]
holds = { short = "1 s", long = "2 s" }
[toggles.bag]
debounce = "10 ms"
[dials.level]
values = ["25 %", "50 %", "100 %"]
starts = 2
rows = [{ on = "bag.closed", step = -1 }]
[behaviour.sign]
starts = "off"
states.off = {}
states.on = { red = "on" }
states.held = { red = "on", lamp = "on" }
rows = [
  { on = "charge.started", from = "off", to = "on" },
  { on = "charge.completed", from = "on", to = "off" },
  { on = "key.hold", from = "off", to = "held" },
  { on = "key.hold", from = "held", to = "off" },
]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "level" }
rows = [
  { on = "bag.closed", from = "dark", to = "lit" },
  { on = "bag.opened", from = "lit", to = "dark" },
]
"""


def log_of(folder: Path, mode: str, rest: str) -> Path:
    """A bench log with one reading; the lamp's current is not known."""
    (folder / "line.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n", encoding="utf-8")
    (folder / "gadget.toml").write_text(GADGET, encoding="utf-8")
    path = folder / "log.toml"
    path.write_text('gadget = "gadget.toml"\n[unknown]\n"loads.lamp.current" = "20 mA .. 100 mA"\n'
                    '"loads.red.current" = "5 mA .. 20 mA"\n"charger.current" = "100 mA .. 300 mA"'
                    f'\n[[observations]]\nname = "meter"\nmode = "{mode}"\n{rest}\n',
                    encoding="utf-8")
    return path


@pytest.mark.parametrize(("mode", "reading", "key", "low", "high"), [
    # A dial where it is named, at 25 %: lamp / 4 + 40 uA.
    ("lamp.lit level.0", "15 mA ± 0.2 mA", "loads.lamp.current", 4 * 14.76e-3, 4 * 15.16e-3),
    # The toggle, closed, lights the lamp and turns the dial to 50 %.
    ("bag.on", "30 mA ± 0.2 mA", "loads.lamp.current", 2 * 29.76e-3, 2 * 30.16e-3),
    # The red light is on while it charges, and the key, once held, does not toggle it again.
    ("charge.charging", "190 mA ± 4 mA", "charger.current", 0.19104, 0.21404),
    ("sign.held key.gesture.held", "70 mA ± 1 mA", "loads.lamp.current", 0.04896, 0.06596),
    ("charge.complete sign.off", "below 1 A", None, 0, 0),
    ("key.gesture.up charge.unplugged", "40 uA ± 1 uA", None, 0, 0),
])
def test_a_mode_may_name_any_region(
    tmp_path: Path, mode: str, reading: str, key: str | None, low: float, high: float
):
    """The rest of the gadget is where that brings it."""
    charge = "full" if "complete" in mode else "50 %"
    path = log_of(tmp_path, mode, f'charge = "{charge}"\nreading = "{reading}"')
    found = narrow(load_bench_log(path), brief=True)
    assert [one.state for one in found.rivals] == ["fits"]
    if key is not None:
        left = interval(found, key)
        assert left.low_reached == pytest.approx(low, rel=2e-3)
        assert left.high_reached == pytest.approx(high, rel=2e-3)


def test_a_mode_that_the_gadget_does_not_reach_is_told_as_that(tmp_path: Path):
    """Half full with USB in it charges: no run is in the mode that was read."""
    path = log_of(tmp_path, "charge.complete", 'charge = "50 %"\nreading = "below 1 A"')
    found = narrow(load_bench_log(path), brief=True)
    (only,) = found.contradictions
    assert only.never == ("meter",)
    said = " ".join(narrowed_text(found).split())
    assert "excluded the gadget file as it is by meter: the mode is never reached in these" in said
    assert narrowed_json(found)["contradictions"][0]["never"] == ["meter"]


def test_a_reading_of_the_gadget_file_is_taken_by_its_states(tmp_path: Path):
    """In whatever order they are named; a mode that was not read needs its reading."""
    path = log_of(tmp_path, "sign.off lamp.dark", "")
    gadget = tmp_path / "gadget.toml"
    gadget.write_text(GADGET + '[readings]\n"lamp.dark sign.off" = "41 uA ± 2 uA"\n', "utf-8")
    reading = load_bench_log(path).observations[0].reading
    assert reading is not None
    assert (reading.low_a, reading.high_a) == pytest.approx((39e-6, 43e-6))
    path.write_text(path.read_text("utf-8").replace("sign.off lamp", "sign.on lamp"), "utf-8")
    with pytest.raises(DescriptionError, match='the key "reading" is missing'):
        load_bench_log(path)


def test_a_state_in_which_nothing_keeps_a_region_is_refused(tmp_path: Path):
    """A contact that bounces, a button that waits; a region or state that there is not."""
    for mode, said in (
        ("key.contact.bouncing", "key.contact passes through bouncing by itself"),
        ("key.gesture.down", "key.gesture passes through down by itself"),
        ("ring.gesture.held.short", "ring.gesture passes through held.short by itself"),
        ("bag.ajar", 'bag has no state "ajar"'), ("beg.on", 'there is no region "beg"'),
        ("bag", '"bag" names a region without a state of it. Allowed: bag.'),
    ):
        with pytest.raises(DescriptionError, match=said):
            load_bench_log(log_of(tmp_path, mode, 'reading = "1 mA .. 2 mA"'))
