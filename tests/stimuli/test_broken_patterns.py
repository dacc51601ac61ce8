"""Broken pattern files: each gives one whole message, and never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.errors import DescriptionError
from simfw.loading import load_pattern
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "evenings.toml").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder that holds the gadget only."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "larder-lamp.toml").write_bytes((DATA / "larder-lamp.toml").read_bytes())
    return tmp_path


@pytest.mark.parametrize("case", broken("patterns.txt"), ids=lambda case: case.name)
def test_each_mistake_has_its_whole_message(case: Broken, here: Path) -> None:
    """Place, what was found, what is allowed, the nearest name; in a habit, the habit's name."""
    (here / "pattern.toml").write_text(case.apply(SOUND), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_pattern("pattern.toml")
    assert caught.value.exit_code == 2
    assert str(caught.value) == case.message
    for problem in caught.value.problems:
        if problem.key.startswith("habits[") and problem.text[:8] != "a second":
            assert problem.text.startswith('habit "'), problem


def test_sound_pattern_is_read(here: Path) -> None:
    """What the broken ones are made from has no mistake."""
    (here / "pattern.toml").write_text(SOUND, encoding="utf-8")
    made = load_pattern("pattern.toml")
    assert [habit.name for habit in made.habits] == ["fetching jam", "locking up", "charging"]
    assert made.begins_day == 59
    assert made.holidays[0].first_day == 165


def test_habits_that_only_may_meet_are_read(here: Path) -> None:
    """Presses on other days, other buttons, or at drawn times are no contradiction."""
    for old, new in (
        ('at      = "23:00"', 'each = "friday"\nat = "23:00"\nsteps = [ { press = "power", for = '
         '"1 s" } ]\n\n[[habits]]\nname = "on mondays"\neach = "monday"\nat = "23:00"'),
        ('at      = "23:00"', 'at = "23:00"\nsteps = [ { press = "level", for = "1 s" } ]\n\n'
         '[[habits]]\nname = "the other button"\nat = "23:00"'),
        ('at      = "23:00"', 'at = "23:00"\nsteps = [ { press = "power", for = "1 s" } ]\n\n'
         '[[habits]]\nname = "about then"\nbetween = ["22:59", "23:01"]'),
        ('at      = "23:00"', 'each = "saturday"\nat = "23:00"\nsteps = [ { press = "power", '
         'for = "2 h" } ]\n\n[[habits]]\nname = "on mondays"\neach = "monday"\nat = "00:30"'),
    ):
        assert old in SOUND
        (here / "pattern.toml").write_text(SOUND.replace(old, new, 1), encoding="utf-8")
        load_pattern("pattern.toml")


def test_presses_that_meet_over_the_end_of_the_week_are_refused(here: Path) -> None:
    """Sunday night and Monday morning are neighbours."""
    (here / "pattern.toml").write_text(SOUND.replace(
        'at      = "23:00"', 'each = "monday"\nat = "00:30"\nsteps = [ { press = "power", '
        'for = "2 s" } ]\n\n[[habits]]\nname = "sunday night"\neach = "sunday"\nat = "23:00"\n'
        'steps = [ { press = "power", for = "2 h" } ]\n\n[[habits]]\nname = "x"\neach = "friday"\n'
        'at = "12:00"', 1), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_pattern("pattern.toml")
    assert [problem.text for problem in caught.value.problems] == [
        'habit "sunday night": press power falls on that of habit "locking up"'
    ]


def test_holidays_may_reach_over_new_year(here: Path) -> None:
    """Days of the year count on past the 365th; what is longer than half a year is the wrong way
    round (that is one of the broken ones).
    """
    assert 'between = ["06-15", "08-31"]' in SOUND
    text = SOUND.replace('between = ["06-15", "08-31"]', 'between = ["12-20", "01-06"]')
    (here / "pattern.toml").write_text(text, encoding="utf-8")
    (holiday, *_) = load_pattern("pattern.toml").holidays
    assert (holiday.first_day, holiday.last_day) == (353, 365 + 5)
