"""What rests in more combinations than are counted: added up, and how far that may be off."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine import shares
from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.study import Totals, gather
from simfw.life.user import live
from simfw.life.work import outcome
from simfw.stimuli.pattern import Pattern
from tests.life.made import head, pattern

RING = """
[[habits]]
name = "ring"
at = "10:00"
each = "day"
steps = [ { press = "go", for = "80 ms" }, { wait = "10 min" }, { press = "go", for = "80 ms" } ]
"""
PERIODS = (101, 103, 107, 109, 113, 127, 131, 137, 139, 149, 151, 157, 163, 167)


def beats(folder: Path, count: int, load: str, cell: str = "") -> Pattern:
    """So many lights that each blink for a quarter of a time of its own, ten minutes a day."""
    text = ('[gadget]\nname = "Beats"\n[cell]\ncurve = "lco"\ncapacity = "50 mAh"\n'
            f'resistance = "2 ohm"\n{cell}\n[controller]\nasleep = "2 uA"\n'
            '[buttons.go]\ndebounce = "5 ms"\n')
    for n, lit in enumerate(PERIODS[:count]):
        text += f'''
[loads.l{n}]
{load}
[behaviour.r{n}]
starts = "off"
states = {{ off = {{}}, dark = {{}}, lit = {{ l{n} = "on" }} }}
rows = [
  {{ on = "go.click", from = "off", to = "dark" }},
  {{ after = "{3 * lit} ms", from = "dark", to = "lit" }},
  {{ after = "{lit} ms", from = "lit", to = "dark" }},
  {{ on = "go.click", from = ["lit", "dark"], to = "off" }},
]
'''
    return pattern(folder, text, head(horizon="5 days") + RING)


def lived(made: Pattern) -> Totals:
    """One user of a pattern, with tables of their own."""
    assert made.gadget is not None
    store = Store(Layout(made, made.gadget, warmths(made)[0]), False)
    parts = PartTables(store, made.gadget)
    totals = Totals(1)
    totals.add(outcome(0, [live(made, store, parts, 0, 0)], parts.within_share))
    return totals


@pytest.mark.parametrize(("load", "cell"), [
    ('current = "5 mA"', ""), ('resistance = "300 ohm"', ""),
    ('resistance = "300 ohm"', 'cut_off = "3.3 V"'),
])
def test_what_is_added_up_lies_within_its_bound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, load: str, cell: str
) -> None:
    """Six lights, once in all 64 combinations and once added up: current and days differ by no
    more than is told. Constant currents add up, so that nothing is to be told there.
    """
    made = beats(tmp_path, 6, load, cell)
    joint = lived(made)
    assert joint.within_share is None
    monkeypatch.setattr(shares, "MOST_JOINT", 63)
    added = lived(made)
    assert added.within_share is not None
    off = abs(added.average_current_a / joint.average_current_a - 1.0)
    days_off = abs(float(added.days[0] / joint.days[0]) - 1.0)
    if load.startswith("current"):
        assert added.within_share == pytest.approx(0.0, abs=1e-9)
        assert off < 1e-9
    else:
        assert 1e-4 < added.within_share < 0.1
        assert 1e-6 < off < added.within_share
    assert days_off <= added.within_share + 1e-6


def test_fourteen_beats_take_a_counted_number_of_load_sets(tmp_path: Path) -> None:
    """Their 16,384 combinations are not met one by one: each pair of lights is looked at once, and
    so are the combinations in which a press finds them.
    """
    made = beats(tmp_path, 14, 'resistance = "300 ohm"', 'cut_off = "3.3 V"')
    assert made.gadget is not None
    store = Store(Layout(made, made.gadget, warmths(made)[0]), False)
    parts = PartTables(store, made.gadget)
    live(made, store, parts, 1, 0)
    assert len(store.loads) < 400
    assert max(len(mix.shares) for mix in store.mixes) <= 1 + 2 * 14 + 2
    assert parts.within_share is not None


def test_more_lights_at_once_are_bounded_by_more(tmp_path: Path) -> None:
    """The bound of a study is the largest that any of its users met."""
    totals = gather(beats(tmp_path, 11, 'resistance = "300 ohm"'), 2, 0, fast=False)
    more = gather(beats(tmp_path, 12, 'resistance = "300 ohm"'), 2, 0, fast=False)
    assert totals.within_share is not None
    assert more.within_share is not None
    assert 0.0 < totals.within_share < more.within_share


def test_terms_are_products_or_sums_of_shares(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two parts of two places: four products; added up, the weights are one in all as well."""
    parts = [("a", "b"), ("c", "d")]
    weights = {"a": 0.9, "b": 0.1, "c": 0.7, "d": 0.3}
    assert [chosen for _, chosen in shares.terms(parts)] == [
        {0: "a", 1: "c"}, {0: "a", 1: "d"}, {0: "b", 1: "c"}, {0: "b", 1: "d"}]
    monkeypatch.setattr(shares, "MOST_JOINT", 3)
    found = shares.terms(parts)
    assert found[0] == (-1, {})
    total = 0.0
    for times, chosen in found:
        share = float(times)
        for place in chosen.values():
            share *= weights[place]
        total += share
    assert total == pytest.approx(1.0)
    assert list(shares.meetings(parts, ["a", "c"])) == [(0, "b", 1, "d")]
