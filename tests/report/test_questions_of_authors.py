"""What authors of a firmware had to guess, or found told twice, who had the document only."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.report.specification import document_of, specification_files, subject_of
from simfw.report.specification.prose import text_of
from tests.sharing import shared_check

ROOT = Path(__file__).parents[2]
MILL = ROOT / "tests/gallery/coffee-mill/gadget.toml"
HEN = ROOT / "scenarios/hen-house/gadget.toml"
LARDER = ROOT / "scenarios/larder-lamp/gadget.toml"


def _document(path: Path) -> str:
    made = load_gadget(path)
    return specification_files(document_of(made, build_system(made)))["specification.md"]


@pytest.fixture(scope="module")
def mill() -> str:
    """The document of the coffee mill: a dial scales its lamp, and what it resumes is kept."""
    return _document(MILL)


@pytest.fixture(scope="module")
def hen() -> str:
    """The document of the hen-house light: a measure, a charger, a gauge without bars."""
    return _document(HEN)


def test_an_output_that_a_dial_alone_scales_has_its_requirement(mill):
    """It was said of its pulse width and its current only: at half of its level it was wrong."""
    assert ("The firmware shall multiply the largest of the levels of `led` by the value of "
            "`grain_size` while `tell` is in `on`;" in mill)
    made = load_gadget(MILL)
    scaled = [one for one in subject_of(made, build_system(made)).requirements
              if one.number.startswith("SCALE-LED-")]
    assert [(one.items, one.pins) for one in scaled] == [(("drive tell:on",), ("led",))]


def test_what_is_resumed_after_a_loss_is_not_said_to_be_forgotten(mill):
    """The region, the table of what is remembered and the first page say one thing."""
    assert "*Remembered over a loss of the supply, too*" in mill
    assert "*Remembered until the supply is lost*" not in mill
    assert ("Its resume points, of which it remembers the one that it entered last, over a loss of "
            "the supply, too: `run.slow` and `run.fast`." in mill)
    assert "`mill` remembers a state while it lasts" not in mill
    larder = _document(LARDER)
    assert "*Remembered until the supply is lost*" in larder
    assert "that it entered last, until the supply is lost:" in larder
    assert "`lamp` remembers a state while it lasts" in larder


def test_a_switch_in_the_supply_is_said_to_be_no_input(mill):
    """It stands in no table of pins."""
    assert "`main` cuts it off, and the firmware is told of nothing but the supply." in mill


def test_a_measurement_is_judged_by_what_is_there_in_the_end(hen):
    """When the value is read, what begins the count anew, and what is kept while none is made."""
    assert "the firmware shall judge the value that is there then." in hen
    assert ("(more, less, or as it was), or that one has changed what is passed, then the firmware "
            "shall count from it anew." in hen)
    assert "begin its count of measurements in a row anew; what is passed stays so." in hen


def test_edges_of_the_charger_are_judged_by_what_the_pins_read(hen):
    """And what no requirement speaks of changes nothing."""
    assert ("Each edge of USB and of the pin is judged by what both read as it is heard: what has "
            "gone and come back by then is as it was. Where no requirement takes `charge` on, it "
            "stays where it is." in hen)


def test_a_gauge_without_bars_speaks_of_no_hysteresis(hen):
    """None is used there; with bars, what belongs to them is told."""
    assert ("A comparator of the terminal voltage under what is drawn at that moment. It counts no "
            "bars; each level is as its line says, without hysteresis." in hen)
    assert "that of the bars" not in hen
    larder = _document(LARDER)
    assert "A comparator with 5 thresholds and a hysteresis of 40 mV, of the" in larder
    assert "`cell.back`, then that of the bars; bars and `cell` have both changed" in larder


def test_a_sample_waits_its_turn_in_the_queue(hen):
    """It is no step of its own between the ends of times and the queue."""
    assert "taking the sample is one step, which stands in the queue like an event" in hen


def test_a_blip_makes_a_contact_that_was_closed_at_power_up_a_press():
    """As the requirement of the contact has it: it counts when it has moved and kept still."""
    assert "after it has opened, for however short a time, and closed again" in text_of("instant")


def test_names_without_use_are_passed_over():
    """A number that only another author would read is set, too."""
    assert "A name that a firmware has no use for is passed over" in text_of("protocol")


@pytest.fixture(scope="module")
def thumb() -> str:
    """The document of one thumb: a contact that counts its first edge, presses in a row, holds."""
    return _document(ROOT / "tests/gallery/one-thumb/gadget.toml")


def test_a_press_behind_a_hold_or_the_highest_count_is_said_to_be_a_first_one(thumb):
    """It "follows the release before it in time", and read so it would be the next in the row."""
    assert ("Behind the highest count, a hold or a second press that lasted, the next press is a "
            "first one, however soon it comes." in thumb)
    assert ("So is a press in the very instant in which the time after a release ends: `press` and "
            "then the count so far are raised." in thumb)


def test_a_contact_that_counts_its_first_edge_is_not_said_to_settle(thumb):
    """Both kinds of contact are set against each other; the controller was awake by one word."""
    assert "awake while the edges of contact `thumb` are ignored; else asleep" in thumb
    assert "contact `thumb` settles" not in thumb


def test_a_stuck_button_is_one_that_has_been_pressed(thumb):
    """One place had it hold for ever, another had it do nothing if closed before power-up."""
    assert "| button `thumb` stuck closed since a press | not detected | one `thumb.ramp`" in thumb
    assert "If contact `thumb` is closed before power-up, then the firmware shall" in thumb


def test_a_fault_without_a_rule_is_not_said_to_contradict_a_demand():
    """A light that is on at power-up was a fault against a demand that no page stated."""
    made = load_gadget(ROOT / "tests/gallery/dial-torch/gadget.toml")
    system = build_system(made)
    document = document_of(made, system, found=shared_check(made))
    text = specification_files(document)["specification.md"]
    assert "or what `check` takes for a mistake without being told a rule, such as a light" in text
    assert "contradict what is demanded" not in text


@pytest.fixture(scope="module")
def turnstile() -> str:
    """The document of the turnstile's tally: a dial is kept, one button of two has a hold."""
    return _document(ROOT / "tests/gallery/turnstile/gadget.toml")


@pytest.fixture(scope="module")
def key_hook() -> str:
    """The document of the key-hook light: a double click, no hold, a gauge of one bar."""
    return _document(ROOT / "scenarios/key-hook/gadget.toml")


def test_what_is_kept_is_nowhere_said_to_begin_anew(turnstile):
    """One requirement had the count in 0 after each loss, another what it was before."""
    assert ("shall begin anew, with `count` in `0` (after a loss as KEEP-6E9B says), `dim` in `1` "
            "and `show` in `lit` and all else in its first state." in turnstile)
    assert "every output is off until power-up; then `count` in `0` (or as kept), " in turnstile
    assert "All regions enter together their first states, or what they have kept;" in turnstile
    assert "At power-up `count` is in position 0 (or as kept) and `dim` is in" in turnstile


def test_a_region_that_is_kept_is_said_to_begin_so():
    """Its own section told its first state only."""
    porch = _document(ROOT / "tests/gallery/porch-lantern/gadget.toml")
    assert ", or as kept." in porch


def test_what_comes_in_the_instant_in_which_a_time_ends_is_too_late_in_each_requirement(
    turnstile, key_hook, thumb
):
    """A release there was said to be none, and to be raised; a press to be within the time."""
    assert ("When 1.5 s have passed since a `key.press`, with no `key.release` before that "
            "instant, the firmware shall emit `key.hold`." in turnstile)
    assert ("of a press that was no double click, with no `key.press` before that instant, the "
            "firmware shall emit `key.click`." in key_hook)
    assert "When `key.press` occurs less than 400 ms after a `key.release`" in key_hook
    assert "less than 300 ms after the `thumb.release` before it" in thumb
    for text in (turnstile, key_hook, thumb):
        assert ", without `" not in text


def test_a_button_without_a_hold_is_said_to_have_none(turnstile, key_hook, thumb):
    """The text spoke of a hold that no button had, and not of a press that lasts."""
    assert "its release is a release only. Behind it, the next press is a first one" in key_hook
    assert "`key` has no hold: how long a press of it lasts changes nothing." in key_hook
    assert "`dimmer` has no hold: how long a press of it lasts changes nothing." in turnstile
    assert "has no hold" not in thumb
    both = _document(ROOT / "scenarios/potting-shed/gadget.toml")
    assert ("its release is a release only, and it cannot become a hold. Behind it, or behind a "
            "hold, the next press is a first one" in both)


def test_the_states_of_stock_regions_are_named_where_the_order_of_regions_is(turnstile):
    """Messages and titles of vectors named states that stood nowhere in the document."""
    assert "An event is offered to the regions in the order of the first table." in turnstile
    for line in ("| `key.contact` | `still` | `bouncing` |",
                 "| `key.gesture` | `up` | `down` and `held` |",
                 "| `count` | `0`, or as kept | the other positions up to 4 |",
                 "| `show` | `lit` | below |"):
        assert line in turnstile
    alone = _document(ROOT / "tests/gallery/three-switches/gadget.toml")
    assert "An event is offered to the regions in this order: `show`. *Begins again*" in alone
    assert "| `gauge` | `unread` | `reading`, `bars.0` to `bars.5` and `reading.0` to" in (
        _document(LARDER))


def test_a_sample_goes_behind_all_that_the_time_ends_before_it_raise(key_hook):
    """It could be read as going there when its time ends, before they had their turn."""
    assert ("It goes to the back when the end of its time, or what else calls for it, has had its "
            "turn." in key_hook)


def test_the_order_of_edges_is_told_once_for_a_host():
    """The model's is one, and a test may write its lines in another."""
    assert ("On a host edges come in the order of the lines that tell them."
            in " ".join(text_of("instant").split()))
    assert ("The edges come in the order of their lines, whichever order the test has chosen."
            in text_of("protocol"))


def test_no_cell_of_the_protocol_is_a_page():
    """When waking is told, and what inputs do, stood in cells of six sentences and more."""
    lines = [line for line in text_of("protocol").splitlines() if line.startswith("|")]
    assert max(map(len, lines)) < 450
