"""Dials walked by hand, and what each command makes of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.outputs import drives_of
from simfw.behaviour.region import Drive
from simfw.cli import main
from simfw.engine.modes import mean_current, survey
from simfw.engine.simulator import Prepared, simulate
from simfw.report.modes import modes_text
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press
from simfw.vectors.possible import all_faults
from simfw.verify.check import check_gadget
from simfw.verify.finding import Report
from tests.behaviour.bench import World
from tests.dials.made import PARTS, gadget
from tests.inputs.made import heard, run

LAMP = """
[dials.dim]
values = ["2 %", "5 %", "30 %", "100 %"]
starts = 1
rows = [
  { on = "up.click", step = 2 },
  { on = "down.click", step = -1, wrap = true },
  { on = "key.hold", to = 1 },
  { on = "key.hold", step = 1 },
]
[dials.many]
values = [0, 2, 4]
rows = [{ on = "down.click", step = 1 }]
[behaviour.lamp]
starts = "off"
states.off = {}
states.lit = { warm = "dim", bars = "many" }
states.night = { warm = "5 %", cool = "dim", scale = { cool = "dim" } }
rows = [
  { on = "key.click", from = "off", to = "lit" },
  { on = "key.click", from = "lit", to = "night" },
  { on = "key.click", from = "night", to = "off" },
  { on = "up.click", from = "off", to = "lit", when = "dim == 3" },
]
[behaviour.soft]
starts = "no"
states.no = {}
states.yes = { scale = { cool = "dim", warm = "dim" } }
rows = [
  { on = "dim.end", from = "no", to = "yes" },
  { on = "dim.changed", from = "yes", to = "no" },
]
"""
TEXT = PARTS.replace('[buttons.key]\n', '[buttons.key]\nhold = "500 ms"\n') + LAMP


def at(**states: str) -> dict[str, Drive]:
    """What is driven in these states, all else where it starts."""
    system = build_system(gadget(LAMP, TEXT[: TEXT.index(LAMP)]))
    standing = {region.name: region.starts for region in system.regions} | states
    return drives_of(system, standing, World(states=standing))


def test_a_light_follows_the_position_of_its_dial() -> None:
    """Its level, or its number of segments; a level of none is off."""
    assert at(lamp="lit", dim="2", many="1") == {"bars": Drive(1.0, 2), "warm": Drive(0.3)}
    assert at(lamp="lit", dim="3") == {"warm": Drive(1.0)}
    assert at(dim="3", many="2") == {}


def test_regions_that_scale_by_one_dial_multiply() -> None:
    """Twice by the same dial is its square, and the level by it makes it a cube."""
    assert at(lamp="night", dim="2") == {"warm": Drive(0.05), "cool": Drive(0.3 * 0.3)}
    cool = at(lamp="night", soft="yes", dim="2")["cool"]
    assert cool == Drive(0.3 * (0.3 * 0.3))
    assert at(lamp="night", soft="yes", dim="2")["warm"] == Drive(0.05 * 0.3)


def test_a_step_beyond_an_end_stops_there_and_tells_it(tmp_path: Path) -> None:
    """`changed` if it moved, then `end`; a step with `wrap` goes round and tells no end."""
    result = run(tmp_path, TEXT, """
        at = "1 s", press = "up", for = "50 ms"
        at = "2 s", expect = "dim == 3 and many == 0"
        at = "3 s", press = "up", for = "50 ms"
        at = "5 s", press = "down", for = "50 ms"
        at = "6 s", expect = "dim.2 and many == 1"
        at = "7 s", press = "up", for = "50 ms"
        at = "8 s", press = "key", for = "600 ms"
        at = "9 s", expect = "dim == 1"
        at = "10 s", press = "down", for = "50 ms"
        at = "11 s", press = "down", for = "50 ms"
        at = "12 s", expect = "dim == 3 and many == 2"
    """)
    told = [(time // 10**6, name) for time, name in heard(result)
            if name.partition(".")[0] in ("dim", "many")]
    assert told == [
        (1055, "dim.changed"), (3055, "dim.end"),
        (5055, "dim.changed"), (5055, "many.changed"),
        (7055, "dim.changed"), (7055, "dim.end"),
        (8505, "dim.changed"),
        (10055, "dim.changed"), (10055, "many.changed"),
        (11055, "dim.changed"), (11055, "many.end"),
    ]  # fmt: skip


def test_the_present_position_ends_the_search_for_a_row(tmp_path: Path) -> None:
    """`to` where it stands emits nothing, and the row behind it for the same event stays unused."""
    result = run(tmp_path, TEXT, """
        at = "1 s", press = "key", for = "600 ms"
        at = "2 s", expect = "dim == 1"
    """)
    assert not [name for _, name in heard(result) if name.startswith("dim.")]


def test_dials_stand_before_written_regions(tmp_path: Path) -> None:
    """A guard on the same event reads the position that the event has led to."""
    run(tmp_path, TEXT, """
        at = "1 s", press = "up", for = "50 ms"
        at = "2 s", expect = "lamp.lit and warm == 1"
    """)


def test_positions_between_ends_are_even_or_in_ratio() -> None:
    """From 2 % to 100 % in four: steps of 32.67 %, or each 3.684 times the one before."""
    def values(spacing: str) -> list[str]:
        made = gadget('[dials.dim]\ncount = 4\nfrom = "2 %"\nto = "100 %"\n'
                      f'spacing = "{spacing}"\n[behaviour.a]\nstarts = "x"\nstates.x = {{}}\n')
        return [level.text for level in made.dials["dim"].levels]

    assert values("even") == ["2 %", "34.6667 %", "67.3333 %", "100 %"]
    assert values("ratio") == ["2 %", "7.3681 %", "27.1442 %", "100 %"]


def test_modes_have_a_line_for_each_state_and_not_for_each_position() -> None:
    """Beside the current at the first position that of the lowest and of the highest value."""
    made = gadget(LAMP, TEXT[: TEXT.index(LAMP)])
    found = survey(made)
    assert [mode.states["lamp"] for mode in found.modes if mode.states["soft"] == "no"] == [
        "off", "lit", "night"]
    lit = next(mode for mode in found.modes if dict(mode.states) == {"lamp": "lit", "soft": "no"})
    assert lit.dials == {"dim": 1, "many": 0}
    # 10 mA on the load at each of its duties; four segments beside it at the highest.
    low_a, high_a = lit.over_dials_a or (0.0, 0.0)
    assert lit.current_a == pytest.approx(0.05 * 0.010 + 2e-6, rel=1e-6)
    assert low_a == pytest.approx(0.02 * 0.010 + 2e-6, rel=1e-6)
    assert high_a == pytest.approx(0.010 + 2e-6 + _bars_a(), rel=1e-2)
    text = modes_text(made, found)
    assert "Dials stand where they start: dim at 5 %, position 1 (0 to 3)" in text


@pytest.mark.parametrize(("wrap", "mean"), [("false", 0.02), ("true", (1.0 + 0.3 + 0.02) / 3)])
def test_a_dial_that_the_mode_moves_counts_as_it_stands_in_the_end(wrap: str, mean: float) -> None:
    """A light that fades by itself: 10 mA at 2 % is what it comes to, not what it began with. One
    that goes round for ever stands nowhere, and its mean counts.
    """
    made = gadget(f"""
[dials.fade]
values = ["100 %", "30 %", "2 %"]
rows = [{{ on = "darker", step = 1, wrap = {wrap} }}]
[behaviour.lamp]
starts = "lit"
states.lit = {{ warm = "fade" }}
rows = [{{ after = "1 s", from = "lit", to = "lit", emit = "darker" }}]
""")
    found = survey(made)
    (lit,) = found.modes
    assert lit.current_a == pytest.approx(mean * 0.010 + 2e-6, rel=1e-6)
    assert lit.dials == ({} if wrap == "true" else {"fade": 2})
    text = " ".join(modes_text(made, found).split())
    assert "stand where they start" not in text
    assert ("Where a mode moves a dial itself it counts as it stands in the end: fade at 2 %, "
            "position 2 (0 to 2) (lamp.lit)." in text) == (wrap == "false")
    assert "By dial" not in text
    assert "by dial" not in text


def test_a_dial_that_goes_round_beside_what_never_meets_it_stands_nowhere() -> None:
    """Times without a short common multiple: the mean is that of all positions, none is named."""
    made = gadget("""
[dials.fade]
values = ["100 %", "30 %", "2 %"]
rows = [{ on = "darker", step = 1, wrap = true }]
[behaviour.lamp]
starts = "lit"
states.lit = { warm = "fade" }
rows = [{ after = "1000000007 ns", from = "lit", to = "lit", emit = "darker" }]
[behaviour.beat]
starts = "rest"
states.rest = {}
states.mark = { bars = 1 }
rows = [
  { after = "700000001 ns", from = "rest", to = "mark" },
  { after = "333333337 ns", from = "mark", to = "rest" },
]
""")
    found = survey(made)
    assert found.modes[0].parts_a["warm"] == pytest.approx(0.44 * 0.010, rel=1e-6)
    assert found.modes[0].dials == {}


def _bars_a() -> float:
    """What four segments draw, by a state that lights them."""
    other = gadget('[behaviour.lamp]\nstarts = "lit"\nstates.lit = { bars = 4, warm = "on" }\n')
    return mean_current(Prepared(other), [("lamp", "lit")]).parts_a["bars"]


def test_a_run_draws_what_the_mode_says() -> None:
    """The gadget left alone in a state, with the dial where the range has its highest value."""
    made = gadget(LAMP, TEXT[: TEXT.index(LAMP)])
    night = next(mode for mode in survey(made, charge=0.5).modes
                 if dict(mode.states) == {"lamp": "night", "soft": "no"})
    result = simulate(made, Scenario(charge=0.5, lasts_ns=10**10, steps=tuple(
        Press(at_ns=at, button=name, for_ns=5 * 10**7) for at, name in (
            (10**8, "key"), (3 * 10**8, "key"), (5 * 10**8, "up")))))  # fmt: skip
    last = result.intervals[-1]
    assert night.over_dials_a is not None
    assert sum(last.consumers_a) == pytest.approx(night.over_dials_a[1], rel=1e-4)


def test_the_search_reaches_positions_and_saves_the_way() -> None:
    """The shortest way to a position that a rule forbids, and a rule that holds is proved."""
    rule = '[[rules]]\nname = "{}"\nnever = "{}"\n'
    text = LAMP + rule.format("never full", "lamp.night and cool == 1") + rule.format(
        "bars with the dial", "lamp.off and bars > 0")
    report: Report = check_gadget(gadget(text, TEXT[: TEXT.index(LAMP)]))
    full, bars = report.verdicts
    assert bars.standing == "proved"
    assert full.standing == "broken"
    (found,) = [one for one in report.findings if one.witness and one.check == "rule"]
    assert found.witness


def test_the_specification_tells_a_dial_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                            capsys: pytest.CaptureFixture[str]) -> None:
    """One table of values, one sentence for a row; no position has a section of its own."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(TEXT, encoding="utf-8")
    assert main(["spec", "gadget.toml", "-o", "spec", "--no-vectors", "--no-power"]) == 0
    text = Path("spec/specification.md").read_text(encoding="utf-8")
    assert "| `dim` | 2 % | 5 % | 30 % | 100 % |" in text
    assert ("When `up.click` occurs, the firmware shall take `dim` 2 positions up, but not beyond "
            "3, emit `dim.changed` if it moves by that, and emit `dim.end` after that where the "
            "step would lead beyond 3.") in text
    assert "take `dim` 1 position down, from 0 on to 3 again" in text
    assert text.count("shall take `dim`") == 4
    assert "drive `warm` as dim says while `lamp` is in `lit`" in text
    assert "Region dim" not in text


def test_slips_of_a_row_are_tried_where_the_dial_starts() -> None:
    """A guard that is dropped, in one position and not in each: nearest to where it starts."""
    text = LAMP.replace("step = 2 }", 'step = 2, when = "lamp.lit" }')
    system = build_system(gadget(text, TEXT[: TEXT.index(LAMP)]))
    guards = [fault for fault in all_faults(system)
              if fault.kind == "guard" and fault.about.startswith("dials.dim")]
    rows = {row.key: row for row in system.region("dim").rows}
    assert [rows[fault.about].sources for fault in guards] == [("1",), ("2",), ("3",)]
    assert [rows[fault.about].emit for fault in guards] == [
        ("dim.changed",), ("dim.changed", "dim.end"), ("dim.end",)]
