"""The text report, from hand-made runs."""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile

from simfw.engine.repeat import RepeatLife, TimeLeft
from simfw.engine.run import Occurred, Run
from simfw.engine.untouched import BEYOND
from simfw.gadget.model import Gadget
from simfw.report.text import columns, format_charge, heading, text_report
from tests.report.made import MINUTE, made_run

LIFE = RepeatLife(days=40.0, low_days=31.0, high_days=52.0, served_days=12.34,
                  served_why="shelf stays dark at 10 s", served_low_days=10.2,
                  served_high_days=14.9)  # fmt: skip
LEFT = TimeLeft(seconds=200 * 86_400.0)


def report(run: Run | None = None, life: RepeatLife = LIFE, left: TimeLeft = LEFT) -> str:
    """The report of a hand-made run."""
    return text_report(made_run() if run is None else run, life, left)


def line(text: str, start: str) -> str:
    """The only line of `text` that begins with `start`, blanks aside, and what goes on below it."""
    rows = text.splitlines()
    found = [number for number, row in enumerate(rows) if row.strip().startswith(start)]
    assert len(found) == 1, found
    below = takewhile(lambda row: row.startswith(" " * 20), rows[found[0] + 1 :])
    return " ".join([rows[found[0]], *(row.strip() for row in below)])


def test_report_tells_the_average_current_and_its_three_largest_parts() -> None:
    """The mean and the three largest consumers stand in one line, largest first.

    Bars (14 mA x 65 min + 18 mA x 120 min) / 6 h = 8.528 mA, shelf (61 mA x 25 min + 27 mA x
    40 min) / 6 h = 7.236 mA; emitter, controller and leakage 123 µA all along: 15.887 mA.
    """
    row = line(report(), "average current")
    assert "15.9 mA" in row
    assert row.endswith("largest: bars 8.53 mA, shelf 7.24 mA, emitter 90 µA")


def test_report_tells_life_with_its_range_and_the_time_left() -> None:
    """The headline is how long all is done, then the protection; each with range and words."""
    text = report()
    assert "12.3 days" in line(text, "battery life")
    assert "each time begun alike" in line(text, "battery life")
    assert "then shelf stays dark at 10 s" in line(text, "battery life")
    assert "10.2 days .. 14.9 days over the ranges in the file" in line(text, "battery life")
    assert "40 days" in line(text, "protection opens")
    assert "31 days .. 52 days over the ranges in the file" in line(text, "protection opens")
    same = replace(LIFE, days=12.34, served_low_days=12.34, served_high_days=12.34, unmet=1,
                   left_out="the ranges of a.b are left out")  # fmt: skip
    text = report(life=same)
    assert "less than a repetition" in line(text, "battery life")
    assert "protection opens" not in text
    assert "an expectation that does not hold from full does not count" in text
    assert "the ranges of a.b are left out" in text
    rests = replace(LIFE, days=None, why="the charge settles near 50 %")
    assert line(report(life=rests), "protection opens").endswith("the charge settles near 50 %")
    assert "200 days" in line(text, "standby time left")


def test_report_says_why_there_is_no_life() -> None:
    """Where a life does not exist, the reason stands in its place."""
    text = report(
        life=RepeatLife(days=None, why="it never ends"), left=TimeLeft(seconds=None, why="USB")
    )
    assert line(text, "battery life").split()[2:] == ["none", "it", "never", "ends"]
    assert line(text, "standby time left").endswith("USB")


def test_a_cell_that_outlasts_what_is_looked_at_has_not_no_time_left() -> None:
    """"none" would say that it is empty."""
    text = report(left=TimeLeft(seconds=None, why=BEYOND))
    assert line(text, "standby time left").split(maxsplit=3)[3] == (
        "more than 100 years   after this run, if untouched")


def test_report_of_a_life_without_upper_end_says_so() -> None:
    """A best corner that never empties the cell is no number."""
    text = report(life=replace(LIFE, served_low_days=3.0, served_high_days=None))
    assert "3 days .. no end over the ranges" in line(text, "battery life")


def test_report_of_a_life_without_ranges_has_no_range() -> None:
    """No ranges in the file, no range in the report."""
    assert ".." not in line(report(life=replace(LIFE, served_low_days=None, served_high_days=None)),
                            "battery life")


def test_report_shares_add_up() -> None:
    """The shares of the consumers are percentages of the whole; what drew something is not 0 %."""
    lines = report().splitlines()
    start = lines.index("Charge used by each consumer")
    shares = []
    for row in lines[start + 2 :]:
        if "%" not in row:
            break
        assert " 0.0 %" not in row
        shares.append(float(row.split("%")[0].split()[-1].removeprefix("<")))
    assert len(shares) == 5  # the marker drew nothing
    assert abs(sum(shares) - 100.0) < 0.5


def test_report_names_consumers_that_drew_nothing() -> None:
    """Consumers without charge are named once, without a row."""
    run = made_run()
    uses = (*run.consumers[:-1], replace(run.consumers[-1], charge_c=0.0))
    assert line(report(replace(run, consumers=uses)), "nothing:") == "  nothing: marker, leakage"


def test_report_shows_states_of_the_behaviour_only() -> None:
    """Stock regions are left to the tables; charge and the written regions are shown."""
    text = report()
    assert "lit.half" in text
    assert "charging" in text
    assert "bars.4" not in text


def test_report_shows_failures_with_place_and_reason() -> None:
    """What was not met or broken carries time and reason."""
    text = report()
    assert "Expectations: 1 met, 1 not met" in text
    assert "  not met   lamp.lit.half   (steps[3], 25 min 1 s)" in text
    assert "Rules: 1 held, 1 broken" in text
    assert "  broken   a click is answered   (first at 25 min)" in text


def test_report_without_rules_and_expectations_leaves_them_out() -> None:
    """Nothing asked, nothing answered."""
    text = report(made_run(rules=(), expectations=(), guesses=()))
    assert "Rules" not in text
    assert "Expectations" not in text
    assert "guesses" not in text


def test_report_names_the_guesses_it_rests_on() -> None:
    """Each guess stands with its key and value."""
    assert line(report(), "controller.asleep") == "  controller.asleep   4.5 uA"


def test_report_says_when_the_protection_opened() -> None:
    """An emptied cell is said so in the summary."""
    text = report(made_run(empty_at_ns=70 * MINUTE))
    assert line(text, "protection opened").split("   ")[1].strip() == "at 1 h 10 min"


def test_report_carries_the_cautions_of_cell_charging_and_infrared() -> None:
    """Charge results stand beside the cautions that touch them."""
    text = report()
    for word in ("Cell:", "Charging: not below 0 °C", "Infra-red:", "Light:", "local codes"):
        assert word in text
    assert "is safe" not in text


def test_report_of_a_gadget_without_charger_warns_of_charging_it() -> None:
    """No charger: the caution about primary cells stands there instead, and no charger line."""
    run = made_run()
    bare = run.gadget.model_copy(update={"charger": None, "proximity": {}, "lights_": {}})
    text = report(replace(run, gadget=bare))
    assert "Never charge a primary cell" in text
    assert "charger gave" not in text
    assert "Infra-red" not in text
    assert "Light:" not in text


def test_report_keeps_to_a_width_a_terminal_has() -> None:
    """No line is longer than 130 characters."""
    assert max(len(row) for row in report().splitlines()) <= 130


def test_paint_gets_each_tone() -> None:
    """Heads, good and bad words go through the paint."""
    seen: set[str] = set()

    def paint(text: str, tone: str) -> str:
        seen.add(tone)
        return text

    plain = report()
    assert text_report(made_run(), LIFE, LEFT, paint) == plain
    assert seen == {"head", "good", "bad"}


def test_columns_align_to_the_longest_cell() -> None:
    """Left and right alignment, and nothing for no rows."""
    assert columns([("a", "1"), ("long", "22")], right=(1,)) == ["  a       1", "  long   22"]
    assert columns([]) == []


def test_a_long_last_column_goes_on_below_itself() -> None:
    """It breaks behind commas and semicolons first, and elsewhere only where it must."""
    far = "x" * 45
    whole, rest = "one of two parts, or so it seems;", "and all of the rest at 3 mA or more"
    rows = [(far, f"{whole} {rest}"), (far, "short"), (far, "word " * 20)]
    lines = columns(rows)
    assert lines[:3] == [
        f"  {far}   {whole}", " " * 50 + rest, f"  {far}   short"
    ]  # fmt: skip
    assert len(lines) == 5
    assert all(len(line) <= 108 for line in lines)
    assert " ".join(line.strip(" x") for line in lines[3:]) == ("word " * 20).strip()


def test_charge_is_written_in_ampere_hours() -> None:
    """3.6 C are one milliampere-hour."""
    assert format_charge(3.6) == "1 mAh"


def test_a_heading_has_a_colon_only_before_a_title() -> None:
    """A scenario need not have a title."""
    gadget = Gadget.model_validate({"gadget": {"name": "Lamp"}, "cell": {"curve": "lco",
                                    "capacity": "100 mAh"}})  # fmt: skip
    assert heading(gadget, "An evening") == "Lamp: An evening"
    assert heading(gadget, "") == "Lamp"
    assert heading(None, "An evening") == "An evening"


def test_events_of_one_instant_are_one_line_where_they_are_asked_for() -> None:
    """Times in the reader's units; without a word of it the report has no events."""
    events = (Occurred(60_015_000_000, "key.press"), Occurred(60_315_000_000, "key.press"),
              Occurred(60_315_000_000, "key.double"))
    run = replace(made_run(), events=events)
    told = text_report(run, LIFE, LEFT, events=True)
    listed = "   1 min 15 ms   key.press\n  1 min 315 ms   key.press, key.double\n"
    assert f"\nEvents\n{listed}\n" in told
    assert "\nEvents\n  none\n" in text_report(replace(run, events=()), LIFE, LEFT, events=True)
    assert "Events" not in text_report(run, LIFE, LEFT)
