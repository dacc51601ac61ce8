"""The command line: exit statuses, messages, files, streams."""

from __future__ import annotations

import errno
import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import simfw
from simfw import cli
from simfw.cli import main
from simfw.commands import _shared

ROOT = Path(__file__).resolve().parents[1]
KEYS = ROOT / "scenarios/key-hook/keys-lost.toml"
OLD = ROOT / "scenarios/key-hook/old-cell.toml"
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
COMMAND = [sys.executable, "-m", "simfw"]


def shell(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run `python -m simfw` as a process of its own, with no input."""
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, cwd=cwd, env=ENVIRONMENT,
        stdin=subprocess.DEVNULL, check=False,
    )  # fmt: skip


def broken_copy(folder: Path, old: str, new: str) -> Path:
    """A copy of the old-cell scenario and its gadget with one text replaced."""
    for name in ("gadget.toml", "cr2032.csv", "old-cell.toml"):
        text = (OLD.parent / name).read_text(encoding="utf-8")
        (folder / name).write_text(text.replace(old, new), encoding="utf-8")
    return folder / "old-cell.toml"


def test_run_prints_a_report_and_returns_0(capsys: pytest.CaptureFixture[str]) -> None:
    """All expectations met: the report on standard output, nothing on standard error."""
    assert main(["run", str(OLD)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Key-hook light: An old cell\n")
    assert err == ""
    assert "\x1b" not in out


def test_a_missed_expectation_returns_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The report is printed all the same and says what stood instead."""
    assert main(["run", str(broken_copy(tmp_path, "lit.weak and cell.low", "lit.full"))]) == 1
    assert "not met   lamp_mode.lit.full" in capsys.readouterr().out


def test_a_broken_rule_returns_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rule that does not hold is a failure too."""
    scenario = broken_copy(tmp_path, "cell.flat and lamp > 0", "lamp > 0")
    assert main(["run", str(scenario)]) == 1
    assert "broken   no light on a flat cell" in capsys.readouterr().out


def test_bad_input_returns_2_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that cannot be used: the message on standard error, no output file."""
    scenario = broken_copy(tmp_path, 'charge = "6 %"', 'charge = "6 mA"')
    plot, tables = tmp_path / "a.png", tmp_path / "tables"
    status = main(["run", str(scenario), "--plot", str(plot), "--csv", str(tables), "--json"])
    out, err = capsys.readouterr()
    assert status == 2
    assert out == ""
    assert "old-cell.toml:4" in err
    assert not plot.exists()
    assert not tables.exists()


def test_missing_file_returns_2(capsys: pytest.CaptureFixture[str]) -> None:
    """No such file: named, no traceback."""
    assert main(["run", "nowhere.toml"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err


def test_wrong_plot_ending_is_refused_before_the_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The ending decides the format; an unknown one costs no waiting."""
    assert main(["run", str(OLD), "--plot", str(tmp_path / "a.gif")]) == 2
    assert "its name must end in one of .pdf, .png, .svg." in capsys.readouterr().err


def test_plot_and_csv_are_written(tmp_path: Path) -> None:
    """One run, all its forms."""
    plot, tables = tmp_path / "a.svg", tmp_path / "deep" / "tables"
    assert main(["run", str(OLD), "--plot", str(plot), "--csv", str(tables)]) == 0
    assert plot.read_bytes().startswith(b"<?xml")
    assert len(list(tables.iterdir())) == 4


def test_a_plot_of_a_part_needs_a_plot_and_times_within_the_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--from` and `--to` do something or are refused: a part is another picture than the whole."""
    whole, part = tmp_path / "whole.svg", tmp_path / "part.svg"
    assert main(["run", str(OLD), "--plot", str(whole)]) == 0
    assert main(["run", str(OLD), "--plot", str(part), "--from", "1 s", "--to", "20 s"]) == 0
    assert b"drawn: 1 s to 20 s" in part.read_bytes()
    assert b"drawn:" not in whole.read_bytes()
    capsys.readouterr()
    gone = str(tmp_path / "gone.svg")
    for options, said in (
        (["--from", "1 s"], "--from 1 s: it says what --plot draws, and there is no --plot."),
        (["--to", "1 s"], "--to 1 s: it says what --plot draws, and there is no --plot."),
        (["--plot", gone, "--from", "9 days"], "--from 9 days: the run ends at"),
        (["--plot", gone, "--to", "9 days"], "--to 9 days: the plot would end before it begins"),
        (["--plot", gone, "--from", "5 s", "--to", "5 s"], "Allowed: after 5 s, up to"),
        (["--plot", gone, "--from", "soon"], "--from soon:"),
    ):
        assert main(["run", str(OLD), *options]) == 2
        assert said in capsys.readouterr().err
    assert not (tmp_path / "gone.svg").exists()


def test_same_inputs_give_the_same_bytes() -> None:
    """Two processes print the same JSON to the byte."""
    first, second = (shell("run", str(OLD), "--json") for _ in range(2))
    assert first.returncode == 0, first.stderr
    assert first.stdout == second.stdout
    json.loads(first.stdout)


def test_seed_is_said_and_must_be_a_whole_number(capsys: pytest.CaptureFixture[str]) -> None:
    """The seed stands in the report; a negative or broken one is refused."""
    assert main(["run", str(OLD), "--seed", "7"]) == 0
    assert "seed 7" in capsys.readouterr().out
    for wrong in ("-1", "1.5", "seven"):
        with pytest.raises(SystemExit) as caught:
            main(["run", str(OLD), f"--seed={wrong}"])
        assert caught.value.code == 2
        assert "is not a whole number from 0 on" in capsys.readouterr().err


def test_no_fold_gives_the_same_ledger(capsys: pytest.CaptureFixture[str]) -> None:
    """Folding is a matter of speed only."""
    values = []
    for options in ([], ["--no-fold"]):
        assert main(["run", str(OLD), "--json", *options]) == 0
        values.append(json.loads(capsys.readouterr().out))
    assert values[0]["events"] == values[1]["events"]
    assert values[0]["charge_used_c"] == pytest.approx(values[1]["charge_used_c"], rel=1e-6)


def test_a_run_lists_its_events_on_the_screen(capsys: pytest.CaptureFixture[str]) -> None:
    """The same events as in the JSON, in the order of time."""
    scenario = "scenarios/key-hook/each-in-turn.toml"
    assert main(["run", scenario, "--events"]) == 0
    listed = capsys.readouterr().out.split("\nEvents\n")[1].split("\n\n")[0]
    assert main(["run", scenario, "--json"]) == 0
    events = json.loads(capsys.readouterr().out)["events"]
    names = [name for line in listed.splitlines() for name in line.split("   ")[-1].split(", ")]
    assert names == [event["name"] for event in events]


def test_help_is_short_and_has_examples(capsys: pytest.CaptureFixture[str]) -> None:
    """Every command explains itself within a screen, with an example."""
    for arguments in (["-h"], *([name, "-h"] for name in command_names())):
        with pytest.raises(SystemExit) as caught:
            main(arguments)
        out = capsys.readouterr().out
        assert caught.value.code == 0
        assert "examples:\n  simfw " in out
        assert "exit status: 0 fine" in out
        assert len(out.splitlines()) <= 45


def command_names() -> list[str]:
    """The names of all subcommands."""
    return [module.__name__.rpartition(".")[2] for module in cli._modules()]


def test_commands_stand_in_the_order_of_their_rank() -> None:
    """What one begins with comes first, then `run`; then what is handed over, and help last."""
    names = command_names()
    assert names[:3] == ["new", "schema", "run"]
    assert names[-5:] == ["spec", "source", "conform", "help", "completion"]
    assert len(names) == len(set(names))


def test_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    """One version, in one place."""
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out == f"simfw {simfw.__version__}\n"


def test_an_unknown_command_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 2 and what is allowed."""
    with pytest.raises(SystemExit) as caught:
        main(["rnu"])
    assert caught.value.code == 2
    assert "simfw" in capsys.readouterr().err


def test_module_runs_as_a_program() -> None:
    """`python -m simfw` is the command line, and bad input shows no traceback."""
    done = shell("run", "nowhere.toml")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "nowhere.toml" in done.stderr


def test_new_makes_a_folder_that_loads_and_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What `new` writes is a working start."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "porch-light"]) == 0
    out = capsys.readouterr().out
    assert "Next: simfw run porch-light/first-evening.toml" in out
    assert sorted(p.name for p in (tmp_path / "porch-light").iterdir()) == [
        "README.md", "first-evening.toml", "gadget.toml",
    ]  # fmt: skip
    assert main(["run", "porch-light/first-evening.toml"]) == 0
    report = capsys.readouterr().out
    assert report.startswith("Porch light: First evening")
    assert "Expectations: 3 met" in report
    assert main(["modes", "porch-light/gadget.toml"]) == 0


def test_new_refuses_to_overwrite(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder or file of that name stays as it is."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").write_text("mine")
    for name in ("a", "b"):
        assert main(["new", str(tmp_path / name)]) == 2
        assert "exists already; nothing was written." in capsys.readouterr().err
    assert list((tmp_path / "a").iterdir()) == []
    assert (tmp_path / "b").read_text() == "mine"


@pytest.mark.parametrize("name", ["", ".", 'quo"te', "new\nline"])
def test_new_refuses_names_that_are_no_folder_names(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The name becomes a title in a TOML file: only plain characters."""
    assert main(["new", name]) == 2
    assert "cannot be the name of a gadget folder" in capsys.readouterr().err


def test_modes_compares_with_the_meter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A reading the model is outside of returns 1; one it is within returns 0."""
    gadget = OLD.parent / "gadget.toml"
    text = gadget.read_text(encoding="utf-8")
    (tmp_path / "cr2032.csv").write_bytes((OLD.parent / "cr2032.csv").read_bytes())
    copy = tmp_path / "gadget.toml"
    for reading, status, verdict in (
        ("4 uA ± 1 uA", 0, "within its range"),
        ("9 uA ± 1 uA", 1, "outside its range"),
        ("9 uA", 0, "off by"),
    ):
        copy.write_text(f'{text}\n[readings]\n"lamp_mode.dark" = "{reading}"\n', encoding="utf-8")
        assert main(["modes", str(copy)]) == status
        assert verdict in capsys.readouterr().out


@pytest.mark.parametrize("wrong", ["50", "150 %", "half"])
def test_modes_wants_a_charge_with_its_unit(
    wrong: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A charge is a share from 0 % to 100 %, or a voltage."""
    assert main(["modes", "gadget.toml", "--charge", wrong]) == 2
    err = capsys.readouterr().err
    assert err.startswith(f"--charge {wrong}: ")
    assert "%" in err
    assert "3.9 V" in err


def test_a_charge_may_be_what_a_meter_shows_at_rest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As in a scenario: 3.5 V is half of a curve that runs straight from 3 V to 4 V."""
    (tmp_path / "straight.csv").write_text("charge,voltage_v\n0,3.0\n1,4.0\n")
    gadget = tmp_path / "gadget.toml"
    gadget.write_text(
        '[gadget]\nname = "Peg"\n[cell]\ncurve = "straight.csv"\ncapacity = "100 mAh"\n'
        '[loads.lamp]\nresistance = "1k"\n[buttons.key]\n[behaviour.lamp_mode]\n'
        'starts = "lit"\nstates.lit = { lamp = "on" }\n')
    assert main(["modes", str(gadget), "--json", "--charge", "3.5 V"]) == 0
    [mode] = json.loads(capsys.readouterr().out)["modes"]
    assert mode["average_current_a"] == pytest.approx(3.5e-3)  # ohm's law on 1 kΩ
    assert main(["modes", str(gadget), "--charge", "4.5 V"]) == 2
    assert '--charge 4.5 V: the open-circuit curve' in capsys.readouterr().err


def test_modes_reads_the_current_at_the_charge_asked_for(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A lower cell drives less current through the light."""
    lit = []
    for charge in ("100 %", "20 %"):
        gadget = str(OLD.parent / "gadget.toml")
        assert main(["modes", gadget, "--json", "--charge", charge]) == 0
        modes = json.loads(capsys.readouterr().out)["modes"]
        lit.append(max(mode["average_current_a"] for mode in modes))
    assert lit[1] < lit[0]


def test_a_reader_that_leaves_is_no_error() -> None:
    """`simfw run ... | head -1`: quiet, with the status a shell gives for a broken pipe."""
    process = subprocess.Popen(
        [*COMMAND, "run", str(OLD)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=ENVIRONMENT,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(timeout=120) == 141


def test_an_interrupt_stops_quietly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C: one line, no traceback, the status a shell gives for it."""

    def interrupted(*_: object, **__: object) -> str:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(5)
        return ""

    monkeypatch.setattr("simfw.report.text.text_report", interrupted)
    assert main(["run", str(OLD)]) == 130


def test_colour_only_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal gets colour, NO_COLOR and dumb terminals do not."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as terminal:
        monkeypatch.delenv("NO_COLOR", raising=False)
        monkeypatch.setenv("TERM", "xterm")
        assert _shared.paint_for(terminal)("met", "good") == "\x1b[32mmet\x1b[0m"
        monkeypatch.setenv("TERM", "dumb")
        assert _shared.paint_for(terminal)("met", "good") == "met"
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setenv("NO_COLOR", "1")
        assert _shared.paint_for(terminal)("met", "good") == "met"
    os.close(master)


def test_progress_is_told_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What takes time is named on a terminal and wiped again; elsewhere nothing is written."""
    with _shared.telling("counting"):
        pass
    assert capsys.readouterr().err == ""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as terminal:
        monkeypatch.setattr(sys, "stderr", terminal)
        monkeypatch.setenv("TERM", "xterm")
        with _shared.telling("counting"):
            pass
        monkeypatch.undo()
        told = b""
        while len(told) < len(b"counting ...\r\x1b[K"):
            told += os.read(master, 100)
    assert told == b"counting ...\r\x1b[K"
    os.close(master)


def test_closed_and_full_streams_end_without_a_traceback() -> None:
    """A standard output that is closed, or a full disk behind it, is told; exit status 2."""
    call = f"{sys.executable} -m simfw modes {OLD.parent / 'gadget.toml'}"
    for streams, status, said in (
        (">&-", 2, "Cannot write the output: it is closed.\n"),
        ("2>&-", 0, ""),
        (">/dev/full", 2, "Cannot write the output: no space left on device.\n"),
    ):
        done = subprocess.run(
            ["sh", "-c", f"{call} {streams}"], capture_output=True, text=True, env=ENVIRONMENT,
            check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (status, said), streams
        assert bool(done.stdout) == (streams == "2>&-"), streams


def test_the_name_alone_prints_the_help() -> None:
    """Somebody who only types `simfw` learns what there is, with exit status 0."""
    alone, asked = shell(), shell("--help")
    assert (alone.returncode, alone.stderr) == (0, "")
    assert alone.stdout == asked.stdout != ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["mods", "x"], 'there is no command "mods". Allowed: new, .* Did you mean "modes"?'),
        (["sweep", "x", "--vary", "a=1..2", "--series", "E97"],
         '--series: not "E97". Allowed: E24, E96. Did you mean "E96"?'),
        (["run", "x", "--jason"], 'there is no option --jason. .* Did you mean "--json"?'),
        (["run", "x", "y"], '"y" is one word too many'),
        (["--versoin"], 'there is no option --versoin. .* Did you mean "--version"?'),
        (["life", "x", "--users", "-3"], "'-3' is not a whole number from 1 on"),
    ],
)
def test_what_is_mistyped_on_the_command_line_gets_the_nearest_name(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unknown commands and options: what is allowed, the nearest, status 2."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert re.search(said.replace("?", r"\?"), capsys.readouterr().err)


@pytest.mark.parametrize(
    "arguments",
    [
        ["life", "none.toml", "--plot", "gone/x.png"],
        ["check", "none.toml", "--witness", "file"],
        ["spec", "none.toml", "-o", "file/deeper"],
        ["replay", "none.vcd", "--csv", "gone/x.csv"],
        ["run", "none.toml", "--csv", "file"],
        ["run", "none.toml", "--record", "gone/x.vcd"],
        ["conform", "none.toml", "--against", "x", "--witness", "gone/x.toml"],
    ],
)
def test_where_nothing_can_be_written_no_work_is_begun(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """The place of the output is looked at first: an hour's search must not be lost to a typo."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_text("kept")
    assert main(arguments) == 2
    assert capsys.readouterr().err.startswith("Cannot write")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["replay", "gone.vcd", "--gadget", "G"], "gone.vcd: there is no such file.\n"),
        (["replay", "folder", "--gadget", "G"], "folder: this is a folder, not a file.\n"),
        (["conform", "G", "--against", "gone"], "gone: there is no such program.\n"),
        (["conform", "G", "--against", "sh mine.sh"], "there is no such program. Allowed: one "
         "program, without arguments; what needs some is started from a script.\n"),
        (["conform", "G", "--against", "folder"], "folder is a folder, not a program.\n"),
        (["conform", "G", "--against", "plain"], "plain cannot be run: permission denied.\n"),
    ],
)
def test_missing_recordings_and_programs_are_told_in_words(
    arguments: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """No number of the operating system's, and the words that other files get."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "plain").write_text("no program")
    monkeypatch.setattr("simfw.conform.driving.vector_drives", lambda *_, **__: [])
    gadget = str(OLD.parent / "gadget.toml")
    assert main([gadget if word == "G" else word for word in arguments]) == 2
    assert capsys.readouterr().err.endswith(said)


def test_a_terminal_is_told_that_vectors_are_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """They take most of the time of `conform`; a pipe is told nothing of it."""
    monkeypatch.setattr("simfw.conform.driving.vector_drives", lambda *_, **__: [])
    monkeypatch.setattr("simfw.commands.conform._compared", lambda *_: pytest.fail("no firmware"))
    monkeypatch.setattr("simfw.conform.judged.judged", lambda *_, **__: None)
    monkeypatch.setattr("simfw.conform.outcome.outcome_text", lambda *_: "")
    words = ["conform", str(OLD.parent / "gadget.toml"), "--mutants", "1"]
    monkeypatch.setenv("TERM", "xterm")
    told = []
    for terminal in (True, False):
        monkeypatch.setattr(sys.stderr, "isatty", lambda terminal=terminal: terminal)
        assert main(words) == 0
        told.append("finding the test vectors ..." in capsys.readouterr().err)
    assert told == [True, False]


def test_a_firmware_is_looked_at_without_vectors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """None is searched for, and that is said; faults cannot be held against none."""
    def never(*_: object, **__: object) -> None:
        raise AssertionError("vectors were looked for")

    monkeypatch.setattr("simfw.conform.driving.vector_drives", never)
    program = tmp_path / "mute"
    program.write_text("#!/bin/sh\nwhile read word rest; do case $word in set|value) ;;\n"
                       "hello) echo hello 1; echo ok ;; *) echo ok ;; esac; done\n")
    program.chmod(0o700)
    monkeypatch.chdir(tmp_path)
    gadget = str(OLD.parent / "gadget.toml")
    assert main(["conform", gadget, "--against", str(program), "--no-vectors",
                 "--examples", "20"]) == 1  # fmt: skip
    said = capsys.readouterr().out
    assert "The test vectors are left out" in said
    assert "in random stimuli" in said
    assert main(["conform", gadget, "--no-vectors", "--mutants", "1"]) == 2
    assert capsys.readouterr().err.startswith("--no-vectors: ")
    assert main(["conform", gadget, "--against", str(program), "--no-vectors",
                 "--examples", "0"]) == 2  # fmt: skip
    assert "nothing is left" in capsys.readouterr().err
    assert main(["conform", gadget, "--against", str(program), "--within=-1 ms"]) == 2
    assert capsys.readouterr().err.startswith("--within -1 ms: ")


# A second thing that draws, so that a state of the lamp belongs to two combinations.
RADIO = """
[loads.radio]
current = "1 mA"
[behaviour.air]
starts = "still"
states.still = {}
states.loud = { radio = "on" }
rows = [ { on = "key.double", from = "still", to = "loud", when = "lamp_mode.dark" } ]
"""


def test_modes_and_circuit_name_the_guesses_and_the_combination_of_a_reading(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two combinations that hold the state of one reading are told apart; guesses are named."""
    text = (OLD.parent / "gadget.toml").read_text(encoding="utf-8")
    (tmp_path / "cr2032.csv").write_bytes((OLD.parent / "cr2032.csv").read_bytes())
    copy = tmp_path / "gadget.toml"
    copy.write_text(f'{text}\n{RADIO}[readings]\n"lamp_mode.dark" = "4 uA"\n', encoding="utf-8")
    assert main(["modes", str(copy)]) == 0
    out = capsys.readouterr().out
    assert "lamp_mode.dark (air.still)" in out
    assert "lamp_mode.dark (air.loud)" in out
    guess = re.compile(r"^  lights\.lamp\.switch\.resistance +40R$", re.M)
    assert guess.search(out)
    assert main(["circuit", str(copy)]) == 0
    assert guess.search(capsys.readouterr().out)


def test_the_json_of_modes_has_the_documented_keys(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every key stands in the reference page."""
    page = (ROOT / "docs/reference/circuit-json.md").read_text(encoding="utf-8")
    section = page.partition("## `simfw modes")[2].partition("## `simfw pins")[0]
    text = (OLD.parent / "gadget.toml").read_text(encoding="utf-8")
    (tmp_path / "cr2032.csv").write_bytes((OLD.parent / "cr2032.csv").read_bytes())
    copy = tmp_path / "gadget.toml"
    copy.write_text(f'{text}\n[readings]\n"lamp_mode.dark" = "4 uA"\n', encoding="utf-8")
    assert main(["modes", str(copy), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    documented = set(re.findall(r"`(?:modes\[\]\.)?(\w+)(?:\[\])?`", section))
    assert {*found, *(key for mode in found["modes"] for key in mode)} <= documented
    assert any(mode["readings"] for mode in found["modes"])
    assert {key for mode in found["modes"] for one in mode["readings"] for key in one} <= documented


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_any_encoding_of_the_terminal_takes_the_report(encoding: str) -> None:
    """Characters that it does not have are escaped; JSON stays JSON."""
    call = [sys.executable, "-m", "simfw", "circuit", str(OLD.parent / "gadget.toml")]
    environment = {**ENVIRONMENT, "PYTHONIOENCODING": encoding}
    done = subprocess.run(call, capture_output=True, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    done = subprocess.run([*call, "--json"], capture_output=True, env=environment, check=True)
    found = json.loads(done.stdout.decode(encoding))
    plain = subprocess.run([*call, "--json"], capture_output=True, env=ENVIRONMENT, check=True)
    assert found == json.loads(plain.stdout.decode())
    done = subprocess.run([*call[:3], "run", "\N{GREEK CAPITAL LETTER OMEGA}\U0001d518.toml"],
                          capture_output=True, env=environment, check=False)  # fmt: skip
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("content", [
    "charge = nan", "charge = inf", "charge = -1e999", 'charge = "1e999 %"', 'lasts = "1e999 s"',
    "x" + ".x" * 3000 + " = 1", "x = " + "[" * 3000 + "]" * 3000, "lasts = " + "9" * 5000,
    'charge = "' + "9" * 30 + "." + "9" * 30 + 'e99 %"', "steps = [[[[1]]]]",
])
def test_numbers_and_keys_out_of_all_bounds_are_told(
    content: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In each kind of file, with the file's name, exit status 2 and no traceback."""
    for head, command in (
        ("", ["run"]), ('title = "a"\ngadget = "g.toml"\n', ["run"]), ("", ["pins"]),
        ("", ["life"]), ("[wires]\n", ["replay", str(OLD), "--map"]),
        ('[gadget]\nname = "x"\n[cell]\n', ["modes"]),
    ):
        path = tmp_path / "file.toml"
        path.write_text(f"{head}{content}\n", encoding="utf-8")
        assert main([*command, str(path)]) == 2
        assert str(path) in capsys.readouterr().err


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device here")
def test_a_device_without_end_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a file of any kind, straight and by a link with another ending."""
    gadget = str(OLD.parent / "gadget.toml")
    link = tmp_path / "capture.vcd"
    link.symlink_to("/dev/zero")
    for name in ("/dev/zero", str(link)):
        for command in (["run", name], ["pins", name], ["life", name],
                        ["map", name, "--gadget", gadget], ["replay", name, "--gadget", gadget],
                        ["replay", str(OLD), "--gadget", gadget, "--map", name]):  # fmt: skip
            assert main(command) == 2
            assert name in capsys.readouterr().err


def test_a_file_that_the_system_does_not_read_is_no_output_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk that fails while a recording is read: the recording is named, not the output."""
    gadget = str(OLD.parent / "gadget.toml")

    def broken(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    path = tmp_path / "capture.csv"
    path.write_text("time_s,button\n0,0\n1,1\n", encoding="utf-8")
    for place in ("simfw.stimuli.recording.csv._ends_with_newline",
                  "simfw.stimuli.recording.csv._first_bytes"):
        monkeypatch.setattr(place, broken)
        assert main(["map", str(path), "--gadget", gadget]) == 2
        said = capsys.readouterr().err
        assert f"{path}: the file cannot be read: input/output error" in said
