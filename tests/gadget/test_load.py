"""Reading gadget files: what a sound file becomes."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from pydantic import ValidationError

import simfw
from simfw.errors import DescriptionError, Problem
from simfw.gadget.fields import ForwardPoint, IntensityAt, Level
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.quantity import Figure, Timing
from tests.broken import DATA

LAMP = DATA / "larder-lamp.toml"


@pytest.fixture(scope="module")
def lamp() -> Gadget:
    """The larder lamp, loaded."""
    return simfw.load_gadget(LAMP)


def test_numbers_are_in_si_with_their_ranges(lamp: Gadget) -> None:
    """Text becomes SI values; a tolerance becomes a range."""
    assert lamp.cell.capacity == Figure(
        value=2340.0, low=2223.0, high=2457.0, text="650 mAh ± 5 %"
    )
    assert lamp.controller is not None
    assert lamp.controller.asleep == Figure(
        value=4.5e-6, low=2e-6, high=9e-6, text="4.5 uA (2 uA .. 9 uA)"
    )
    assert lamp.charger is not None
    assert lamp.charger.float_.value == 4.2
    sensor = lamp.proximity["wave"]
    assert sensor.receiver is not None
    assert sensor.receiver.threshold is not None
    assert sensor.receiver.threshold.value == 0.7e-3
    assert sensor.emitter is not None
    assert sensor.emitter.intensity is not None
    assert sensor.emitter.intensity.intensity_w_sr.value == 0.036
    assert sensor.emitter.half_angle is not None
    assert sensor.emitter.half_angle.value == pytest.approx(0.4363323, rel=1e-6)
    assert sensor.target is not None
    assert sensor.target.area.value == 0.008


def test_times_are_whole_nanoseconds(lamp: Gadget) -> None:
    """A dwell of 45 min is exactly that many nanoseconds."""
    assert lamp.behaviour["lamp"].rows[7].after == Timing(
        ns=2_700 * 10**9, low_ns=2_700 * 10**9, high_ns=2_700 * 10**9, text="45 min"
    )


def test_levels_say_duty_or_segments(lamp: Gadget) -> None:
    """A percentage is a duty, "on" is all of it, "off" or absent is nothing."""
    states = lamp.behaviour["lamp"].states
    assert states["lit.half"] == {
        "shelf": Level(duty=0.45, text="45 %"),
        "marker": Level(duty=1.0, text="on"),
    }
    assert states["dark"] == {}
    assert Level.read(3) == Level(duty=1.0, segments=3, text="3")
    assert Level.read(0) == Level(duty=0.0, segments=0, text="0")
    assert Level.read("asleep") == Level(duty=0.0, awake=False, text="asleep")
    assert Level.read(Level.read(3)) == Level.read(3)


def test_names_are_tuples_whether_one_or_many(lamp: Gadget) -> None:
    """`from` and `emit` may be a name or a list of names."""
    rows = lamp.behaviour["lamp"].rows
    assert rows[0].from_ == ("dark",)
    assert rows[8].from_ == ("dark", "lit.*")
    assert rows[0].emit == ()


def test_behaviour_timings_have_defaults_that_say_so(lamp: Gadget) -> None:
    """A timing that is not written is the documented default; nothing electrical has one."""
    assert lamp.buttons["level"].sample_every == Timing(
        ns=5_000_000, low_ns=5_000_000, high_ns=5_000_000, source="default", text="5 ms"
    )
    assert lamp.buttons["level"].hold is None
    assert lamp.controller is not None
    assert lamp.controller.wake is None


def test_a_gadget_knows_its_file(lamp: Gadget) -> None:
    """The file's path and the digest of its bytes go with the gadget."""
    assert lamp.file == str(LAMP)
    assert lamp.digest == hashlib.sha256(LAMP.read_bytes()).hexdigest()


def test_a_gadget_is_frozen(lamp: Gadget) -> None:
    """Nothing changes a description once it is loaded."""
    with pytest.raises(ValidationError, match="frozen"):
        lamp.cell.curve = "nmc"  # type: ignore[misc]


def test_a_gadget_is_read_from_a_plain_mapping_too() -> None:
    """What TOML gives, and what is in SI already, may be handed to the model."""
    point = ForwardPoint.read("2 V @ 3 mA")
    gadget = Gadget.model_validate(
        {
            "gadget": {"name": "Lamp"},
            "cell": {"curve": "lco", "capacity": "1 Ah"},
            "lights": {"lamp": {"forward": [point, "3 V @ 20 mA"], "resistor": "22R"}},
        }
    )
    assert gadget.lights["lamp"].forward[0] is point
    intensity = IntensityAt.read("3 mW/sr @ 20 mA")
    assert IntensityAt.read(intensity) is intensity


def test_a_check_is_called_with_the_gadget_and_gets_its_lines() -> None:
    """Problems of an injected check are told like any other."""
    seen: list[Gadget] = []

    def check(gadget: Gadget) -> Sequence[Problem]:
        seen.append(gadget)
        return [Problem(key="behaviour.lamp.rows[3].to", text="not this one", allowed="another")]

    with pytest.raises(DescriptionError) as caught:
        read_gadget(LAMP, check)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.found) == (str(LAMP), 95, '"dark"')
    assert seen[0].head.name == "Larder lamp"


def test_a_check_is_spared_what_has_no_names(tmp_path: Path) -> None:
    """Where the states of a region are lost, names are not checked: it would only mislead."""
    start = LAMP.read_text(encoding="utf-8").index("[behaviour.sensor]")
    text = LAMP.read_text(encoding="utf-8")[:start] + '[behaviour.sensor]\nstarts = "armed"\n'
    (tmp_path / "gadget.toml").write_text(text, encoding="utf-8")

    def check(gadget: Gadget) -> Sequence[Problem]:
        raise AssertionError("not to be called")

    with pytest.raises(DescriptionError, match='the key "states" is missing'):
        read_gadget(tmp_path / "gadget.toml", check)


def test_a_reading_of_several_regions_is_accepted(tmp_path: Path) -> None:
    """States or families of different regions, with blanks between them."""
    file = tmp_path / "gadget.toml"
    text = LAMP.read_text(encoding="utf-8")
    key = "lamp.lit  sensor.armed"
    file.write_text(f'{text}\n[readings]\n"{key}" = "61 mA"\n', encoding="utf-8")
    assert list(simfw.load_gadget(file).readings) == [key]


def test_importing_the_package_loads_nothing_heavy() -> None:
    """Plots, search and files are loaded when they are first used."""
    code = (
        "import simfw, sys; heavy = {'matplotlib', 'hypothesis', 'scipy', 'pydantic'};"
        "sys.exit(bool(heavy & set(sys.modules)))"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_loading_a_gadget_draws_nothing() -> None:
    """Reading a file needs neither the drawing library nor the search."""
    code = (
        f"import simfw, sys; simfw.load_gadget({str(LAMP)!r});"
        "sys.exit(bool({'matplotlib', 'hypothesis'} & set(sys.modules)))"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_public_names_are_sorted_and_real() -> None:
    """Everything in `__all__` can be had, and nothing else is public."""
    assert list(simfw.__all__) == sorted(simfw.__all__)
    for name in ("load_gadget", "load_scenario", "Gadget", "Scenario", "DescriptionError"):
        assert name in simfw.__all__
        assert getattr(simfw, name) is not None
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = simfw.no_such_name


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "nmos"', 'kind = "pnp"',
         ['lights.shelf.switch.kind = "pnp": unknown name. '
          'Allowed: "pin", "nmos", "pmos", "npn".']),
        ('name  = "Larder lamp"', 'name  = ""',
         ['gadget.name = "": nothing is written here. Allowed: some text.']),
        ('capacity = "650 mAh ± 5 %"', 'capacity = "1e300 mAh"',
         ['cell.capacity = "1e300 mAh": "1e300 mAh" is larger than anything that can be built.']),
        ('capacity = "650 mAh ± 5 %"', 'capacity = "1e-300 mAh"',
         ['cell.capacity = "1e-300 mAh": "1e-300 mAh" is smaller than anything that can be']),
    ],
)  # fmt: skip
def test_one_mistake_gives_one_message(
    old: str, new: str, said: list[str], tmp_path: Path
) -> None:
    """No complaint that only follows from the first, and none that no float could have."""
    text = LAMP.read_text(encoding="utf-8")
    assert old in text
    copy = tmp_path / "gadget.toml"
    copy.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget(copy)
    found = [str(problem).partition(": ")[2] for problem in caught.value.problems]
    assert len(found) == len(said)
    assert all(one.startswith(start) for one, start in zip(found, said, strict=True))


@pytest.mark.parametrize(("entry", "told"), [
    ("awake = true", 'states.on.awake = true: there is no light or load "awake". '
                     "Allowed: lamp, controller."),
    ("controller = true", "states.on.controller = true: this is not a state of the controller. "
                          'Allowed: "awake", "asleep" or "unpowered".'),
    ("lamp = false", 'states.on.lamp = false: this is not a level. Allowed: "on", "off", a '
                     'percentage such as "45 %", or a whole number of segments. '
                     'Did you mean "off"?'),
])
def test_a_truth_in_a_state_is_told_by_its_key(entry: str, told: str, tmp_path: Path) -> None:
    """Only where a light or load is meant may a level have been: elsewhere the keys are told."""
    path = tmp_path / "gadget.toml"
    path.write_text(
        '[gadget]\nname = "Lamp"\n[cell]\ncurve = "lco"\ncapacity = "1 Ah"\n'
        '[loads.lamp]\ncurrent = "1 mA"\n[behaviour.b]\nstarts = "on"\n'
        f'states.on = {{ {entry} }}\nrows = []\n', encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_gadget(path)
    (problem,) = caught.value.problems
    assert str(problem).endswith(f"behaviour.b.{told}")


def test_what_else_is_wrong_with_a_rule_or_a_measure_is_told_at_once(tmp_path: Path) -> None:
    """A rule with a key missing: its names are read all the same. Thresholds that cannot be read:
    how many there are is known.
    """
    file = tmp_path / "gadget.toml"
    file.write_text("""
[gadget]
name = "Shade"
[cell]
curve = "lco"
capacity = { value = "12 kg", range = "1 .. 2", standing = "gess", source = 3 }
[loads.lamp]
current = "10 mA"
[buttons.key]
[measures.day]
unit = "lx"
thresholds = ["10 lx", "oops"]
starts = 7
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [{ on = "key.click", from = "dark", to = "lit" }]
[[rules]]
name = "answered"
when = "lamp.darkk"
then = "lamp.litt"
[[rules]]
name = "stays"
stays = "lamp.darkk"
[[rules]]
name = "mixed"
never = "lamp.darkk"
always = "lamp.lit"
""", encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget(file)
    assert [one.key for one in caught.value.problems] == [
        "cell.capacity.value", "cell.capacity.range", "cell.capacity.standing",
        "cell.capacity.source", "measures.day.thresholds[1]", "measures.day.starts",
        "rules[0]", "rules[0].when", "rules[0].then", "rules[1]", "rules[1].stays",
        "rules[2]", "rules[2].never",
    ]
