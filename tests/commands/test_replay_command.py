"""`simfw replay`, `simfw map` and `simfw run --record` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw.cli import main
from tests.verify.firmwares import LAMP

SESSION = """\
title = "Short"
gadget = "lamp.toml"
charge = "80 %"
lasts = "8 s"
steps = [
  { at = "1 s", press = "power", for = "100 ms" },
  { at = "3 s", press = "level", for = "100 ms" },
  { at = "5 s", press = "power", for = "2.2 s" },
]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A gadget and a scenario."""
    (tmp_path / "lamp.toml").write_text(LAMP)
    (tmp_path / "short.toml").write_text(SESSION)
    return tmp_path


@pytest.fixture
def record(folder: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """The run as a table."""
    path = folder / "run.csv"
    assert main(["run", str(folder / "short.toml"), "--record", str(path)]) == 0
    capsys.readouterr()
    return path


def said(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Status, output and errors of a command."""
    status = main([str(one) for one in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_a_recorded_run_agrees_in_every_form(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Text, JSON, table, plot and scenario of one replay; the scenario holds on the gadget."""
    gadget = folder / "lamp.toml"
    status, out, err = said(
        capsys, "replay", record, "--gadget", gadget, "--csv", folder / "edges.csv", "--plot",
        folder / "replay.png", "--as-scenario", folder / "seen.toml")
    assert (status, err) == (0, "")
    assert out.startswith("run.csv: 8.000000 s, tick 1 ns, 3 stimuli, 2 outputs; tolerance "
                          "20 ms\n")
    assert "  shelf   matched  3      3        0 ms   -\n" in out
    assert "begins in power-up, charge 80 %\n  start charge 80 % from the recording\n" in out
    assert "buttons.power.hold" in out
    assert "\nThe recording agrees with the gadget file.\n\nCautions\n" in out
    assert (folder / "edges.csv").read_text().splitlines()[:2] == [
        "signal,kind,recorded_s,recorded_level,model_s,model_level,off_s",
        "shelf,matched,1.12,1.0,1.12,1.0,0.0"]
    assert (folder / "replay.png").read_bytes().startswith(b"\x89PNG")
    assert said(capsys, "run", folder / "seen.toml")[0] == 0
    status, out, _ = said(capsys, "replay", record, "--gadget", gadget, "--json")
    report = json.loads(out)
    assert status == 0
    assert report["agrees"] is True
    assert report["first_difference"] is None
    assert [one["verdict"] for one in report["signals"]] == ["matched", "matched"]
    findings = {one["key"]: one["finding"] for one in report["timings"]}
    assert findings["buttons.level.double"] == "consistent"
    assert findings["behaviour.lamp.rows[7].after"] == "not exercised"
    assert {"key": "behaviour.lamp.rows[7]", "record": "from lamp.dark: press power briefly, then "
            "wait 5 min"} in report["not_exercised"]


def test_a_difference_is_a_failure_with_its_reason(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another hold: exit status 1, the timing named in text and JSON."""
    other = folder / "other.toml"
    other.write_text(LAMP.replace('hold = "2 s"', 'hold = "1.7 s"'))
    status, out, _ = said(capsys, "replay", record, "--gadget", other, "--no-timings")
    assert status == 1
    assert ("  shelf late by 300 ms: recorded 45 % -> off at 7.020000 s, model 45 % -> off at "
            "6.720000 s\n") in out
    assert "the last inputs before it:\n    At 1.000000 s, press power for 100 ms\n" in out
    assert "lamp.lit.half" in out
    assert "behaviour.lamp.rows[8]: on power.hold -> locked" in out
    assert ("  the one timing whose change would remove it: buttons.power.hold, 1.7 s -> 2 s\n"
            in out)
    assert " places.\n\nCautions\n" in out
    status, out, _ = said(capsys, "replay", record, "--gadget", other, "--json")
    report = json.loads(out)
    assert (status, report["agrees"], report["timings"][1]["finding"]) == (1, False, "contradicts")
    assert report["first_difference"]["timing"] == {"key": "buttons.power.hold",
                                                    "change": "1.7 s -> 2 s"}


def test_a_drawn_replay_says_what_its_lines_are(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Words for every line, the verdict on top, and the same bytes for the same replay."""
    other = folder / "other.toml"
    other.write_text(LAMP.replace('hold = "2 s"', 'hold = "1.7 s"'))
    pictures = []
    for name in ("one.svg", "two.svg"):
        assert said(capsys, "replay", record, "--gadget", other, "--no-timings", "--plot",
                    folder / name)[0] == 1
        pictures.append((folder / name).read_text())
    assert pictures[0] == pictures[1]
    for word in ("run.csv disagrees with the gadget file", "recorded", "model", "disagrees",
                 "first difference", "level", "shelf: late", "time in the recording (s)"):
        assert word in pictures[0]


def test_a_map_is_drafted_and_used(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Wires of other names: refused without a map, drafted, agreed with one."""
    text = record.read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    lines[0] = "time_s,Power button,LVL,hand,vbus,t,SHELF,mark"
    capture = folder / "capture.csv"
    capture.write_text("\n".join(line for line in lines) + "\n")
    gadget = folder / "lamp.toml"
    bare = folder / "bare.csv"
    bare.write_text("time_s,q1\n0,0\n1,1\n")
    status, out, err = said(capsys, "replay", bare, "--gadget", gadget)
    assert (status, out) == (2, "")
    assert "no wire (q1) is called like a signal of the gadget. `simfw map " in err
    status, out, err = said(capsys, "map", capture, "--gadget", gadget)
    assert status == 0
    assert "# SHELF: 3 edges, 1.12 s to 7.02 s" in out
    assert '[wires.SHELF]\noutput = "shelf"' in out
    status, out, _ = said(capsys, "map", capture, "--gadget", gadget, "--json")
    wires = {wire["name"]: wire for wire in json.loads(out)["wires"]}
    assert wires["Power button"]["edges"] == 4
    assert wires["SHELF"]["first_edge_ticks"] == 1_120_000_000
    assert wires["mark"]["looks_like"] == "level"
    draft = folder / "map.toml"
    draft.write_text(
        'gadget = "lamp.toml"\ncharge = "80 %"\n[wires."Power button"]\ninput = "power"\n'
        '[wires.LVL]\ninput = "level"\n[wires.SHELF]\noutput = "shelf"\n[wires.mark]\n'
        'output = "marker"\n')
    status, out, err = said(capsys, "replay", capture, "--map", draft)
    assert (status, err) == (0, "")
    assert "  not in the map: hand\n" in out
    assert "start state not recorded" in out
    status, out, _ = said(capsys, "map", capture, "--gadget", gadget, "--output",
                          folder / "drafted.toml")
    assert out == f"{folder / 'drafted.toml'}: 7 wires; check every line.\n"


@pytest.mark.parametrize(("arguments", "message"), [
    (["run.csv"], "No gadget file: give --gadget, or a map that names one."),
    (["none.csv", "--gadget", "lamp.toml"], "none.csv: there is no such file."),
    (["run.csv", "--gadget", "lamp.toml", "--start", "lamp"], "--start lamp: this is not "
     "REGION=STATE."),
    (["run.csv", "--gadget", "lamp.toml", "--start", "lmap=dark"], '--start: no such region: '
     '"lmap". Allowed: lamp, sensor, sign. Did you mean "lamp"?'),
    (["run.csv", "--gadget", "lamp.toml", "--start", "lamp=lit"], '--start: no such state of lamp: '
     '"lit". Allowed: dark, lit.full, lit.half, lit.glow, locked.'),
    (["run.csv", "--gadget", "lamp.toml", "--clock", "2"], "--clock 2: a clock factor is a number "
     "from 0.9 to 1.1."),
    (["run.csv", "--gadget", "lamp.toml", "--clock", "slow"], "--clock slow: a clock factor is a "
     "number from 0.9 to 1.1."),
    (["run.csv", "--gadget", "lamp.toml", "--charge", "120 %"], "--charge 120 %: a charge is at "
     "most 100 %. Allowed: 0 % to 100 %, or the open-circuit voltage such as \"3.9 V\"."),
    (["inputs.csv", "--gadget", "lamp.toml"], "inputs.csv: no wire is an output of the gadget, so "
     "there is nothing to compare."),
])
def test_unusable_arguments_are_refused(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str], arguments: list[str],
    message: str, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit status 2 and the whole message; nothing on standard output."""
    monkeypatch.chdir(folder)
    (folder / "inputs.csv").write_text("time_s,power\n0,0\n1,1\n2,0\n")
    assert said(capsys, "replay", *arguments) == (2, "", f"{message}\n")


def test_quantities_of_options_are_checked(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A tolerance without a unit, a charge without one."""
    for option in ("--tolerance", "--charge"):
        status, out, err = said(capsys, "replay", record, "--gadget", folder / "lamp.toml", option,
                                "20")
        assert (status, out) == (2, "")
        assert err.startswith(f"{option} 20: ")


def test_a_given_clock_and_start_are_taken(
    folder: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No fit where the factor is given; a start state that is wrong shows as a disagreement."""
    gadget = folder / "lamp.toml"
    status, out, _ = said(capsys, "replay", record, "--gadget", gadget, "--clock", "1",
                          "--no-timings")
    assert status == 0
    assert "clock factor 1, as given\n" in out
    status, out, _ = said(capsys, "replay", record, "--gadget", gadget, "--start", "lamp=locked",
                          "--no-timings")
    assert status == 1
    assert "begins in lamp.locked, sensor.armed, sign.off" in out


def test_a_recording_has_one_of_two_endings(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Anything else is refused before the run."""
    status, out, err = said(capsys, "run", folder / "short.toml", "--record", folder / "run.txt")
    assert (status, out) == (2, "")
    assert err == f"--record {folder}/run.txt: a recording ends in .csv or .vcd.\n"


def test_a_dump_without_a_timescale_takes_the_maps(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`timescale` in the map, `--timescale` of `simfw map`."""
    path = folder / "dump.vcd"
    path.write_text("$var wire 1 ! power $end $var wire 1 % shelf $end $enddefinitions $end\n#0\n0!"
                    "\n0%\n#1000\n1!\n#1100\n0!\n#1120\n1%\n#3000\n")
    gadget = folder / "lamp.toml"
    assert said(capsys, "replay", path, "--gadget", gadget)[0] == 2
    mapped = folder / "map.toml"
    mapped.write_text('timescale = "1 ms"\n[wires.power]\ninput = "power"\n[wires.shelf]\n'
                      'output = "shelf"\n')
    status, out, _ = said(capsys, "replay", path, "--gadget", gadget, "--map", mapped,
                          "--no-timings")
    assert status == 0
    assert "no $timescale in the file; the map's is used" in out
    status, out, err = said(capsys, "map", path, "--gadget", gadget, "--timescale", "1 ms")
    assert (status, err) == (0, f"{path}: no $timescale in the file; the map's is used\n")
