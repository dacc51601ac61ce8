"""Laws of expressions: text and tree are the same, and mean what Python means by the text."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.expression import (
    Inside,
    Names,
    compiled,
    evaluate,
    leaves,
    levels_in,
    names_in,
    parse_expression,
    to_text,
    truth,
)
from simfw.errors import DescriptionError
from tests.behaviour.bench import World
from tests.property.strategies import expressions

STATES = {
    "lamp": ("dark", "lit.full", "lit.half", "locked"),
    "power.contact": ("still", "bouncing"),
    "power.gesture": ("up", "down", "held", "waiting"),
    "gauge": ("unread", "bars.0", "bars.1", "bars.2"),
    "cell": ("fine", "low", "flat"),
}
NAMES = Names(
    regions=STATES,
    aliases={"power": ("power.contact", "power.gesture")},
    shorthands={
        "power.pressed": Inside("power.gesture", frozenset({"down", "held"})),
        "cell.low": Inside("cell", frozenset({"low", "flat"})),
    },
    flags=("usb", "power.closed"),
    levels=("shelf", "marker"),
    bars=2,
    measured=True,
    events=("power.click", "cell.low", "lamp.done"),
)


@settings(max_examples=300, deadline=None)
@given(expressions(NAMES))
def test_an_expression_reads_back_from_its_text(expression):
    """The text of a tree parses to the same tree."""
    assert parse_expression(to_text(expression), NAMES) == expression


@settings(max_examples=200, deadline=None)
@given(expressions(NAMES, events_allowed=True))
def test_an_expression_with_events_reads_back_from_its_text(expression):
    """The same where events may be named."""
    assert parse_expression(to_text(expression), NAMES, events_allowed=True) == expression


class Meant:
    """A dotted name as Python sees it: true, false or a number, worked out from the name alone."""

    def __init__(self, path: str, world: World) -> None:
        self.path, self.world = path, world

    def __getattr__(self, name: str) -> Meant:
        return Meant(f"{self.path}.{name}", self.world)

    def __bool__(self) -> bool:
        world, path = self.world, self.path
        if path in world.flags:
            return world.flags[path]
        if path == "power.pressed":
            return world.states["power.gesture"] in ("down", "held")
        if path == "cell.low":
            return world.states["cell"] != "fine"
        for region, state in world.states.items():
            for head in (region, region.partition(".")[0]):
                if f"{head}.{state}" == path or f"{head}.{state}".startswith(path + "."):
                    return True
        return path in world.events

    def __float__(self) -> float:
        return float(self.world.quantities[self.path])

    def __lt__(self, other: object) -> bool:
        return float(self) < float(other)  # type: ignore[arg-type]

    def __le__(self, other: object) -> bool:
        return float(self) <= float(other)  # type: ignore[arg-type]

    def __gt__(self, other: object) -> bool:
        return float(self) > float(other)  # type: ignore[arg-type]

    def __ge__(self, other: object) -> bool:
        return float(self) >= float(other)  # type: ignore[arg-type]

    def __eq__(self, other: object) -> bool:
        return float(self) == float(other)  # type: ignore[arg-type]

    __hash__ = None  # type: ignore[assignment]


SHARES = st.sampled_from([0.0, 0.25, 0.3, 0.5, 1.0])
WORLDS = st.builds(
    World,
    flags=st.fixed_dictionaries({"usb": st.booleans(), "power.closed": st.booleans()}),
    quantities=st.fixed_dictionaries(
        {
            "cell.voltage": st.sampled_from([-1.0, 2.0, 2.9, 3.0, 3.1, 3.25]),
            "cell.charge": SHARES,
            "gauge.measured": st.sampled_from([2.0, 3.0, 3.2]),
            "gauge": st.integers(0, 2),
            "shelf": SHARES,
            "marker": SHARES,
        }
    ),
    states=st.fixed_dictionaries({name: st.sampled_from(each) for name, each in STATES.items()}),
)
# States whose last part is a number have no Python name; they are left out of the comparison.
SPOKEN = Names(
    regions={name: tuple(s for s in each if not s[-1].isdigit()) for name, each in STATES.items()},
    aliases=NAMES.aliases,
    shorthands=NAMES.shorthands,
    flags=NAMES.flags,
    levels=NAMES.levels,
    bars=2,
    measured=True,
)


@settings(max_examples=300, deadline=None)
@given(expressions(SPOKEN), WORLDS)
def test_an_expression_means_what_python_means_by_its_text(expression, world):
    """Evaluated and compiled, it agrees with Python's own reading of the text; where leaves are not
    known, it is not known or the same.
    """
    spoken = {
        name.partition(".")[0]: Meant(name.partition(".")[0], world)
        for name in (*STATES, *world.flags, *world.quantities)
    }
    expected = bool(eval(to_text(expression), {"__builtins__": {}}, spoken))  # test only
    assert evaluate(expression, world) is expected
    assert compiled(expression, lambda leaf: lambda: evaluate(leaf, world))() is expected
    for hidden in leaves(expression):
        told = truth(expression, lambda leaf, hidden=hidden: (
            None if leaf == hidden else evaluate(leaf, world)))
        assert told in (None, expected)
        if [*leaves(expression)].count(hidden) == 1:
            # What stands once decides or does not: it is told where both its answers say the same.
            both = {
                compiled(expression, lambda leaf, hidden=hidden, answer=answer: (
                    lambda: answer if leaf == hidden else evaluate(leaf, world)))()
                for answer in (False, True)
            }
            assert told is (both.pop() if len(both) == 1 else None)


@settings(max_examples=150, deadline=None)
@given(expressions(NAMES), WORLDS, WORLDS)
def test_only_what_an_expression_names_can_change_it(expression, first, second):
    """Where everything that `names_in` lists is equal, the answer is equal."""
    named = names_in(expression)
    mixed = World(
        flags={k: (first if k in named.flags else second).flags[k] for k in first.flags},
        quantities={
            k: (first if k in named.quantities else second).quantities[k] for k in first.quantities
        },
        states={k: (first if k in named.regions else second).states[k] for k in first.states},
    )
    assert evaluate(expression, mixed) is evaluate(expression, first)


@settings(max_examples=150, deadline=None)
@given(expressions(NAMES), WORLDS, SHARES, SHARES)
def test_only_crossing_a_level_changes_a_comparison(expression, world, before, after):
    """Moving a number within one gap between the levels of `levels_in` changes nothing."""
    levels = levels_in(expression, "cell.charge")
    low, high = sorted((before, after))
    if any(low <= level <= high for level in levels):
        return
    world.quantities["cell.charge"] = before
    answer = evaluate(expression, world)
    world.quantities["cell.charge"] = after
    assert evaluate(expression, world) is answer


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=40) | st.text("lamp.drkusb() andort<>=!0123'#[]{}:,\n", max_size=60))
def test_any_text_is_either_read_or_refused_with_a_reason(text):
    """No text whatever makes the parser fail in another way, and reading back is stable."""
    keys = {"rules[0].never"}
    try:
        expression = parse_expression(text, NAMES, key="rules[0].never")
    except DescriptionError as error:
        keys = {problem.key for problem in error.problems}
    else:
        assert parse_expression(to_text(expression), NAMES) == expression
    assert keys == {"rules[0].never"}
