"""What is written of a bench log: a gadget file with measured figures, a plot, open questions."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from simfw.benchlog.narrowing import narrow
from simfw.cli import main
from simfw.gadget.quantities import quantities
from simfw.loading import load_bench_log, load_gadget
from simfw.panel.panel import Panel
from simfw.report.bench_log import left_texts
from simfw.tomlfile import read_toml
from tests.benchlog.lantern import log_of, write_lantern

LOG = """
title = "One evening"
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"cell.leakage" = "1 uA .. 60 uA"
clock = "± 10 %"
[[questions]]
name = "finish"
asks = "Does a charge end at a tenth?"
[[questions.answers]]
name = "yes"
[[questions.answers]]
name = "no, at a fifth"
change = { "charger.finish" = "20 %" }
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "72 mA ± 1 mA"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lantern with a bench log, narrowed into a file and a plot by one command."""
    folder = tmp_path_factory.mktemp("written")
    path = log_of(folder, LOG).file
    assert main(["narrow", path, "--write", str(folder / "narrowed.toml"),
                 "--plot", str(folder / "left.svg")]) == 0
    return folder


def test_the_gadget_file_gets_measured_ranges_and_keeps_the_rest(folder: Path):
    """Value inside the range, standing and source; every other line as it stood."""
    gadget = load_gadget(folder / "narrowed.toml")
    lamp = quantities(gadget)["loads.lamp.current"]
    assert lamp.standing == "measured"
    assert lamp.source == "One evening: meter"
    assert 0.0708 < lamp.low < 0.0710 < lamp.value < 0.0730 <= lamp.high < 0.0732
    # What was not narrowed is as it was written.
    assert quantities(gadget)["cell.leakage"].standing is None
    before = (folder / "gadget.toml").read_text(encoding="utf-8").splitlines()
    after = (folder / "narrowed.toml").read_text(encoding="utf-8").splitlines()
    changed = [line for line, new in zip(before, after, strict=True) if line != new]
    assert changed == ['current = "60 mA"']


def test_a_plot_of_what_is_left_is_drawn(folder: Path):
    """Each unknown has its row."""
    assert "loads.lamp.current" in (folder / "left.svg").read_text(encoding="utf-8")


def test_a_pair_that_trades_off_is_drawn(tmp_path: Path, capsys):
    """Two drains that one reading sums up: a band with the runs that fit."""
    path = log_of(tmp_path, """
[unknown]
"cell.leakage" = "1 uA .. 60 uA"
"controller.asleep" = "1 uA .. 60 uA"
[[observations]]
name = "meter"
mode = "lamp.dark"
reading = "50 uA ± 1 uA"
""").file
    assert main(["narrow", path, "--plot", str(tmp_path / "left.svg")]) == 0
    assert "trade off; dots: runs that fit" in (tmp_path / "left.svg").read_text(encoding="utf-8")
    capsys.readouterr()


def test_the_answers_that_are_left_are_written_too(tmp_path: Path, capsys):
    """The only finish that fits stands in the file; the clock has no place in it."""
    path = log_of(tmp_path, LOG.replace('name = "meter"', 'name = "meter, lit"')).file
    text = Path(path).read_text(encoding="utf-8").replace(
        'change = { "charger.finish" = "20 %" }',
        'change = { "charger.status" = "high while charging" }')
    Path(path).write_text(text + """
[[observations]]
name = "pin"
start = "40 %"
steps = [{ usb = true }, { wait = "10 s" }]
pin = "charger.status"
reads = "high"
""", encoding="utf-8")
    assert main(["narrow", path, "--write", str(tmp_path / "gadget-2.toml")]) == 0
    assert load_gadget(tmp_path / "gadget-2.toml").charger.status == "high while charging"
    capsys.readouterr()


def test_a_curve_that_would_not_be_found_is_refused(folder: Path, tmp_path: Path, capsys):
    """Written into another folder the file could not be read."""
    assert main(["narrow", str(folder / "log.toml"), "--write", str(tmp_path / "x.toml")]) == 2
    assert "is found from the folder" in capsys.readouterr().err
    assert not (tmp_path / "x.toml").exists()


def test_a_specification_takes_its_open_questions_from_a_bench_log(folder: Path, capsys):
    """What is asked, which answers are left, and what was narrowed."""
    out = folder / "spec"
    arguments = ["spec", str(folder / "gadget.toml"), "-o", str(out), "--no-vectors",
                 "--no-power", "--no-check"]
    assert main([*arguments, "--bench", str(folder / "log.toml")]) == 0
    page = (out / "specification.md").read_text(encoding="utf-8")
    assert "Does a charge end at a tenth? Left: yes or no, at a fifth." in page
    assert "loads.lamp.current: 70.9 mA .. 73" in page
    other = folder / "other.toml"
    other.write_bytes((folder / "gadget.toml").read_bytes())
    assert main(["spec", str(other), "-o", str(out), "--bench", str(folder / "log.toml")]) == 2
    capsys.readouterr()


def test_the_panel_shows_what_a_bench_log_leaves_of_a_figure(folder: Path, tmp_path: Path, capsys):
    """Beside the figure, with what holds it there; a log of another gadget is refused."""
    narrowed = narrow(load_bench_log(folder / "log.toml"), brief=True)
    panel = Panel(folder / "gadget.toml")
    assert not any("left" in one for one in panel.figures({})["figures"])
    panel.left = left_texts(narrowed)
    left = {one["key"]: one["left"] for one in panel.figures({})["figures"] if "left" in one}
    assert left == {"loads.lamp.current": "70.9 mA .. 73.1 mA (meter)",
                    "cell.leakage": "1 µA .. 60 µA (not narrowed)"}
    page = files("simfw.panel").joinpath("page/more.js").read_text(encoding="utf-8")
    assert "left by the bench log" in page
    other = tmp_path / "gadget.toml"
    write_lantern(tmp_path)
    assert main(["panel", str(other), "--bench", str(folder / "log.toml"), "--no-browser"]) == 2
    assert "is about another gadget file" in capsys.readouterr().err
    text = (folder / "log.toml").read_text(encoding="utf-8")
    (tmp_path / "log.toml").write_text(text.replace("72 mA", "300 mA"), encoding="utf-8")
    assert main(["panel", str(other), "--bench", str(tmp_path / "log.toml"), "--no-browser"]) == 2
    assert "nothing fits what was observed" in capsys.readouterr().err


def test_a_value_is_replaced_where_it_stands(tmp_path: Path):
    """Comments, blanks and neighbours stay; a section has no value."""
    path = tmp_path / "a.toml"
    path.write_text('a = "1" # one\n[b]\nc = { d = "x", e = [1, 2] }\n', encoding="utf-8")
    file = read_toml(path)
    assert file.rewritten({"a": '"2"', "b.c.e[1]": "30"}).decode() == (
        'a = "2" # one\n[b]\nc = { d = "x", e = [1, 30] }\n')
    with pytest.raises(KeyError):
        file.rewritten({"b": "1"})


STEPPED = """
[gadget]
name = "Bars"
[cell]
curve = "lco"
capacity = "300 mAh"
[loads.lamp]
current = "25 mA"
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "1k"
[gauge]
light = "bars"
thresholds = ["3.3 V", "3.6 V", "3.85 V"]
every = "10 s"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
"""


def test_ends_that_runs_reached_stand_beside_a_figure_that_is_not_surely_narrowed(
    tmp_path: Path, capsys
):
    """Bars go on and off over the charges that the reading may be of, so that no surface bounds it:
    what was reached is told. Lamp and two or three bars of 1.4 mA to 2 mA make 29.5 mA ± 1 mA.
    """
    (tmp_path / "gadget.toml").write_text(STEPPED, encoding="utf-8")
    (tmp_path / "log.toml").write_text("""
title = "One reading"
gadget = "gadget.toml"
[unknown]
"loads.lamp.current" = "15 mA .. 40 mA"
[[observations]]
name = "lit"
mode = "lamp.lit"
charge = "60 % .. 80 %"
reading = "29.5 mA ± 1 mA"
""", encoding="utf-8")
    assert main(["narrow", str(tmp_path / "log.toml")]) == 0
    told = " ".join(capsys.readouterr().out.split())
    found = re.search(r"lamp.current: 15 mA .. 40 mA, not narrowed runs that fit reached "
                      r"([\d.]+) mA .. ([\d.]+) mA; that nothing beyond fits is not shown", told)
    assert found, told
    assert 22.5 <= float(found[1]) < 25.0
    assert 26.0 < float(found[2]) <= 28.0
