"""A firmware that counts in ticks is held against the model with its tick as the time allowed."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from simfw import load_gadget
from simfw.cli import main
from simfw.commands.conform import _on_ticks
from simfw.conform.coarse import on_ticks, tick_told
from simfw.conform.driving import on_ticks_of, vector_drives
from simfw.conform.firmware import Drive, Firmware
from simfw.engine.simulator import Prepared
from simfw.report.source import harness_files
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.report.generated_c import compile_harness, compiler, write_harness

ROOT = Path(__file__).parent.parent.parent
HOOK = ROOT / "scenarios" / "key-hook" / "gadget.toml"
NAMES = ("stair-glimmer", "two-readers", "ticker", "one-list", "three-locks")
GALLERY = [ROOT / "tests" / "gallery" / name / "gadget.toml" for name in NAMES]
TARGET = ("-w", "-DFW_TARGET_TICK", "-DFW_TICK_START=0xFFFFF000u")
CC = compiler("tcc", "gcc", "clang")
NEEDS_CC = pytest.mark.skipif(CC is None, reason="no C compiler installed")


@NEEDS_CC
@pytest.mark.parametrize("path", [HOOK, *GALLERY], ids=lambda path: path.parent.name)
def test_the_c_in_ticks_of_the_target_conforms(path, tmp_path):
    """All vectors, with a counter that wraps on the way, each report within one tick."""
    gadget = load_gadget(path)
    prepared = Prepared(gadget)
    drives = vector_drives(gadget, prepared)
    write_harness(tmp_path, gadget, prepared.system)
    firmware = Firmware(compile_harness(tmp_path, CC, *TARGET))
    firmware.say_hello()
    assert firmware.tick_ns == firmware.within_ns > 1
    for drive in on_ticks_of(firmware.tick_ns, drives, prepared):
        assert firmware.differs(drive) is None


@NEEDS_CC
@pytest.mark.parametrize(("wrong", "status"), [
    ("20000000000", 0), ("20000300000", 0), ("20001600000", 1), ("19998400000", 1)])
def test_more_than_a_tick_off_is_a_difference(wrong, status, tmp_path, capsys, monkeypatch):
    """The key hook counts in half milliseconds; its light goes out after 20 s."""
    gadget = load_gadget(HOOK)
    files = harness_files(Prepared(gadget).system, gadget.segments, gadget.head.name)
    files["tables.c"] = files["tables.c"].replace("(20000000000)", f"({wrong})")
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    program = compile_harness(tmp_path, CC, *TARGET)
    monkeypatch.chdir(tmp_path)
    assert main(["conform", str(HOOK), "--against", str(program), "--examples", "5"]) == status
    said = capsys.readouterr().out
    assert "It counts in ticks of 500 µs" in said
    assert ("Conforms" in said) == (status == 0)


def test_vectors_that_cannot_be_told_in_whole_ticks_are_named(monkeypatch):
    """What is left out for a firmware that counts in ticks is said; without ticks nothing is."""
    prepared = Prepared(load_gadget(HOOK))
    drives = [Drive(name, 0.5, (Act(at_ns, "contact", "key", 1.0),), 3_000_000_000, None)
              for name, at_ns in (("v01", 1_000_000_000), ("v02", 1_000_000_001))]
    monkeypatch.setattr(Rehearsal, "played", lambda *_: None)
    made, said = _on_ticks(prepared, SimpleNamespace(tick_ns=500_000), drives)
    assert [drive.name for drive in made] == ["v01"]
    assert said == ["Vectors left out: v02. With each act at a whole tick of 500 µs, what the "
                    "firmware has to do cannot be told."]
    assert _on_ticks(prepared, SimpleNamespace(tick_ns=1), drives) == (drives, [])
    assert _on_ticks(prepared, SimpleNamespace(tick_ns=500_000), drives[:1]) == (drives[:1], [])


@pytest.mark.parametrize(("hello", "tick"), [
    ("hello 1", 1), ("hello 1 tick_ns=500000", 500_000), ("hello 1 mine tick_ns=0", 1),
    ("hello 1 tick_ns=ten", 1), ("hello 1 tick_ns=-5", 1)])  # fmt: skip
def test_the_tick_is_read_from_the_answer_to_hello(hello, tick):
    """What is no number counts as none."""
    assert tick_told(hello) == tick


def test_acts_are_moved_to_the_beginning_of_their_tick():
    """There the firmware sees them too."""
    acts = (Act(1_999_999, "contact", "key", 1.0), Act(2_000_000, "contact", "key", 0.0))
    assert [act.at_ns for act in on_ticks(acts, 1_000_000)] == [1_000_000, 2_000_000]
