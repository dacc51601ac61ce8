"""Laws of toggles and measures: against plain models of what they are for, and against each other.

As in `test_stock_laws`, a model knows nothing of regions, rows or queues.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.region import Levels
from simfw.engine.simulator import simulate
from tests.behaviour.bench import Bench
from tests.inputs.made import DRAWER, heard, scenario

GAPS = st.sampled_from([1, 5, 9, 10, 11, 20, 35])  # ms, on both sides of the debounce time
VALUES = st.integers(0, 80)


@settings(max_examples=150, deadline=None)
@given(st.lists(GAPS, max_size=12), st.booleans())
def test_a_position_counts_once_it_has_stood_for_the_debounce_time(gaps, starts_on):
    """Of all edges, and of power-up; an edge at the very end of the time undoes what was before."""
    bench = Bench('[toggles.slide]\ndebounce = "10 ms"\n'
                  f'starts = "{"on" if starts_on else "off"}"\n')  # fmt: skip
    bench.contact("slide", *(sum(gaps[: k + 1]) for k in range(len(gaps))))
    position, expected = starts_on, []
    for k, start in enumerate([0, *(sum(gaps[: n + 1]) for n in range(len(gaps)))]):
        closed = k % 2 == 1  # the first edge closes it
        following = sum(gaps[: k + 1]) if k < len(gaps) else 10_000
        if following - start > 10 and closed != position:
            position = closed
            expected.append((start + 10, "slide.closed" if closed else "slide.opened"))
    assert bench.until(1000) == expected
    assert bench.state("slide") == ("on" if position else "off")


@settings(max_examples=150, deadline=None)
@given(
    st.lists(VALUES, min_size=1, max_size=24),
    st.sets(st.integers(5, 70), min_size=1, max_size=4), st.integers(0, 25), st.integers(1, 3),
    st.data(),
)  # fmt: skip
def test_thresholds_are_passed_by_the_hysteresis_and_lost_below_themselves(
    values, thresholds, hysteresis, agree, data
):
    """Each threshold by itself; a change of their number needs so many measurements one way."""
    limits = sorted(thresholds)
    starts = data.draw(st.integers(0, len(limits)))
    text = ", ".join(f'"{limit} lx"' for limit in limits)
    bench = Bench(f'[measures.light]\nunit = "lx"\nthresholds = [{text}]\nevery = "100 ms"\n'
                  f'hysteresis = "{hysteresis} lx"\nagree = {agree}\nstarts = {starts}\n')
    levels = bench.system.measures["light"]
    count, row, expected = starts, [0, 0], []
    for look, value in enumerate(values):
        flags = {f"light.reached.{k}": reached
                 for k, reached in enumerate(levels.reached(value), start=1)}
        if look:
            bench.at(100 * look - 50, flags=flags)
        else:
            # Power-up is over already: the first measurement of the bench has found nothing.
            bench = Bench(f'[measures.light]\nunit = "lx"\nthresholds = [{text}]\n'
                          f'every = "100 ms"\nsettle = "1 ms"\nhysteresis = "{hysteresis} lx"\n'
                          f'agree = {agree}\nstarts = {starts}\n')
            bench.world.flags |= flags
        lost = sum(value >= limit for limit in limits[:count])
        back = sum(value >= limit + hysteresis for limit in limits)
        way = -1 if lost < count else 1 if back > count else 0
        row = [way, row[1] + 1 if row[0] == way else 1] if way else [0, 0]
        if way and row[1] == agree:
            count, row = (lost if way < 0 else back), [0, 0]
            expected.append((100 * look + 1, f"light.{'down' if way < 0 else 'up'}"))
    assert bench.until(100 * len(values)) == expected
    assert bench.state("light").split(".")[1] == str(count)


@given(st.sets(st.integers(0, 50), min_size=1, max_size=5), st.integers(0, 30), st.integers(-9, 99))
def test_the_code_of_a_value_tells_all_that_rows_ask(thresholds, hysteresis, value):
    """Of every level, whatever they are; values between the levels have all the codes there are."""
    out = tuple(float(limit) for limit in sorted(thresholds))
    levels = Levels(thresholds=out, back=tuple(x + hysteresis for x in out), rest=0.0)
    code = levels.code(value)
    assert 0 <= code < levels.codes
    assert tuple(levels.told(code, k) for k in range(1, len(levels.all) + 1)) == (
        levels.reached(value))
    ends = {levels.code(one) for one in levels.between()} | {levels.code(x) for x in levels.all}
    assert code in ends


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([3, 9, 10, 11, 400, 2500]),
                          st.sampled_from(["drawer", "main"]), st.booleans()), max_size=14))
def test_a_cut_supply_draws_nothing_and_forgets(steps):
    """While it is cut off only the leakage flows; charge is conserved; off means dark and unlit."""
    lines, now = [], 0
    for gap, name, on in steps:
        now += gap
        lines.append(f'at = "{now} ms", toggle = "{name}", to = "{"on" if on else "off"}"')
    with TemporaryDirectory() as folder:
        made = scenario(Path(folder), DRAWER, "\n".join(lines), lasts="40 s")
        assert made.gadget is not None
        run = simulate(made.gadget, made)
    main = [(0, True)]
    for step in made.in_order():
        if step.target == "main":
            main.append((step.at_ns, step.closed))
    # Ends before beginnings: of one time the closing stands.
    level = {at: any(on for when, on in main if when == at) for at, _ in main}
    times = [*sorted(level), 40 * 10**9]
    cut = [(begin, end) for begin, end in pairwise(times) if not level[begin]]
    for part in run.intervals:
        if any(begin <= part.start_ns and part.end_ns <= end for begin, end in cut):
            assert part.loads.controller == "off"
            assert part.levels == (0.0,)
            assert sum(part.consumers_a) * 1e6 == 1.0
        else:
            assert part.loads.controller != "off"
    used = sum(use.charge_c for use in run.consumers)
    assert abs(used - run.capacity_c * (run.start_charge - run.end_charge)) <= 1e-9 * used
    assert not any(begin < at < end for at, _ in heard(run) for begin, end in cut)
