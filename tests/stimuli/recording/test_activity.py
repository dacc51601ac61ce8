"""What is seen on wires whose meaning is not known yet, and the map that is drafted from it."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import simfw
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.activity import (
    Activity,
    WireActivity,
    activity,
    describe,
    draft_map,
)
from simfw.stimuli.recording.base import UNKNOWN, Block, Recording, Wire
from simfw.stimuli.recording.mapfile import gadget_signals, read_map

LARDER = Path(__file__).parents[3] / "scenarios" / "larder-lamp" / "gadget.toml"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A capture with a dimmed light, a carrier, a button, a wire that rests and an odd name."""
    edges: list[tuple[float, int, int]] = []
    for wire, half_us, count in ((0, 1000.0, 40), (1, 13.158, 30), (4, 200_000.0, 2)):
        edges += [(1000.0 + k * half_us, wire, 1 - k % 2) for k in range(2 * count)]
    edges += [(50_000.0, 2, 0), (200_000.0, 2, 1)]
    level = [0, 0, 1, 1, 0]
    rows = ["time_us,shelf,wave.emitter,Power,resting,a b"]
    rows.append("0," + ",".join(map(str, level)))
    for at_us, wire, value in sorted(edges):
        level[wire] = value
        rows.append(f"{at_us:.3f}," + ",".join(map(str, level)))
    rows.append("900000," + ",".join(map(str, level)))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_a_draft_says_what_was_seen_and_guesses_how_to_read_it(log: Path, tmp_path: Path) -> None:
    """PWM, carrier, a contact that is high at rest, a name nearly right, and wires unknown."""
    gadget = simfw.load_gadget(LARDER)
    found = activity(open_recording(log))
    draft = draft_map(found, gadget)
    blocks = draft.split("\n\n")
    shelf = next(block for block in blocks if "[wires.shelf]" in block)
    assert "about 500 Hz" in shelf
    assert 'output = "shelf"\ndecode = "pwm"\nlongest = "4.4 ms"' in shelf
    emitter = next(block for block in blocks if '[wires."wave.emitter"]' in block)
    assert 'decode = "burst"' in emitter
    power = next(block for block in blocks if "[wires.Power]" in block)
    assert 'input = "power"      # a guess by name' in power
    assert 'active = "low"      # it is high most of the time' in power
    resting = next(block for block in blocks if "resting" in block)
    assert "no edge, always 1" in resting
    assert '# [wires."a b"]' in draft
    path = tmp_path / "map.toml"
    path.write_text(draft, encoding="utf-8")
    assert list(read_map(path).wires)[:3] == ["shelf", "wave.emitter", "Power"]


def counted(folder: Path, *rows: str) -> Activity:
    """What is seen in a small table."""
    path = folder / "small.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return activity(open_recording(path))


def test_a_wire_that_is_never_known_has_no_duty_and_no_level(tmp_path: Path) -> None:
    """Unknown values are counted; the time before the first known one is not that of a level."""
    found = counted(tmp_path, "time_s,lost,late", "0,x,x", "1,z,1", "2,x,0", "4,z,0")
    lost, late = found.wires
    assert (lost.unknown, lost.edges, lost.duty, lost.least) == (4, 0, None, None)
    assert describe(lost, found) == "no edge, nothing known"
    assert (late.unknown, late.edges, late.duty) == (1, 1, pytest.approx(1 / 3))
    assert describe(late, found) == "1 edge, 2 s to 2 s, on 33.3 % of the time"


def test_a_dump_without_a_change_has_nothing_on_its_wires(tmp_path: Path) -> None:
    """A header alone is no mistake there."""
    path = tmp_path / "empty.vcd"
    path.write_text("$timescale 1 ms $end $var wire 1 ! power $end $enddefinitions $end\n",
                    encoding="utf-8")
    found = activity(open_recording(path))
    assert (found.start_tick, found.end_tick, found.wires[0].changes) == (0, 0, 0)


def test_a_draft_lists_what_is_left_of_the_gadget_only_where_something_is(tmp_path: Path) -> None:
    """A wire for a hand asks where the hand is; a wire for all leaves none over."""
    gadget = simfw.load_gadget(LARDER)
    names = list(gadget_signals(gadget))
    hand = next(name for name, one in gadget_signals(gadget).items() if one.kind == "hand")
    rows = [",".join(["time_s", *names]), ",".join(["0"] + ["0"] * len(names)),
            ",".join(["1"] + ["1"] * len(names)), ",".join(["2"] + ["0"] * len(names))]
    whole = draft_map(counted(tmp_path, *rows), gadget)
    assert "without a wire" not in whole
    block = next(one for one in whole.split("\n\n") if f'input = "{hand}"' in one)
    assert 'distance = "5 cm"' in block
    part = draft_map(counted(tmp_path, f"time_s,{hand}", "0,0", "1,1", "2,0"), gadget)
    left = part.rstrip().splitlines()[-1].removeprefix("# Signals of the gadget without a wire: ")
    assert left.split(", ") == [name for name in names if name != hand]


def test_what_looks_like_pwm_is_never_drafted_as_a_button(tmp_path: Path) -> None:
    """A dimmed wire with nearly the name of a button, and one with its very name, are outputs."""
    gadget = simfw.load_gadget(LARDER)
    rows = ["time_us,level_pwm,power"]
    rows += [f"{500 * k},{k % 2},{(k + 1) % 2}" for k in range(200)]
    draft = draft_map(counted(tmp_path, *rows), gadget)
    assert "about 1000 Hz" in draft
    assert "\ninput" not in draft
    assert draft.count('# output = "..."\n') == 2
    assert "or input" not in draft


def test_the_bounces_of_a_contact_are_no_pwm(tmp_path: Path) -> None:
    """Thirty presses, each with four quick and uneven bounces, stay an input."""
    gadget = simfw.load_gadget(LARDER)
    rows = ["time_us,power", "0,0"]
    for press in range(30):
        at = 100_000 * (press + 1)
        for number, gap in enumerate((0, 150, 900, 950 + 37 * press, 2900, 3800, 4000, 40_000)):
            rows.append(f"{at + gap},{(number + 1) % 2}")
    assert 'input = "power"\n' in draft_map(counted(tmp_path, *rows), gadget)


@pytest.mark.parametrize("hertz", [36_000, 37_770, 38_000, 40_100])
def test_a_carrier_is_told_finer_than_a_whole_sample(hertz: int, tmp_path: Path) -> None:
    """38 kHz in bursts, sampled at 1 MHz: 26 or 27 samples a period, neither is the carrier."""
    rows = ["time_us,ir"]
    for burst in range(5):
        for k in range(40):
            at = 10_000 * burst + k * 1e6 / hertz
            rows += [f"{round(at)},1", f"{round(at) + 9},0"]
    (ir,) = counted(tmp_path, *rows).wires
    assert ir.frequency_hz == pytest.approx(hertz, rel=2e-3)


def test_an_unmatched_wire_that_rests_high_has_the_hint_in_its_draft(tmp_path: Path) -> None:
    """A contact to ground reads high at rest: the line for it stands there, to be taken in."""
    path = tmp_path / "clip.csv"
    path.write_text("time_ms,D7,D6\n0,1,0\n500,0,1\n600,1,0\n5000,1,0\n")
    gadget = tmp_path / "gadget.toml"
    gadget.write_text('[gadget]\nname = "G"\n[cell]\ncurve = "lco"\ncapacity = "1 Ah"\n'
                      "[buttons.power]\n")
    lines = draft_map(activity(open_recording(path)), simfw.load_gadget(gadget)).splitlines()
    hints = [line for line in lines if line.startswith('# active = "low"')]
    assert len(hints) == 1
    assert lines[lines.index(hints[0]) - 2] == "# [wires.D7]"


def test_two_distances_that_differ_are_no_frequency_between_them(tmp_path: Path) -> None:
    """Of two distances the shorter one is the usual one; none lies near the middle of them."""
    rows = ("time_ms,a", "0,0", "1,1", "2,0", "3,1", "4,0", "13,1", "14,0")
    (blip,) = counted(tmp_path, *rows).wires
    assert blip.frequency_hz == pytest.approx(500.0)


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 1), st.sampled_from([0.0, 1.0, UNKNOWN])),
             min_size=1, max_size=40),
    st.data(),
)
def test_where_a_recording_is_read_in_blocks_changes_nothing(
    changes: list[tuple[int, int, float]], data: st.DataObject
) -> None:
    """Levels, edges and times go on from block to block, empty ones and ones of one tick too."""
    ticks = np.cumsum([gap for gap, _, _ in changes])
    wires = np.array([wire for _, wire, _ in changes], dtype=np.int32)
    values = np.array([value for _, _, value in changes])
    cuts = sorted(data.draw(st.lists(st.integers(0, len(changes)), max_size=4)))

    def told(bounds: list[int]) -> list[WireActivity]:
        blocks = [
            Block(ticks=ticks[low:high], wires=wires[low:high], values=values[low:high],
                  end=int(ticks[-1]) + 5)
            for low, high in itertools.pairwise([0, *bounds, len(changes)])
        ]
        recording = Recording(
            path=Path("made.csv"), kind="csv", tick_s=Fraction(1, 1000),
            wires=(Wire(name="a"), Wire(name="b")), reader=lambda _remarks: iter(blocks))
        return list(activity(recording).wires)

    assert told(cuts) == told([])
