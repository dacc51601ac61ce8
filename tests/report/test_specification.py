"""The specification: nothing is left out, every link resolves, and a browser asks for nothing."""

import re
from html.parser import HTMLParser

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system, check
from simfw.behaviour.machine import RegionMachine
from simfw.circuit.circuit import Circuit
from simfw.cli import main
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import Timing
from simfw.report.specification import (
    document_files,
    document_of,
    specification_files,
    subject_of,
)
from simfw.report.specification.behaviour import LARGEST_DRAWN, region_drawing
from simfw.report.specification.document import Table, cells
from simfw.report.specification.figures import changes
from simfw.report.specification.power import Budget, budget_of
from simfw.verify.static import open_cells
from tests.report.golden import DEMOS, HERE, KEPT, expected_text

LARDER = next(path for path in DEMOS if path.parent.name == "larder-lamp")
NAMES = [path.parent.name for path in DEMOS]
demos = pytest.mark.parametrize("path", DEMOS, ids=NAMES)


def parts(path):
    """A demo gadget, its system, and the files of its specification with all its consumers."""
    gadget = load_gadget(path)
    system = build_system(gadget)
    budget = Budget(charge=0.5, modes=[], consumers=tuple(Circuit(gadget).consumers))
    return gadget, system, document_files(subject_of(gadget, system, budget=budget))


def blocks_of(document):
    """All blocks of a document, in order."""
    return [block for _, _, section in document.numbered() for block in section.blocks]


class Page(HTMLParser):
    """Collects ids, links, empty cells, and whatever could ask for something."""

    def __init__(self, text):
        super().__init__()
        self.ids, self.links, self.asks, self.texts = [], [], [], []
        self.feed(text.replace("<wbr>", ""))  # where a line may break, no text ends

    def handle_starttag(self, tag, attrs):
        """Note what matters of a tag."""
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            elif name == "href":
                self.links.append(value)
            elif name in ("src", "srcset", "action", "data", "poster", "background"):
                self.asks.append((tag, name, value))
        if tag in ("link", "script", "img", "iframe", "object", "embed", "base", "form"):
            self.asks.append((tag, "", ""))

    def handle_data(self, data):
        """Note the text."""
        self.texts.append(data)


@demos
def test_every_row_rule_event_time_and_consumer_is_in_it(path):
    """By key or name, in Markdown and page; the keys of rows in the table for machines."""
    gadget, system, files = parts(path)
    rows = [row.key for region in system.regions for row in region.rows]
    wanted = [r.name for r in gadget.rules]
    wanted += [*system.events, *system.raw_events, *system.internal_events]
    wanted += [key for key, value in quantities(gadget).items() if isinstance(value, Timing)]
    wanted += list(quantities(gadget))
    wanted += [state.name for region in system.regions for state in region.states
               if region.group == "behaviour"]
    wanted += Circuit(gadget).consumers
    shown = " ".join(Page(files["specification.html"]).texts)
    for name in wanted:
        assert name in shown, name
        assert name in files["specification.md"].replace("\\", ""), name
    for key in rows:
        assert key in files["tables/requirements.csv"].replace(",", " ").split(), key


@demos
def test_every_link_resolves_and_every_anchor_is_unique(path):
    """In both documents."""
    _, _, files = parts(path)
    page = Page(files["specification.html"])
    assert len(page.ids) == len(set(page.ids))
    assert page.links
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    text = files["specification.md"]
    anchors = re.findall(r'<a id="([^"]+)">', text)
    assert len(anchors) == len(set(anchors))
    assert set(re.findall(r"\]\(#([^)]+)\)", text)) <= set(anchors)


@demos
def test_the_page_is_self_contained(path):
    """No tag and no style of it could ask for anything; no address stands in it."""
    _, _, files = parts(path)
    text = files["specification.html"]
    assert Page(text).asks == []
    assert "url(" not in text
    assert "@import" not in text
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text)


@demos
def test_no_cell_of_a_state_table_is_empty(path):
    """A pair that no row speaks of is told as unhandled, in the table and among what is open."""
    gadget, system, files = parts(path)
    pairs = {(pair.region, pair.state, pair.event) for pair in open_cells(system)}
    tables = [block for block in blocks_of(document_of(gadget, system))
              if isinstance(block, Table) and "what each state makes" in block.caption]
    told = set()
    for table in tables:
        assert all(cell.text for row in table.rows for cell in row)
        region = table.caption.split("`")[1]
        for event, *answers in table.rows:
            for states, answer in zip(table.head[1:], answers, strict=True):
                if answer.text == "unhandled":
                    told |= {(region, state, event.text.strip("`"))
                             for state in re.findall(r"`([^`]+)`", states)}
    small = {region.name for region in system.regions if len(region.states) <= LARGEST_DRAWN}
    assert told == {pair for pair in pairs if pair[0] in small}
    assert bool(pairs) == ("Unhandled pairs" in files["specification.md"])


@demos
def test_the_diagrams_have_the_arrows_of_the_machines(path):
    """Every region's drawing has a line for each row, with the sources and targets of its
    `transitions` machine.
    """
    gadget, system, _ = parts(path)
    subject = subject_of(gadget, system)
    for region in system.regions:
        if not region.rows or region.group != "behaviour":
            continue
        machine = RegionMachine(region)._machine
        edges = {(t.source, t.dest) for event in machine.events.values()
                 for ts in event.transitions.values() for t in ts}  # fmt: skip
        mine = {(source, target) for row in region.rows for source in row.sources
                for target in (region.resume_points if row.to == "resume"
                               else (None if row.to == "same" else row.to,))}  # fmt: skip
        assert edges == mine
        if len(region.states) <= LARGEST_DRAWN:
            drawn = region_drawing(subject, region)
            for row in region.rows:
                assert subject.by_key[row.key].number in drawn.svg
                assert (row.on or "after") in drawn.text


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.parent.name)
def test_the_expected_specification_stands(path):
    """The Markdown is the one that is kept (rewrite: python -m tests.report.golden)."""
    assert expected_text(path) == (HERE / f"{path.parent.name}.md").read_text(encoding="utf-8")


def event_cells(data, event):
    """The texts of an event's line in the table of events of a gadget given as data."""
    gadget = Gadget.model_validate(data)
    assert not check(gadget)
    table = next(block for block in blocks_of(document_of(gadget, build_system(gadget)))
                 if isinstance(block, Table) and block.caption == "Events and their windows")
    return next([cell.text for cell in row] for row in table.rows if row[0].text == f"`{event}`")


WITH_CHARGER = {
    "gadget": {"name": "Plug"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
    "charger": {"current": "200 mA", "float": "4.2 V"},
}  # fmt: skip


@pytest.mark.parametrize(("status", "event", "why"), [
    ("low while charging", "charge.fault", "low while charging has two levels"),
    ("high while charging", "charge.fault", "high while charging has two levels"),
    (None, "charge.started", "no status pin"),
    (None, "charge.fault", "no status pin"),
])  # fmt: skip
def test_an_event_that_is_never_emitted_is_named_as_such(status, event, why):
    """Without windows, and with the reason; where it may come, it has its condition."""
    charger = {**WITH_CHARGER["charger"], **({"status": status} if status else {})}
    line = event_cells({**WITH_CHARGER, "charger": charger}, event)
    assert line[1].startswith("never emitted here: ")
    assert why in line[1]
    assert line[2:6] == ["-"] * 4
    three = {**charger, "status": "low while charging, high when complete"}
    line = event_cells({**WITH_CHARGER, "charger": three}, event)
    assert "never" not in line[1]
    assert line[2:5] == ["-", "at once", "-"]


def test_an_event_of_states_that_no_row_leads_to_is_never_emitted():
    """A row in a state that cannot be reached emits nothing; the region names that state."""
    rows = [{"from": "apart", "after": "1 s", "to": "here", "emit": "note.gone"}]
    data = {**WITH_CHARGER, "behaviour": {"lamp": {
        "starts": "here", "states": {"here": {}, "apart": {}}, "rows": rows}}}  # fmt: skip
    line = event_cells(data, "note.gone")
    assert line[1] == "never emitted here: no row leads to `apart`"
    gadget = Gadget.model_validate(data)
    text = specification_files(document_of(gadget, build_system(gadget)))["specification.md"]
    assert "It begins in `here`. No row leads to `apart` here." in text


def test_the_window_of_a_sampled_contact_counts_from_its_change():
    """Three reads: a change just before one takes two times, a change just after it three."""
    button = {"style": "sample", "samples": 3, "sample_every": "10 ms (9 ms .. 12 ms)"}
    line = event_cells({**WITH_CHARGER, "buttons": {"top": button}}, "top.press")
    assert line[2:6] == ["18 ms", "25 ms", "36 ms", "change of the contact"]


def test_a_sentence_says_which_others_come_first():
    """Two sentences of one cause do not contradict one another: the later one yields."""
    rows = [{"from": "off", "on": "top.press", "when": "usb", "to": "same"},
            {"from": "off", "on": "top.press", "to": "on"}]  # fmt: skip
    gadget = Gadget.model_validate({
        **WITH_CHARGER, "buttons": {"top": {}}, "behaviour": {"lamp": {
            "starts": "off", "states": {"off": {}, "on": {}}, "rows": rows}}})  # fmt: skip
    first, second = subject_of(gadget, build_system(gadget)).part("lamp")
    assert first.text == ("While `lamp` is in `off`, when `top.press` occurs and `usb` holds, "
                          "`lamp` shall stay as it is, its time running on.")  # fmt: skip
    assert second.text == ("While `lamp` is in `off`, when `top.press` occurs, unless "
                           f"{first.number} fires, `lamp` shall enter `on`.")  # fmt: skip


def test_times_of_the_other_style_are_not_said():
    """A settled contact is not read at intervals; a stuck button without a hold ends in a click."""
    gadget = Gadget.model_validate({**WITH_CHARGER, "buttons": {"top": {}}})
    text = specification_files(document_of(gadget, build_system(gadget)))["specification.md"]
    assert "buttons.top.debounce" in text
    assert "sample_every" not in text
    assert "one `top.press`, then nothing | when it opens: a release and a click" in text
    assert "at the default of this tool: `buttons.top.debounce`. A capture" in text


def test_numbers_of_requirements_are_stable_and_unique():
    """A row that is retimed, moved or led elsewhere keeps its number; all numbers differ."""
    gadget = load_gadget(LARDER)
    subject = subject_of(gadget, build_system(gadget))
    numbers = [item.number for item in subject.requirements]
    assert len(numbers) == len(set(numbers))
    lamp = gadget.behaviour["lamp"]
    moved = lamp.model_copy(update={"rows": (*lamp.rows[3:], *lamp.rows[:3])})
    other = gadget.model_copy(update={"behaviour": {**gadget.behaviour, "lamp": moved}})
    again = subject_of(other, build_system(other))
    assert {item.number for item in again.requirements} == set(numbers)


def test_the_difference_to_an_earlier_file_is_readable(tmp_path, capsys):
    """A changed time, a new row and a gone rule stand in it, key by key."""
    text = LARDER.read_text(encoding="utf-8")
    old = text.replace('value = "45 min"', 'value = "40 min"').replace(
        'starts = "armed"', 'starts = "idle"')  # fmt: skip
    before = tmp_path / "before.toml"
    before.write_text(old, encoding="utf-8")
    found = changes(load_gadget(before), load_gadget(LARDER))
    texts = {(change.key, change.old, change.new) for change in found}
    assert ("behaviour.sensor.starts", "idle", "armed") in texts
    assert any("after 40 min" in old and "after 45 min" in new for _, old, new in texts)
    assert len(found) == 2
    assert changes(load_gadget(before), load_gadget(before)) == ()
    assert main(["spec", str(LARDER), "-o", str(tmp_path / "out"), "--since", str(before),
                 "--no-vectors", "--no-power", "--no-check"]) == 0  # fmt: skip
    assert "after 40 min" in (tmp_path / "out" / "specification.md").read_text(encoding="utf-8")
    assert "specification.html" in capsys.readouterr().out


def test_a_clock_tolerance_widens_every_window(tmp_path):
    """10 % either way: 20 ms / 1.1 to 20 ms / 0.9, rounded outwards."""
    text = LARDER.read_text(encoding="utf-8")
    text = text.replace("[controller]", '[controller]\nclock = "10 %"')
    path = tmp_path / "gadget.toml"
    path.write_text(text, encoding="utf-8")
    gadget = load_gadget(path)
    corners = subject_of(gadget, build_system(gadget)).corners
    window = corners.of(20_000_000, 20_000_000, 20_000_000)
    assert (window.low_ns, window.high_ns) == (18_181_818, 22_222_223)
    shown = specification_files(document_of(gadget, build_system(gadget)))["specification.md"]
    assert "18.18 ms to 22.23 ms" in shown
    assert "within 10 % either way, folded into every window" in shown


def test_the_power_budget_names_its_conditions():
    """Modes, consumers and the widest ranges, from a real run of the engine."""
    path = next(path for path in DEMOS if path.parent.name == "key-hook")
    gadget = load_gadget(path)
    text = specification_files(
        document_of(gadget, build_system(gadget), budget=budget_of(gadget))
    )["specification.md"]  # fmt: skip
    assert "50 % charge, 25 °C" in text
    assert "Mean current of each resting mode" in text
    assert "Margin for the replacement" in text


def test_a_table_with_a_short_row_is_refused():
    """A row with too few cells is a mistake of a section, found where it is made."""
    with pytest.raises(AssertionError, match="1 cells"):
        Table(caption="c", head=("a", "b"), rows=(cells("x"),))


def test_what_no_demo_gadget_has_is_in_words_too():
    """No status pin, a gauge that counts, a row that stays, a rule that always holds, a guard on
    the bars without a gauge's light.
    """
    gadget = Gadget.model_validate({
        "gadget": {"name": "Odd one"},
        "cell": {"curve": "lco", "capacity": "650 mAh"},
        "lights": {"lamp": {"forward": ["2.75 V @ 5 mA", "3.0 V @ 20 mA"], "resistor": "22R"}},
        "buttons": {"top": {"debounce": "20 ms"}},
        "charger": {"current": "200 mA", "float": "4.2 V"},
        "gauge": {"method": "counting", "thresholds": ["40 %"], "hysteresis": "5 %",
                  "capacity": "600 mAh", "power_up": "10 %", "every": "1 s"},
        "behaviour": {"lamp": {
            "starts": "off", "states": {"off": {}, "on": {"lamp": "on"}},
            "rows": [{"from": "off", "on": "top.press", "when": "gauge < 1", "to": "same"},
                     {"from": "off", "on": "top.press", "to": "on"},
                     {"from": "on", "on": "top.press", "to": "off"}],
        }},
        "rules": [{"name": "lamp is known", "always": "lamp.on or lamp.off"}],
    })  # fmt: skip
    system = build_system(gadget)
    assert not check(gadget)
    text = specification_files(document_of(gadget, system))["specification.md"].replace("\\", "")
    assert "The firmware sees USB only; there is no status pin in the model." in text
    assert "of the count of charge. A sample may move several bars" in text
    assert "| bar 1 | 40 % | 45 % |" in text
    assert "`capacity`: 600 mAh" in text
    assert "stay as it is, its time running on" in text
    assert "The firmware shall at all times keep `lamp.on or lamp.off`" in text
