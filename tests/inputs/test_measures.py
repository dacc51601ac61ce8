"""Measures: thresholds of something outside that is measured every now and then."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.region import Levels
from simfw.behaviour.tree import Inside, to_text
from simfw.engine.simulator import simulate
from simfw.errors import DescriptionError
from simfw.report.record import recording_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.scenario import Measured, to_toml
from tests.behaviour.bench import Bench
from tests.inputs.made import DRAWER, PATH, heard, run, scenario

LIGHT = """
[measures.light]
unit = "lx"
thresholds = ["10 lx", "100 lx"]
hysteresis = "5 lx"
every = "100 ms"
settle = "10 ms"
"""


class Lit(Bench):
    """A bench whose measure reads what `light` says."""

    def light(self, ms: float, value: float) -> None:
        """From `ms` on it measures `value`."""
        levels = self.system.measures["light"]
        self.at(ms, flags={f"light.reached.{number}": reached for number, reached
                           in enumerate(levels.reached(value), start=1)})


def test_a_measure_is_judged_when_it_has_settled() -> None:
    """Looks begin at 0, 100, 200 ms ... and are judged 10 ms later; the instant itself counts.

    12 lx from 110 ms on: more than 10 but not 15, and nothing passes. 15 lx from 210 ms on: one
    passes, at 210 ms. 200 lx at 311 ms is seen at 410 ms; 9.9 lx at 500 ms loses both at 510 ms,
    and that is one event.
    """
    bench = Lit(LIGHT)
    for at, value in ((110, 12), (210, 15), (311, 200), (500, 9.9)):
        bench.light(at, value)
    assert bench.until(1000) == [(210, "light.up"), (410, "light.up"), (510, "light.down")]
    assert bench.state("light") == "passed.0"


@pytest.mark.parametrize(("opened_ms", "judged"), [(209, False), (210, True)])
def test_a_measurement_that_ends_as_it_is_wanted_no_more_is_judged(
    tmp_path: Path, opened_ms: int, judged: bool
) -> None:
    """Looks from 110 ms on, each 10 ms long; the drawer counts as open 10 ms after its contact. At
    219 ms the second look is cut short, at 220 ms it has just ended.
    """
    result = run(tmp_path, DRAWER + LIGHT + 'starts = 1\nenabled = "drawer.on"\n', f"""
        at = "100 ms", toggle = "drawer", to = "on"
        at = "150 ms", measure = "light", value = "1 lx"
        at = "{opened_ms} ms", toggle = "drawer", to = "off"
    """, lasts="1 s")  # fmt: skip
    assert heard(result) == [
        (110_000_000, "drawer.closed"), ((opened_ms + 10) * 1_000_000, "drawer.opened"),
        *[(220_000_000, "light.down")] * judged]  # fmt: skip


def test_a_threshold_is_lost_below_it_and_passed_again_by_the_hysteresis() -> None:
    """At 100 lx it is kept, at 99.9 lx lost, at 104.9 lx not back, at 105 lx back."""
    bench = Lit(LIGHT + "starts = 2\n")
    for at, value in ((0, 100), (100, 99.9), (200, 104.9), (300, 105)):
        bench.light(at, value)
    assert bench.until(400) == [(110, "light.down"), (310, "light.up")]


def test_as_many_measurements_in_a_row_as_must_agree_change_the_count() -> None:
    """With agree = 3 a change counts at its third measurement; another one ends the row.

    Dark from the start, light at 100 ms: seen at 110, 210 and 310 ms. Dark at 400 ms and light
    again at 600 ms: two in a row, nothing. From 700 ms on less, then more, then less: no three.
    """
    bench = Lit(LIGHT + "agree = 3\n")
    for at, value in ((100, 50), (400, 0), (600, 50), (700, 0), (800, 500), (900, 0), (1000, 50)):
        bench.light(at, value)
    assert bench.until(2000) == [(310, "light.up")]
    assert bench.state("light") == "passed.1"


def test_what_the_last_of_them_says_counts() -> None:
    """Two measurements that say more: 50 lx, then 500 lx. Both are passed, by one event."""
    bench = Lit(LIGHT + "agree = 2\n")
    bench.light(100, 50)
    bench.light(200, 500)
    assert bench.until(400) == [(210, "light.up")]
    assert bench.state("light") == "passed.2"


def test_a_measure_that_is_not_wanted_keeps_its_count_and_begins_anew() -> None:
    """Off from 250 ms to 330 ms: nothing is judged then, and looks begin at 330, 430 ms ..."""
    text = LIGHT.replace("thresholds", 'enabled = "watch.on"\nthresholds') + """
agree = 2
[buttons.key]
[behaviour.watch]
starts = "on"
states.on = {}
states.off = {}
rows = [
  { on = "key.press", from = "on", to = "off" },
  { on = "key.press", from = "off", to = "on" },
]
"""
    bench = Lit(text)
    bench.contact("key", 230, 260, 310, 340)  # presses settle at 250 and 330 ms
    bench.light(200, 50)  # seen once, at 210 ms, and that is forgotten
    happened = bench.until(1000)
    assert [(at, name) for at, name in happened if name.startswith("light")] == [(440, "light.up")]


def test_the_number_of_thresholds_passed_may_be_compared() -> None:
    """A comparison is a set of states of the measure's region, and is written as it was."""
    names = Bench(LIGHT).system.names
    found = parse_expression("light >= 1 and not 2 <= light", names)
    assert to_text(found) == "light >= 1 and not light >= 2"
    assert parse_expression("light < 1", names) == Inside("light", frozenset({"passed.0"}))
    assert parse_expression("0 < light < 2", names).parts == (  # type: ignore[union-attr]
        Inside("light", frozenset({"passed.1", "passed.2"})),
        Inside("light", frozenset({"passed.0", "passed.1"})))


@pytest.mark.parametrize(("text", "says"), [
    ("light > 2.5", '"light" is counted in whole numbers and is compared with 2.5'),
    ("light == 3", '"light" is counted in whole numbers and is compared with 3'),
    ("light > gauge", "there is no"),
    ("light > cell.charge", '"light" is compared with "cell.charge"'),
    ("light", '"light" is a number'),
    ("light.up", '"light.up" is an event, not a state'),
])
def test_what_a_count_cannot_be_compared_with_is_refused(text: str, says: str) -> None:
    """With the reason."""
    with pytest.raises(DescriptionError, match=says):
        parse_expression(text, Bench(LIGHT).system.names)


def test_levels_are_told_by_one_number_whatever_they_are() -> None:
    """What a code tells of each level is what the value itself tells."""
    levels = Levels(thresholds=(10.0, 12.0), back=(15.0, 17.0), rest=0.0)
    for value in (0, 10, 11, 12, 14, 15, 16, 17, 99):
        told = tuple(levels.told(levels.code(value), number) for number in range(1, 5))
        assert told == levels.reached(value)
    assert [levels.code(value) for value in levels.between()] == [0, 3, 6, 7, 8]
    assert levels.standing()[0] < 10
    assert levels.standing()[2] > 17


def test_a_path_light_is_lit_by_dusk_and_out_in_the_cold(tmp_path: Path) -> None:
    """Looks at 0, 0.5 s ..., judged 10 ms later, twice; the temperature is judged every 10 s."""
    result = run(tmp_path, PATH, """
        at = "1.1 s", measure = "light", value = "50 lx"
        at = "1.9 s", expect = "light == 0"
        at = "2.01 s", expect = "light == 1 and lamp.dark"
        at = "5 s", measure = "light", value = "12 lx"
        at = "7 s", expect = "light == 1"
        at = "10 s", measure = "light", value = "9.9 lx"
        at = "10.5 s", expect = "light == 1"
        at = "10.51 s", expect = "light == 0 and lamp.lit and warmth == 1"
        at = "25 s", temperature = "4 degC"
        at = "29.9 s", expect = "warmth == 1"
        at = "30 s", expect = "warmth == 0 and lamp.dark"
    """)
    s = 10**9
    assert heard(result) == [(2 * s + s // 100, "light.up"), (10 * s + 51 * s // 100, "light.down"),
                             (30 * s, "warmth.down")]
    used = {use.name: use.charge_c for use in result.consumers}
    # 120 looks of 10 ms; the controller is awake meanwhile, and at once asleep where settle is 0.
    assert used["light.supply"] == pytest.approx(120 * 0.010 * 200e-6)
    assert used["controller"] == pytest.approx(1.2 * 1e-3 + 58.8 * 2e-6)
    assert used["lamp"] == pytest.approx(19.49 * 10e-3)


def test_folding_changes_nothing_about_a_measure(tmp_path: Path) -> None:
    """An hour with three changes of light: the same events, the same charge."""
    made = scenario(tmp_path, PATH, """
        at = "10 min", measure = "light", value = "300 lx"
        at = "30 min", measure = "light", value = "3 lx"
        at = "50 min", temperature = "-3 degC"
    """, lasts="1 h")
    assert made.gadget is not None
    folded, plain = (simulate(made.gadget, made, fold=fold) for fold in (True, False))
    assert heard(folded) == heard(plain)
    assert folded.charge_used_c == pytest.approx(plain.charge_used_c, rel=1e-6)


@pytest.mark.parametrize("kind", [".csv", ".vcd"])
def test_a_recording_of_a_measure_reads_back_to_the_same_steps(tmp_path: Path, kind: str) -> None:
    """In its own unit, noted beside its column."""
    from simfw.stimuli.recording.mapfile import own_map
    from simfw.stimuli.recording.signals import observe

    made = scenario(tmp_path, PATH, """
        at = "5 s", measure = "light", value = "0.3 lx"
        at = "10 s", measure = "light", value = "1200 lx"
    """)
    assert made.gadget is not None
    text = recording_text(simulate(made.gadget, made), kind)
    assert "column light: lx" in text
    file = tmp_path / f"record{kind}"
    file.write_text(text, encoding="utf-8")
    recording = open_recording(file)
    mapped = own_map(recording, made.gadget)
    assert mapped is not None
    assert observe(recording, mapped, made.gadget).steps == made.steps


def test_a_step_of_a_measure_writes_and_reads_equal(tmp_path: Path) -> None:
    """As the text of a scenario file."""
    made = scenario(tmp_path, PATH, 'at = "1.5 s", measure = "light", value = "12.5 lx"')
    assert made.steps == (
        Measured(at_ns=1_500_000_000, measure="light", value=12.5, unit="lx"),)
    assert '{ at = "1.5 s", measure = "light", value = "12.5 lx" }' in to_toml(made, tmp_path)


@pytest.mark.skipif(shutil.which("make") is None or shutil.which("cc") is None,
                    reason="needs a C compiler")
def test_the_c_of_a_measure_does_what_the_model_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Vectors, a scenario and random stimuli, the temperature among them."""
    from simfw.cli import main

    monkeypatch.chdir(tmp_path)
    scenario(tmp_path, PATH, """
        at = "1 s", measure = "light", value = "50 lx"
        at = "9 s", temperature = "4 degC"
        at = "20 s", measure = "light", value = "1 lx"
    """)
    assert main(["source", "gadget.toml", "-o", "firmware"]) == 0
    subprocess.run(["make", "-s", "harness", "check"], cwd=tmp_path / "firmware", check=True)
    assert main(["conform", "gadget.toml", "--against", "firmware/harness", "--examples", "60",
                 "--also", "scenario.toml"]) == 0
    assert "Conforms" in capsys.readouterr().out
