"""`simfw life` and `simfw sweep` from the command line."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from simfw.cli import main
from simfw.commands import _progress
from simfw.commands._progress import Bar
from simfw.quantity import format_rough_time
from tests.life.made import CHARGER, EVENING, SENSOR, head, lamp

ROOT = Path(__file__).resolve().parents[2]
SCHEMAS = {
    name: jsonschema.Draft202012Validator(
        json.loads((ROOT / f"docs/reference/{name}.schema.json").read_text(encoding="utf-8"))
    )
    for name in ("life", "sweep")
}
RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')
WAVING = """
[[habits]]
name = "waving"
times = 20
steps = [ { wave = "wave", distance = "10 cm", for = "100 ms .. 300 ms" } ]
"""
PLUG = """
[[habits]]
name = "plug"
when = "gauge <= 1"
steps = [ { usb = true }, { wait = "3 h" }, { usb = false } ]
"""


def written(folder: Path, gadget: str, text: str) -> str:
    """A pattern file with its gadget beside it."""
    (folder / "gadget.toml").write_text(gadget, encoding="utf-8")
    (folder / "pattern.toml").write_text(text, encoding="utf-8")
    return str(folder / "pattern.toml")


@pytest.fixture
def evenings(tmp_path: Path) -> str:
    """A lamp that is empty after an evening or two."""
    return written(tmp_path, lamp(capacity="30 mAh ± 10 %"), head(horizon="1 day") + RANDOM)


@pytest.fixture
def waves(tmp_path: Path) -> str:
    """A sensor before which somebody waves twenty times a day."""
    sensor = SENSOR.format(every="200 ms", agree=1).replace("200 mAh", "1 mAh")
    return written(tmp_path, sensor, head(horizon="1 day") + WAVING)


def said(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Status, output and errors of a command."""
    try:
        status = main([str(one) for one in arguments])
    except SystemExit as refused:
        status = int(str(refused.code))
    out, err = capsys.readouterr()
    return status, out, err


# -- simfw life ----------------------------------------------------------------------------------


def test_life_answers_in_text(evenings: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The title, what was asked for, the answers and the cautions; nothing on standard error."""
    status, out, err = said(capsys, "life", evenings, "--users", 8, "--seed", 3)
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("Test lamp")
    assert lines[1] == "8 users for at least 1 day from 100 % charge, seed 3"
    for wanted in ("a cell lasts, median", "a cell lasts, mean", "worst and best parts",
                   "With nominal parts", "What the spread of the days depends on",
                   "What would add most days", "Cautions"):
        assert wanted in out
    assert "\x1b" not in out


def test_average_current_tells_over_which_time_it_is(
    evenings: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody plugs in, so a user is watched until the cell is empty, which is a user's days (the
    definition in docs/reference/life-json.md): with nothing else to draw, 30 mAh +- 10 % then flow.
    """
    _, out, _ = said(capsys, "life", evenings, "--users", 3, "--json")
    found = json.loads(out)
    watched_s = found["watched_s"]
    assert watched_s > found["horizon_s"]
    assert watched_s == pytest.approx(86_400 * found["days_between_charges"]["mean"], rel=1e-9)
    assert found["average_current_a"] * watched_s / 3.6 == pytest.approx(30.0, rel=0.11)
    _, out, _ = said(capsys, "life", evenings, "--users", 3)
    (row,) = [line for line in out.splitlines() if line.startswith("  average current")]
    assert row.endswith(f"over the {format_rough_time(watched_s)} that a user was watched, "
                        "on average")


@pytest.mark.parametrize(
    ("gadget", "habits", "users"),
    [
        (lamp(capacity="30 mAh ± 10 %"), RANDOM, 9),
        (lamp(capacity="30 mAh"), "", 3),  # nobody touches it
        (lamp(capacity="30 mAh", more=CHARGER), RANDOM + PLUG, 2),
        (lamp(capacity="30 mAh"), RANDOM, 1),  # one user has no error
        ('[gadget]\nname = "Cell"\n[cell]\ncurve = "lco"\ncapacity = "1 Ah"\n', "", 1),  # no end
        (SENSOR.format(every="200 ms", agree=1).replace("200 mAh", "1 mAh"), WAVING, 2),
    ],
    ids=["parts", "alone", "charged", "one-user", "endless", "waves"],
)
def test_json_keeps_its_contract(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], gadget: str, habits: str, users: int
) -> None:
    """Every shape of an answer fits the schema, and what is missing has its reason."""
    file = written(tmp_path, gadget, head(horizon="1 day") + habits)
    status, out, err = said(capsys, "life", file, "--users", users, "--json")
    assert (status, err) == (0, "")
    value: dict[str, Any] = json.loads(out)
    SCHEMAS["life"].validate(value)
    assert set(value) == set(SCHEMAS["life"].schema["required"])  # type: ignore[index]
    assert value["users"] == users
    reasons = {
        "days_between_charges": value["days_between_charges"]["p50"],
        "charge_time_s": value["charge_time_s"],
        "shelf_life_days": value["shelf_life_days"],
        "missed_wave_share": value["missed_wave_share"],
    }
    for name, answer in reasons.items():
        assert (answer is None) == (name in value["why"]), name
    hours = value["hours_per_day_at_bars"]
    assert not hours or sum(hours.values()) == pytest.approx(24.0)
    shares = [one["share"] for one in value["contributors"]]
    assert shares == sorted(shares, reverse=True)
    assert not shares or sum(shares) == pytest.approx(1.0)


def test_schema_refuses_what_breaks_the_contract(
    evenings: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The schema can fail: a missing key, a missing reason, a share above one, a text."""
    value = json.loads(said(capsys, "life", evenings, "--users", 2, "--json")[1])
    days = value["days_between_charges"]
    for changed in (
        {key: value[key] for key in value if key != "seed"},
        {**value, "days_between_charges": {**days, "p10": None, "p50": None, "p90": None}},
        {**value, "dead_share": 1.5},
        {**value, "charges_per_year": "many"},
        {**value, "changes": [{"change": "x", "gain_days": -1.0}]},
    ):
        with pytest.raises(jsonschema.ValidationError):
            SCHEMAS["life"].validate(changed)


def test_same_seed_gives_the_same_bytes(
    evenings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Text, JSON and plots hang on the seed alone: not on --jobs, --keep, or the run."""
    command = ("life", evenings, "--users", 6)
    keep = ("--keep", tmp_path / "a.kept")
    plots = [tmp_path / "a.svg", tmp_path / "b.svg"]
    text = said(capsys, *command, *keep, "--plot", plots[0])
    assert said(capsys, *command, "--jobs", 2, "--plot", plots[1]) == text
    assert plots[0].read_bytes() == plots[1].read_bytes()
    found = said(capsys, *command, "--json")
    assert said(capsys, *command, "--json", *keep, "--jobs", 2) == found
    assert said(capsys, *command, "--json", "--seed", 1) != found


STARTS = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}


@pytest.mark.parametrize("ending", sorted(STARTS))
def test_plots_are_written_in_each_form(
    evenings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], ending: str
) -> None:
    """The ending decides the form of the plot, for a study and for a sweep."""
    vary = ("--vary", "loads.lamp.current=10 mA..20 mA:2")
    for name, command in (("life", ("life", evenings)), ("sweep", ("sweep", evenings, *vary))):
        plot = tmp_path / f"{name}.{ending}"
        assert said(capsys, *command, "--users", 2, "--plot", plot)[0] == 0
        assert plot.read_bytes().startswith(STARTS[ending])


def test_wrong_ending_is_refused_before_the_work(
    waves: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unknown form costs no waiting, and nothing is written."""
    for command in (("life", waves), ("sweep", waves, "--vary", "cell.capacity=1 mAh..2 mAh")):
        status, out, err = said(capsys, *command, "--plot", tmp_path / "a.gif", "--keep",
                                tmp_path / "a.kept")
        assert (status, out) == (2, "")
        assert "its name must end in one of .pdf, .png, .svg." in err
    assert not (tmp_path / "a.kept").exists()


def test_bad_pattern_is_refused_and_nothing_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All mistakes together, exit status 2, no file made."""
    text = head(horizon="1 day") + EVENING.replace('"19:00"', '"25:61"')
    file = written(tmp_path, lamp(), text)
    before = sorted(tmp_path.iterdir())
    status, out, err = said(capsys, "life", file, "--plot", tmp_path / "a.png", "--keep",
                            tmp_path / "a.kept")
    assert (status, out) == (2, "")
    assert 'habit "evening": there is no such time of day' in err
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("options", "wanted"),
    [
        (["--users", "0"], "is not a whole number from 1 on"),
        (["--users", "few"], "is not a whole number from 1 on"),
        (["--jobs", "0"], "is not a whole number from 1 on"),
        (["--seed", "-1"], "argument --seed"),
        (["--jobs", "2", "--cluster", "127.0.0.1:8786"], "not allowed with argument --jobs"),
        (["--cluster", "nonsense"], "this is not the address of a scheduler"),
    ],
)
def test_options_that_cannot_be_are_refused(
    evenings: str, capsys: pytest.CaptureFixture[str], options: list[str], wanted: str
) -> None:
    """Exit status 2, and a message that names what was found."""
    vary = ("--vary", "cell.capacity=1 mAh..2 mAh")
    for command in (("life", evenings), ("sweep", evenings, *vary)):
        status, out, err = said(capsys, *command, *options)
        assert (status, out) == (2, "")
        assert wanted in err
        assert "Traceback" not in err


def test_kept_groups_of_another_study_are_refused(
    evenings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another seed with the same file: what differs, exit status 2, the file as it was."""
    kept = tmp_path / "a.kept"
    assert said(capsys, "life", evenings, "--users", 3, "--keep", kept)[0] == 0
    before = kept.read_bytes()
    status, out, err = said(capsys, "life", evenings, "--users", 3, "--seed", 5, "--keep", kept)
    assert (status, out) == (2, "")
    assert err == (
        f"--keep {kept}: these groups belong to another study; they are left as they are. It was "
        "begun with seed 0, and now it is 5. Go on as it was begun, or give another file.\n"
    )
    assert kept.read_bytes() == before


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_interrupted_study_goes_on_from_what_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], jobs: str
) -> None:
    """Ctrl-C in the middle: one line that says what is kept, 130, and later the same bytes."""
    file = written(tmp_path, lamp(capacity="100 mAh ± 10 %"), head(horizon="10 days") + RANDOM)
    kept = tmp_path / "a.kept"
    command = ["life", file, "--users", "50", "--jobs", jobs]
    process = subprocess.Popen(
        [sys.executable, "-m", "simfw", *command, "--keep", str(kept)], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )
    until = time.monotonic() + 120
    while time.monotonic() < until:
        if kept.exists() and kept.read_bytes().count(b"\n") > 4:
            break
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all its processes
    out, err = process.communicate(timeout=120)
    assert (process.returncode, out) == (130, "")
    stopped = re.fullmatch(
        rf"Stopped\. (\d+) finished users kept in {re.escape(str(kept))}; the same command goes "
        r"on from there\.\n", err)
    assert stopped, err
    assert 4 <= int(stopped[1]) < 50
    whole = said(capsys, *command)
    assert said(capsys, *command, "--keep", kept) == whole
    assert whole[0] == 0


def test_interrupted_study_that_keeps_nothing_says_so(
    evenings: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --keep, Ctrl-C is one word and the status a shell gives for it."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("simfw.life.life.gather", interrupted)
    assert said(capsys, "life", evenings) == (130, "", "Stopped.\n")


# -- simfw sweep ---------------------------------------------------------------------------------


def test_sweep_compares_designs(waves: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Longer look periods: more days, more waves missed, a later answer; so all are best."""
    vary = "proximity.wave.every=50 ms..500 ms:3"
    status, out, err = said(capsys, "sweep", waves, "--vary", vary, "--users", 2, "--json")
    assert (status, err) == (0, "")
    value = json.loads(out)
    SCHEMAS["sweep"].validate(value)
    assert set(value) == set(SCHEMAS["sweep"].schema["required"])  # type: ignore[index]
    points = value["points"]
    assert [point["texts"] for point in points] == [["50 ms"], ["158 ms"], ["500 ms"]]
    for answer in ("missed_wave_share", "response_s"):
        values = [point[answer] for point in points]
        assert values == sorted(values)
        assert values[0] < values[-1]
    medians = [point["days_between_charges"]["p50"] for point in points]
    assert medians[0] < medians[1] < medians[2]
    assert all(point["best"] for point in points)
    status, out, err = said(capsys, "sweep", waves, "--vary", vary, "--users", 2)
    assert (status, err) == (0, "")
    assert [line.split()[0:2] for line in out.splitlines()[4:7]] == [
        ["50", "ms"], ["158", "ms"], ["500", "ms"]
    ]
    assert ("* of the designs tried, no other has more days, fewer waves missed and a faster "
            "answer\n\nCautions\n") in out


def test_sweep_of_two_figures_takes_every_combination(
    evenings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two figures make a grid; the same bytes for any number of processes, and when kept."""
    command = ("sweep", evenings, "--vary", "loads.lamp.current=10 mA..20 mA:2",
               "--vary", "cell.capacity=20 mAh..60 mAh:3", "--users", 3)
    first = said(capsys, *command)
    assert first[0] == 0
    assert first[1].count("*") == 2  # of six, the strongest cell with the weakest lamp; the note
    keep = ["--keep", tmp_path / "a.kept"]
    for options in (["--jobs", 2], keep, keep):
        assert said(capsys, *command, *options) == first
    values = json.loads(said(capsys, *command, "--json")[1])
    SCHEMAS["sweep"].validate(values)
    assert values["keys"] == ["loads.lamp.current", "cell.capacity"]
    assert [point["texts"] for point in values["points"]] == [
        [current, cell] for current in ("10 mA", "20 mA") for cell in ("20 mAh", "40 mAh", "60 mAh")
    ]


@pytest.mark.parametrize(
    ("varied", "wanted"),
    [
        (["cell.capacity"], '--vary "cell.capacity" cannot be read. Write KEY=FROM..TO or'),
        (["cell.capacity=1 mAh"], "cannot be read"),
        (["cell.capcity=1 mAh..2 mAh"], 'the gadget has no figure "cell.capcity". '
         'Did you mean "cell.capacity"?'),
        (["qqq=1..2"], 'the gadget has no figure "qqq".\n'),
        (["cell.capacity=1 mV..2 mV"], "--vary cell.capacity: "),
        (["cell.capacity=2 mAh..1 mAh"], "two or more values, at most 200, the smaller end first"),
        (["cell.capacity=1 mAh..2 mAh:1"], "two or more values"),
        (["cell.capacity=1 mAh..2 mAh:201"], "two or more values"),
        (["cell.capacity=1 mAh..2 mAh"] * 2, "--vary: the same figure twice."),
        (["cell.capacity=1 mAh..2 mAh"] * 3, "--vary may be given once or twice."),
        (["cell.cut_off=3 V..5 V:2"], "--vary: with 5 V the figures make no gadget. cell.restart"),
    ],
)
def test_what_cannot_be_varied_is_told(
    evenings: str, capsys: pytest.CaptureFixture[str], varied: list[str], wanted: str
) -> None:
    """Exit status 2 with what was found and how it is written, before anything is simulated."""
    options = [word for text in varied for word in ("--vary", text)]
    status, out, err = said(capsys, "sweep", evenings, *options)
    assert (status, out) == (2, "")
    assert wanted in err


# -- progress ------------------------------------------------------------------------------------


def shown(monkeypatch: pytest.MonkeyPatch, term: str) -> str:
    """What a bar writes on a terminal for ten users, of whom four were kept, a second each."""
    now = 0.0
    monkeypatch.setattr(_progress.time, "monotonic", lambda: now)
    monkeypatch.setenv("TERM", term)
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as terminal:
        with Bar(terminal, "users") as bar:
            for done in range(4, 11):
                bar.show(done, 10)
                now += 1.0
            bar.tell("what would add most")
        terminal.write("END")
        terminal.flush()
        told = b""
        while not told.endswith(b"END"):
            told += os.read(master, 1000)
    os.close(master)
    return told.decode()


def test_bar_tells_the_time_that_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Time left counts from what was done since the start, not from what was kept before."""
    text = shown(monkeypatch, "xterm")
    lines = [line.removesuffix("\x1b[K") for line in text.split("\r")]
    assert lines[1] == f"[{'=' * 12}{' ' * 18}] 4 of 10 users"
    assert lines[2] == f"[{'=' * 15}{' ' * 15}] 5 of 10 users, 5 s left"
    assert lines[-3] == f"[{'=' * 30}] 10 of 10 users, 1 s left"
    assert lines[-2] == "what would add most ..."
    assert text.endswith("\r\x1b[KEND")
    assert shown(monkeypatch, "dumb") == "END"
