"""Logs that no explanation fits: exit 1, and the nearest is named, as closed forms tell it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from simfw.cli import main
from tests.benchlog.lantern import BARS_V, FULL_C, bar_charge, log_of

LAMP_A, CHARGER_A, LEAK_A = 0.06, 0.2, 40e-6
DOWN_S = FULL_C * (1.0 - bar_charge(3)) / (LAMP_A + LEAK_A)  # until two bars
FILL_S = FULL_C / CHARGER_A  # a straight cell without resistance: the current never tapers
SHELF_DAYS = FULL_C * (1.0 - bar_charge(3)) / LEAK_A / 86_400


def meter(milliamps: float) -> str:
    """A reading of the lit lantern, within 1 %."""
    return f'mode = "lamp.lit"\nreading = "{milliamps} mA ± {milliamps / 100} mA"'


def down(seconds: float) -> str:
    """How long it burns until two bars show, within 1 %."""
    return (f'by = "analyser"\nstart = "full"\nsteps = [{{ press = "key", for = "100 ms" }}, '
            f'{{ until = "gauge == 2", took = "{seconds:.3f} s ± {seconds / 100:.3f} s" }}]')


def asked(*changes: str) -> str:
    """A question with an answer for each change; "" changes nothing."""
    answers = "".join(f'[[questions.answers]]\nname = "{n}"\n'
                      + (f"change = {{ {change} }}\n" if change else "")
                      for n, change in enumerate(changes))
    return f'[[questions]]\nname = "which"\n{answers}'


def seen(text: str) -> str:
    """An observation."""
    return f'[[observations]]\nname = "what was seen"\n{text}\n'


def off(value: float, shown: float) -> float:
    """How far a value is off what was shown within 1 %, in tolerances.

    The scale is in ratio above what was shown, and in shares of it below.
    """
    middle = shown * math.sqrt(0.99 * 1.01)
    low, high = 0.99 * shown / middle - 1.0, math.log(1.01 * shown / middle)
    at = math.log(value / middle) if value > middle else value / middle - 1.0
    return abs(at - (low + high) / 2) / ((high - low) / 2)


LAMPS = asked("", '"loads.lamp.current" = "80 mA"', '"loads.lamp.current" = "30 mA"')
# What is asked and seen; the nearest answer; how far off it is where that has a closed form.
CASES = {
    "a current between two": (LAMPS + seen(meter(68)), "0", off(LAMP_A + LEAK_A, 0.068)),
    "a current beyond all": (LAMPS + seen(meter(120)), "1", off(0.08 + LEAK_A, 0.12)),
    "a current below all": (LAMPS + seen(meter(20)), "2", off(0.03 + LEAK_A, 0.02)),
    "burnt too long": (
        asked("", '"cell.capacity" = "550 mAh"') + seen(down(1.3 * DOWN_S)), "1",
        off(1.1 * DOWN_S, 1.3 * DOWN_S)),
    "burnt too short": (
        asked("", '"gauge.thresholds" = ["3.3 V", "3.6 V", "3.96 V"]') + seen(down(0.5 * DOWN_S)),
        "1", off(DOWN_S * (4.2 - 3.96) / (4.2 - BARS_V[2]), 0.5 * DOWN_S)),
    "charged too fast": (
        asked("", '"charger.current" = "300 mA"') + seen(
            'by = "analyser"\nstart = "0 %"\nsteps = [{ usb = true }, { until = "charge.complete", '
            f'took = "{FILL_S / 3:.3f} s ± {FILL_S / 300:.3f} s" }}]'), "1", None),
    "lit although nobody pressed": (
        asked("", '"loads.lamp.current" = "70 mA"') + seen(
            'steps = [{ wait = "1 min" }, { see = "lamp.lit" }]'), "0", None),
    "bars that the drawer does not leave": (
        asked("", '"cell.leakage" = "50 uA"') + seen(
            f'start = "full"\nsteps = [{{ wait = "{round(2.5 * SHELF_DAYS)} days" }}, '
            '{ see = "gauge == 3" }]'), "0", None),
}


@pytest.mark.parametrize("what", CASES)
def test_where_nothing_fits_the_nearest_is_named(tmp_path: Path, capsys, what: str):
    """Exit 1 of both commands; the least that an explanation is off is that of the closed form."""
    text, nearest, tolerances = CASES[what]
    path = log_of(tmp_path, text).file
    assert main(["narrow", path, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert {one["state"] for one in told["rivals"]} == {"excluded"}
    assert told["nearest"]["answers"] == {"which": nearest}
    if tolerances is not None:
        assert told["nearest"]["off"] == pytest.approx(tolerances, rel=0.02)
    assert main(["next", path]) == 1
    assert f"Nothing fits. Nearest is which: {nearest}: its worst" in capsys.readouterr().out
