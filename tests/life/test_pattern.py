"""Reading patterns: what is accepted, and every mistake with its place and the habit's name."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from simfw.errors import DescriptionError
from simfw.life.drawing import Drawer, warmths
from simfw.life.layout import Layout
from simfw.stimuli.pattern import DAY_NS
from tests.life.made import CHARGER, EVENING, head, lamp, pattern


def refused(folder: Path, text: str) -> list[str]:
    """The problems of a pattern for the test lamp, one text each."""
    with pytest.raises(DescriptionError) as caught:
        pattern(folder, lamp(), head() + text)
    return [str(problem).partition("pattern.toml:")[2] for problem in caught.value.problems]


def test_pattern_without_habits_is_legal(tmp_path: Path) -> None:
    """A gadget left alone needs a charge and a horizon only."""
    made = pattern(tmp_path, lamp(), head(horizon="2 weeks"))
    assert made.habits == ()
    assert made.horizon_ns == 14 * DAY_NS


def test_habit_reads_ranges_and_normal_draws(tmp_path: Path) -> None:
    """Ranges are uniform, "normal" is cut off at three deviations, "mean" is Poisson."""
    made = pattern(tmp_path, lamp(), head() + """
[[habits]]
name = "a"
at = "normal 07:00 ± 10 min"
times = "mean 2.5"
strength = "50 % .. 150 %"
steps = [ { press = "key", for = "100 ms .. 200 ms" }, { wait = "1 min" } ]
""")
    habit = made.habits[0]
    assert habit.at_ns.mean == 7 * 3600e9
    assert habit.at_ns.high - habit.at_ns.mean == 3 * 600e9
    assert habit.times.mean == 2.5
    assert (habit.steps[0].for_ns.low, habit.steps[0].for_ns.high) == (1e8, 2e8)
    assert habit.each == "day"


def test_overlapping_presses_are_refused_with_the_habits_name(tmp_path: Path) -> None:
    """A press that could begin while the button is still held names habit, step and way out."""
    assert refused(tmp_path, """
[[habits]]
name = "impatient"
at = "07:00"
steps = [
  { press = "key", for = "1 s .. 2 s" },
  { wait = "1500 ms" },
  { press = "key", for = "100 ms" },
]
""") == [
        '12: habits[0].steps[2]: habit "impatient": press key could begin while the button is '
        "still held from steps[0]: a wait counts from the start of the step before it. Allowed: "
        "waits of at least 2 s between the two."
    ]


def test_presses_of_two_habits_at_one_time_are_refused(tmp_path: Path) -> None:
    """Two habits that always press one button at the same moment name each other."""
    found = refused(tmp_path, EVENING + EVENING.replace('"evening"', '"night"'))
    assert found[0] == (
        '15: habits[1]: habit "night": press key falls on that of habit "evening". '
        "Allowed: another time of day."
    )


def test_several_times_at_one_moment_are_refused(tmp_path: Path) -> None:
    """`times = 2` with a fixed `at` would press one button twice at once."""
    (found,) = refused(tmp_path, EVENING.replace('at = "19:00"', 'at = "19:00"\ntimes = 2'))
    assert 'habit "evening": 2 times at one moment: press key would overlap itself' in found


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        ('at = "19:00"', 'between = ["19:00", "18:00"]',
         'habit "evening": the span ends before it begins: a time in the past'),
        ('at = "19:00"', 'at = "normal 00:20 ± 10 min"',
         'habit "evening": this can begin before its day does: a time in the past'),
        ('wait = "1 h"', 'wait = "-1 h"', 'habit "evening": "-1 h" is negative'),
        ('at = "19:00"', 'at = "25:61"', 'habit "evening": there is no such time of day'),
        ('at = "19:00"', 'at = "seven"', 'habit "evening": this is not a time of day'),
        ('at = "19:00"', 'each = "dya"', 'Did you mean "day"?'),
        ('at = "19:00"', 'at = "19:00"\ntimes = "4 .. 2"', "the range ends below its start"),
        ('at = "19:00"', 'at = "19:00"\ntimes = "some"', "this is not a number of times"),
        ('at = "19:00"', 'at = "19:00"\ntimes = "mean x"', "this is not a number of times"),
        ('at = "19:00"', 'at = "19:00"\ntimes = true', "this is not a number of times"),
        ('at = "19:00"', 'at = "19:00"\ntimes = "mean 99999"', "this is not a number of times"),
        ('for = "200 ms" },\n  { wait', 'for = "0 s" },\n  { wait', "zero is not possible here"),
        ('at = "19:00"', 'at = "19:00"\ntimes = 99999', "more often than anybody can"),
        ('at = "19:00"', 'at = "19:00"\nbetween = ["1:00", "2:00"]', "at and between in one"),
        ('at = "19:00"', "", "nothing says when it begins"),
        ('at = "19:00"', 'when = "gauge <= 1"', 'there is no "gauge"'),
        ('{ wait = "1 h" }', '{ usb = true }', "the gadget has no charger"),
        ('{ wait = "1 h" }', '{ wave = "w", distance = "1 cm", for = "1 s" }',
         "the gadget has no such proximity sensor"),
        ('{ wait = "1 h" }', '{ wait = "1 h", usb = true }', "usb and wait in one step"),
        ('{ wait = "1 h" }', '{ wait = "1 h", bounce = "1 ms" }', "this has no meaning for wait"),
        ('for = "200 ms" },\n  { wait', 'for = "2 ms", bounce = "3 ms" },\n  { wait',
         "could still bounce"),
        ('press = "key", for', 'press = "kye", for', 'Did you mean "key"?'),
        ('for = "200 ms" },\n  { wait', 'for = "normal 20 ms ± 10 ms" },\n  { wait',
         "3 standard deviations reach down to zero"),
        ('at = "19:00"', 'at = "19:00"\nstrenght = "1"', 'Did you mean "strength"?'),
        (', for = "200 ms" },\n  { wait', ' },\n  { wait', 'the key "for" is missing'),
    ],
)
def test_mistakes_in_habits_are_told(tmp_path: Path, old: str, new: str, wanted: str) -> None:
    """Each mistake is told with what is allowed; mistakes in a habit carry its name."""
    assert old in EVENING
    found = refused(tmp_path, EVENING.replace(old, new, 1))
    assert any(wanted in one for one in found), found
    assert all('habit "evening"' in one for one in found)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ('[[holidays]]\nname = "x"\nlasts = "3 days"\nbetween = ["08-01", "07-01"]\n',
         "the span ends before it begins: a time in the past"),
        ('[[holidays]]\nname = "x"\nlasts = "3 days"\nbetween = ["13-01", "14-01"]\n',
         "this is not a day of the year"),
        ('[[holidays]]\nname = "x"\nlasts = "3 days"\nbetween = "summer"\n',
         "this is not a span of the year"),
        ('[season]\nmean = "10 degC"\nswing = "5 degC"\ncoldest = "xmas"\n',
         "this is not a day of the year"),
        ('[[habits]]\nname = "a"\nat = "07:00"\nbetween = 3\n'
         'steps = [ { press = "key", for = "1 s" } ]\n', "this is not a span of the day"),
        ('[[habits]]\nname = "a"\nat = "07:00"\nsteps = [ { wait = "1 s" } ]\n',
         "nothing but waiting"),
        (EVENING + EVENING.replace("19:00", "21:00"), 'a second habit "evening"'),
    ],
)
def test_mistakes_elsewhere_are_told(tmp_path: Path, text: str, wanted: str) -> None:
    """Holidays, seasons and names are checked too."""
    assert any(wanted in one for one in refused(tmp_path, text))


def test_gadget_and_pattern_mistakes_come_together(tmp_path: Path) -> None:
    """A missing gadget and a wrong charge are told in one go."""
    file = tmp_path / "pattern.toml"
    file.write_text('gadget = "none.toml"\ncharge = "120 %"\nhorizon = "1 day"\n')
    from simfw.loading import load_pattern

    with pytest.raises(DescriptionError) as caught:
        load_pattern(file)
    text = str(caught.value)
    assert "a charge is at most 100 %" in text
    assert "none.toml: there is no such file" in text


def test_conditions_may_name_events(tmp_path: Path) -> None:
    """A habit may begin with an event of the gadget."""
    made = pattern(tmp_path, lamp(more=CHARGER), head() + """
[[habits]]
name = "plug in"
when = "gauge.down"
steps = [ { usb = true }, { wait = "2 h" }, { usb = false } ]
""")
    assert made.plugs
    assert made.habits[0].each is None


def test_time_of_day_may_be_written_without_quotation_marks(tmp_path: Path) -> None:
    """TOML has a time of its own; it means the same."""
    made = pattern(tmp_path, lamp(), head() + EVENING.replace('"19:00"', "19:00:00"))
    assert made.habits[0].at_ns.low == 19 * 3600e9
    assert made.habits[0].at_ns.fixed


def test_waves_at_one_moment_are_refused_for_any_gadget(tmp_path: Path) -> None:
    """A pattern is checked for overlaps before its gadget is known, too."""
    file = tmp_path / "pattern.toml"
    file.write_text(head() + EVENING.replace('at = "19:00"', 'at = "19:00"\ntimes = 2'))
    from simfw.loading import load_pattern

    with pytest.raises(DescriptionError) as caught:
        load_pattern(file)
    assert "there is no such file" in str(caught.value)
    assert "would overlap itself" in str(caught.value)


@pytest.mark.parametrize(("steps", "words"), [
    ('{ wait = "1000000000 h" }', "this is longer than a year"),
    ('{ wait = "1 day .. 367 days" }', "this is longer than a year"),
    ('{ press = "key", for = "2 years" }', "this is longer than a year"),
    (", ".join(['{ wait = "1 year" }'] * 101), "the waits are longer than a hundred years"),
])
def test_times_that_no_clock_adds_up_are_told(steps: str, words: str, tmp_path: Path) -> None:
    """Nanoseconds of one habit are added up in 64 bits."""
    found = refused(tmp_path, f"""
[[habits]]
name = "n"
each = "day"
steps = [ {{ press = "key", for = "1 s" }}, {steps} ]
""")
    assert any(words in text for text in found)


def test_holidays_over_new_year_begin_on_both_sides_of_it(tmp_path: Path) -> None:
    """Ten years of one user: each begins between 20 December and 6 January, in every year."""
    made = pattern(tmp_path, lamp(), head(horizon="10 years") + EVENING + """
[[holidays]]
name = "away"
lasts = "3 days"
between = ["12-20", "01-06"]
""")
    assert made.gadget is not None
    layout = Layout(made, made.gadget, warmths(made)[0])
    drawer = Drawer(made, 1, 0, layout, [])
    away = drawer.away(0, 3652)
    # Day 0 is 1 January: the one of the winter before may have begun already.
    begun = [date(2001, 1, 1) + timedelta(days=start // DAY_NS) for start, _ in away]
    assert 10 <= len(begun) <= 11
    assert all((one.month, one.day) >= (12, 19) or (one.month, one.day) <= (1, 7) for one in begun)
    assert {one.month for one in begun} == {1, 12}
    years = [(one + timedelta(days=60)).year for one in begun]
    assert years == list(range(years[0], years[0] + len(years)))
    assert years[0] in (2001, 2002)
