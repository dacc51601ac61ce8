"""The folder of a specification stands alone, and its statements hold for all gadgets."""

import csv
import io
import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from simfw import load_gadget, load_scenario
from simfw.behaviour.build import build_system
from simfw.circuit.measure import Converter
from simfw.cli import main
from simfw.conform.driving import kept_drives
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.quantity import read_ns
from simfw.report.specification import document_of, subject_of
from simfw.report.specification.closing import verification
from simfw.report.specification.document import Bullets, Gap, Note, Paragraph, Table
from simfw.report.specification.first import code_below
from simfw.report.specification.folder import model_files
from simfw.report.specification.prose import text_of
from simfw.verify.check import check_gadget
from tests.report.golden import DEMOS, ROOT
from tests.report.shared_texts import expected_pages
from tests.sharing import shared_vectors as make_vectors

ALL = [*DEMOS, *sorted(ROOT.glob("tests/gallery/*/gadget.toml"))]
HOOK = next(path for path in DEMOS if path.parent.name == "key-hook")
HEN = next(path for path in DEMOS if path.parent.name == "hen-house")
LARDER = next(path for path in DEMOS if path.parent.name == "larder-lamp")
every = pytest.mark.parametrize("path", ALL, ids=lambda path: path.parent.name)


def blocks(gadget, **more):
    """All blocks of the document of a gadget."""
    document = document_of(gadget, build_system(gadget), **more)
    return [block for _, _, section in document.numbered() for block in section.blocks]


def tables(gadget, **more):
    """All tables of the document of a gadget."""
    return [block for block in blocks(gadget, **more) if isinstance(block, Table)]


# -- the folder ------------------------------------------------------------------------------------


def test_the_folder_stands_alone(tmp_path, monkeypatch, capsys):
    """Moved elsewhere, its vectors run with its own model, and no path leads out of it."""
    assert main(["spec", str(HOOK), "-o", str(tmp_path / "made"), "--no-power", "--no-check"]) == 0
    folder = tmp_path / "far" / "away"
    shutil.copytree(tmp_path / "made", folder)
    shutil.rmtree(tmp_path / "made")
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))
    assert {"README.md", "protocol.md", "specification.md", "specification.html", "tables/pins.csv",
            "tables/events.csv", "tables/requirements.csv", "model/gadget.toml",
            "vectors/expected.csv"} <= set(names)  # fmt: skip
    assert load_gadget(folder / "model/gadget.toml").digest == load_gadget(HOOK).digest
    vectors = sorted((folder / "vectors").glob("v*.toml"))
    for vector in vectors:
        assert 'gadget = "../model/gadget.toml"' in vector.read_text(encoding="utf-8")
        assert load_scenario(vector).steps
    monkeypatch.chdir(folder)
    capsys.readouterr()
    assert main(["run", "vectors/v02.toml"]) == 0
    readme = (folder / "README.md").read_text(encoding="utf-8")
    assert "simfw conform" not in readme  # an author may not have been given the model
    judge = (folder / "model/README.md").read_text(encoding="utf-8")
    assert "\nsimfw conform model/gadget.toml --against ./firmware --vectors .\n" in judge
    prepared = Prepared(load_gadget(folder / "model/gadget.toml"))
    drives, said = kept_drives(folder, prepared)
    assert said == []
    assert len(drives) >= len(vectors)
    assert not re.search(r"@[A-Z]+@", readme)
    for name in re.findall(r"`((?:vectors/|tables/|model/)?[\w-]+\.(?:csv|md|html))`", readme):
        assert name in names or f"vectors/{name}" in names, name
    for path in folder.rglob("*.*"):
        text = path.read_text(encoding="utf-8")
        assert "docs/" not in text, path
        assert "../.." not in text, path


def test_a_readme_of_anothers_is_not_lost(tmp_path, capsys):
    """A folder that has a README of its own is refused, and nothing is written into it."""
    (tmp_path / "README.md").write_text("mine\n", encoding="utf-8")
    assert main(["spec", str(HOOK), "-o", str(tmp_path), "--no-vectors", "--no-power"]) == 2
    assert "was not written by simfw spec" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["README.md"]


@every
def test_the_model_reads_as_the_gadget_did(path, tmp_path):
    """Every gadget with the curve it names, wherever that lay."""
    gadget = load_gadget(path)
    for name, content in model_files(gadget).items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content)
    again = load_gadget(tmp_path / "model/gadget.toml")
    same = {"file": "", "digest": ""}
    assert again.model_copy(update=same) == gadget.model_copy(update=same)


def test_a_curve_from_elsewhere_comes_along(tmp_path):
    """A curve beside the gadget's folder is put into the model, named there without a folder."""
    text = HOOK.read_text(encoding="utf-8")
    (tmp_path / "gadget").mkdir()
    shutil.copy(HOOK.parent / "cr2032.csv", tmp_path / "outside.csv")
    path = tmp_path / "gadget" / "mine.toml"
    path.write_text(text.replace('curve = "cr2032.csv"', 'curve = "../outside.csv"'), "utf-8")
    gadget = load_gadget(path)
    files = model_files(gadget)
    assert set(files) == {"model/mine.toml", "model/outside.csv"}
    assert b'curve = "outside.csv"' in files["model/mine.toml"]


def test_documentation_and_specification_say_it_in_the_same_words():
    """The pages have the texts of the folder (rewrite: python -m tests.report.shared_texts)."""
    for page, text in expected_pages().items():
        assert page.read_text(encoding="utf-8") == text, page
    shown = " ".join(str(block) for block in blocks(load_gadget(HOOK)))
    for line in re.split(r"\n\n|\n(?=\d\.|\*)", text_of("instant")):
        words = re.sub(r"^(\d\.|\*) ", "", " ".join(line.split()))
        assert words in shown.replace("\\'", "'"), words


# -- its statements --------------------------------------------------------------------------------


def corner(text, at):
    """A time of a table in ns; a list of typical times gives its least or greatest."""
    if text in ("-", "at once"):
        return 0
    times = [read_ns(part) for part in text.split(" / ")]
    return min(times) if at == "typ least" else max(times)


@every
def test_min_is_at_most_typ_and_typ_at_most_max(path):
    """In every table that has the three, as they are printed, with and without a clock."""
    gadget = load_gadget(path)
    part = gadget.controller
    clocks = [gadget]
    if part is not None:
        other = Gadget.model_validate({"gadget": {"name": "x"}, "cell": {
            "curve": "lco", "capacity": "1 Ah"}, "controller": {"clock": "7 %"}})  # fmt: skip
        clock = other.controller.clock
        clocks.append(gadget.model_copy(update={
            "controller": part.model_copy(update={"clock": clock})}))
    found = 0
    for one in clocks:
        for table in tables(one):
            if not {"min", "typ", "max"} <= set(table.head):
                continue
            places = [table.head.index(name) for name in ("min", "typ", "max")]
            for row in table.rows:
                low, typical, high = (row[place].text for place in places)
                if low == "-" == high:
                    continue
                found += 1
                assert corner(low, "min") <= corner(typical, "typ least"), (table.caption, row)
                assert corner(typical, "typ most") <= corner(high, "max"), (table.caption, row)
    assert found or not (gadget.buttons or gadget.proximity or gadget.gauge)


@every
def test_a_requirement_is_singular_and_describes_rows_that_exist(path):
    """One `shall` and one sentence each; numbers differ; every row belongs to one of them."""
    gadget = load_gadget(path)
    system = build_system(gadget)
    subject = subject_of(gadget, system)
    for one in subject.requirements:
        assert len(re.findall(r"\bshall\b", one.text)) == 1, one.text
        assert one.text.endswith("."), one.text
        assert ". " not in re.sub(r"\([^)]*\)|`[^`]*`", "", one.text), one.text
    numbers = [one.number for one in subject.requirements]
    assert len(numbers) == len(set(numbers))
    rows = {row.key for region in system.regions for row in region.rows}
    assert set(subject.by_key) == rows
    assert all(set(one.shown) <= set(one.keys) for one in subject.requirements)


def test_what_is_traced_to_a_test_has_one():
    """A requirement has vectors, or is told among the open questions; a rule is for analysis."""
    gadget = load_gadget(HOOK)
    vectors = make_vectors(gadget, build_system(gadget))
    subject = subject_of(gadget, build_system(gadget), vectors=vectors)
    names = {vector.name for vector in vectors.vectors}
    told = {}
    for table in tables(gadget, vectors=vectors):
        if "tested by" in table.head:
            told |= {row[0].text: row[3] for row in table.rows}
    assert told.keys() == {one.number for one in subject.requirements if not one.is_rule}
    for number, cell in told.items():
        assert {name for name, _ in cell.links} <= names
        assert bool(cell.links) == bool(subject.tested[number])
        assert bool(cell.links) != ("none shows it" in cell.text)
    assert all(told[one.number].links for one in subject.requirements if not one.is_rule)
    without = replace(vectors, vectors=(), missing=())
    bare = tables(gadget, vectors=without)
    listed = next(table for table in bare if table.caption == "Requirements that no vector shows")
    assert len(listed.rows) == len(told)


def test_every_vector_is_named_once_and_only_those_that_are_asked_for_have_a_row():
    """A row where it is the first about something, or where a requirement names it; the others in
    one line, neighbours as ranges.
    """
    gadget = load_gadget(HOOK)
    vectors = make_vectors(gadget, build_system(gadget))
    some = [replace(vector, adds=vector.adds if number < 2 else ())
            for number, vector in enumerate(vectors.vectors)]
    kept = replace(vectors, vectors=tuple(some))
    table = next(one for one in tables(gadget, vectors=kept) if one.caption == "Test vectors")
    rows = [row[0].text for row in table.rows]
    (line,) = (block.text for block in blocks(gadget, vectors=kept)
               if isinstance(block, Paragraph) and "first about nothing" in block.text)
    named = []
    for part in line.rpartition("together: ")[2].removesuffix(".").split(", "):
        first, _, last = part.partition(" to ")
        named += [f"{first[0]}{number:0{len(first) - 1}}"
                  for number in range(int(first[1:]), int((last or first)[1:]) + 1)]
    assert sorted([*rows, *named]) == sorted(vector.name for vector in some)
    linked = {cell.links[place][0] for one in tables(gadget, vectors=kept)
              if "tested by" in one.head for row in one.rows for cell in [row[3]]
              for place in range(len(cell.links))}
    assert set(rows) == linked | {vector.name for vector in some if vector.adds}
    assert line.startswith(f"{len(named)} more ")


def test_findings_of_the_check_are_in_it():
    """The broken rule with its shortest way, the rule about the cell's voltage as the gadget's."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Peg"}, "cell": {"curve": "lco", "capacity": "1 Ah"},
        "loads": {"lamp": {"current": "10 mA"}}, "buttons": {"top": {}},
        "behaviour": {"lamp": {
            "starts": "off", "states": {"off": {}, "on": {"lamp": "on"}},
            "rows": [{"from": "off", "on": "top.click", "to": "on"},
                     {"from": "on", "on": "top.click", "to": "off"}]}},
        "rules": [
            {"name": "held for a breath", "stays": "lamp.on", "for": "1 s"},
            {"name": "no light below two volts", "never": "lamp > 0 and cell.voltage < 2"}],
    })  # fmt: skip
    report = check_gadget(gadget, runs=1)
    found = blocks(gadget, found=report)
    notes = [block.text for block in found if isinstance(block, Note)]
    assert any('Rule "held for a breath" is broken' in text
               and "Concerns: RULE-" in text for text in notes)  # fmt: skip
    assert any(isinstance(block, Bullets) and block.ordered and "press top" in block.items[1]
               for block in found)  # fmt: skip
    by_caption = {block.caption: block for block in found if isinstance(block, Table)}
    firmware = by_caption["What the firmware keeps"]
    whole = next(table for caption, table in by_caption.items() if "whole gadget" in caption)
    assert [row[2].text for row in firmware.rows if "held for a breath" in row[1].text] == [
        "broken by the rows"]
    assert len(whole.rows) == 1
    assert whole.rows[0][1].text.startswith(
        "The gadget shall at no time let `lamp > 0 and cell.voltage < 2` hold")
    # Without a check nothing is said to hold.
    texts = [cell.text for table in tables(gadget) for row in table.rows for cell in row]
    assert texts.count("not checked in this issue") == len(gadget.rules)
    assert any(isinstance(block, Gap) and "--no-check" in block.answer for block in blocks(gadget))


def test_levels_of_the_gauge_are_told_as_codes_of_the_converter():
    """The reference converted against the supply: code = 1024 Vref / V (Microchip, "Measure
    VCC/Battery Voltage Without Using I/O Pin"). 1024 x 1.1 V / 3.30 V = 341.3, so that 342 is the
    least code that means less than 3.30 V; 1024 x 1.1 / 3.34 = 337.2, so that 337 means more.
    """
    gadget = load_gadget(LARDER)
    table = next(table for table in tables(gadget) if table.caption.startswith("Levels of the"))
    bar = {row[0].text: [cell.text for cell in row] for row in table.rows}
    assert bar["bar 1"][3:5] == ["≥ 342", "≤ 337"]
    converter = Converter.of(gadget.controller)
    for level in (2.0, 2.2, 3.3, 3.45, 3.98, 4.4):
        code = code_below(gadget, level)
        assert code is not None
        assert converter.steps * converter.nominal_v / code < level
        assert converter.steps * converter.nominal_v / (code - 1) >= level
    # 1024 x 1.1 / 2.2 = 512 exactly: that code means 2.2 V, which is not below it.
    assert code_below(gadget, 2.2) == 513
    hook = load_gadget(HOOK)
    assert code_below(hook, 1.0) is None  # below the reference the code is at its end


@every
def test_every_requirement_stands_in_one_place(path):
    """In one table of the document, with an anchor of its own that every link to it finds."""
    gadget = load_gadget(path)
    found = [cell for table in tables(gadget) for row in table.rows for cell in row]
    anchors = [cell.anchor for cell in found if cell.anchor]
    assert len(anchors) == len(set(anchors))
    assert {anchor for cell in found for _, anchor in cell.links} <= set(anchors)
    subject = subject_of(gadget, build_system(gadget))
    assert {one.anchor for one in subject.requirements} <= set(anchors)


PEG = """
[gadget]
name = "Peg"
[cell]
curve = "lco"
capacity = "1 Ah"
[toggles.slide]
[toggles.main]
in_supply = true
[measures.light]
unit = "lx"
thresholds = ["10 lx", "100 lx"]
hysteresis = "5 lx"
settle = "2 ms"
supply = "0.2 mA"
enabled = "slide.on"
agree = 2
[loads.lamp]
current = "10 mA"
[behaviour.lamp]
starts = "off"
states.off = {}
states.on = { lamp = "on" }
rows = [
  { on = "light.down", from = "off", to = "on", when = "light < 1" },
  { on = ["light.up", "slide.opened"], from = "on", to = "off" },
]
"""


def test_toggles_and_measures_are_told_as_what_they_are(tmp_path):
    """A region with the name of an output, a toggle in the supply, levels with their numbers."""
    path = tmp_path / "gadget.toml"
    path.write_text(PEG, encoding="utf-8")
    test_every_requirement_stands_in_one_place(path)
    test_a_requirement_is_singular_and_describes_rows_that_exist(path)
    test_min_is_at_most_typ_and_typ_at_most_max(path)
    gadget = load_gadget(path)
    by_caption = {table.caption: table for table in tables(gadget)}
    assert [[cell.text for cell in row] for row in by_caption["Levels"].rows] == [
        ["`light`, threshold 1", "10 lx", "15 lx", "`light.reached.1`, `light.reached.3`",
         "not stated"],
        ["`light`, threshold 2", "100 lx", "105 lx", "`light.reached.2`, `light.reached.4`",
         "not stated"],
    ]  # fmt: skip
    lines = {row[0].text: row[1].text for row in by_caption["Answers, and what is open"].rows}
    assert "`main` cuts it off" in lines["supply"]
    assert "toggle `slide` settles or `light` is measured" in lines["sleep"]
    signals = [row[0].text for row in by_caption["Pins"].rows]
    assert signals == ["`slide`", "`light`", "`light.supply`", "`lamp`"]
    said = " ".join(block.text for block in blocks(gadget) if isinstance(block, Paragraph))
    # 1 s, as where nothing is written, less 2 ms: the time that the wake sources name.
    assert ("Region `light.look` is in `settling` from the beginning of a measurement to its "
            "judging, and else in `asleep`, from power-up on. There its time is what the "
            "measurement leaves: 998 ms." in said)
    assert "998 ms" in lines["wake sources"]


def test_each_row_that_is_not_covered_has_words_of_its_own():
    """Six rows count a dial down by one requirement: which of them is missing has to be told."""
    gadget = load_gadget(HEN)
    system = build_system(gadget)
    keys = [f"row {row.key}" for region in system.regions for row in region.rows]
    vectors = SimpleNamespace(vectors=(), missing=[(key, "why") for key in keys],
                              coverage_lines=list, items=(), by_origin=dict,
                              exposure=SimpleNamespace(exposed=()))
    subject = subject_of(gadget, system, vectors=vectors)
    table = next(block for block in verification(subject).blocks
                 if isinstance(block, Table) and block.caption == "Not covered")
    said = [(row[0].text, row[0].links) for row in table.rows]
    assert len(said) == len(set(said)) == len(keys) > 60
    assert [text for text, _ in said if "`darker` in `3`" in text] == [
        "row, `darker` in `3`, to `4`:"]  # fmt: skip


@every
def test_what_an_author_asks_first_has_an_answer_or_a_way_to_one(path):
    """Every line of the first table; what is not known names what would answer it."""
    gadget = load_gadget(path)
    table = next(table for table in tables(gadget) if table.caption.startswith("Answers"))
    lines = {row[0].text: row for row in table.rows}
    assert {"supply", "clock", "error of times", "reset, brown-out, watchdog", "retained memory",
            "start-up", "wake sources", "sleep", "current per state"} <= lines.keys()  # fmt: skip
    assert ("converter" in lines) == (gadget.gauge is not None)
    for row in table.rows:
        assert row[1].text
        assert row[2].text == "-" or ":" in row[2].text, row[2].text


def test_a_row_that_stays_and_emits_says_both():
    """Its time runs on, unlike that of a row which enters the present state anew."""
    rows = [{"from": "on", "on": "top.press", "to": "same", "emit": "lamp.told"},
            {"from": "on", "on": "top.release", "to": "on"}]  # fmt: skip
    gadget = Gadget.model_validate({
        "gadget": {"name": "Peg"}, "cell": {"curve": "lco", "capacity": "1 Ah"},
        "buttons": {"top": {}},
        "behaviour": {"lamp": {"starts": "on", "states": {"on": {}}, "rows": rows}},
    })  # fmt: skip
    stays, anew = subject_of(gadget, build_system(gadget)).part("lamp")
    assert stays.text.endswith(
        "`lamp` shall stay as it is, its time running on, and emit `lamp.told`.")
    assert anew.text.endswith("`lamp` shall enter `on`, its time beginning anew.")


def test_a_stock_part_that_nothing_describes_is_told_by_its_rows():
    """A region of a group without words of its own has its rows as sentences, among the parts."""
    gadget = load_gadget(HOOK)
    system = build_system(gadget)
    other = replace(system, regions=tuple(
        replace(region, group="others") if region.name == "search" else region
        for region in system.regions))  # fmt: skip
    found = subject_of(gadget, other).part("search")
    assert [one.origin for one in found] == [row.key for row in system.region("search").rows]
    sections = [section for _, _, section in document_of(gadget, other).numbered()]
    titles = [section.title for section in sections]
    assert "search" in titles
    assert "Region search" not in titles


def test_tables_for_machines_have_a_line_for_each_thing(tmp_path):
    """Pins, events and requirements as CSV, with the numbers of the document."""
    assert main(["spec", str(LARDER), "-o", str(tmp_path), "--no-vectors", "--no-power",
                 "--no-check"]) == 0  # fmt: skip
    gadget = load_gadget(LARDER)
    system = build_system(gadget)

    def read(name):
        return list(csv.DictReader(io.StringIO((tmp_path / "tables" / name).read_text("utf-8"))))

    signals = [line["signal"] for line in read("pins.csv")]
    assert {*gadget.buttons, "usb", "status", "gauge.measured", "wave.emitter",
            *gadget.lights} <= set(signals)  # fmt: skip
    assert [line["event"] for line in read("events.csv")] == list(system.events)
    subject = subject_of(gadget, system)
    assert [line["number"] for line in read("requirements.csv")] == [
        one.number for one in subject.requirements]
    assert Path(tmp_path / "specification.md").is_file()
