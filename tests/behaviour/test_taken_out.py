"""Segments that two states take out of one light: the larger count, in every reader."""

from __future__ import annotations

import pytest

from simfw.behaviour.expression import Compare, Number, Quantity
from simfw.behaviour.outputs import drives_of
from simfw.behaviour.region import Drive, Region, State, System
from simfw.behaviour.table import Stepper
from simfw.report.source import harness_files
from simfw.verify.machine import Machine, Monitor
from tests.behaviour.bench import World
from tests.report.generated_c import compile_harness, compiler, talk


def region(name: str, **state: object) -> Region:
    """A region of the gauge's group with one state."""
    return Region(name=name, group="gauge", states=(State(name="x", **state),), starts="x", rows=())


def system(counts: tuple[int, ...]) -> System:
    """Four segments lit, and states that take these counts out again."""
    return System(regions=(
        region("lit", outputs={"bars": Drive(1.0, 4)}),
        *(region(f"out{n}", takes_out={"bars": count}) for n, count in enumerate(counts)),
    ))  # fmt: skip


@pytest.mark.parametrize("counts", [(2, 1), (1, 2), (1, 1), (3, 3)])
def test_of_two_states_that_take_segments_out_the_larger_count_counts(counts):
    """The run's stepper, the search, vectors and reports read one and the same level."""
    made = system(counts)
    left = {"bars": Drive(1.0, 4 - max(counts))}
    stepper = Stepper(made, World())
    assert stepper.drives([True] * len(made.regions)) == left
    assert drives_of(made, dict.fromkeys((one.name for one in made.regions), "x"), World()) == left
    for share, broken in (((4 - max(counts)) / 4, (0,)), (1.0, ())):
        asked = Compare(Quantity("bars"), "==", Number(share))
        machine = Machine(made.regions, segments={"bars": 4},
                          monitors=[Monitor(name="level", kind="never", when=asked)])
        (start,) = machine.starts([])
        assert start.broken == broken


@pytest.mark.skipif(compiler("tcc", "gcc", "clang") is None, reason="no C compiler installed")
def test_the_generated_c_takes_the_larger_count_out(tmp_path):
    """The C is another program; it is held to the same."""
    for name, text in harness_files(system((2, 1)), {"bars": 4}, "Bench").items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    command = compiler("tcc", "gcc", "clang")
    assert command is not None
    assert "out 0 bars 2" in talk(compile_harness(tmp_path, command, "-w"), ["power 0"])


