"""What random stimuli change and when, recordings as drives, and which slips of the pen show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw import load_gadget, simulate
from simfw.conform.driving import gaps_of, inputs_of, recorded_drive, scenario_drive, scenario_of
from simfw.conform.firmware import Difference, Drive, Firmware
from simfw.conform.mutants import COMPILERS, Build, Mutant, Subject, mutants_of, score
from simfw.engine.simulator import Prepared
from simfw.errors import UntellableInstant, UsageError
from simfw.gadget.model import Gadget
from simfw.stimuli.recording.signals import Observed
from simfw.stimuli.scenario import Press, Scenario, Usb
from simfw.vectors.build import Rehearsal, acts_of
from simfw.vectors.replay import Exchange, Replay, Report
from simfw.vectors.sketch import Act
from simfw.verify.replay import Options
from tests.dials.made import PARTS
from tests.dials.made import gadget as sagging
from tests.report.generated_c import compiler
from tests.report.test_vector_search import CHARGED, CLICKED, SENSOR, SHELF, made, sensed
from tests.verify.firmwares import LAMP
from tests.verify.gadgets import gadget as read
from tests.verify.recorded import recorded

S = 10**9
DRAWER = Rehearsal(Prepared(load_gadget(
    Path(__file__).resolve().parents[1] / "data/drawer-lamp.toml")))  # fmt: skip
LARDER = Path(__file__).resolve().parents[2] / "scenarios/larder-lamp"
CLICKED_TOP = [{"from": "off", "on": "top.click", "to": "on"},
               {"from": "on", "on": "top.click", "to": "off"}]  # fmt: skip
EVENING = """
title = "An evening"
gadget = "lamp.toml"
charge = "70 %"
lasts = "30 s"
steps = [{ at = "2 s", press = "power", for = "200 ms" }]
"""


def test_random_stimuli_change_contacts_hands_and_the_plug() -> None:
    """A hand is held within the sensor's reach; before one that answers to none there is none."""
    gadget = sensed().model_copy(update={"buttons": made(CLICKED, **CHARGED).buttons})
    circuit = Prepared(gadget).circuit
    contact, hand, plug = inputs_of(gadget, circuit)
    assert contact == ("contact", "key", 1.0)
    assert hand[:2] == ("hand", "wave")
    reach = circuit.range_m("wave", 3.8)
    assert reach is not None
    assert 0 < hand[2] < reach
    assert plug == ("usb", "usb", 1.0)
    deaf = sensed(receiver=None, emitter=None, target=None)
    assert inputs_of(deaf, Prepared(deaf).circuit) == [plug]


@pytest.mark.parametrize(("at_s", "charger"), [
    (0, []), (2, ["charge.started", "charge.completed"]),
])  # fmt: skip
def test_a_full_cell_that_is_plugged_in_drives_a_firmware(at_s: int, charger: list[str]) -> None:
    """Full, the charger gives nothing; all but full, it ends in the instant in which it began.

    The finish current lies above what bars and cell together take, so that it ends at once.
    """
    gadget = load_gadget(LARDER / "gadget.toml", {"charger.finish": "50 %"})
    plug = Scenario(title="full", gadget_path=LARDER / "gadget.toml", charge=1.0, lasts_ns=9 * S,
                    steps=(Usb(at_ns=at_s * S, present=True),), gadget=gadget)  # fmt: skip
    drive = scenario_drive(Rehearsal(Prepared(gadget)), "full.toml", plug)
    assert drive.replay.events == [(at_s * S, name) for name in ["usb.in", *charger]]
    assert drive.replay.events == [(event.time_ns, event.name)
                                   for event in simulate(gadget, plug).events]  # fmt: skip


def test_a_contact_that_opens_and_closes_in_one_instant_drives_no_firmware() -> None:
    """It is a scenario like any other, and the reason is named with its time."""
    gadget = made(CLICKED_TOP, buttons={"top": {"debounce": "20 ms"}})
    steps = (Press(at_ns=S, button="top", for_ns=S), Press(at_ns=2 * S, button="top", for_ns=S))
    again = Scenario(title="again", gadget_path=LARDER, charge=0.5, lasts_ns=5 * S, steps=steps,
                     gadget=gadget)  # fmt: skip
    with pytest.raises(UsageError, match="at 2 s top opens and closes in one instant"):
        scenario_drive(Rehearsal(Prepared(gadget)), "again.toml", again)


def test_a_number_that_crosses_a_level_within_one_instant_drives_no_firmware() -> None:
    """2 A through 300 mOhm are 0.6 V: asked before and after the press has lit the lamp, no value
    between gives both answers. Beside it a press at a low cell, which is told.
    """
    lamp = sagging("""
[behaviour.lamp]
starts = "dark"
states = { dark = {}, lit = { warm = "on" } }
rows = [
  { on = "key.press", from = "dark", to = "lit", when = "cell.voltage >= 3.6", emit = "lamp.on" },
]
[behaviour.mark]
starts = "no"
states = { no = {}, yes = { cool = "on" } }
rows = [{ on = "lamp.on", from = "no", to = "yes", when = "cell.voltage < 3.6" }]
""", PARTS.replace('"10 mA"', '"2 A"'))
    pressed = Scenario(title="pressed", gadget_path=LARDER, charge=0.5, lasts_ns=5 * S,
                       steps=(Press(at_ns=2 * S, button="key", for_ns=S),), gadget=lamp)
    assert "lamp.on" in [event.name for event in simulate(lamp, pressed).events]
    model = Rehearsal(Prepared(lamp))
    with pytest.raises(UsageError, match="or what one instant switches moves it past a level"):
        scenario_drive(model, "pressed.toml", pressed)
    acts = acts_of(pressed, lamp)
    with pytest.raises(UntellableInstant, match=r"At 2\.005 s cell\.voltage crosses a level"):
        model.play(charge=0.5, acts=acts, ends_ns=5 * S)
    assert model.played(0.5, acts, 5 * S) is None
    assert model.played(0.03, acts, 5 * S) is not None


@pytest.mark.parametrize(("sign", "least"), [(">", 3_600_001), (">=", 3_600_000)])
def test_a_level_that_was_passed_before_a_load_came_on_is_told_as_passed(
    sign: str, least: int,
) -> None:  # fmt: skip
    """The lamp that the guard lets on pulls the cell under the level: what is told still lets it
    on, for C that asks for more than the level, too.
    """
    lamp = sagging("""
[behaviour.lamp]
starts = "dark"
states = { dark = {}, lit = { warm = "on" } }
rows = [{ on = "key.press", from = "dark", to = "lit", when = "cell.voltage SIGN 3.6" }]
""".replace("SIGN", sign), PARTS.replace('"10 mA"', '"2 A"'))
    done = Rehearsal(Prepared(lamp)).play(
        charge=0.5, acts=[Act(2 * S, "contact", "key", 1.0)], ends_ns=3 * S)
    told, = (int(line.rpartition(" ")[2]) for one in done.exchanges for line in one.lines
             if line.startswith("set cell.voltage"))  # fmt: skip
    assert least <= told < 3_700_000


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 900), st.sampled_from(
    [0.0, 9.0, 10.0, 14.0, 15.0, 50.0, 100.0, 104.0, 105.0, 300.0])), max_size=6))  # fmt: skip
def test_all_levels_of_a_measure_are_told_of_one_value(script: list[tuple[int, float]]) -> None:
    """A firmware may ask for more before it asks for less, and at another time than the model:
    whatever it reads, and whenever, is true of the value that there is.
    """
    told: dict[str, int] = {}
    now, acts = 0, [Act(7_000_000, "contact", "drawer", 1.0)]
    for gap_ms, value in script:
        now += gap_ms * 1_000_000
        acts.append(Act(now, "measure", "light", value))
    played = DRAWER.play(charge=0.5, acts=acts, ends_ns=now + 2 * S)
    # 10 lx and 100 lx, then what lies 5 lx above; one threshold is passed before any change.
    levels = (10.0, 100.0, 15.0, 105.0)
    for exchange in played.exchanges[1:]:
        *sets, last = exchange.lines
        told |= {name: int(value) for _, name, value in (line.split(" ") for line in sets)}
        value = next((act.value for act in reversed(acts) if act.kind == "measure"
                      and (act.at_ns < exchange.ends_ns or (act.at_ns == exchange.ends_ns
                                                            and not last.startswith("until")))),
                     15.0)  # fmt: skip
        assert [told[f"light.reached.{number}"] for number in range(1, 5)] == [
            int(value >= level) for level in levels]  # fmt: skip


class Says(Firmware):
    """A firmware that gives these answers, whatever it is asked."""

    def __init__(self, *answer: str, within_ns: int = 0) -> None:
        super().__init__("firmware", within_ns=within_ns)
        self.answer = answer

    def talk(self, lines: Sequence[str], most_bytes: int = 0) -> list[str]:
        """The same answer to all."""
        return list(self.answer)


@pytest.mark.parametrize("within_ns", [0, 2])
def test_a_waking_that_ends_in_its_instant_need_not_be_the_models(within_ns: int) -> None:
    """A pin wakes the controller though nothing is to be done: that is no fault. What the model
    tells has to be told, and one that stays awake, or wakes later, is noticed.
    """
    sample = (Report("wake", 900), Report("sleep", 900))
    replay = Replay(exchanges=[Exchange(("power 0",), (Report("sleep", 0),)),
                               Exchange(("set usb 1", "step 500"), ()),
                               Exchange(("until 1000",), sample),
                               Exchange(("until 9000",), ())])  # fmt: skip
    drive = Drive("drive", 0.5, (), 9000, replay)

    def found(*lines: str) -> Difference | None:
        return Says(*lines, within_ns=within_ns).differs(drive)

    told = ("sleep 0", "ok", "ok", "wake 900", "sleep 900", "ok", "ok")
    assert found(*told) is None
    edge = ("sleep 0", "ok", "wake 500", "sleep 500", "ok", *told[3:])
    assert found(*edge) is None
    assert found(*edge[:5], "wake 700", "sleep 700", *edge[5:]) is None
    for wrong, time_ns in (
        ((*edge[:5], "ok", "ok"), 900),  # the sample is not told
        ((*edge[:2], "wake 500", *edge[4:]), 500),  # it stays awake
        ((*edge[:2], "wake 500", "sleep 505", *edge[4:]), 500),
        ((*edge[:5], "wake 950", "wake 950", "sleep 950", "sleep 950", "ok", "ok"), 900),
    ):
        parted = found(*wrong)
        assert parted is not None, wrong
        assert parted.time_ns == time_ns


def test_a_waking_beside_a_sleep_of_the_model_is_named() -> None:
    """It was awake, and sleeps: the waking is one too many. That the firmware said nothing was
    told, though it had said that it sleeps.
    """
    replay = Replay(exchanges=[Exchange(("power 0",), ()),
                               Exchange(("until 1000",), (Report("sleep", 900),))])  # fmt: skip
    parted = Says("ok", "wake 900", "sleep 900", "ok").differs(
        Drive("drive", 0.5, (), 1000, replay))
    assert parted is not None
    assert (parted.time_ns, parted.told) == (900, "wake 900")


def test_a_firmware_that_hangs_is_said_to() -> None:
    """Its reports stop, which alone is no news of a loop."""
    replay = Replay(exchanges=[Exchange(("power 0",), (Report("out", 0, "lamp", 1),))])
    parted = Says("error no answer in time").differs(Drive("drive", 0.5, (), 0, replay))
    assert parted is not None
    assert parted.hung
    assert str(parted).endswith(" It hangs, and was stopped.")


def test_gaps_lie_around_the_times_of_buttons_chords_and_sensors() -> None:
    """One millisecond before, at and after each; what is longer than 5 s is left out."""
    keys = {"top": {"debounce": "20 ms", "hold": "1 s", "double": "300 ms"},
            "side": {"debounce": "20 ms", "hold": "6 s"}}  # fmt: skip
    gadget = made(CLICKED_TOP, buttons=keys, proximity={"wave": {**SENSOR, "clear": "600 ms"}},
                  chords={"both": {"buttons": ["top", "side"], "within": "60 ms"}})  # fmt: skip
    around = {time + side for time in (20, 1000, 300, 60, 125, 600) for side in (-1, 0, 1)}
    assert gaps_of(gadget) == sorted({1, 40} | around)


@pytest.fixture
def lamp(tmp_path: Path) -> tuple[Prepared, Observed]:
    """A lamp and a recording of it."""
    (tmp_path / "lamp.toml").write_text(LAMP, encoding="utf-8")
    gadget = read(LAMP)
    return Prepared(gadget), recorded(tmp_path, LAMP, EVENING, gadget)


def test_a_start_charge_that_nobody_noted_is_assumed_and_said(
    lamp: tuple[Prepared, Observed],
) -> None:
    """With inputs alone there is nothing to compare the model with, either."""
    prepared, observed = lamp
    model = Rehearsal(prepared)
    inputs = replace(observed, outputs={})
    noted = recorded_drive(prepared, model, inputs, Options())
    assert (noted.said, noted.drive.charge) == ((), 0.7)
    silent = replace(inputs, recording=replace(observed.recording, notes={}))
    (said,) = (found := recorded_drive(prepared, model, silent, Options())).said
    assert said.endswith(f"start charge not recorded, {100 * found.drive.charge:.0f} % is taken.")
    told = recorded_drive(prepared, model, silent, Options(charge=0.4))
    assert (told.said, told.drive.charge) == ((), 0.4)
    assert found.drive.acts == told.drive.acts == noted.drive.acts


def test_a_recording_that_begins_in_the_middle_of_things_is_driven_from_power_up(
    lamp: tuple[Prepared, Observed],
) -> None:
    """The state it begins in is told; a firmware cannot be put there."""
    prepared, observed = lamp
    begin = {"lamp": next(name for name in prepared.gadget.behaviour["lamp"].states
                          if name != prepared.gadget.behaviour["lamp"].starts)}  # fmt: skip
    found = recorded_drive(prepared, Rehearsal(prepared), observed, Options(start=begin))
    assert any("begins in the middle of things" in text for text in found.said)


@pytest.mark.parametrize(("kind", "is_one"), [("contact", True), ("held", False)])
def test_a_difference_is_a_scenario_unless_it_needs_a_bench(kind: str, is_one: bool) -> None:
    """Its title says what was expected and what was told."""
    gadget = made(CLICKED, **CHARGED)
    drive = Drive("v01", 0.6, (Act(S, kind, "key", 1.0),), 3 * S, Replay())
    scenario = scenario_of(gadget, Difference(
        drive=drive, time_ns=1, expected="event 1 key.press", told="nothing"))
    assert (scenario is not None) == is_one
    if scenario is not None:
        assert scenario.title == ("Witness: the model says event 1 key.press, "
                                  "the firmware nothing")  # fmt: skip
        assert scenario.charge == 0.6


def subject_of(gadget: Gadget) -> Subject:
    """Its behaviour, to make mutants of."""
    return Subject(Prepared(gadget).system, gadget.segments, "lamp")


def slips(gadget: Gadget) -> set[str]:
    """The mutants of the step function."""
    return {mutant.text.removeprefix("step function: ") for mutant in mutants_of(subject_of(gadget))
            if mutant.text.startswith("step function: ")}  # fmt: skip


def test_slips_in_the_step_function_are_made_where_the_gadget_can_show_them() -> None:
    """Nothing to resume, one region alone: there they could not show."""
    rare = {"nothing is resumed", "no resume point is remembered",
            "the last region wins an output"}  # fmt: skip
    lamp = {"starts": "off", "states": {"off": {}, "on": {"shelf": "on"}}, "rows": CLICKED}
    plain = {"gadget": {"name": "Lamp"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
             "lights": {"shelf": SHELF}, "buttons": CHARGED["buttons"]}  # fmt: skip
    one = Gadget.model_validate({**plain, "behaviour": {"lamp": lamp}})
    assert not slips(one) & rare
    resumed = {"starts": "off", "resume_points": ["on", "dim"],
               "states": {"off": {}, "on": {"shelf": "on"}, "dim": {"shelf": "10 %"}},
               "rows": [{"from": "off", "on": "key.click", "to": "resume"},
                        {"from": ["on", "dim"], "on": "key.click", "to": "off"}]}  # fmt: skip
    two = Gadget.model_validate({**plain, "behaviour": {"lamp": lamp, "other": resumed}})
    assert rare <= slips(two)


@pytest.mark.skipif(compiler(*COMPILERS) is None, reason="no C compiler installed")
def test_c_that_a_compiler_refuses_is_told_with_its_words(tmp_path: Path) -> None:
    """A slip that is no C any more."""
    subject = subject_of(made(CLICKED, **CHARGED))
    broken = Mutant(subject=subject, text="spoilt", old="#include", new="this is no C")
    build = Build(subject, tmp_path)
    with pytest.raises(UsageError, match=r"refuses the generated C: .*firmware\.c"):
        build.mutated(broken)
    assert build.mutated(replace(broken, new="#include")).is_file()  # and is put right again


@pytest.mark.skipif(compiler(*COMPILERS) is None, reason="no C compiler installed")
def test_mutants_that_nothing_drives_all_survive_and_are_counted_as_they_go() -> None:
    """Two of them without a single drive."""
    seen: list[tuple[int, int]] = []
    result = score(subject_of(made(CLICKED, **CHARGED)), [], 2,
                   progress=lambda done, total: seen.append((done, total)))  # fmt: skip
    assert (result.killed, result.total, len(result.survivors)) == (0, 2, 2)
    assert result.share == 0.0
    assert seen == [(0, 2), (1, 2)]


def test_tables_with_nothing_in_them_have_no_mutants() -> None:
    """A lamp without rows has one level to change; rows that drive nothing have none, and a region
    may begin elsewhere.
    """
    still = {"gadget": {"name": "Lamp"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
             "lights": {"shelf": SHELF}}  # fmt: skip
    lit = Gadget.model_validate({
        **still, "behaviour": {"lamp": {"starts": "lit", "states": {"lit": {"shelf": "on"}}}}})

    def of_tables(gadget: Gadget) -> list[str]:
        return [mutant.text for mutant in mutants_of(subject_of(gadget))
                if mutant.fault is not None and "lamp" in mutant.text]  # fmt: skip

    assert of_tables(lit) == ["lamp.lit: shelf has half its level", "lamp.lit: shelf is left off"]
    dark = Gadget.model_validate({
        **still, "buttons": CHARGED["buttons"], "behaviour": {"lamp": {
            "starts": "off", "states": {"off": {}, "on": {}}, "rows": CLICKED}}})  # fmt: skip
    assert of_tables(dark) == [
        *(f"behaviour.lamp.rows[{number}]: never fires" for number in (0, 1)), "lamp: begins in on"]
