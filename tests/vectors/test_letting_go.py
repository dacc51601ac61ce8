"""Vectors, the line protocol and C of a firmware that lets go of its own supply."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.hold import HOLD, holding
from simfw.conform.firmware import Drive, Firmware
from simfw.engine.prepared import Prepared
from simfw.engine.simulator import simulate
from simfw.report.source import c_files, harness_files, source_files
from simfw.report.specification import subject_of
from simfw.report.specification.document import Paragraph
from simfw.report.specification.first import first
from simfw.report.specification.pins import pins_of
from simfw.report.specification.power import budget_of, mode_name, power, resting
from simfw.report.specification.prose import text_of
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press, Usb
from simfw.vectors import make_vectors
from simfw.vectors.build import Rehearsal, acts_of, replay_scenario
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.replay import let_go
from tests.dials.made import gadget
from tests.report.generated_c import compile_harness, compiler
from tests.report.kept_c import Counts, compare_seed
from tests.vectors.acts import pressed

MS = 1_000_000
TORCH = """
[gadget]
name = "Pocket torch"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
asleep = "5 uA"
powered_by = ["power"]
hold_up = "30 ms"
[loads.lamp]
current = "10 mA"
[loads.green]
current = "2 mA"
[buttons.power]
debounce = "5 ms"
[dials.bright]
values = ["20 %", "60 %", "100 %"]
kept = true
rows = [{ on = "lamp.over", step = 1 }]
[behaviour.lamp]
starts = "waking"
states.waking = {}
states.lit = { lamp = "bright" }
states.off = { controller = "unpowered" }
rows = [
  { after = "50 ms", from = "waking", to = "lit", when = "power.closed" },
  { after = "60 ms", from = "waking", to = "off" },
  { on = "power.press", from = "lit", to = "off" },
  { after = "2 s", from = "lit", to = "off", emit = "lamp.over" },
]
[behaviour.mark]
starts = "on"
states.on = { green = "on" }
"""


def played(text: str, *presses: tuple[int, int], lasts: int = 4000) -> list[tuple[str, ...]]:
    """The messages of presses (from, for, in ms), each line with what is told of outputs."""
    made = gadget(text, "")
    done = Rehearsal(Prepared(made)).play(
        charge=0.5, acts=pressed("power", *presses), ends_ns=lasts * MS)
    return [(*one.lines, *(report.line for report in one.reports if report.kind == "out"))
            for one in done.exchanges]


def test_the_supply_goes_in_the_instant_in_which_all_is_settled() -> None:
    """60 ms after the cell is put in; the press at 1 s is a power-up with the contact closed."""
    assert played(TORCH, (1000, 200), lasts=1300) == [
        ("off 0",),
        ("set power 0", "power 0", f"out 0 {HOLD} 1000000", "out 0 green 1000000"),
        ("until 60000000",),
        ("step 60000000", f"out 60000000 {HOLD} 0"),  # green stays on until the supply is gone
        ("off 60000000",),
        ("set power 1", "power 1000000000", f"out 1000000000 {HOLD} 1000000",
         "out 1000000000 green 1000000"),
        ("until 1200000000", "out 1050000000 lamp 200000"),
        ("set power 0", "step 1200000000"),
        ("until 1300000000",)]


def test_a_contact_that_is_closed_holds_the_supply_and_hold_up_comes_after() -> None:
    """Let go of at 2.005 s, the contact opens at 2.1 s and the supply is there until 2.13 s."""
    lines = [line for one in played(TORCH, (1000, 200), (2000, 100)) for line in one]
    at = lines.index(f"out 2005000000 {HOLD} 0")
    assert lines[at + 1 :] == [
        "out 2005000000 lamp 0", "set power 0", "step 2100000000", "until 2130000000",
        "step 2130000000", "off 2130000000", "until 4000000000"]


def test_what_changes_in_the_instant_that_lets_go_is_kept() -> None:
    """The dial is counted up as the lamp goes out by itself, at 3.05 s; a run says so, too."""
    text = TORCH.replace('hold_up = "30 ms"\n', "")
    lines = [line for one in played(text, (1000, 200), (5000, 200), lasts=6000) for line in one]
    assert "out 1050000000 lamp 200000" in lines
    assert "step 3050000000" in lines
    assert "out 5050000000 lamp 600000" in lines
    run = simulate(gadget(text, ""), Scenario(charge=0.5, lasts_ns=6000 * MS, steps=(
        Press(at_ns=1000 * MS, button="power", for_ns=200 * MS),
        Press(at_ns=5000 * MS, button="power", for_ns=200 * MS))), trace=True)
    assert [max(one.levels) for one in run.intervals if one.levels[0]][-1] == 1.0
    assert {one.levels[0] for one in run.intervals} == {0.0, 0.2, 0.6}


def test_several_regions_that_let_go_hold_it_together() -> None:
    """The output is on while none of them stands in such a state."""
    text = TORCH + 'states.out = { controller = "unpowered" }\n' + (
        'rows = [{ after = "20 ms", from = "on", to = "out" }]\n')
    system = holding(build_system(gadget(text, "")))
    assert holding(system) is system
    lamp, mark = system.region("lamp"), system.region("mark")
    assert [HOLD in state.outputs for state in lamp.states] == [True, True, False]
    assert [dict(state.scales) for state in mark.states] == [{}, {HOLD: 0.0}]
    assert ("step 20000000", f"out 20000000 {HOLD} 0", "out 20000000 green 0") in played(text)


@pytest.fixture(scope="module")
def vectors():
    """The vectors of the torch."""
    made = gadget(TORCH, "")
    return make_vectors(made, build_system(made))


def test_vectors_show_where_it_lets_go_and_what_brings_it_back(vectors) -> None:
    """Each state that lets go, and each contact, is covered; faults of it are exposed."""
    assert {"goes lamp:off", "back power"} <= vectors.covered()
    assert not [item for item, _ in vectors.missing if item.startswith(("goes", "back", "power"))]
    exposed = {fault.text for fault, _ in vectors.exposure.exposed}
    assert f"lamp.waking: {HOLD} is left off" in exposed
    assert "lamp.off: does not let go of its supply" in exposed
    assert any(fault.kind == "kept" for fault, _ in vectors.exposure.exposed)


def test_a_vector_tells_a_firmware_that_forgets_and_is_named_beside_what_it_keeps(vectors) -> None:
    """The position of the dial is lost with the supply: exposed, and the requirement says where."""
    made = gadget(TORCH, "")
    told = {fault.about: name for fault, name in vectors.exposure.exposed
            if fault.kind == "unkept"}
    assert set(told) == {"bright"}
    subject = subject_of(made, build_system(made), vectors=vectors)
    (kept,) = [one for one in subject.requirements if one.keeps]
    assert subject.tested[kept.number] == (told["bright"],)


def test_what_is_exposed_is_exposed_by_the_vector_alone(vectors) -> None:
    """Nothing that one vector has left in the memory tells a fault in the next; what is proved to
    change nothing is not exposed.
    """
    made = gadget(TORCH, "")
    system = next(fault.system for fault, _ in vectors.exposure.exposed
                  if fault.kind == "power-up")  # of the model: only what is met at pins differs
    by_name = {vector.name: vector for vector in vectors.vectors}
    for fault, name in vectors.exposure.exposed:
        alone = Judge(system, made.segments)
        alone.add(by_name[name].replay)
        shows = alone.exposed(fault) or alone.woken(fault)  # by the outputs, or by a wake
        assert shows is not None, fault.text
    prover = Prover(system, made.segments)
    assert not [fault.text for fault, _ in vectors.exposure.exposed if prover.same(fault)]
    every = Judge(system, made.segments)
    for vector in vectors.vectors:
        every.add(vector.replay)
    assert vectors.exposure.same
    for fault in vectors.exposure.same:
        assert prover.same(fault), fault.text
        assert prover.same(fault), f"{fault.text}, asked again"
        assert every.exposed(fault) is None, fault.text
        assert every.woken(fault) is None, fault.text


def program(files: dict[str, str], folder: Path) -> Path:
    """The host program of some files; the test is skipped without a compiler."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return compile_harness(folder, command)


def test_the_c_conforms_and_one_that_never_lets_go_does_not(vectors, tmp_path: Path) -> None:
    """All vectors, to the nanosecond and in ticks; without the output the first is a difference."""
    made = gadget(TORCH, "")
    system = build_system(made)
    drives = [Drive(one.name, one.charge, one.acts, one.ends_ns, one.replay)
              for one in vectors.vectors]
    assert any(let_go(before, one) for drive in drives for before, one
               in zip(drive.replay.exchanges, drive.replay.exchanges[1:], strict=False))
    sound = Firmware(program(harness_files(system, made.segments), tmp_path))
    for within_ns in (0, MS):
        sound.within_ns = within_ns
        assert [found for drive in drives if (found := sound.differs(drive))] == []
    without = c_files(system, made.segments)
    never = Firmware(program(harness_files(system, made.segments) | without, tmp_path))
    found = never.differs(drives[0])
    assert found is not None
    assert (found.expected, found.told) == (f"out 0 {HOLD} 1000000", "nothing")


def test_a_firmware_that_is_late_to_let_go_is_heard(tmp_path: Path) -> None:
    """With its time a millisecond longer it conforms within 1 ms, and not within less."""
    late = gadget(TORCH.replace('"60 ms"', '"61 ms"'), "")
    path = program(harness_files(build_system(late), late.segments), tmp_path)
    done = Rehearsal(Prepared(gadget(TORCH, ""))).play(charge=0.5, acts=(), ends_ns=500 * MS)
    left_alone = Drive("left alone", 0.5, (), 500 * MS, done)
    assert Firmware(path, within_ns=MS).differs(left_alone) is None
    found = Firmware(path, within_ns=MS // 2).differs(left_alone)
    assert found is not None
    assert found.expected == f"out 60000000 {HOLD} 0"


def test_the_c_of_random_gadgets_keeps_and_lets_go_as_the_model_does(tmp_path: Path) -> None:
    """Scenarios beside their runs, and random courses, to the nanosecond; half of these lose the
    supply twice by the way.
    """
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    counts = Counts()
    for seed in (49, 60, 64, 77):
        folder = tmp_path / str(seed)
        folder.mkdir()
        assert compare_seed(seed, folder, 4, command, counts=counts) is None, seed
    assert (counts.keeping, counts.letting_go) == (3, 4)
    assert counts.lost > 20
    assert counts.runs > 0


KEPT = """
[gadget]
name = "Kept"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
powered_by = ["key", "usb"]
hold_up = "40 ms"
[charger]
current = "50 mA"
float = "4.2 V"
[loads]
red = { current = "5 mA" }
blue = { current = "7 mA" }
[buttons.key]
style = "sample"
samples = 2
sample_every = "10 ms"
[behaviour.colour]
starts = "red"
kept = "state"
states.red = { red = "on" }
states.blue = { blue = "on" }
states."gone.a" = { controller = "unpowered" }
states."gone.b" = { controller = "unpowered", red = "on" }
rows = [
  { on = "key.press", from = "red", to = "blue" },
  { on = "key.press", from = "blue", to = "gone.a" },
  { after = "700 ms", from = "blue", to = "gone.b" },
  { after = "500 ms", from = "gone.b", to = "red" },
  { on = "usb.in", from = "gone.*", to = "red" },
]
[behaviour.other]
starts = "on"
resume_points = ["on", "slow"]
kept = "resume"
states.on = {}
states.slow = { scale = { red = "50 %" } }
states.out = { controller = "unpowered" }
rows = [
  { on = "key.release", from = "on", to = "slow" },
  { on = "key.release", from = "slow", to = "on" },
  { after = "900 ms", from = ["on", "slow"], to = "out", when = "not usb" },
  { after = "100 ms", from = "out", to = "resume", when = "key.closed" },
]
"""


def told_levels(drive: Drive, names: tuple[str, ...], at_ns: int) -> tuple[int, ...]:
    """The outputs after the instant at a time, as the exchanges have them."""
    levels = dict.fromkeys(names, 0)
    for one in drive.replay.exchanges:
        if one.lines[-1].startswith("off ") and one.ends_ns <= at_ns:
            levels = dict.fromkeys(names, 0)
        levels |= {report.name: report.level for report in one.reports
                   if report.kind == "out" and report.time_ns <= at_ns and report.name in names}
    return tuple(levels.values())


def test_what_is_kept_where_it_lets_go_is_that_of_a_run(tmp_path: Path) -> None:
    """A state that lets go is not kept: what stood before it is. Run, messages and C agree."""
    made, chance, lost = gadget(KEPT, ""), random.Random(3), 0
    model = Rehearsal(Prepared(made))
    sound = Firmware(program(harness_files(model.system, made.segments), tmp_path))
    for _ in range(6):
        at, steps = 0, list[Press | Usb]()
        for _ in range(9):
            at += chance.choice([7, 20, 39, 41, 300, 700, 900, 1000])
            long = chance.choice([3, 25, 40, 100, 700])
            steps.append(Press(at_ns=at * MS, button="key", for_ns=long * MS)
                         if chance.random() < 0.8 else
                         Usb(at_ns=at * MS, present=chance.random() < 0.5))
            at += long + 1
        scenario = Scenario(charge=0.6, lasts_ns=(at + 1500) * MS, steps=tuple(steps), gadget=made)
        done = replay_scenario(model, scenario)
        assert done is not None
        drive = Drive("random", 0.6, acts_of(scenario, made), scenario.lasts_ns, done)
        lost += sum(one.lines[-1].startswith("off ") for one in done.exchanges) - 1
        for one in simulate(made, scenario, trace=True).intervals:
            levels = tuple(round(level * 1_000_000) for level in one.levels)
            assert told_levels(drive, model.plant.outputs, one.start_ns) == levels
        assert sound.differs(drive) is None
    assert lost > 6


def test_the_specification_and_the_c_say_what_holds_the_supply() -> None:
    """The supply as an author asks first, the pin, the requirement, and what the board does."""
    made = gadget(TORCH, "")
    subject = subject_of(made, build_system(made))
    supply = str(first(subject))
    assert (f"holds it by `{HOLD}` and lets go once all is settled while `lamp` is in `off`. While "
            "`power` is closed, and for 30 ms after, it stays all the same. Gone, it comes back "
            "when `power` closes") in supply
    assert "Vectors lose the supply where the firmware lets go of it" in supply
    assert HOLD in {pin.signal for pin in pins_of(made)}
    texts = [one.text for one in subject.requirements]
    assert (f"The firmware shall drive `{HOLD}` on while `lamp` is in `waking` or `lit`; and off "
            "otherwise.") in texts
    assert any("or in the instant in which the supply goes because the firmware has let go of it, "
               "in place of its first one" in text for text in texts)  # fmt: skip
    readme = source_files(made, build_system(made))["README.md"]
    assert "`FW_OUT_CONTROLLER_HOLD` holds the supply (a latch)." in readme
    assert "While `power` is closed, and for 30 ms after, the supply stays" in readme


def test_at_rest_is_where_the_firmware_has_let_go_and_no_margin_is_told_there() -> None:
    """The torch wakes for 60 ms only, and then has no supply: 0 A without the mark that is on for
    ever. What a new controller draws takes nothing off there. One that never lets go rests in the
    first mode, and one microampere beside 5 takes a sixth off: 1 / 6 = 17 %.
    """
    for text, rests, draws, margin in (
            (TORCH, "off", 0.0, ""),
            (TORCH.replace('{ controller = "unpowered" }', "{}").replace(
                'states.on = { green = "on" }', "states.on = {}"), "waking", 5e-6, "17 %")):
        made = gadget(text, "")
        subject = subject_of(made, build_system(made), budget=budget_of(made))
        mode = resting(subject)
        assert mode is not None
        assert mode.states["lamp"] == rests
        assert mode.current_a == pytest.approx(draws)
        gone = f"at rest ({mode_name(mode)}, the supply let go of) 0 A; "
        assert (gone in str(first(subject))) == (not margin)
        said = [block.text for block in power(subject).blocks
                if isinstance(block, Paragraph) and block.text.startswith("Margin")]
        assert [margin in one for one in said] == [True] * bool(margin)


def test_before_each_loss_stands_what_the_page_of_the_protocol_says(vectors) -> None:
    """`until T`, or where the firmware has let go `step T` or `power T`, and no loss without it."""
    page = text_of("protocol")
    assert "Before it stands an `until T`, or, where the firmware has [let go of it]" in page
    assert "once all of them have been open for as long as the hold-up says" in page
    found = set()
    for vector in vectors.vectors:
        lines = [line for one in vector.replay.exchanges for line in one.lines]
        for before, line in pairwise(lines):
            if line.startswith("off "):
                word, at = before.split(" ")[:2]
                assert at == line.removeprefix("off ")
                found.add(word)
    assert {"until", "step"} <= found <= {"until", "step", "power"}


def test_only_vectors_that_tell_a_fault_are_for_the_host_for_what_is_close(vectors) -> None:
    """As the page says: those that run through rows are not asked how close their times lie."""
    assert "Vectors that run through rows are not looked at for that" in text_of("vectors")
    told = [vector for vector in vectors.vectors
            if "tells " in vector.title  # and what comes first, or with a counter, or soon again
            or vector.title.endswith((" ends", " amid a time", " in 1 ms"))]
    assert any(vector.exact for vector in told)
    assert not any(vector.exact for vector in vectors.vectors if vector not in told)
