"""The compiled table and the `transitions` machines are one behaviour.

Both run the same rows through the same happenings. After every instant they must agree on the
events and their order, the state of every region, what it will resume to, the conditions, and when
the next dwell expires; and they must agree on which instants never end.
"""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from simfw.behaviour import machine, table
from simfw.behaviour.build import build_system, check
from simfw.behaviour.machine import ReferenceStepper
from simfw.behaviour.outputs import drives_of
from simfw.behaviour.region import System
from simfw.behaviour.table import Stepper
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from tests.behaviour.bench import MS, World, gadget
from tests.property.strategies import FLAGS, LIGHTS, Happening, gadget_texts, happenings, systems

INSTANTS = 60
LIMIT = 150


@pytest.fixture(autouse=True, scope="module")
def _short_instants():
    """Loops are found after 150 events instead of 10,000, in both."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(machine, "EVENT_LIMIT", LIMIT)
        patch.setattr(table, "EVENT_LIMIT", LIMIT)
        yield


class Pair:
    """Both steppers in one world."""

    def __init__(self, system: System) -> None:
        self.world = World(quantities={"cell.voltage": 3.3, "cell.charge": 0.66,
                                       "gauge.measured": 3.3})  # fmt: skip
        self.system = system
        self.slow = ReferenceStepper(system)
        self.fast = Stepper(system, self.world)
        self.instants = 0
        self.seen: set[tuple[str, int | None]] = set()

    def run(self, now_ns: int, raw: tuple[str, ...], *, power_up: bool = False) -> None:
        """One instant in both; what they did must be the same."""
        self.instants += 1
        try:
            expected = self.slow.run_instant(now_ns, raw, self.world)
        except EndlessInstant:
            event("an instant without end")
            with pytest.raises(EndlessInstant):
                self.fast.run_instant(now_ns, raw, power_up=power_up)
            raise
        found = self.fast.run_instant(now_ns, raw, power_up=power_up)
        assert [self.fast.event_names[number] for number in found] == expected
        self.compare(now_ns)

    def compare(self, now_ns: int) -> None:
        """Everything that can be seen from outside."""
        slow, fast = self.slow, self.fast
        assert dict(zip(fast.region_names, fast.names(), strict=True)) == slow.states, now_ns
        due = fast.next_due()
        assert (due if due < 1 << 60 else None) == slow.next_due(), now_ns
        assert [
            None if number < 0 else fast.state_names[region][number]
            for region, number in enumerate(fast.memory)
        ] == [machine.remembered for machine in slow.machines], now_ns
        assert list(fast.condition_values) == slow.conditions, now_ns
        gates = [
            region.show is None or machine.evaluate(region.show, slow.view(self.world))
            for region in self.system.regions
        ]
        drives = drives_of(self.system, slow.states, slow.view(self.world))
        assert {n: drive for n, drive in fast.drives(gates).items() if drive.duty} == drives, now_ns
        self.seen |= {(name, drive.segments) for name, drive in drives.items()}

    def lit(self) -> dict[str, int | None]:
        """How many segments of each light are lit now."""
        drives = drives_of(self.system, self.slow.states, self.slow.view(self.world))
        return {name: drive.segments for name, drive in drives.items()}

    def play(self, story: list[Happening], scale: int = 1) -> None:
        """Power up, then let the story happen; dwells in between, and some time after it."""
        self.slow.reset(0)
        at_once = [step for step in story if step.at_ns == 0]
        self.apply(at_once)
        self.run(0, tuple(name for step in at_once for name in step.raw), power_up=True)
        rest = [step for step in story if step.at_ns > 0]
        while self.instants < INSTANTS:
            due = self.slow.next_due()
            times = [step.at_ns * scale for step in rest] + ([] if due is None else [due])
            if not times:
                return
            now = min(times)
            here = [step for step in rest if step.at_ns * scale == now]
            rest = [step for step in rest if step.at_ns * scale != now]
            self.apply(here)
            self.run(now, tuple(name for step in here for name in step.raw))

    def apply(self, steps: list[Happening]) -> None:
        """Set the flags and numbers of these steps."""
        for step in steps:
            self.world.flags.update(step.flags)
            self.world.quantities.update(step.quantities)


def play(pair: Pair, story: list[Happening], scale: int = 1) -> None:
    """Play to the end, or until both steppers say that an instant never ends."""
    try:
        pair.play(story, scale)
    except EndlessInstant:
        return
    event("came to the end")


@settings(max_examples=150, deadline=None)
@given(systems(), happenings(("knob.edge", "door.edge"), FLAGS, LIGHTS))
def test_the_table_steps_as_the_machines_do(system, story):
    """Random regions with guards, emitted events, equal and zero dwells, and resume."""
    play(Pair(system), story)


@settings(max_examples=60, deadline=None)
@given(gadget_texts(), st.data())
def test_the_table_steps_stock_regions_as_the_machines_do(text, data):
    """Whole gadget files: buttons, chords, sensor, charger and gauge beside written regions."""
    whole = Gadget.model_validate(tomllib.loads(text))
    problems = check(whole)
    assert not problems, [str(problem) for problem in problems]
    system = build_system(whole)
    story = data.draw(
        happenings(system.raw_events, system.names.flags, LIGHTS, longest_gap_ns=25, most=20)
    )
    play(Pair(system), story, MS)


def test_both_put_out_the_blinking_bar():
    """While charging the top bar goes out and comes back, in both, with the gauge's group alone."""
    text = (
        '[lights.bars]\nleds = 3\nsegments = true\nforward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]\n'
        'resistor = "470R"\n[gauge]\nlight = "bars"\nthresholds = ["3.0 V", "3.2 V"]\n'
        'blink = "400 ms"\n[charger]\ncurrent = "300 mA"\nfloat = "4.2 V"\n'
        'status = "low while charging"\n[behaviour.lamp]\nstarts = "off"\n'
        'states.off = {}\nstates.test = { bars = 1 }\n'
        'rows = [ { after = "2 s", from = "off", to = "test" } ]\n'
    )
    system = build_system(gadget(text))
    pair = Pair(system)
    plug = Happening(100 * MS, ("usb.edge", "status.edge"), {"usb": True, "status.low": True})
    pair.play([plug])
    assert {seen for name, seen in pair.seen if name == "bars"} == {1, 2}
    assert pair.slow.states["lamp"] == "test"
    assert pair.lit() == {"bars": 1 if pair.slow.states["gauge.blink"] == "out" else 2}
    empty = Pair(system)
    empty.world.quantities["gauge.measured"] = 2.0
    empty.play([plug])
    assert {seen for name, seen in empty.seen if name == "bars"} == {1}


@settings(max_examples=40, deadline=None)
@given(systems(), happenings(("knob.edge", "door.edge"), FLAGS, LIGHTS), st.integers(0, 20))
def test_power_that_returns_starts_everything_anew(system, story, later):
    """After a second power-up both stand where they stood after the first, in the same inputs."""
    pair = Pair(system)
    play(pair, story)
    fresh = Pair(system)
    fresh.world.flags.update(pair.world.flags)
    fresh.world.quantities.update(pair.world.quantities)
    fresh.slow.reset(0)
    try:
        fresh.run(0, (), power_up=True)
    except EndlessInstant:
        assume(False)
    now = 1000 + later
    pair.slow.reset(now)
    pair.run(now, (), power_up=True)
    assert fresh.slow.states == pair.slow.states
    assert [m.remembered for m in fresh.slow.machines] == [
        m.remembered for m in pair.slow.machines
    ]
