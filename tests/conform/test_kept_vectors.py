"""Test vectors read back from a folder: the same as found anew, and every mistake told."""

import csv
import io
import shutil
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.conform.driving import kept_drives, vector_drives
from simfw.engine.simulator import Prepared
from simfw.errors import DescriptionError
from simfw.loading import load_gadget
from simfw.vectors import vector_files
from tests.sharing import shared_vectors

ROOT = Path(__file__).parents[2]
HOOK = ROOT / "scenarios/key-hook/gadget.toml"


def _written(folder: Path, path: Path) -> Prepared:
    prepared = Prepared(load_gadget(path))
    made = shared_vectors(prepared.gadget, prepared.system, prepared)
    for name, text in vector_files(made, folder).items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return prepared


@pytest.fixture(scope="module")
def hook(tmp_path_factory):
    """The key-hook light, prepared, and a folder with its vectors."""
    folder = tmp_path_factory.mktemp("specification")
    return _written(folder, HOOK), folder


@pytest.fixture
def mute(tmp_path):
    """A firmware that does nothing, which is all right for any folder that cannot be read."""
    program = tmp_path / "mute"
    program.write_text("#!/bin/sh\nwhile read word rest; do case $word in set|value) ;;\n"
                       "hello) echo hello 1; echo ok ;; *) echo ok ;; esac; done\n")
    program.chmod(0o700)
    return str(program)


@pytest.mark.parametrize("name", ["scenarios/key-hook", "scenarios/potting-shed",
                                  "tests/gallery/fridge-door"])
def test_vectors_read_back_are_those_that_were_found(name, tmp_path):
    """Acts, charge, length, what hangs on an order, and all that the model does."""
    prepared = _written(tmp_path, ROOT / name / "gadget.toml")
    drives, said = kept_drives(tmp_path, prepared)
    assert said == []
    assert drives == vector_drives(prepared.gadget, prepared)


def test_the_folder_itself_may_be_named_too(hook):
    """The one that the tables stand in."""
    prepared, folder = hook
    assert kept_drives(folder / "vectors", prepared) == kept_drives(folder, prepared)


def test_a_contact_that_moves_at_power_up_is_told_from_one_that_was_closed_before(hook):
    """The first is for the host: no bench does it. Both stood at 0 in the table, and both were
    given to the bench.
    """
    _, folder = hook
    rows = csv.DictReader(io.StringIO((folder / "vectors/stimuli.csv").read_text()))
    moving = {row["vector"] for row in rows if row["signal"] == "key" and row["time_ns"] == "0"}
    listed = {row["vector"]: row for row in csv.DictReader(
        io.StringIO((folder / "vectors/vectors.csv").read_text()))}
    assert moving
    for name in moving:
        assert (listed[name]["for"], listed[name]["why"]) == ("host", "order")
        assert listed[name]["title"].startswith("for the host: ")
    assert "\nb02,-1,key,1,\n" in (folder / "vectors/stimuli.csv").read_text()


def test_another_gadget_file_is_noticed(hook, tmp_path):
    """The vectors are driven all the same: the model of now says what is right."""
    _, folder = hook
    changed = tmp_path / "hook"
    shutil.copytree(HOOK.parent, changed)
    text = (changed / "gadget.toml").read_text(encoding="utf-8")
    assert text.count('"20 s"') == 1
    (changed / "gadget.toml").write_text(text.replace('"20 s"', '"25 s"'), encoding="utf-8")
    prepared = Prepared(load_gadget(changed / "gadget.toml"))
    drives, (said,) = kept_drives(folder, prepared)
    assert len(drives) == len(kept_drives(folder, hook[0])[0])
    assert said.startswith(f"{folder} was not written from this gadget file as it is now: the "
                           "model does otherwise in v02, ")
    assert said.endswith(" more. New vectors for it: `simfw spec`.")


def test_conform_takes_the_vectors_of_a_folder(hook, mute, tmp_path, monkeypatch, capsys):
    """None is looked for; the difference is that of the first vector that shows one."""
    def never(*_, **__):
        raise AssertionError("vectors were looked for")

    monkeypatch.setattr("simfw.conform.driving.vector_drives", never)
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", mute, "--vectors", str(hook[1])]) == 1
    assert "the model says" in capsys.readouterr().out
    with pytest.raises(SystemExit) as left:
        main(["conform", str(HOOK), "--against", mute, "--vectors", str(hook[1]), "--no-vectors"])
    assert left.value.code == 2


MISTAKES = {
    "v01,0,cell.charge,0.5,": ("v01,0,cell.charge,1.5,", "0 to 1"),
    "b02,1000000000,key,0,": ("b02,1e9,key,0,", "whole nanoseconds from power-up"),
    "b02,1003750000,key,1,": ("b02,1003750000,kye,1,", 'Did you mean "key"?'),
    "b02,1505000000,key,1,": ("b02,1005000000,key,1,", "time goes back"),
    "b02,1540000000,supply,0,": ("b02,1540000000,supply,2,", "0, 1"),
    "b02,1640000000,supply,1,": ("b002,1640000000,supply,1,", "vectors.csv has no such vector"),
    "b01,5017000000,gauge.measured,2.248303 V,501": (
        "b01,5017000000,gauge.measured,low,501", "a voltage in V"),
    "b01,21018000000,gauge.measured,2.2528 V,500": (
        "b01,21018000000,gauge.measured", "3 cells where the header has 5"),
}


def test_all_mistakes_of_the_tables_are_told_together(hook, mute, tmp_path, monkeypatch, capsys):
    """Each with its file, its line, what stands there and what is allowed; nothing is run."""
    folder = tmp_path / "spoilt"
    shutil.copytree(hook[1], folder)
    table = folder / "vectors/stimuli.csv"
    text = table.read_text()
    for right, (wrong, _) in MISTAKES.items():
        assert text.count(f"\n{right}\n") == 1, right
        text = text.replace(f"\n{right}\n", f"\n{wrong}\n")
    table.write_text(text)
    lines = text.splitlines()
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", mute, "--vectors", str(folder)]) == 2
    said = capsys.readouterr().err.splitlines()
    for wrong, expected in MISTAKES.values():
        place = f"{table}:{lines.index(wrong) + 1}: "
        assert any(line.startswith(place) and expected in line for line in said), (place, said)
    assert said[-1] == f"{len(MISTAKES)} problems; nothing was done."


@pytest.mark.parametrize(("name", "text", "expected"), [
    ("vectors.csv", None, "no such file"),
    ("vectors.csv", "vector,for,title,ends_ns\n", "Allowed: vector,for,why,title,ends_ns"),
    ("vectors.csv", "vector,for,why,title,ends_ns\n", "no vector stands here"),
    ("vectors.csv", "vector,for,why,title,ends_ns\nv01,host,luck,x,1\nv01,host,,x,1\n",
     "why = luck: no such reason. Allowed: order, reading, clock, length, supply or nothing"),
    ("vectors.csv", "vector,for,why,title,ends_ns\nv01,bench,clock,x,1\n",
     "for = bench: with this `why` it is for the host. Allowed: host."),
    ("stimuli.csv", "vector,time_ns,signal,value,code\n", "nothing stands here of this vector"),
    ("stimuli.csv", "vector,time_ns,signal,value,code\nv01,0,key,1,\n",
     "a vector begins with its charge, at 0"),
])
def test_a_table_that_cannot_be_read_is_told(hook, mute, name, text, expected, tmp_path,
                                             monkeypatch, capsys):
    """Missing, of another kind, or without what has to be there."""
    folder = tmp_path / "spoilt"
    shutil.copytree(hook[1], folder)
    if text is None:
        (folder / "vectors" / name).unlink()
    else:
        (folder / "vectors" / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", mute, "--vectors", str(folder)]) == 2
    assert expected in capsys.readouterr().err


@pytest.mark.parametrize("name", ["scenarios/key-hook", "tests/gallery/bell-counter",
                                  "tests/gallery/fridge-door"])
def test_what_the_protocol_promises_of_times_and_inputs_holds(name):
    """No instant comes twice, no input takes two levels for one, and power comes back only where
    it was gone; what comes while it is gone asks for nothing.
    """
    prepared = Prepared(load_gadget(ROOT / name / "gadget.toml"))
    for vector in shared_vectors(prepared.gadget, prepared.system, prepared).vectors:
        off, last, levels = True, None, {}
        for exchange in vector.replay.unrolled.exchanges:
            for line in exchange.lines:
                word, *rest = line.split(" ")
                if word == "set":
                    assert off or levels.setdefault(rest[0], rest[1]) == rest[1], vector.name
                    continue
                if word in ("step", "power"):
                    assert rest[0] != last, vector.name
                    last = rest[0]
                    assert off == (word == "power"), vector.name
                off = word == "off" or (off and word != "power")
                levels.clear()
            assert not off or not exchange.reports, vector.name


@pytest.mark.parametrize(("right", "wrong", "expected"), [
    ("b02,1000000000,key,0,", f"b02,{'9' * 5000},key,0,", "this is no such number"),
    ("b01,0,cell.charge,0.5,", "b01,0,cell.charge,sNaN,", "0 to 1"),
    ("b02,1000000000,key,0,", f"b02,1000000000,key,{'0' * 200_000},", "cannot be read"),
    ("b02,1000000000,key,0,", "b02,1000000000,gauge.counted,0.5,", "the gadget has no such input"),
    ("b02,1000000000,key,0,", "b02,1000000000,status,1,", "the gadget has no such input"),
])
def test_what_is_no_number_and_what_does_nothing_is_refused(
    hook, right, wrong, expected, tmp_path
):
    """No traceback: thousands of digits, a number that signals, a cell too long for a table; nor an
    input that this gadget does not have.
    """
    prepared, made = hook
    folder = tmp_path / "spoilt"
    shutil.copytree(made, folder)
    table = folder / "vectors/stimuli.csv"
    text = table.read_text()
    assert text.count(f"\n{right}\n") == 1
    table.write_text(text.replace(f"\n{right}\n", f"\n{wrong}\n"))
    with pytest.raises(DescriptionError, match=expected):
        kept_drives(folder, prepared)
