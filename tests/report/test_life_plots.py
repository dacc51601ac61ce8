"""Plots of a study and of a sweep: what is on them, and that it can be read."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes

from simfw.life.life import Life, life
from simfw.life.sweep import Point, Sweep, pareto
from simfw.report.drawing import format_days
from simfw.report.life_plots import life_figure
from simfw.report.sweep_plot import goals_of, sweep_figure
from simfw.stimuli.pattern import HabitStep
from tests.life.made import EVENING, SENSOR, head, lamp, pattern

RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')


@pytest.fixture
def found(tmp_path: Path) -> Life:
    """A study of a lamp with parts that differ."""
    made = pattern(tmp_path, lamp(capacity="30 mAh ± 10 %"), head(horizon="1 day") + RANDOM)
    return life(made, users=16)


def swept(found: Life, texts: list[tuple[str, ...]], *, waves: bool) -> Sweep:
    """A sweep with invented answers, some of them on one spot."""
    rng = np.random.default_rng(1)
    made = []
    for n, text in enumerate(texts):
        days = 5.0 + 3.0 * float(rng.random()) if n % 3 else 6.0
        made.append(Point(
            values=tuple(float(len(one)) + hash_of(one) for one in text), texts=text,
            percentiles=None if n == 1 else (0.8 * days, days, 1.3 * days), error_days=0.1,
            missed_wave_share=(n % 4) / 10 if waves else None,
            response_s=0.1 * (n % 3 + 1) if waves else None,
        ))
    keys = ("proximity.wave.every", "lights.shelf.resistor")[: len(texts[0])]
    return Sweep(pattern=found.pattern, users=3, seed=0, keys=keys, points=pareto(made))


def hash_of(text: str) -> float:
    """A number for a text, the same in every process."""
    return sum(ord(one) * 31**n for n, one in enumerate(text)) * 1e-6


def habit_that_charges(found: Life) -> Life:
    """The same study, as if somebody plugged in on Mondays."""
    steps = tuple(HabitStep(kind="usb", present=present) for present in (True, False))
    habit = dataclasses.replace(found.pattern.habits[0], steps=steps)
    return dataclasses.replace(found, pattern=dataclasses.replace(found.pattern, habits=(habit,)))


def words(axes: Axes) -> list[str]:
    """All that is written on axes."""
    legend = axes.get_legend()
    return [text.get_text() for text in [*axes.texts, *(legend.get_texts() if legend else [])]]


def test_study_shows_days_week_and_contributors(found: Life) -> None:
    """Every axis has its unit; percentiles, parts and shares are told in figures."""
    figure = life_figure(found)
    days, week, shares, scale = figure.axes
    assert (days.get_xlabel(), days.get_ylabel()) == ("days on one cell", "users")
    plugged = habit_that_charges(found)
    assert life_figure(plugged).axes[0].get_xlabel() == "days between charges"
    assert (week.get_xlabel(), week.get_ylabel()) == ("time of day (h)", "day of the week")
    assert scale.get_ylabel() == "mean current"
    assert all(tick.get_text().endswith("A") for tick in scale.get_yticklabels())
    assert shares.get_xlabel() == (
        "share of the variance (%): parts green, people orange and hatched")
    assert sum(bar.get_height() for bar in days.patches[:8]) == 16  # type: ignore[attr-defined]
    assert found.percentiles is not None
    wanted = [f"{name} {format_days(value)}"
              for name, value in zip(("P10", "median", "P90"), found.percentiles, strict=True)]
    assert [word for word in words(days) if not word.startswith("worst")] == wanted
    assert any(word.startswith("worst to best parts") for word in words(days))
    assert week.images[0].get_array().shape == (7, 96)  # type: ignore[union-attr]
    assert f" {100 * found.contributors[0].share:.0f} %" in words(shares)


def test_days_that_differ_widely_are_drawn_in_ratio(found: Life) -> None:
    """One user of three hundred days does not squeeze the others into one bar."""
    wide = dataclasses.replace(found, days=np.array([2.0] * 8 + [3.0] * 7 + [300.0]))
    days = life_figure(wide).axes[0]
    assert days.get_xscale() == "log"
    assert sum(bar.get_height() for bar in days.patches[:8]) == 16  # type: ignore[attr-defined]
    assert life_figure(found).axes[0].get_xscale() == "linear"


def test_study_without_spread_is_drawn_too(tmp_path: Path, found: Life) -> None:
    """No spread to speak of, no span that ended, nothing drawn at all: words instead of bars."""
    sure = life(pattern(tmp_path, lamp(capacity="30 mAh"), head() + EVENING), users=5, study=False)
    days, _, shares, _ = life_figure(sure).axes
    assert any(text.startswith("not shown: needs more users") for text in words(shares))
    assert [bar.get_height() for bar in days.patches] == [5]  # type: ignore[attr-defined]
    endless = dataclasses.replace(
        found, days=np.full(16, np.nan), percentiles=None, corners_days=None, contributors=(),
        heat_a=(0.0,) * 672, why={"days_between_charges": "nobody ever charged"},
    )
    days, week, *_ = life_figure(endless).axes
    assert words(days) == ["nobody ever charged"]
    assert not week.images


def overlapping(axes: Axes) -> list[tuple[str, str]]:
    """Words on axes that lie on each other."""
    texts = [text for text in axes.texts if text.get_text()]
    return [
        (one.get_text(), other.get_text())
        for one, other in itertools.combinations(texts, 2)
        if one.get_window_extent().overlaps(other.get_window_extent())
    ]


@pytest.mark.parametrize("seconds", [(), ("10 Ω", "22 Ω", "47 Ω"), tuple(map(str, range(9)))])
def test_trade_off_can_be_read(found: Life, seconds: tuple[str, ...]) -> None:
    """One or two figures: units on the axes, each design drawn, no names on each other."""
    firsts = [f"{50 * n} ms" for n in range(1, 8)]
    texts = list(itertools.product(firsts, seconds)) if seconds else [(one,) for one in firsts]
    study = swept(found, texts, waves=True)
    figure = sweep_figure(study)
    vary, waves, answer = figure.axes
    assert (vary.get_xlabel(), vary.get_ylabel()) == (
        "proximity.wave.every", "days on one cell")
    assert [one.get_text() for one in vary.get_xticklabels()] == firsts
    assert vary.get_ylim()[0] == 0.0
    assert waves.get_xlabel() == "waves missed (%)"
    assert answer.get_xlabel() == "mean time to an answer (ms)"
    for axes in (waves, answer):
        assert axes.get_ylabel() == "days on one cell (median)"
        assert len(axes.lines) == len(texts) - 1  # one design has no days
        assert not overlapping(axes)
        best = {point.texts[0] for point in study.points if point.best}
        assert best & set(words(axes))
    assert len(words(vary)) == len(seconds[:8] if len(seconds) < 9 else seconds[::2])


def test_gadget_without_a_sensor_has_no_trade_to_draw(found: Life) -> None:
    """Only days are left to compare."""
    study = swept(found, [(f"{n} Ω",) for n in range(30)], waves=False)
    assert goals_of(study) == []
    (vary,) = sweep_figure(study).axes
    assert len(vary.get_xticks()) <= 12
    assert vary.get_legend() is None


def test_sensor_of_a_real_sweep_has_both_goals(tmp_path: Path) -> None:
    """Waves missed and time to an answer are known where somebody waves at a sensor."""
    from simfw.life.sweep import read_vary, sweep

    sensor = SENSOR.format(every="200 ms", agree=1).replace("200 mAh", "1 mAh")
    made = pattern(tmp_path, sensor, head(horizon="1 day") + """
[[habits]]
name = "waving"
times = 20
steps = [ { wave = "wave", distance = "10 cm", for = "100 ms .. 300 ms" } ]
""")
    assert made.gadget is not None
    found = sweep(made, [read_vary("proximity.wave.every=100 ms..300 ms:2", made.gadget)], users=1)
    assert [goal.column for goal in goals_of(found)] == ["waves missed", "answer after"]


def test_days_in_a_legend_are_plain_figures(found: Life) -> None:
    """A lamp that lasts for years has no power of ten in its legend."""
    long = dataclasses.replace(found, days=np.linspace(1050.0, 1150.0, 16),
                               percentiles=(1060.0, 1100.0, 1140.0))
    said = words(life_figure(long).axes[0])
    assert "median 1100 days" in said
    assert not any("e+" in word for word in said)
    assert [format_days(days) for days in (0.0123, 9.876, 123.4, 36525.0)] == [
        "0.0123 days", "9.88 days", "123 days", "36500 days",
    ]


def test_users_who_are_alike_are_one_bar(found: Life) -> None:
    """Days that differ in the twelfth digit are not spread over the axis."""
    alike = dataclasses.replace(found, days=np.full(16, 1997.6) * (1 + 1e-12 * np.arange(16)))
    days = life_figure(alike).axes[0]
    assert [bar.get_height() for bar in days.patches][:1] == [16]  # type: ignore[attr-defined]
    low, high = days.get_xlim()
    assert low < 1800 < 2200 < high
