"""A gadget on the bench: what is done in frames is one run of its scenario; back is back."""

from __future__ import annotations

import gc
import random
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw import Bench, Gadget, UsageError, load_gadget, load_scenario, simulate
from simfw.behaviour.moves import Move
from simfw.behaviour.table import Stepper
from simfw.bench.repeating import Repeating
from simfw.cli import main
from simfw.engine import gliding
from simfw.engine.folding import Folder, Moment
from simfw.engine.phase import Phase
from simfw.engine.prepared import Prepared
from simfw.engine.run import Occurred
from simfw.engine.stepwise import Stepwise
from simfw.quantity import read_ns
from simfw.stimuli.inputs import INPUTS, NO_HAND, Kind
from simfw.stimuli.scenario import Expect, Press, problems_of, write_scenario

ROOT = Path(__file__).resolve().parents[2]
GADGETS = sorted([*ROOT.glob("scenarios/*/gadget.toml"), *ROOT.glob("tests/gallery/*/gadget.toml")])
KEY_HOOK = ROOT / "scenarios/key-hook/gadget.toml"
LARDER = ROOT / "scenarios/larder-lamp/gadget.toml"
MS, S = 10**6, 10**9
SENSED = """
[gadget]
name = "Drawer"
[cell]
curve = "lco"
capacity = "300 mAh"
[toggles.shut]
debounce = "20 ms"
starts = "on"
[measures.daylight]
unit = "lx"
thresholds = ["20 lx"]
every = "2 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
"""
WAYS = (0, 1, 13 * MS, 16_666_667, 20 * MS, 250 * MS, S, 3 * S)


@pytest.fixture(scope="module")
def hook() -> Prepared:
    """The key hook with its circuit."""
    return Prepared(load_gadget(KEY_HOOK))


def bench_of(prepared: Prepared, charge: float = 0.8, fold: bool | None = False) -> Bench:
    """A bench of a gadget whose circuit is known already."""
    return Bench(prepared.gadget, charge, fold=fold, prepared=prepared)


def levels_of(gadget: Gadget, kind: Kind, name: str) -> tuple[float, ...]:
    """Levels worth trying."""
    if kind == "hand":
        return (NO_HAND, 0.05, 0.12, 0.5)
    if kind == "temperature":
        return (25.0, 5.0, 50.0)
    return tuple(INPUTS["measure"].levels(gadget, name)) if kind == "measure" else (0.0, 1.0)


def at_random(bench: Bench, draw: random.Random, count: int) -> list[Occurred]:
    """Do things at random, look at random; the events that were seen."""
    places = [(kind, name) for kind, name in bench.inputs
              if bench.gadget.charger is not None or kind not in ("usb", "fault")]
    seen: list[Occurred] = []
    for _ in range(count):
        if places:
            kind, name = draw.choice(places)
            bench.set(kind, name, draw.choice(levels_of(bench.gadget, kind, name)))
        bench.to(bench.time_ns + draw.choice((*WAYS, draw.randrange(1, 10 * S))))
        if draw.random() < 0.5:
            seen += bench.view().events
    bench.to(bench.time_ns + 1)
    return seen


def test_what_is_done_in_frames_is_one_run_of_its_scenario() -> None:
    """To the bit: the charge, each event to the nanosecond, of every demo and gallery gadget."""
    for path in GADGETS:
        gadget = load_gadget(path)
        bench = Bench(gadget, fold=False)
        seen = at_random(bench, random.Random(path.parent.name), 200)
        view = bench.view()
        scenario = bench.scenario(expectations=False)
        assert not problems_of(scenario)
        run = simulate(gadget, scenario, fold=False, prepared=bench.prepared, trace=False)
        assert view.charge == run.end_charge, path
        assert (*seen, *view.events) == run.events, path
        assert view.dropped == 0
        for use in run.consumers:
            assert view.used_c[use.name] == pytest.approx(use.charge_c, rel=1e-9, abs=1e-15)
        with_expectations = bench.scenario()
        assert not problems_of(with_expectations)
        folded = simulate(gadget, with_expectations, prepared=bench.prepared, trace=False)
        assert all(one.met for one in folded.expectations)
        assert folded.end_charge == pytest.approx(run.end_charge, abs=1e-8)
        assert [event.name for event in folded.events] == [event.name for event in run.events]


@pytest.mark.parametrize("name", ["larder-lamp", "key-hook", "cellar-steps"])
def test_folded_frames_keep_the_limits_of_folding(name: str) -> None:
    """Against the folded run at once: the same events, times to a millionth, charge to 1e-8."""
    gadget = load_gadget(ROOT / "scenarios" / name / "gadget.toml")
    bench, draw = Bench(gadget, fold=True), random.Random(name)
    seen: list[Occurred] = []
    for _ in range(12):
        kind, place = draw.choice(list(bench.inputs))
        bench.set(kind, place, draw.choice(levels_of(gadget, kind, place)))
        bench.to(bench.time_ns + draw.choice((16_666_667, S, 60 * S, 1800 * S)))
        view = bench.view()
        assert not view.dropped
        seen += view.events
    run = simulate(gadget, bench.scenario(expectations=False), prepared=bench.prepared,
                   trace=False)  # fmt: skip
    assert [event.name for event in seen] == [event.name for event in run.events]
    for mine, other in zip(seen, run.events, strict=True):
        assert mine.time_ns == pytest.approx(other.time_ns, rel=1e-6)
    assert bench.view().charge == pytest.approx(run.end_charge, abs=1e-8)


@settings(max_examples=15)
@given(st.integers(0, 2**32), st.integers(1, 8), st.integers(1, 8))
def test_going_back_and_doing_the_same_again_is_equal_to_the_bit(
    hook: Prepared, seed: int, before: int, after: int
) -> None:
    """Views, journal and all, however often one goes back."""
    bench = bench_of(hook)
    at_random(bench, random.Random(seed), before)
    mark = bench.snapshot()
    bench.view()
    at_random(bench, random.Random(seed + 1), after)
    first = (bench.view(), bench.journal)
    for _ in range(2):
        bench.back(mark)
        assert bench.time_ns == mark.time_ns
        at_random(bench, random.Random(seed + 1), after)
        again = (bench.view(), bench.journal)
        assert again[1] == first[1]
        assert again[0].charge == first[0].charge
        assert again[0].used_c == first[0].used_c
        assert again[0].regions == first[0].regions
        assert again[0].events == first[0].events


def test_going_back_from_another_course_leaves_nothing_of_it(hook: Prepared) -> None:
    """Whatever was done meanwhile, the old course goes on as if it had never been."""
    straight, wandering = bench_of(hook), bench_of(hook)
    for bench in (straight, wandering):
        bench.to("1 s")
        bench.close("key")
        bench.to("1.05 s")
    mark = wandering.snapshot()
    straight.snapshot()
    wandering.open("key")
    wandering.temperature("40 degC")
    wandering.to("3 min")
    wandering.back(mark)
    for bench in (straight, wandering):
        bench.view()
        bench.to("1.1 s")
        bench.open("key")
        bench.to("30 s")
    assert straight.view() == wandering.view()
    assert straight.journal == wandering.journal


def test_a_snapshot_belongs_to_its_bench(hook: Prepared) -> None:
    """It says nothing about another one."""
    with pytest.raises(UsageError, match="another bench"):
        bench_of(hook).back(bench_of(hook).snapshot())


def test_a_snapshot_reads_no_rule_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """What watches the rules is made once for a bench, and stands where it stood."""
    bench = Bench(load_gadget(LARDER), fold=False)
    bench.press("power")
    bench.to("2 s")
    bound: list[object] = []
    known = Stepper.bind

    def bind(stepper: Stepper, *asked: Any) -> Any:
        bound.append(asked)
        return known(stepper, *asked)

    monkeypatch.setattr(Stepper, "bind", bind)
    mark = bench.snapshot()
    bench.close("power")
    bench.to("2500 ms")
    bench.back(mark)
    assert bound == []
    assert bench._simulation.monitors


def test_what_never_comes_round_is_seldom_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five blinkers meet after years: fewer than half of all instants are looked at for it."""
    looked: list[int] = []
    instants: set[int] = set()
    notice, end, take = Folder.notice, Stepwise.end_instant, gliding.take

    def noticed(folder: Folder, moment: Moment, *more: Any) -> Any:
        looked.append(moment.time_ns)
        return notice(folder, moment, *more)

    def ended(simulation: Stepwise, phase: Phase) -> None:
        instants.add(simulation.now)
        end(simulation, phase)

    def taken(stepper: Stepper, now_ns: int, move: Move) -> None:
        instants.add(now_ns)  # what is glided over is an instant, too
        take(stepper, now_ns, move)

    monkeypatch.setattr(Folder, "notice", noticed)
    monkeypatch.setattr(gliding, "take", taken)
    monkeypatch.setattr(Stepwise, "end_instant", ended)
    bench = Bench(load_gadget(ROOT / "tests/gallery/five-winks/gadget.toml"), fold=True)
    for minute in range(1, 16):
        bench.to(f"{minute} min")
    assert 1000 < len(looked) < 0.5 * len(instants)
    run = bench.run()
    assert bench.view().charge == pytest.approx(run.end_charge, abs=1e-8)


def test_memory_does_not_grow_with_frames(hook: Prepared) -> None:
    """Over a year in frames of a day, with a look at each."""
    bench = bench_of(hook, fold=None)
    bench.press("key", "50 ms")

    def go(frames: int) -> int:
        for _ in range(frames):
            bench.to(bench.time_ns + 24 * 3600 * S)
            bench.view()
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        early = go(100)
        late = go(270)
    finally:
        tracemalloc.stop()
    assert bench.time_ns > 365 * 86400 * S
    assert late - early < 20_000


def test_a_held_press_has_no_length_until_it_is_let_go(hook: Prepared) -> None:
    """It is a press over the end of its scenario, and grows with the course."""
    bench = bench_of(hook)
    bench.to("1 s")
    bench.close("key")
    bench.to("1.5 s")
    assert bench.scenario(expectations=False).steps == (
        Press(at_ns=S, button="key", for_ns=S // 2 + 1),)
    bench.to("2 s")
    bench.open("key")
    bench.to("4 s")
    assert bench.scenario(expectations=False).steps == (Press(at_ns=S, button="key", for_ns=S),)


def test_what_is_undone_in_the_same_moment_was_not_done(hook: Prepared) -> None:
    """A contact that closes and opens without time in between is no press."""
    bench = bench_of(hook)
    bench.to("1 s")
    bench.close("key")
    bench.open("key")
    bench.to("2 s")
    assert bench.journal == ()
    assert bench.view().events == ()


def test_the_view_averages_over_the_time_since_the_last_one(hook: Prepared) -> None:
    """A wink of 40 ms in a second (the file's own figures) is 4 % lit, and its current likewise."""
    bench = bench_of(hook)
    for at in ("1 s", "1.2 s"):
        bench.to(at)
        bench.press("key", "50 ms")
    bench.to("1.3 s")
    bench.view()
    bench.to("31.3 s")
    view = bench.view()
    (lamp,) = view.lights
    assert (lamp.least, lamp.most) == (0.0, 1.0)
    assert lamp.level == pytest.approx(0.04, rel=1e-9)
    assert lamp.lit == pytest.approx(0.04, rel=1e-9)
    assert lamp.brightness is not None
    assert 0.5 * 0.04 < lamp.brightness < 0.04  # a cell at 80 % gives less than a full one
    assert view.current_a == pytest.approx(sum(view.consumers_a.values()))
    assert view.least_a < view.current_a < view.most_a
    assert view.time_left_s is not None
    moving = {region.name: region for region in view.regions}
    assert moving["search"].due_ns == moving["search"].since_ns + 15 * 60 * S


FED = """
[gadget]
name = "Dock"
[cell]
curve = "lco"
capacity = "300 mAh"
[charger]
program = "10k"
gain = "1000 V"
float = "4.2 V"
finish = "10 %"
input = { voltage = "5 V" }
[lights.plug]
colour = "red"
fed_by = "usb"
forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]
resistor = "1k"
"""


def test_a_light_that_usb_lights_is_seen(tmp_path: Path) -> None:
    """It is on while USB is in, with the current of its resistor: about 3.2 V over 1 kOhm."""
    path = tmp_path / "gadget.toml"
    path.write_text(FED, encoding="utf-8")
    bench = Bench(load_gadget(path))
    bench.to("1 s")
    (plug,) = bench.view().lights
    assert (plug.level, plug.current_a) == (0.0, 0.0)
    bench.usb(True)
    bench.to("2 s")
    (plug,) = bench.view().lights
    assert plug.level == 1.0
    assert plug.current_a == pytest.approx(3.2e-3, rel=0.03)


def test_what_frames_show_adds_up(hook: Prepared) -> None:
    """Mean currents times their frames are the charge drawn."""
    bench = bench_of(hook)
    bench.close("key")
    total = dict.fromkeys(hook.circuit.consumers, 0.0)
    for frame in range(1, 200):
        bench.to(frame * 16_666_667)
        if frame == 5:
            bench.open("key")
        view = bench.view()
        for name, mean_a in view.consumers_a.items():
            total[name] += mean_a * (view.time_ns - view.since_ns) * 1e-9
    for name, used_c in view.used_c.items():
        assert total[name] == pytest.approx(used_c, rel=1e-9, abs=1e-15)


def test_until_stands_just_after_what_happened(hook: Prepared) -> None:
    """A settled press comes `debounce` after the contact, a click when `double` is over."""
    bench = bench_of(hook)
    bench.to("1 s")
    bench.close("key")
    assert bench.until("key.press") == S + 15 * MS
    assert bench.time_ns == S + 15 * MS + 1
    bench.to("1.1 s")
    bench.open("key")
    assert bench.until("key.click") == S + 100 * MS + 15 * MS + 400 * MS
    assert bench.view().regions[-2].state == "lit.full"


def test_something_is_not_the_next_blink(hook: Prepared) -> None:
    """While it winks, the next thing is the end of the search after 15 min."""
    bench = bench_of(hook)
    bench.to("1 s")
    bench.press("key", "50 ms")
    bench.to("1.2 s")
    bench.close("key")
    begun = bench.until("key.double")
    assert begun == 1_200 * MS + 15 * MS
    bench.to("1.3 s")
    bench.open("key")
    assert bench.until() == 1_300 * MS + 15 * MS  # the settled release
    assert bench.until() == begun + 15 * 60 * S
    assert "search.over" in [event.name for event in bench.view().events]
    ended = bench.time_ns
    assert bench.until(within="1 min") is None
    assert bench.time_ns == ended + 60 * S


def test_the_next_thing_is_the_same_wherever_one_stands(hook: Prepared) -> None:
    """However one came there, folded or not, and whatever was learned on the way."""
    found = []
    for ways in ((), ("1 min",), ("2 s", "2 s", "10 min"), ("14 min 30 s",)):
        bench = bench_of(hook, fold=None)
        bench.press("key", "50 ms")
        bench.to("200 ms")
        bench.close("key")
        bench.to("300 ms")
        bench.open("key")
        bench.to("1 s")
        for way in ways:
            bench.to(bench.time_ns + read_ns(way))
        found.append((bench.until(), bench.until("cell.low", within="1 day")))
    assert set(found) == {(200 * MS + 15 * MS + 15 * 60 * S, None)}


def test_the_first_instant_is_something_too(tmp_path: Path) -> None:
    """An event at power-up happens at 0 s."""
    path = tmp_path / "gadget.toml"
    path.write_text(SENSED.replace("states.dark = {}", """states.dark = {}
rows = [ { after = "0 s", from = "dark", to = "same", emit = "lamp.up" } ]"""), encoding="utf-8")
    bench = Bench(load_gadget(path))
    assert bench.until("lamp.up") == 0
    assert bench.time_ns == 1


def test_what_goes_round_is_read_off_the_rows() -> None:
    """Dwells, and events that only turning rows emit, lead back; a click does not."""
    hook = Repeating(Prepared(load_gadget(KEY_HOOK)).system)
    assert not hook.moved("lamp_mode", "wink.in", "wink.out")
    assert hook.moved("lamp_mode", "dark", "wink.in")
    assert hook.moved("lamp_mode", "wink.out", "dark")
    assert hook.rests("lamp_mode", "lit.full")
    assert not hook.rests("lamp_mode", "wink.in")
    assert hook.label("lamp_mode", "wink.in") == "wink.out / wink.in"
    ticker = Repeating(Prepared(load_gadget(ROOT / "tests/gallery/ticker/gadget.toml")).system)
    assert not ticker.rests("light", "on")
    assert not ticker.moved("count", "c4", "c0")


def test_a_changed_figure_moves_what_hangs_on_it() -> None:
    """A press of 1.5 s is a click with a hold of 2 s, and a hold with one of 1 s."""
    bench = Bench(load_gadget(LARDER))
    bench.to("1 s")
    bench.press("power", "1.5 s")
    bench.to("5 s")
    other = bench.replayed(load_gadget(LARDER, {"buttons.power.hold": "1 s"}))
    assert other.journal == bench.journal
    found = bench.differences(other)
    assert [(move.name, move.before_ns, move.after_ns) for move in found.events[:2]] == [
        ("power.hold", None, 2 * S + 20 * MS), ("power.click", 2 * S + 520 * MS, None)]
    lamp = [one for one in found.states if one.region == "lamp"]
    assert [(one.start_ns, one.before, one.after) for one in lamp] == [
        (2 * S + 20 * MS, "dark", "locked"), (2 * S + 520 * MS, "lit.full", "locked")]
    assert found.charge[0] < found.charge[1]
    assert not found.none
    assert bench.differences(bench.replayed(bench.gadget)).none


def test_a_dial_is_compared_and_expected() -> None:
    """Its position is what is different, and what a saved scenario expects."""
    path = ROOT / "scenarios/potting-shed/gadget.toml"
    bench = Bench(load_gadget(path), fold=False)
    bench.to("1 s")
    bench.press("knob")
    bench.to("3 s")
    bench.press("knob", "1300 ms")
    bench.to("6 s")
    expected = [step.text for step in bench.scenario().steps if isinstance(step, Expect)]
    assert any("level == 5" in text for text in expected)
    assert "level == 7" in expected[-1]
    other = bench.replayed(load_gadget(path, {"dials.level.starts": 2}))
    (first, *_) = [one for one in bench.differences(other).states if one.region == "level"]
    assert (first.before, first.after) == ("5 (36.7 %)", "2 (8.17 %)")


def test_more_events_than_fit_are_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ticker of a month has millions: the run says so, and a comparison goes without them."""
    monkeypatch.setattr("simfw.bench.course.MOST_LOGGED", 1000)
    path = ROOT / "tests/gallery/ticker/gadget.toml"
    bench = Bench(load_gadget(path))
    bench.to("1 h")
    with pytest.raises(UsageError, match="more than 1000 events"):
        bench.run()
    assert bench.run(events=False).events == ()
    found = bench.differences(bench.replayed(load_gadget(path, {"loads.lamp.current": "9 mA"})))
    assert found.events_left_out
    assert found.events == ()
    assert found.charge[0] > found.charge[1]


def test_a_gadget_without_the_input_cannot_be_replayed() -> None:
    """It says which one is missing."""
    bench = Bench(load_gadget(LARDER))
    bench.press("power")
    bench.to("1 s")
    with pytest.raises(UsageError, match="power: the gadget has no such button"):
        bench.replayed(load_gadget(KEY_HOOK))


def test_the_saved_scenario_runs_and_is_met(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`simfw run` on the file: status 0, with what was seen as expectations."""
    bench = Bench(load_gadget(LARDER))
    bench.to("1 s")
    bench.press("power")
    bench.hand("wave", "12 cm")
    bench.to("2 s")
    bench.hand("wave", None)
    bench.usb(True)
    bench.to("20 s")
    path = tmp_path / "kept.toml"
    write_scenario(bench.scenario("Kept"), path)
    scenario = load_scenario(path)
    assert scenario == bench.scenario("Kept")
    assert main(["run", str(path)]) == 0
    assert "lamp.dark" in path.read_text(encoding="utf-8")
    assert "Kept" in capsys.readouterr().out


def test_every_input_of_the_table_can_be_brought_to_a_level(tmp_path: Path) -> None:
    """Each method writes the deed of its kind; text has its unit, and a number is in SI."""
    bench = Bench(load_gadget(LARDER))
    bench.close("power")
    bench.hand("wave", 0.12)
    bench.usb(True)
    bench.fault(True)
    bench.temperature("5 degC")
    assert {(deed.kind, deed.name, deed.level) for deed in bench.journal} == {
        ("contact", "power", 1.0), ("hand", "wave", 0.12), ("usb", "usb", 1.0),
        ("fault", "fault", 1.0), ("temperature", "temperature", 5.0),
    }  # fmt: skip
    path = tmp_path / "gadget.toml"
    path.write_text(SENSED, encoding="utf-8")
    other = Bench(load_gadget(path))
    other.toggle("shut", False)
    other.measure("daylight", "12 lx")
    other.to("1 s")
    other.measure("daylight", 30.0)
    assert [(deed.kind, deed.level) for deed in other.journal] == [
        ("toggle", 0.0), ("measure", 12.0), ("measure", 30.0)]
    assert {deed.kind for deed in (*bench.journal, *other.journal)} == set(INPUTS)


@pytest.mark.parametrize(
    ("do", "words"),
    [
        (lambda bench: bench.close("pwer"), 'no such button.*Did you mean "power"'),
        (lambda bench: bench.hand("wave", 0.0), "no distance"),
        (lambda bench: bench.hand("wave", "12 mA"), "distance"),
        (lambda bench: bench.to("soon"), "time"),
        (lambda bench: bench.to(-1), "before the start"),
        (lambda bench: (bench.to("2 s"), bench.to("1 s")), "is past"),
        (lambda bench: bench.to("100 years"), "that far"),
        (lambda bench: bench.until("power.clik"), "power.click"),
        (lambda bench: bench.scenario(), "Nothing has run"),
        (lambda bench: Bench(bench.gadget, 1.5), "a charge is a share"),
        (lambda bench: Bench(bench.gadget, "150 %"), "at most 100 %"),
        (lambda bench: Bench(bench.gadget, "6 V"), "never has this voltage"),
        (lambda bench: bench.usb("in"), r"usb = 'in': this is on or off. Allowed: True, False"),
        (lambda bench: bench.toggle("lid", "off"), r"lid = 'off': this is on or off"),
        (lambda bench: bench.measure("lux", "12 lx"), "lux: the gadget has no such measure"),
    ],
)
def test_what_cannot_be_done_is_said(do: object, words: str) -> None:
    """With what is allowed, and the nearest name."""
    assert callable(do)
    with pytest.raises(UsageError, match=words):
        do(Bench(load_gadget(LARDER)))


def test_a_bench_begins_at_a_share_or_at_what_a_meter_shows(hook: Prepared) -> None:
    """As a scenario does: text with its unit, looked up on the curve where it is a voltage."""
    half = Bench(hook.gadget, "50 %", prepared=hook)
    assert half.charge == 0.5
    shown_v = half.view().open_circuit_v
    assert Bench(hook.gadget, f"{shown_v:.6f} V", prepared=hook).charge == pytest.approx(
        0.5, abs=1e-4)


def test_a_gadget_without_a_charger_is_not_plugged_in(hook: Prepared) -> None:
    """Its file has none."""
    with pytest.raises(UsageError, match="no charger"):
        bench_of(hook).usb(True)
