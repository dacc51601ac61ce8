"""What the figures that are left mean: charge time and days of somebody's habits, by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.errors import DescriptionError
from tests.benchlog.lantern import log_of

LOG = """
pattern = "evenings.toml"
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"charger.current" = "100 mA .. 300 mA"
[[observations]]
name = "lit"
mode = "lamp.lit"
reading = "72 mA ± 1 mA"
[[observations]]
name = "in the lead"
mode = "charge.charging"
node = "usb"
charge = "50 %"
reading = "200 mA ± 10 mA"
"""
EVENINGS = """
title = "an hour each evening"
gadget = "gadget.toml"
charge = "100 %"
horizon = "1 year"
[[habits]]
name = "read"
each = "day"
between = ["20:00", "20:01"]
times = 1
steps = [{ press = "key", for = "100 ms" }, { wait = "1 h" }, { press = "key", for = "100 ms" }]
"""


def test_charge_time_and_days_are_told_as_intervals(tmp_path: Path, capsys):
    """By hand: 1800 C, a lamp of 70.96 to 72.96 mA beside 40 uA, a charger of 190 to 210 mA.

    An evening takes 3600 s x lamp, a day 3.456 C of leakage: after six of each the seventh evening
    ends early. A cell without resistance is charged at once to 4.2 V: 1800 C / (I - 40 uA).
    """
    (tmp_path / "evenings.toml").write_text(EVENINGS, encoding="utf-8")
    path = log_of(tmp_path, LOG).file
    assert main(["narrow", path, "--json"]) == 0
    (rival,) = json.loads(capsys.readouterr().out)["rivals"]
    means = {one["what"]: one for one in rival["means"]}
    assert main(["next", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rivals"] == [rival]
    charge = means["charge from cut-off"]
    assert charge["low_s"] == pytest.approx(1800 / (0.210 - 40e-6), rel=2e-3)
    assert charge["high_s"] == pytest.approx(1800 / (0.190 - 40e-6), rel=2e-3)
    days = means["until empty, an hour each evening"]
    for lamp_a, found_s in ((0.07296, days["low_s"]), (0.07096, days["high_s"])):
        used_c = 6 * (3600 * lamp_a + 86_400 * 40e-6) + 20 * 3600 * 40e-6
        by_hand_s = 6 * 86_400 + 20 * 3600 + (1800 - used_c) / (lamp_a + 40e-6)
        assert found_s == pytest.approx(by_hand_s, abs=90)


def test_a_pattern_of_another_gadget_is_refused(tmp_path: Path):
    """What is told of habits is told of the gadget that the log is about."""
    (tmp_path / "evenings.toml").write_text(
        EVENINGS.replace("gadget.toml", "other.toml"), encoding="utf-8")
    log = LOG.partition("pattern")[2]
    log_of(tmp_path, log.partition("\n")[2])
    (tmp_path / "other.toml").write_bytes((tmp_path / "gadget.toml").read_bytes())
    with pytest.raises(DescriptionError, match=r"pattern = .*: it is about another gadget file"):
        log_of(tmp_path, LOG)
    with pytest.raises(DescriptionError, match="there is no such file"):
        log_of(tmp_path, LOG.replace("evenings.toml", "mornings.toml"))
