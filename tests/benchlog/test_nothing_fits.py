"""Logs that no explanation fits: exit 1, and the nearest is named, as closed forms tell it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from simfw.benchlog import narrowing
from simfw.benchlog.narrowing import narrow
from simfw.cli import main
from simfw.loading import load_bench_log
from simfw.report.bench_log import narrowed_text
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
    out = capsys.readouterr().out
    assert f"Nothing fits. Nearest is which: {nearest}: its worst" in out
    assert "what the gadget file itself may have wrong" in " ".join(out.split())


# Figures of which one alone could be wrong, in the nearest gadget, with their least change.
COULD_BE = {
    "a current between two": {"loads.lamp.current": 0.068 * 0.99 - LEAK_A},
    "burnt too long": {
        "loads.lamp.current": (LAMP_A + LEAK_A) * 1.1 / (1.3 * 0.99) - LEAK_A,
        "cell.capacity": FULL_C * 1.3 * 0.99,
    },
    "bars that the drawer does not leave": {
        "controller.reference": 1.1 * (3.0 + 1.2 * max(0.0, 1.0 - 2.5 * 0.25)) / BARS_V[2],
        "cell.leakage": LEAK_A / 2.5,
        "cell.capacity": FULL_C * 2.5,
        "gauge.thresholds[2]": 3.0 + 1.2 * (1.0 - 2.5 * 0.25),
    },
    "lit although nobody pressed": {},
}


@pytest.mark.parametrize("what", COULD_BE)
def test_where_nothing_fits_what_the_gadget_file_may_have_wrong_is_named(
    tmp_path: Path, capsys, what: str,
):
    """Each figure that could be it alone, and how far it would have to move, by closed forms."""
    path = log_of(tmp_path, CASES[what][0]).file
    assert main(["narrow", path, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["suspects"]
    assert told["answers"] == {"which": CASES[what][1]}
    assert told["finished"]
    assert {one["key"]: one["would_fit"] for one in told["figures"]} == pytest.approx(
        COULD_BE[what], rel=0.03)
    assert main(["narrow", path]) == 1
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert "The gadget file itself may be wrong" in lines
    assert sum(" in place of " in line for line in lines) == len(told["figures"])
    none = "No figure that the file takes as known moves what contradicts, where it"
    assert told["figures"] or any(line.startswith(none) for line in lines)


@pytest.mark.parametrize(("most", "asked"), [(8, 0), (40, 2), (300, 3)])
def test_what_was_not_asked_about_for_want_of_runs_is_not_denied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int, asked: int,
):
    """With few runs no figure is asked about, or some: that none bears on it is not said then."""
    monkeypatch.setattr(narrowing, "MOST_LOOKS", most)
    found = narrow(load_bench_log(log_of(tmp_path, CASES["a current between two"][0]).file))
    assert found.suspects is not None
    assert (found.suspects.asked, found.suspects.whole) == (asked, asked == 3)
    text = " ".join(narrowed_text(found).split())
    assert "No figure that the file takes as known" not in text
    assert ("alone that the file takes as known could be wrong is not told" in text) == (not asked)
    assert ("None were asked about" in text) == (not asked)
    assert ("Not all were asked about" in text) == (asked == 2)
    assert ("loads.lamp.current: about" in text) == (asked == 3)


def test_guesses_that_undo_one_another_are_told_both(tmp_path: Path):
    """A tenth more leakage of a tenth more capacity lasts as long; each alone does not."""
    log = log_of(tmp_path, seen('start = "full"\nsteps = [{ wait = "100 days" }, '
                                '{ see = "gauge == 3" }]'))
    path = tmp_path / "gadget.toml"
    text = path.read_text(encoding="utf-8")
    for line in ('leakage = "40 uA"', 'capacity = "500 mAh"'):
        key, value = line.split(" = ")
        text = text.replace(line, f'{key} = {{ value = {value}, standing = "guess" }}')
    path.write_text(text, encoding="utf-8")
    found = narrow(load_bench_log(log.file)).rivals[0]
    assert {one.key for one in found.guesses} == {"cell.capacity", "cell.leakage"}


def test_a_guess_is_suspected_first_and_an_unknown_never(tmp_path: Path):
    """A drawer that three bars outlast: the leakage is a guess, the capacity an unknown."""
    log = log_of(tmp_path, '[unknown]\n"cell.capacity" = "450 mAh .. 550 mAh"\n'
                 + CASES["bars that the drawer does not leave"][0])
    path = tmp_path / "gadget.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(
        'leakage = "40 uA"', 'leakage = { value = "40 uA", standing = "guess" }'),
        encoding="utf-8")
    told = narrow(load_bench_log(log.file)).suspects
    assert told is not None
    keys = [one.key for one in told.figures]
    assert keys[0] == "cell.leakage"
    assert len(keys) > 1
    assert "cell.capacity" not in keys
