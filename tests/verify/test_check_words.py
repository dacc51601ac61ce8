"""The words of a check's report, and the files of its witnesses, from findings made by hand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb, Wave
from simfw.verify.finding import Finding, OpenCell, Report, Witness
from simfw.verify.output import report_text, witness_files, write_witnesses
from tests.verify.firmwares import LAMP
from tests.verify.gadgets import gadget

S = 10**9


def report(*findings: Finding, cells: tuple[OpenCell, ...] = ()) -> Report:
    """A report of a search that came to its end."""
    return Report(gadget="Shelf lamp", findings=findings, verdicts=(), open_cells=cells,
                  reached=7, combinations=5, reached_all=True)


def text_of(made: Report, folder: str | None = None) -> str:
    """The report without colours."""
    return report_text(made, lambda text, _tone: text, folder)


@pytest.fixture(scope="module")
def lamp() -> Gadget:
    """The demo lamp of the replay tests."""
    return gadget(LAMP)


def witness(lamp: Gadget, *steps: Step, lasts_s: int = 20) -> Witness:
    """A witness with these steps, which breaks after nine seconds."""
    scenario = Scenario(title="A way there", gadget_path=Path("lamp.toml"), charge=0.8,
                        lasts_ns=lasts_s * S, steps=steps, gadget=lamp)
    return Witness(scenario=scenario, rule="wanted", time_ns=9 * S, why="it holds",
                   list=("At 1 s: press power.", "Then it holds."))


def test_a_finding_has_its_rows_and_its_witness_below_it(lamp: Gadget) -> None:
    """The steps are numbered; the file is named where witnesses were written."""
    found = Finding(check="trap", level="note", text="no way out", rows=("a", "b"),
                    witness=witness(lamp))
    assert text_of(report(found)).endswith(
        "Notes: 1\n  trap: no way out\n      where: a, b\n      1. At 1 s: press power.\n"
        "      2. Then it holds.\n")
    assert text_of(report(found), "out").endswith("      witness: out/trap.toml\n")
    bare = Finding(check="trap", level="note", text="no way out")
    assert text_of(report(bare), "out").endswith("Notes: 1\n  trap: no way out\n")


def test_open_cells_stand_by_region_and_event_and_only_the_first_forty_do() -> None:
    """The states of one event share a line."""
    cells = tuple(OpenCell("lamp", state, f"key{k}.click")
                  for k in range(43) for state in ("dark", "lit"))
    lines = text_of(report(cells=cells)).splitlines()
    assert "Unhandled (state, event) pairs: 86" in lines
    assert "  lamp         key0.click         dark, lit" in lines
    assert "  lamp         key39.click        dark, lit" in lines
    assert not any("key40.click" in line for line in lines)
    assert lines[-1] == "  and 3 more"
    few = text_of(report(cells=cells[:80])).splitlines()
    assert few[-1] == "  lamp         key39.click        dark, lit"
    steps = ("dark", *(f"fade.{k}" for k in range(5)), *(f"lit.{k}" for k in range(4)))
    family = text_of(report(cells=tuple(OpenCell("lamp", one, "key.click") for one in steps)))
    assert family.endswith("  lamp         key.click          dark, fade.0 .. fade.4 (5 states), "
                           "lit.0, lit.1, lit.2, lit.3\n")


def test_the_timeline_of_a_witness_has_a_lane_for_all_that_is_done(lamp: Gadget) -> None:
    """Presses, hands, USB in and out or still in at the end, and every written region."""
    made = report(Finding(
        check="rule", level="fault", text="broken", witness=witness(
            lamp, Usb(at_ns=0, present=False), Press(at_ns=S, button="power", for_ns=2 * S),
            Wave(at_ns=4 * S, sensor="wave", distance_m=0.08, for_ns=S),
            Usb(at_ns=5 * S, present=True), Usb(at_ns=7 * S, present=False),
            Usb(at_ns=15 * S, present=True))))
    files = witness_files(lamp, made, "out")
    assert sorted(files) == ["wanted.svg", "wanted.toml", "wanted.txt"]
    assert files["wanted.txt"] == (
        "broken\n\n1. At 1 s: press power.\n2. Then it holds.\n")
    picture = files["wanted.svg"]
    assert isinstance(picture, bytes)
    words = re.findall(r">([^<>]+)</text>", picture.decode())
    for lane in ("power", "hand at wave", "USB", "lamp", "sensor", "sign"):
        assert words.count(lane) == 1
    assert words.count("locked") == 1  # by the hold


def test_a_press_too_short_for_the_picture_has_no_word_in_it(lamp: Gadget) -> None:
    """A tenth of a second of twenty is drawn, not labelled."""
    made = report(Finding(check="rule", level="fault", text="broken", witness=witness(
        lamp, Press(at_ns=S, button="power", for_ns=S // 10))))
    picture = witness_files(lamp, made, "out")["wanted.svg"]
    assert isinstance(picture, bytes)
    assert b">power<" in picture
    assert b">pressed<" not in picture


def test_a_witness_that_cannot_be_run_has_no_picture(tmp_path: Path) -> None:
    """An instant without end is told as a scenario and a list."""
    loops = gadget(LAMP + """
[behaviour.round]
starts = "a"
states.a = {}
states.b = {}
states.c = {}
rows = [
  { on = "power.click", from = "a", to = "b" },
  { after = "0 s", from = "b", to = "c" },
  { after = "0 s", from = "c", to = "b" },
]
""", tmp_path)
    made = report(Finding(check="endless-instant", level="fault", text="no rest", witness=witness(
        loops, Press(at_ns=S, button="power", for_ns=S // 10))))
    assert sorted(witness_files(loops, made, "out")) == [
        "endless-instant.toml", "endless-instant.txt"]


def test_no_folder_is_made_where_there_is_no_witness(lamp: Gadget, tmp_path: Path) -> None:
    """Nothing to write, nothing written."""
    write_witnesses(lamp, report(Finding(check="trap", level="note", text="x")), tmp_path / "out")
    assert not (tmp_path / "out").exists()
    write_witnesses(lamp, report(Finding(
        check="trap", level="note", text="x", witness=witness(lamp))), tmp_path / "out")
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == [
        "trap.svg", "trap.toml", "trap.txt"]
