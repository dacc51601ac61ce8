"""`simfw check`: findings, verdicts, witnesses, texts and exit status."""

from __future__ import annotations

import itertools
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.errors import DescriptionError, UsageError
from simfw.gadget.model import Rule
from simfw.verify.budget import Budget
from simfw.verify.builtin import CHECKS, chosen_checks
from simfw.verify.check import check_gadget
from simfw.verify.finding import Report
from simfw.verify.output import _in_spans, report_json, report_text, witness_names
from simfw.verify.rulefile import read_rules
from tests.quality import cases
from tests.verify.gadgets import PLAIN, behaviour, gadget, rule
from tests.verify.make_checks_page import PAGE, page

DOCS = Path(__file__).parents[2] / "docs"
BROKEN = PLAIN + rule('never = "lamp.lit and key.pressed"')


def ticking(step: float = 0.05) -> Callable[[], float]:
    """A clock that counts calls, so that no test depends on the machine."""
    times = itertools.count()
    return lambda: next(times) * step


def checked(text: str, **options: object) -> Report:
    """The report on a gadget given as text."""
    return check_gadget(gadget(text), runs=5, **options)  # type: ignore[arg-type]


def names(report: Report) -> set[str]:
    """The checks that found something."""
    return {one.check for one in report.findings}


def plain(text: str, _tone: str) -> str:
    """No colours."""
    return text


def test_a_sound_gadget_has_no_faults_and_says_how_far_it_was_searched() -> None:
    """Everything is searched, and the proof names its number of states."""
    report = checked(PLAIN + rule('never = "lamp.lit and lamp.dark"'))
    assert report.faults == ()
    assert report.reached_all
    (verdict,) = report.verdicts
    assert verdict.standing == "proved"
    assert re.fullmatch(r"proved over \d+ states, also with the supply failing at any instant",
                        verdict.text)
    text = report_text(report, plain)
    assert "searched to the end" in text
    assert "Faults: 0" in text
    assert "safe" not in text


def test_a_broken_rule_comes_with_a_witness_in_words(tmp_path: Path) -> None:
    """The shortest way: two presses, told as one would do them."""
    report = check_gadget(gadget(BROKEN, tmp_path), runs=5)
    (fault,) = report.faults
    assert fault.check == "rule"
    assert fault.rows
    witness = fault.witness
    assert witness is not None
    assert witness.steps == 2
    assert re.fullmatch(r"At .*, press key for 100 ms\.", witness.list[1])
    assert "not (lamp.lit and key.pressed)" in witness.list[-1]
    assert f"1. {witness.list[0]}" in report_text(report, plain, "out")
    assert "out/wanted.toml" in report_text(report, plain, "out")


def test_a_search_that_was_stopped_claims_nothing() -> None:
    """Out of time: not finished, no violation found, and never a proof."""
    text = PLAIN + rule('when = "key.click and lamp.lit"\nthen = "lamp.dark"\nwithin = "1 s"')
    report = check_gadget(gadget(text), clock=ticking(50.0), seconds=60.0, runs=1)
    (verdict,) = report.verdicts
    assert not verdict.finished
    assert verdict.text.startswith("not decided: the search stopped after")
    assert "says nothing of the others" in verdict.text
    assert not report.reached_all
    shown = report_text(report, plain)
    assert "not finished after" in shown
    assert "Rules: 1 not decided" in shown
    assert "Stopped by --seconds" in shown
    assert "no violation" not in shown


def test_what_the_search_leaves_free_is_said() -> None:
    """What hangs on free inputs is neither proved nor broken as long as no run breaks it."""
    text = cases.GAUGED + cases.CHARGER + rule('never = "lamp.lit and status.low and not usb"')
    report = checked(text, only=("rule",))
    (verdict,) = report.verdicts
    assert verdict.standing == "unreproduced"
    assert "runs of the full model did not" in verdict.text
    assert report.faults == ()
    text = cases.GAUGED + rule('when = "cell.low"\nthen = "lamp.lit or lamp.dark"\nwithin = "1 s"')
    report = checked(text, only=("rule",))
    assert "any value: gauge.measured" in " ".join(report_text(report, plain).split())


def test_a_rule_that_only_a_coincidence_breaks_is_a_note() -> None:
    """Click and time-out in one nanosecond: told as a coincidence, with its witness."""
    text = PLAIN + rule('when = "key.click and lamp.lit"\nthen = "lamp.dark"\nwithin = "1 ms"')
    report = checked(text)
    assert report.faults == ()
    (verdict,) = report.verdicts
    assert verdict.standing == "coincidence"
    found = next(one for one in report.findings if one.check == "coincidence")
    assert found.level == "note"
    assert found.witness is not None
    assert found.witness.steps == 2


def test_random_runs_break_what_the_search_leaves_open() -> None:
    """The voltage under load, found by a run of the full model."""
    text = cases.FLASHED + behaviour(
        "lamp", "dark", 'dark = {}; lit = { lamp = "on", flash = "on" }', cases.ON, cases.OFF)
    report = check_gadget(gadget(text + rule('never = "lamp.lit and cell.charge < 0.3"')),
                          runs=60, only=("rule",))
    assert [one.check for one in report.faults] == ["rule"]


def test_an_instant_without_end_is_a_fault_with_a_witness() -> None:
    """Two rows that answer each other for ever, reached by one click."""
    text = cases.BASE + cases.KEY + behaviour(
        "a", "off", "off = {}; on = {}",
        'on = "key.click", from = "off", to = "on", emit = "ping"',
        'on = "pong", from = "on", to = "on", emit = "ping"',
    ) + behaviour("b", "x", "x = {}", 'on = "ping", from = "x", to = "x", emit = "pong"')
    report = checked(text, only=("endless-instant",))
    (fault,) = report.faults
    assert "ping" in fault.text
    assert "pong" in fault.text
    assert fault.witness is not None
    assert fault.witness.steps == 1


def test_a_gadget_that_never_starts_is_a_fault_and_nothing_else_is_claimed() -> None:
    """A loop of no time in the first instant: told, and no rule is called proved."""
    text = cases.BASE + cases.KEY + behaviour(
        "a", "x", "x = {}; y = {}", 'after = "0 s", from = "x", to = "y"',
        'after = "0 s", from = "y", to = "x"') + rule('never = "key.pressed"')
    report = checked(text)
    assert [one.check for one in report.faults] == ["endless-instant"]
    assert "At power-up" in report.faults[0].text
    assert report.verdicts == ()


@pytest.mark.parametrize(("currents", "noted"), [
    ('asleep = "5 uA"', True),
    ('asleep = "5 uA"\nawake = "1 mA"', False),
    ('asleep = "5 uA"\nawake = "0 A"', False),
    ('awake = "1 mA"', False),
    ('asleep = "0 A"', False),
])
def test_a_controller_that_draws_nothing_awake_is_noted(currents, noted):
    """A current asleep alone, where a bouncing contact keeps it awake; a written zero is meant."""
    text = cases.HEAD + cases.CELL + f"[controller]\n{currents}\n" + cases.LAMP + cases.KEY + (
        cases.CLICKS)
    notes = [one for one in checked(text).findings if one.check == "awake-not-given"]
    assert [(one.text, one.rows) for one in notes] == [(
        "The controller draws 5 uA asleep, and nothing awake, as in key.contact while bouncing: "
        "the file gives no awake.", ("controller.asleep",))] * noted


DIALS = PLAIN + """
[dials.level]
values = ["10 %", "50 %", "100 %"]
rows = [ { on = "key.press", step = 1, wrap = true } ]
[dials.other]
values = ["10 %", "50 %", "100 %"]
rows = [ { on = "level.changed", step = 1, wrap = true }ROW ]
"""
UNSEEN = "The row of dial other on "


@pytest.mark.parametrize("heard", [False, True], ids=["dials alone", "dials in the search"])
@pytest.mark.parametrize(("row", "why"), [
    ('on = "other.end", to = 0', "other.end never fires: nothing emits that."),
    ('on = ["level.end", "other.end"], to = 0',
     "level.end or other.end never fires: nothing emits that."),
    ('on = "level.end", step = 1', "level.end never fires: nothing emits that."),
    ('on = "key.press", to = 0', None),
])
def test_a_dials_row_that_nothing_reaches_is_noted(row, why, heard):
    """Both dials go round, so that neither has an end; a press there is."""
    text = DIALS.replace("ROW", ", { " + row + " }")
    if heard:
        text += behaviour("seen", "one", "one = {}; two = {}",
                          'on = "other.changed", from = "one", to = "two"',
                          'on = "other.changed", from = "two", to = "one", when = "other == 1"')
    notes = [one for one in checked(text).findings if one.text.startswith(UNSEEN)]
    assert [one.text for one in notes] == ([UNSEEN + why] if why else [])
    assert [(one.check, one.rows) for one in notes] == (
        [("row-never-fires", ("dials.other.rows[1]",))] if why else [])


@pytest.mark.parametrize("heard", [False, True], ids=["dials alone", "dials in the search"])
def test_a_dials_row_that_an_earlier_one_hides_is_noted(heard):
    """Two rows on one event: the second never fires, whether a guard asks for the dial or none."""
    text = DIALS.replace("ROW", ', { on = "level.changed", to = 0 }')
    if heard:
        text += behaviour(
            "seen", "one", "one = {}; two = {}", 'on = "other.changed", from = "one", to = "two"',
            'on = "other.changed", from = "two", to = "one", when = "other == 1"')
    assert [one.text for one in checked(text).findings if one.text.startswith(UNSEEN)] == [
        UNSEEN + "level.changed never fires: dials.other.rows[0] always comes first."]


@pytest.mark.parametrize(
    ("check", "text"),
    [
        ("unreachable-state", PLAIN.replace("states.dark = {}", "states.dark = {}\n"
                                            "states.nowhere = {}")),
        ("row-never-fires", PLAIN.replace(
            "rows = [", 'rows = [\n  { on = "key.click", from = ["dark", "lit"], to = "same" },')),
        ("row-never-fires", PLAIN.replace(
            "rows = [", 'rows = [\n  { on = "key.click", from = "dark", to = "lit", '
                        'when = "lamp.lit" },')),
        ("rows-compete", PLAIN.replace(
            "rows = [", 'rows = [\n  { on = "key.press", from = "dark", to = "lit", '
                        'when = "not key.closed" },\n  { on = "key.press", from = "dark", '
                        'to = "same", when = "not key.pressed" },')),
        ("dead-end", PLAIN.replace('  { on = "key.click", from = "lit", to = "dark" },\n', "")
                          .replace('  { after = "45 min", from = "lit", to = "dark" },\n', "")),
        ("shared-light", PLAIN + behaviour("glow", "on", 'on = { lamp = "4 %" }')),
        ("sequence-unplayed", PLAIN + '\n[sequences.wink]\nsteps = ["on for 1 s"]\n'),
        ("output-undriven", PLAIN + '\n[loads.probe]\ncurrent = "1 mA"\n'),
        ("event-unheard", PLAIN.replace('to = "lit" }', 'to = "lit", emit = "gone" }')),
        ("button-unheard", PLAIN + '\n[buttons.spare]\ndebounce = "20 ms"\n'),
        ("step-too-long", PLAIN.replace(
            "adc_bits = 10", 'adc_bits = 10\nstep = "30000 cycles"\nfrequency = "1 MHz"')),
        ("press-unanswered", cases.BASE + cases.KEY + behaviour("lamp", "dark", cases.LIT,
                                                                cases.ON)),
        ("double-impossible", cases.BASE + cases.KEY + 'double = "20 ms"\n' + cases.BOOST),
        ("debounce-too-long", PLAIN.replace("20 ms", "150 ms")),
        ("hold-too-short", cases.BASE + cases.KEY + 'hold = "200 ms"\n' + cases.LOCK),
        ("chord-too-short", cases.BASE + cases.TWO.replace("80 ms", "20 ms") + cases.CHORD),
        ("no-rearm", cases.BASE + cases.SENSOR.replace("600 ms", "50 ms") + cases.WAVED),
        ("flat-hunting", cases.FLASHED.replace('low = "3.45 V"\n', "") + cases.CUT),
        ("debounce-too-short", PLAIN.replace("20 ms", "4 ms")),
    ],
)
def test_each_built_in_check_finds_its_fault(check: str, text: str) -> None:
    """Found in a gadget that has it, and named with what it speaks of."""
    report = checked(text, only=(check,))
    found = [one for one in report.findings if one.check == check]
    assert found
    assert all(one.text.endswith(".") for one in found)
    assert check not in names(checked(text, without=(check,), only=(check, "trap")))


def test_a_firmware_that_is_never_done_is_named() -> None:
    """A contact is read every 5 ms and an instant takes 8 ms: more than there is; with 4 ms not."""
    for cycles, told in (("8000", ["buttons.key.sample_every"]), ("4000", [])):
        text = PLAIN.replace(
            "adc_bits = 10", f'adc_bits = 10\nstep = "{cycles} cycles"\nfrequency = "1 MHz"'
        ).replace('debounce = "20 ms"', 'style = "sample"')
        found = [one for one in checked(text, only=("step-too-long",)).findings
                 if "never done" in one.text]
        assert [row for one in found for row in one.rows] == told


def test_a_sensor_that_must_be_off_is_searched_look_by_look() -> None:
    """`enabled` stops a look at once, so the check finds nothing; it is proved."""
    text = cases.BASE + cases.HOLD + cases.SENSOR.replace(
        "agree", 'enabled = "not lamp.locked"\nagree', 1) + cases.LOCK
    report = checked(text, only=("sensor-runs-disabled",))
    assert report.findings == ()
    assert [verdict.standing for verdict in report.verdicts] == ["proved"]


def test_bars_that_rise_without_usb_are_shown_by_a_run() -> None:
    """A light that sags the cell by more than the hysteresis; the witness shows it."""
    text = cases.FLASHED.replace("80 mV", "5 mV").replace('show = "lamp.lit"\n', "") + behaviour(
        "lamp", "dark", 'dark = {}; lit = { lamp = "on", flash = "on" }', cases.ON, cases.OFF,
        'after = "3 s", from = "lit", to = "dark"')
    report = check_gadget(gadget(text), runs=60, only=("bars-rise-unplugged",))
    (found,) = report.findings
    assert found.level == "note"
    assert found.witness is not None
    assert "gauge <=" in found.witness.list[-1]


def test_bars_that_cannot_rise_without_usb_are_proved() -> None:
    """The hysteresis covers the sag of all loads together; with too little, nothing is claimed."""
    report = checked(cases.GAUGED + cases.CHARGER, only=("bars-rise-unplugged",))
    (verdict,) = report.verdicts
    assert verdict.standing == "proved"
    assert verdict.detail.startswith("never plugged in")
    assert report.findings == ()
    bare = cases.GAUGED.replace('hysteresis = "80 mV"\n', "")
    assert checked(bare, only=("bars-rise-unplugged",)).verdicts == ()


COUNTING = """
[gauge]
light = "bars"
method = "counting"
capacity = "600 mAh"
power_up = "0 %"
thresholds = ["10 %", "40 %", "70 %"]
hysteresis = "2 %"
low = "20 %"
flat = "5 %"
"""


def test_bars_of_a_gauge_that_counts_are_not_proved() -> None:
    """The proof rests on the cell's voltage, which such a gauge does not go by."""
    counted = cases.swapped(cases.GAUGED, cases.GAUGE, COUNTING)
    assert checked(counted, only=("bars-rise-unplugged",)).verdicts == ()


def test_names_of_checks_are_checked() -> None:
    """An unknown name is told with the nearest one."""
    with pytest.raises(UsageError, match=r'no check "trp"\. Did you mean "trap"'):
        chosen_checks(without=("trp",))
    assert chosen_checks(only=("trap", "rule"), without=("rule",)) == {"trap"}


def test_the_page_of_checks_lists_every_check_and_fault() -> None:
    """Written from the same lists that the check and the planted faults use."""
    assert PAGE.read_text(encoding="utf-8") == page()
    assert all(f"`{name}`" in page() for name in CHECKS)


def test_json_has_the_documented_keys_and_no_others(tmp_path: Path) -> None:
    """Every key of the object stands in the reference page and the other way round."""
    report = check_gadget(gadget(BROKEN, tmp_path), runs=2)
    value = report_json(report, "out")
    json.dumps(value, allow_nan=False)

    def keys(value: object, path: str = "") -> set[str]:
        if isinstance(value, dict):
            return {key for name, inner in value.items()
                    for key in {f"{path}{name}", *keys(inner, f"{path}{name}.")}}
        if isinstance(value, list):
            return {key for inner in value for key in keys(inner, path.rstrip(".") + "[].")}
        return set()

    documented = set(re.findall(r"`([a-z_.\[\]]+)`", (DOCS / "reference/check-json.md").read_text(
        encoding="utf-8")))
    found = {key.replace("[][]", "[]") for key in keys(value)}
    short = {key for key in found if not key.startswith("open_cells[]")}
    missing = {key for key in short
               if key not in documented and f"{key}[]" not in documented and key != "searched"}
    assert not missing
    assert value["format"] == 1


def test_the_command_writes_witnesses_that_fail_when_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 1, three files, and the scenario among them fails under `simfw run`."""
    path = tmp_path / "gadget.toml"
    path.write_text(BROKEN, encoding="utf-8")
    folder = tmp_path / "witnesses"
    status = main(["check", str(path), "--witness", str(folder), "--seconds", "20",
                   "--without", "several-per-press"])
    assert status == 1
    assert "wanted.toml" in capsys.readouterr().out
    assert sorted(one.name for one in folder.iterdir()) == [
        "wanted.svg", "wanted.toml", "wanted.txt"]
    assert b"<svg" in (folder / "wanted.svg").read_bytes()
    assert "press key" in (folder / "wanted.txt").read_text(encoding="utf-8")
    assert main(["run", str(folder / "wanted.toml")]) == 1
    assert "not met" in capsys.readouterr().out


def test_the_command_takes_rules_from_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sound gadget with a further rule that breaks; as JSON."""
    path, more = tmp_path / "gadget.toml", tmp_path / "rules.toml"
    path.write_text(PLAIN, encoding="utf-8")
    more.write_text(rule('never = "lamp.lit"'), encoding="utf-8")
    assert main(["check", str(path), "--rules", str(more), "--json", "--only", "rule"]) == 1
    value = json.loads(capsys.readouterr().out)
    assert value["faults"] == 1
    assert value["rules"][0]["standing"] == "broken"
    assert main(["check", str(path), "--only", "rule"]) == 0
    assert main(["check", str(path), "--only", "nonsense"]) == 2
    with pytest.raises(SystemExit):
        main(["check", str(path), "--seconds", "never"])


def test_all_mistakes_of_a_rule_file_are_told_together(tmp_path: Path) -> None:
    """With lines, nearest names, and names that the gadget file has already."""
    path = tmp_path / "rules.toml"
    path.write_text('[[rules]]\nname = "wanted"\nnever = "lamp.lid"\n[[rules]]\nnme = "x"\n'
                    'always = "lamp.dark"\n', encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_rules(path, gadget(BROKEN))
    text = str(caught.value)
    assert "rules.toml:3" in text
    assert 'Did you mean "lamp.lit"' in text
    assert "rule of the same name" in text
    assert "rules.toml:5" in text
    path.write_text('[[rules]]\nname = "one"\nnever = "lamp.lit"\n[[rules]]\nname = "one"\n'
                    'always = "lamp.dark"\n', encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"already used by rules\[0\]"):
        read_rules(path, gadget(BROKEN))
    with pytest.raises(DescriptionError):
        check_gadget(gadget(PLAIN),
                     rules=(Rule(name="odd", never="lamp.odd"),))


def test_a_further_rule_that_breaks_is_found_in_its_own_file() -> None:
    """It is counted in the file that it stands in, not behind the rules of the gadget file."""
    further = tuple(Rule.model_validate(each) for each in (
        {"name": "first", "always": "lamp.dark or lamp.lit"},
        {"name": "second", "when": "key.press and lamp.dark", "then": "lamp.lit", "within": "1 ms"},
    ))
    report = check_gadget(gadget(BROKEN), rules=further, only=("rule",), runs=5)
    (second,) = [one for one in report.faults if '"second"' in one.text]
    assert second.rows == ("rules[1] of the further rules",)


def test_witnesses_of_one_name_do_not_overwrite_each_other() -> None:
    """Two rules whose names differ only in signs get files of their own."""
    text = PLAIN + rule('never = "lamp.lit"') + rule('never = "key.pressed"').replace(
        '"wanted"', '"wanted!"')
    report = checked(text, only=("rule",))
    assert sorted(witness_names(report).values()) == ["wanted", "wanted-2"]


def test_the_same_seed_gives_the_same_report() -> None:
    """The check is a pure function of gadget, rules and seed."""
    quick = gadget(PLAIN.replace("20 ms", "1 ms"))
    first, second = (
        check_gadget(quick, only=("several-per-press",), seed=3, runs=30)
        for _ in range(2)
    )
    assert first == second
    assert first.faults


def test_a_budget_is_shared_out() -> None:
    """What a part spends its whole spends, and a part ends no later than the whole."""
    budget = Budget(100)
    part = budget.part(0.5, most=30)
    assert part.left() == 30
    part.spend(40)
    assert part.over()
    assert not budget.over()
    assert budget.left() == 60
    assert budget.part(2.0).left() == 60
    other = budget.part(1.0)
    budget.spend(60)
    assert other.over()
    assert not budget.timed_out


def test_a_limit_of_time_ends_a_budget_and_is_told() -> None:
    """Work that is left does not count then; without a clock no time ever does."""
    now = [0.0]
    budget = Budget(1_000, clock=lambda: now[0], seconds=5.0)
    part = budget.part(0.5)
    assert not part.over()
    now[0] = 5.0
    assert part.over()
    assert part.left() == 500
    assert budget.timed_out


def test_loading_the_search_does_not_load_what_draws_or_draws_up() -> None:
    """Hypothesis and matplotlib are loaded when they are used."""
    code = ("import simfw.verify.check, simfw.verify.output, sys; "
            "assert not {'hypothesis', 'matplotlib'} & set(sys.modules)")
    subprocess.run([sys.executable, "-c", code], check=True)


def test_rules_of_the_how_to_page_can_be_checked(tmp_path: Path) -> None:
    """The rules printed there are about the demo gadget and can be read."""
    text = (DOCS / "how-to/find-impossible-changes.md").read_text(encoding="utf-8")
    block = re.search(r"```toml rules.toml\n(.*?)```", text, re.DOTALL)
    assert block is not None
    path = tmp_path / "rules.toml"
    steps = gadget((DOCS.parent / "scenarios/cellar-steps/gadget.toml").read_text("utf-8"))
    path.write_text(block[1], encoding="utf-8")
    rules = read_rules(path, steps)
    report = check_gadget(steps, rules=rules, runs=1, effort=0.1, only=("rule",))
    assert len(report.verdicts) == len(steps.rules) + 3


def test_many_open_states_of_a_family_are_told_as_a_span() -> None:
    """A ramp of a hundred steps is no hundred names; four of a family still are."""
    ramp = [f"fade.{n:03}" for n in range(100)]
    assert _in_spans(["dark", *ramp, "lit.a", "lit.b"]) == [
        "dark", "fade.000 .. fade.099 (100 states)", "lit.a", "lit.b"
    ]  # fmt: skip
