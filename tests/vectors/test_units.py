"""What the cell gives in a vector is read by every unit, by each a little otherwise."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.behaviour.stock_measures import levels_of
from simfw.engine.simulator import Prepared
from simfw.vectors import make_vectors
from simfw.vectors.exposing import Judge, asks_of
from simfw.vectors.faulty import Driven, Sound
from simfw.vectors.script import script_of

HERE = Path(__file__).parents[2]
GADGETS = ["tests/gallery/one-list", "scenarios/key-hook", "scenarios/hen-house"]


@cache
def made(name):
    """A gadget, what is made of it, and its vectors without the search for faults."""
    gadget = load_gadget(HERE / name / "gadget.toml")
    prepared = Prepared(gadget)
    return gadget, prepared, make_vectors(gadget, prepared.system, prepared, effort=0)


def parts(gadget, system, vector, read):
    """When a sound firmware that reads the cell otherwise parts from a vector; None for never."""
    script = script_of(vector.replay, system)
    messages = tuple(replace(one, values=tuple(
        (name, round(read(value / 1e6) * 1e6) if name == "gauge.measured" else value)
        for name, value in one.values)) for one in script.messages)
    course = Sound(system, gadget.segments).course(replace(script, messages=messages))
    firmware = Driven(system, gadget.segments, asks=("out",))
    return firmware.parts(course, range(len(messages)))


@pytest.mark.parametrize("name", GADGETS)
def test_a_vector_for_the_bench_comes_out_alike_a_step_of_the_converter_off(name):
    """One code more or less: 1024 x 1.1 V / V of them, 10 mV where no converter is written. Many
    vectors for the host do not: the check can fail.
    """
    gadget, prepared, vectors = made(name)
    system = holding(prepared.system)
    known = gadget.controller is not None and gadget.controller.adc_bits == 10

    def off(vector):
        return [parts(gadget, system, vector, lambda volts, side=side: volts + side * (
            volts**2 / (1024 * 1.1) if known else 0.010)) for side in (1, -1)]

    bench = [one for one in vectors.vectors if not one.for_host]
    assert len(bench) > 4
    assert [one.name for one in bench if off(one) != [None, None]] == []
    assert any(off(one) != [None, None] for one in vectors.vectors if one.near)


@pytest.mark.parametrize("name", ["scenarios/key-hook", "scenarios/hen-house"])
def test_a_vector_for_the_bench_comes_out_alike_with_every_reference(name):
    """1.0 V to 1.2 V, where the firmware believes in 1.1 V: Atmel 8126F p. 120, table 18-4."""
    gadget, prepared, vectors = made(name)
    system = holding(prepared.system)
    for vector in vectors.vectors:
        for true_v in (1.0, 1.2) if not vector.for_host else ():
            assert parts(gadget, system, vector, lambda v, r=true_v: v * 1.1 / r) is None


@pytest.mark.parametrize("name", ["tests/gallery/one-list", "scenarios/hen-house"])
def test_what_begins_with_another_charge_still_tells_its_faults(name):
    """Each fault that is said to be exposed by a vector is exposed by it."""
    gadget, prepared, vectors = made(name)
    judge = Judge(holding(prepared.system), gadget.segments)
    numbers = {one.name: judge.add(one.replay) for one in vectors.vectors}
    assert len({one.charge for one in vectors.vectors if not one.for_host}) > 1
    for fault, vector in vectors.exposure.exposed:
        told = [judge.exposed(fault, [numbers[vector]], asks=asks)
                for asks in (asks_of(fault), ("wake",))]
        assert any(told), fault.text


def test_nothing_that_a_bench_measures_is_set_at_a_level_exactly():
    """Daylight of 42 lx is neither more nor less than 42 lx."""
    gadget, _, vectors = made("scenarios/hen-house")
    levels = levels_of(gadget.measures["daylight"]).all
    acts = [act for one in vectors.vectors for act in one.acts if act.kind == "measure"]
    assert acts
    assert not {act.value for act in acts} & set(levels)
