"""Conformance: the generated C conforms, faults of it are found with a short witness."""

import contextlib
import json
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.cli import main
from simfw.commands._recordings import observed_in
from simfw.conform import driving, mutants
from simfw.conform import firmware as firmware_module
from simfw.conform.coarse import first_apart
from simfw.conform.driving import (
    gaps_of,
    inputs_of,
    recorded_drive,
    scenario_drive,
    vector_drives,
)
from simfw.conform.firmware import (
    Difference,
    Drive,
    Firmware,
    compare,
    random_difference,
    shrunk,
)
from simfw.conform.judged import Judged, judged
from simfw.conform.mutants import Build, Subject, mutants_of, score
from simfw.conform.outcome import Compared, Parted, outcome_json
from simfw.conform.placed import placed
from simfw.engine.simulator import Prepared, simulate
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.loading import load_scenario
from simfw.report.record import write_recording
from simfw.report.source import harness_files
from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Scenario
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.replay import Exchange, Report
from simfw.vectors.sketch import Act
from simfw.verify.replay import Options
from tests.report.generated_c import compile_harness, compiler
from tests.report.golden import DEMOS

HOOK = next(path for path in DEMOS if path.parent.name == "key-hook")
CC = compiler("tcc", "gcc", "clang")
pytestmark = pytest.mark.skipif(CC is None, reason="no C compiler installed")


@pytest.fixture(scope="module")
def hook():
    """The key hook with its drives and its behaviour as what mutants are made of."""
    gadget = load_gadget(HOOK)
    prepared = Prepared(gadget)
    subject = Subject(prepared.system, gadget.segments, gadget.head.name)
    return gadget, prepared, vector_drives(gadget, prepared), subject


def built(folder, files):
    """The host program of these files."""
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return compile_harness(folder, CC, "-w")


@pytest.fixture(scope="module")
def good(hook, tmp_path_factory):
    """The unchanged harness."""
    return built(tmp_path_factory.mktemp("good"), hook[3].files)


def test_the_generated_c_conforms(hook, good, capsys):
    """Vectors and random stimuli find no difference, through the command line as well."""
    drives = hook[2]
    firmware = Firmware(good)
    assert firmware.say_hello().startswith("hello 1")
    assert compare(firmware, drives) is None
    assert firmware.told == {"event", "out", "wake", "sleep"}
    status = main(["conform", str(HOOK), "--against", str(good), "--examples", "10",
                   "--also", str(HOOK.parent / "keys-lost.toml")])  # fmt: skip
    assert status == 0
    assert "Conforms" in capsys.readouterr().out


def test_recordings_drive_the_firmware(good, tmp_path, capsys):
    """A recorded run: its inputs from power-up, with a map and without; what is odd is said."""
    record = tmp_path / "evening.vcd"
    assert main(["run", str(HOOK.parent / "keys-lost.toml"), "--record", str(record)]) == 0
    options = ["conform", str(HOOK), "--against", str(good), "--examples", "0"]
    capsys.readouterr()
    assert main([*options, "--recording", str(record)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Conforms: ")
    assert "scenarios, 1 recordings, 0 random" in said
    assert main([*options, "--map", str(record)]) == 2
    assert "--recording" in capsys.readouterr().err
    assert main([*options, "--recording", str(HOOK)]) == 2


def test_a_recording_that_the_model_does_not_fit_is_told(hook, tmp_path):
    """Lights that were never lit in a recording of presses: the drive is made, the doubt said."""
    gadget, prepared, _, _ = hook
    scenario = load_scenario(HOOK.parent / "keys-lost.toml")
    run = simulate(gadget, scenario, prepared=prepared)
    record = tmp_path / "dark.csv"
    write_recording(run, record)
    observed, _ = observed_in(record, None, gadget, HOOK)
    model = Rehearsal(prepared)
    fair = recorded_drive(prepared, model, observed, Options())
    assert fair.said == ()
    assert fair.drive.replay.events == [(event.time_ns, event.name) for event in run.events]
    dark = {name: Track(start=0.0) for name in observed.outputs}
    doubted = recorded_drive(prepared, model, replace(observed, outputs=dark), Options(charge=0.7))
    assert any("the model itself parts" in text for text in doubted.said)
    assert doubted.drive.acts == fair.drive.acts


def test_a_difference_comes_with_a_witness(hook, tmp_path, capsys, monkeypatch):
    """A lamp that goes out 1 ms late is found, and saved as a scenario that can be run."""
    files = dict(hook[3].files)
    assert "FW_TICKS(20000000000)" in files["tables.c"]
    files["tables.c"] = files["tables.c"].replace("FW_TICKS(20000000000)", "FW_TICKS(20001000000)")
    program = built(tmp_path, files)
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", str(program)]) == 1
    said = capsys.readouterr().out
    assert "Differs at" in said
    assert "Saved as witness.toml" in said
    assert "\n  cell at 100 %\n" in said or "\n  cell at 50 %\n" in said  # no digits of nothing
    witness = load_scenario(tmp_path / "witness.toml")
    assert 1 <= len(witness.steps) <= 3
    capsys.readouterr()
    assert main(["conform", str(HOOK), "--against", str(program), "--within", "2 ms",
                 "--examples", "0", "--json"]) == 0  # fmt: skip
    outcome = json.loads(capsys.readouterr().out)
    assert outcome["comparison"]["conforms"]
    assert outcome["comparison"]["left_out"] > 0
    assert outcome["comparison"]["difference"] is None


def _keys(value, path=""):
    """The paths of all keys of a JSON value."""
    if isinstance(value, list):
        return {key for one in value for key in _keys(one, f"{path}[]")}
    if not isinstance(value, dict):
        return {path}
    return {key for name, one in value.items()
            for key in _keys(one, f"{path}.{name}" if path else name)}  # fmt: skip


def test_the_json_of_a_comparison_has_the_documented_keys(hook):
    """Every key of one with a difference and with faults stands on its page."""
    gadget, prepared, drives, _ = hook
    found = Difference(drive=drives[0], time_ns=0, expected="sleep 0", told="nothing")
    parted = Parted(found=found, placed=placed(prepared, found), witness=None)
    compared = Compared(drives=drives, recordings=0, random_lists=0, kinds=("out",), within_ns=0,
                        tick_ns=1, host_only=0, parted=parted)  # fmt: skip
    faults = Judged(noticed=(), same=(), left=(), made=0)
    outcome = outcome_json(gadget.head.name, [], compared, faults)
    page = (HOOK.parents[2] / "docs/reference/conform-json.md").read_text(encoding="utf-8")
    for key in _keys(outcome):
        stem, _, last = key.rpartition("[].")
        assert f"`{key}`" in page or (f"`{stem}[]`" in page and f"`{last}`" in page), key


def test_a_mistake_in_a_scenario_is_told_before_the_work_begins(tmp_path, capsys, monkeypatch):
    """A gadget that is not there, in a scenario beside the vectors; nothing is searched for it."""
    def worked(*_):
        raise AssertionError("the vectors were made first")

    monkeypatch.setattr(driving, "vector_drives", worked)
    lone = tmp_path / "lone.toml"
    lone.write_text((HOOK.parent / "keys-lost.toml").read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["conform", str(HOOK), "--against", "/bin/true", "--also", str(lone)]) == 2
    assert "gadget.toml" in capsys.readouterr().err


def test_a_scenario_that_does_not_fit_the_gadget_is_told_with_its_line(tmp_path, capsys):
    """One of another gadget: each of its mistakes with file, line and key."""
    other = HOOK.parents[1] / "cellar-steps" / "gadget.toml"
    scenario = HOOK.parent / "keys-lost.toml"
    assert main(["conform", str(other), "--against", "/bin/true", "--also", str(scenario)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) > 2
    assert all(line.startswith(f"{scenario}:") for line in lines[:-1])


def _script(folder, *lines):
    """A firmware of these shell commands."""
    path = folder / "firmware.sh"
    path.write_text("\n".join(["#!/bin/sh", *lines, ""]), encoding="utf-8")
    path.chmod(0o755)
    return path


def test_what_a_firmware_complains_that_does_not_answer_is_told(tmp_path):
    """The last three lines of its standard error, however much it writes there before."""
    script = _script(tmp_path, "head -c 300000 /dev/zero | tr '\\0' x >&2", "echo >&2",
                     "echo one >&2; echo two >&2; echo three >&2; exit 3")
    with pytest.raises(UsageError, match=r"It complained: one / two / three\."):
        Firmware(script).say_hello()


@pytest.mark.parametrize("status", [0, 3])
def test_what_a_firmware_complains_that_ends_early_is_told(status, hook, tmp_path):
    """It speaks the protocol until the power comes."""
    _, _, drives, _ = hook
    script = _script(tmp_path, "while read line; do case $line in",
                     f"power*) echo 'stack overflow' >&2; exit {status};;",
                     "*) echo ok;; esac; done")
    found = Firmware(script).differs(drives[0])
    assert found is not None
    assert str(found).endswith("It complained: stack overflow.")


def test_random_stimuli_find_what_no_vector_was_given_for(hook, tmp_path):
    """Without vectors, a click that is ignored is found by random stimuli and made short."""
    gadget, prepared, _, subject = hook
    mutant = next(m for m in mutants_of(subject)
                  if m.text == "behaviour.lamp_mode.rows[0]: never fires")  # fmt: skip
    firmware = Firmware(built(tmp_path, mutant.files))
    segments = gadget.segments
    inputs = inputs_of(gadget, prepared.circuit)
    found = random_difference(firmware, prepared.system, prepared.circuit, segments, inputs,
                              gaps_of(gadget), examples=200, seed=1)  # fmt: skip
    assert found is not None
    short = shrunk(firmware, found, prepared.system, prepared.circuit, segments)
    assert len(short.drive.acts) <= 4


def test_most_faults_are_noticed_or_proved_to_change_nothing(hook):
    """Vectors alone notice 19 of 20 of a sample of those that are not proved; of faults that show
    in the course of several stays, nine of ten; all are told.
    """
    _, prepared, drives, _ = hook
    result = judged(prepared, drives, 80, seed=3)
    later = {"starts", "kept", "states", "begun", "lasts", "third", "follow", "target"}
    for is_later, share in ((False, 0.95), (True, 0.9)):
        noticed, left = ([fault for fault in group if (fault.kind in later) == is_later]
                         for group in (result.noticed, result.left))
        assert len(noticed) >= share * (len(noticed) + len(left)) > 0
    assert len(result.noticed) + len(result.same) + len(result.left) == 80 < result.made
    lines = result.lines()
    assert lines[0].startswith(f"Mutants: 80 (of {result.made} that can be made). ")
    assert [line for line in lines if line.startswith("  open: ")] == [
        f"  open: {fault.text}" for fault in result.left]
    assert sum(fault.kind == "row" for fault in result.noticed) == int(
        re.search(r"a row that never fires: (\d+) noticed", "\n".join(lines))[1])


def test_a_fault_that_is_noticed_in_python_is_noticed_in_its_c(hook, tmp_path):
    """Every twentieth fault of the rows, written out as C and driven with the vector that exposes
    it: the firmware in Python is held against the compiled one.
    """
    _, prepared, drives, subject = hook
    judge = Judge(prepared.system, subject.segments)
    for drive in drives:
        judge.add(drive.replay)
    build = Build(subject, tmp_path)
    tried = 0
    for mutant in [one for one in mutants_of(subject) if one.fault is not None][::20]:
        exposed = judge.exposed(mutant.fault)
        if exposed is None:
            continue
        firmware = Firmware(build.mutated(mutant))
        if mutant.fault.kind == "awake":
            firmware.told = {"wake", "sleep"}
        assert firmware.differs(drives[exposed[0]]) is not None, mutant.text
        tried += 1
    assert tried >= 5


def test_a_search_that_never_ends_a_second_time_is_noticed(hook):
    """What is worked through on purpose shows faults that bring nothing new on their way."""
    _, _, drives, subject = hook
    result = score(subject, drives, 20, only=r"search\.rows\[2\]|lamp_mode\.rows\[8\]")
    assert result.total >= 4
    assert not result.survivors


def test_faults_of_a_chord_are_noticed_where_they_can_be():
    """Dropped guards of the two buttons that are read together: the rest cannot show (the page on
    the C source says why).
    """
    gadget = load_gadget(HOOK.parent.parent / "cellar-steps" / "gadget.toml")
    prepared = Prepared(gadget)
    subject = Subject(prepared.system, gadget.segments, gadget.head.name)
    result = score(subject, vector_drives(gadget, prepared), 20,
                   only=r"chords\.both\.\w+#[1-4]: its guard is dropped")  # fmt: skip
    assert result.total == 6
    assert {mutant.text.partition(":")[0] for mutant in result.survivors} == {
        "chords.both.buttons#2", "chords.both.buttons#3", "chords.both.within#1",
        "chords.both.within#2"}  # fmt: skip


def test_mutants_are_made_where_they_could_show(hook):
    """A state passed at once counts with what follows it; made-up edges where a row hears them."""
    texts = [mutant.text for mutant in mutants_of(hook[3])]
    assert "gauge.reading: does not keep awake" in texts
    assert "gauge.unread: does not keep awake" not in texts
    assert "lamp_mode.lit.weak: lamp has half its level" in texts
    assert "step function: edges are made up at power-up" in texts
    gadget = load_gadget(HOOK.parent.parent / "cellar-steps" / "gadget.toml")
    subject = Subject(Prepared(gadget).system, gadget.segments, gadget.head.name)
    texts = [mutant.text for mutant in mutants_of(subject)]
    assert "step function: edges are made up at power-up" not in texts  # contacts are sampled
    assert "up.contact.reading: does not keep awake" in texts


def test_mutants_are_counted_by_the_command(capsys, monkeypatch):
    """`--mutants` tells what became of a sample, whether or not there is a compiler."""
    monkeypatch.setattr(mutants.shutil, "which", lambda name: None)
    assert main(["conform", str(HOOK), "--mutants", "3", "--seed", "1"]) == 0
    said = capsys.readouterr().out
    assert re.match(r"Mutants: 3 \(of \d+ that can be made\)\. [0-3] noticed by the vectors", said)


def test_what_only_a_bench_can_do_is_no_scenario(hook, tmp_path, capsys, monkeypatch):
    """A limit of the gauge that is 4 mV off shows at the bench supply; no file is written."""
    files = dict(hook[3].files)
    assert files["tables.c"].count(" 2250000") == 1
    files["tables.c"] = files["tables.c"].replace(" 2250000", " 2246000")
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", str(built(tmp_path, files)),
                 "--examples", "0"]) == 1  # fmt: skip
    said = capsys.readouterr().out
    assert "the gauge measures 2.2483 V" in said
    assert "This needs a bench" in said
    assert not (tmp_path / "witness.toml").exists()


def test_a_limit_between_the_same_two_codes_is_the_same_limit(hook, tmp_path):
    """1.5 mV off, no reading of a 10-bit converter comes to lie in between: 1,126.4 / 501 is
    2.2483 V, 1,126.4 / 500 is 2.2528 V.
    """
    files = dict(hook[3].files)
    files["tables.c"] = files["tables.c"].replace(" 2250000", " 2248500")
    firmware = Firmware(built(tmp_path, files))
    measured = [drive for drive in hook[2] if any(act.kind == "measured" for act in drive.acts)]
    assert len(measured) > 5
    assert [drive.name for drive in measured if firmware.differs(drive) is not None] == []


def test_a_scenario_in_which_the_cell_runs_empty_is_refused():
    """The protection opens in it: a firmware cannot be told that."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Night light"},
        "cell": {"curve": "lco", "capacity": "50 mAh", "cut_off": "3.0 V"},
        "lights": {"lamp": {"forward": ["2.0 V @ 5 mA", "2.1 V @ 20 mA"], "resistor": "47R"}},
        "behaviour": {"lamp": {"starts": "lit", "states": {"lit": {"lamp": "on"}}}},
    })  # fmt: skip
    prepared = Prepared(gadget)
    model = Rehearsal(prepared)

    def scenario(lasts_s: int) -> Scenario:
        return Scenario(title="a night", gadget_path=Path("gadget.toml"), charge=0.5,
                        lasts_ns=lasts_s * 10**9, gadget=gadget)  # fmt: skip

    assert scenario_drive(model, "short.toml", scenario(60)).ends_ns == 60 * 10**9
    with pytest.raises(UsageError, match=r"night\.toml cannot be used to drive a firmware"):
        scenario_drive(model, "night.toml", scenario(36_000))


def test_what_is_no_firmware_is_refused(tmp_path, capsys):
    """A program that cannot be run, one that says something else, and no program at all."""
    talker = tmp_path / "talker"
    talker.write_text(f"#!{sys.executable}\nprint('good day')\n")
    talker.chmod(0o755)
    with pytest.raises(UsageError, match="does not speak"):
        Firmware(talker).say_hello()
    with pytest.raises(UsageError, match="no such program"):
        Firmware(tmp_path / "nowhere").say_hello()
    assert main(["conform", str(HOOK)]) == 2
    assert "--against" in capsys.readouterr().err


ROGUES = {
    "nonsense": ("echo 'hello 1 x'; cat >/dev/null; echo out lamp; echo; echo 'out ² lamp 1'; "
                 f"echo out {'9' * 5000} lamp 1; printf '\\0\\033[2J\\377\\n'",
                 "the firmware says"),
    "dies": ("echo 'hello 1 x'; kill -SEGV $$", "hello 1 x"),
    "dies at once": ("exec 1>&-; exit 7", "ended with status 7"),
    "floods": ("while :; do echo ok ok ok ok ok ok ok ok ok ok ok; done",
               "ok ok ok"),
    "no line end": ("head -c 10485760 /dev/zero | tr '\\0' x", f"`{'x' * 80}... "),
    "leaves a child": ("sleep 1000 & echo $! >\"$0.pid\"; echo ok", "no answer in time"),
    "stops": ("echo 'hello 1 x'; sleep 1000", "hello 1 x"),
    "floods the other way": ("yes >&2", "no answer in time"),
    "NUL bytes": ("printf 'ok\\0\\0\\0\\n'; cat >/dev/null", "\\x00"),
    "closes its output and lives": ("exec 1>&-; sleep 1000", "no answer in time"),
    "stops reading": ("exec 0<&-; echo 'hello 1 x'; sleep 1000", "hello 1 x"),
}


@pytest.mark.parametrize("name", ROGUES)
def test_whatever_a_firmware_prints_is_a_difference(hook, tmp_path, name):
    """Nonsense, an early end, a flood, a stop, 10 MB without a line end: told on one short line."""
    body, word = ROGUES[name]
    program = tmp_path / "rogue"
    program.write_text(f"#!/bin/sh\n{body}\n")
    program.chmod(0o755)
    gadget, prepared, drives, _ = hook
    silent = word == "no answer in time" and name != "leaves a child"  # which takes its time
    firmware = Firmware(program, timeout_s=0.5 if silent else 2.0)
    with contextlib.suppress(UsageError):
        firmware.say_hello()
    found = firmware.differs(drives[0])
    assert found is not None
    found = shrunk(firmware, found, prepared.system, prepared.circuit, gadget.segments)
    text = str(found)
    assert word in text
    assert text.isprintable()
    assert len(text) < 400
    if name == "leaves a child":
        child = int((tmp_path / "rogue.pid").read_text())
        # It has been killed; a busy machine may take a while to let it end.
        until = time.monotonic() + 60
        while _goes_on(child) and time.monotonic() < until:
            time.sleep(0.01)
        assert not _goes_on(child)


def _goes_on(process: int) -> bool:
    """Whether a process has not ended; one that nobody waited for yet has."""
    try:
        status = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False
    return status.rpartition(")")[2].split()[0] not in ("Z", "X")


@pytest.mark.parametrize(("body", "word"), [
    ("printf 'ok\\nou'; sleep 1000", "no answer in time"),
    ("printf 'ok\\nou'; kill -9 $$", "the program was ended by signal 9"),
    ("printf 'ok\\nou'; exit 3", "the program ended with status 3"),
])
def test_a_line_that_a_program_was_ended_in_is_no_answer(tmp_path, body, word):
    """Programs send blocks: what stands before such an end says nothing of what they do."""
    program = tmp_path / "ended"
    program.write_text(f"#!/bin/sh\n{body}\n")
    program.chmod(0o755)
    assert Firmware(program, timeout_s=2.0).talk(["init 0"]) == ["ok", f"error {word}"]


def test_a_line_that_comes_in_two_pieces_is_one(tmp_path):
    """However long after one another they come."""
    program = tmp_path / "slow"
    program.write_text("#!/bin/sh\nprintf 'ou'; sleep 0.2; printf 't 5 lamp 1\\nok'\n")
    program.chmod(0o755)
    assert Firmware(program).talk(["init 0"]) == ["out 5 lamp 1", "ok"]


@pytest.mark.parametrize(("told", "time_ns"), [
    (["out 40 red 1", "out 90 lamp 1"], 40),
    (["out 200 lamp 1", "out 90 red 1"], 50),
    (["out 50 lamp 1", "out 70 red 1"], 70),
    (["out 50 lamp 1", "out 90 red 1", "out 95 red 0"], 95),
    (["out 5 lamp 1", "out 90 red 1"], 50),  # before the exchange began: no time to go by
    (["out 50 lamp 1", "out 30 red 1"], 30),
    (["out 80 red 1", "out 20 lamp 1"], 20),
])
def test_a_difference_is_named_by_the_earlier_of_its_two_times(told, time_ns):
    """The model has lamp at 50 ns and red at 90 ns, in an exchange from 10 ns to 100 ns."""
    expected = [(50, "out 50 lamp 1"), (90, "out 90 red 1")]
    found = firmware_module._compare(expected, told, {"out"}, 10, 100)
    assert found is not None
    assert found[0] == time_ns


def test_the_order_of_outputs_within_an_instant_does_not_count():
    """Two outputs that change at one time, told the other way round."""
    expected = [(50, "out 50 lamp 1"), (50, "out 50 red 1")]
    told = ["out 50 red 1", "out 50 lamp 1"]
    assert firmware_module._compare(expected, told, {"out"}, 10, 100) is None
    assert firmware_module._compare(expected, told[:1], {"out"}, 10, 100) == (
        50, "out 50 lamp 1", "nothing")


def test_of_two_reports_missing_in_one_instant_the_one_that_the_other_follows_from_is_named():
    """A count that was left, and what moves it: the account has the hold first, and an earlier
    step of the count before both.
    """
    expected = [(50, "event 50 count.changed"), (90, "event 90 key.hold"),
                (90, "event 90 count.changed"), (90, "out 90 lamp 0")]
    told = [expected[0][1]]
    kinds = {"event", "out"}
    assert firmware_module._compare(expected, told, kinds, 10, 100) == (
        90, "event 90 key.hold", "nothing")
    reports = tuple(Report(words[0], int(words[1]), words[2], 0)
                    for words in (line.split(" ") for _, line in expected))
    wanted = {("event", "count.changed"): [expected[0], expected[2]],
              ("event", "key.hold"): [expected[1]], ("out", "lamp"): [expected[3]]}
    assert first_apart([Exchange(("until 100",), reports)], {("event", "count.changed"): [
        expected[0]]}, wanted, 1) == (90, "event 90 key.hold", "nothing")


@pytest.mark.parametrize("value_v", [0.0, 2.9, 3.0, 4.2, 1e6])
def test_any_voltage_that_a_bench_sets_has_words(value_v):
    """A sample of 3.0 V and more is no third level of the status pin."""
    assert Act(0, "measured", "gauge", value_v).text == f"the gauge measures {value_v:.6g} V"


def test_a_difference_at_a_gauge_sample_above_3_v_is_told(tmp_path, capsys):
    """The bars of the larder lamp, whose thresholds lie above 3 V, are taken 5 mV too low."""
    larder = HOOK.parents[1] / "larder-lamp" / "gadget.toml"
    gadget = load_gadget(larder)
    prepared = Prepared(gadget)
    files = dict(harness_files(prepared.system, gadget.segments, gadget.head.name))
    assert " 3660000" in files["tables.c"]
    files["tables.c"] = files["tables.c"].replace(" 3660000", " 3655000")
    assert main(["conform", str(larder), "--against", str(built(tmp_path, files)),
                 "--examples", "0", "--witness", str(tmp_path / "witness.toml")]) == 1  # fmt: skip
    assert re.search(r"the gauge measures 3\.\d+ V", capsys.readouterr().out)


def test_a_program_that_breaks_off_or_hangs_is_a_difference(hook, tmp_path):
    """An exit status other than 0 and a missing answer are told as such."""
    drives: list[Drive] = hook[2]
    for body, word in (("import sys; sys.exit(3)", "status 3"), ("while True: pass", "in time")):
        program = tmp_path / "program"
        program.write_text(f"#!{sys.executable}\n{body}\n")
        program.chmod(0o755)
        found = Firmware(program, timeout_s=1.0).differs(drives[0])
        assert found is not None
        assert word in str(found)


def test_the_bench_reports_by_one_command():
    """The full count of mutants has a help text of its own."""
    root = Path(__file__).parent.parent.parent
    done = subprocess.run([sys.executable, "-m", "tests.bench.mutants", "--help"], cwd=root,
                          capture_output=True, text=True, check=True)  # fmt: skip
    assert "--gadget" in done.stdout
