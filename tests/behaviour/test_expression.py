"""Expressions: what names mean, and the whole text of every refusal."""

import pytest

from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Flag,
    Happened,
    Inside,
    Names,
    Not,
    Number,
    Quantity,
    evaluate,
    levels_in,
    names_in,
    parse_expression,
    to_text,
)
from simfw.errors import DescriptionError
from tests.behaviour.bench import Bench, World

LAMP = """
[lights.shelf]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[loads.pump]
current = "28 mA"
[buttons.power]
hold = "2 s"
[proximity.wave]
carrier = "38 kHz"
duty = "50 %"
burst = 24
[charger]
current = "300 mA"
float = "4.2 V"
status = "low while charging"
[gauge]
thresholds = ["3.3 V", "3.6 V"]
low = "3.45 V"
flat = "3.25 V"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { shelf = "on" }
states."lit.half" = { shelf = "45 %" }
states."level.1" = {}
states.in = {}
"""


@pytest.fixture(scope="module")
def names():
    """What may be named of a lamp with everything."""
    return Bench(LAMP, gauge_measured=3.7).system.names


def inside(region, *states):
    """These states of a region."""
    return Inside(region, frozenset(states))


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("lamp.dark", inside("lamp", "dark")),
        ("lamp.lit", inside("lamp", "lit", "lit.half")),
        ("lamp.lit.half", inside("lamp", "lit.half")),
        ("lamp.level.1", inside("lamp", "level.1")),
        ("lamp.in", inside("lamp", "in")),
        ("power.pressed", inside("power.gesture", "down", "held")),
        ("power.held", inside("power.gesture", "held")),
        ("power.gesture.held", inside("power.gesture", "held")),
        ("power.bouncing", inside("power.contact", "bouncing")),
        ("wave.near", inside("wave.field", "near", "near.1")),
        ("wave.blocked", inside("wave.field", "blocked", "blocked.1")),
        ("wave.field.clear.1", inside("wave.field", "clear.1")),
        ("wave.emitting", inside("wave.look", "emitting")),
        ("charge.charging", inside("charge", "charging")),
        ("gauge.bars.2", inside("gauge", "bars.2")),
        ("cell.low", inside("cell", "low", "flat")),
        ("cell.flat", inside("cell", "flat")),
        ("cell.fine", inside("cell", "fine")),
        ("usb", Flag("usb")),
        ("power.closed", Flag("power.closed")),
        ("wave.echo", Flag("wave.echo")),
        ("status.low", Flag("status.low")),
        ("True", Constant(True)),
        ("shelf > 0", Compare(Quantity("shelf"), ">", Number(0.0))),
        ("shelf == pump", Compare(Quantity("shelf"), "==", Quantity("pump"))),
        ("-0.5 < cell.voltage", Compare(Number(-0.5), "<", Quantity("cell.voltage"))),
        ("gauge <= 1", Compare(Quantity("gauge"), "<=", Number(1.0))),
        ("3 < gauge.measured <= 4", All((
            Compare(Number(3.0), "<", Quantity("gauge.measured")),
            Compare(Quantity("gauge.measured"), "<=", Number(4.0)),
        ))),
        ("not usb or lamp.dark and not (usb or usb)", Any((
            Not(Flag("usb")),
            All((inside("lamp", "dark"), Not(Any((Flag("usb"), Flag("usb")))))),
        ))),
        ("lamp.dark\n  and usb", All((inside("lamp", "dark"), Flag("usb")))),
    ],
)  # fmt: skip
def test_a_name_means_what_the_gadget_says(names, text, meaning):
    """States, families, shorthands, flags and numbers of a whole gadget."""
    assert parse_expression(text, names) == meaning


@pytest.mark.parametrize(
    ("event", "state"),
    [
        ("power.hold", "power.held.hold"),
        ("power.press", "power.pressed"),
        ("power.off", "power.held.off"),
        ("wave.wave", "wave.near"),
        ("charge.completed", "charge.complete"),
        ("usb.in", "usb"),
        ("usb.out", "not usb"),
        ("power.click", None),
        ("gauge.up", None),
    ],
)
def test_an_event_in_place_of_a_state_names_the_state_that_it_leads_to(event, state):
    """A named hold has a state of its own; a click and a bar leave none behind."""
    holds = 'hold = "1 s"\nholds = { dim = "2 s", off = "4 s" }'
    known = Bench(LAMP.replace('hold = "2 s"', holds), gauge_measured=3.7).system.names
    with pytest.raises(DescriptionError) as caught:
        parse_expression(event, known)
    (problem,) = caught.value.problems
    assert problem.text == f'"{event}" is an event, not a state'
    assert problem.suggestion == state
    if state is not None:
        assert parse_expression(state, known)


def test_where_events_are_allowed_a_name_of_both_means_the_event(names):
    """In the `when` of a rule `cell.low` and `wave.near` are events, elsewhere states."""
    for name in ("cell.low", "wave.near"):
        assert parse_expression(name, names, events_allowed=True) == Happened(name)
        assert isinstance(parse_expression(name, names), Inside)
    assert parse_expression("wave.blocked", names, events_allowed=True) == inside(
        "wave.field", "blocked", "blocked.1"
    )


STATES_OF_LAMP = "lamp.dark, lamp.lit, lamp.lit.half, lamp.level.1, lamp.in"
NUMBERS = "cell.voltage, cell.charge, gauge, gauge.measured, shelf, pump"
GRAMMAR = "names, numbers, comparisons, True, False, and, or, not, parentheses"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("lamp.drak", 'there is no "lamp.drak". Allowed: ' + STATES_OF_LAMP
         + '. Did you mean "lamp.dark"?'),
        ("lamp", '"lamp" is a region, not a state. Allowed: ' + STATES_OF_LAMP + "."),
        ("power", '"power" is a region, not a state. Allowed: power.still, power.bouncing, '
         "power.up, power.down, power.held, power.pressed."),
        ("power.click", '"power.click" is an event, not a state. Allowed: states, inputs and '
         "comparisons; an event may be named only in the when of a rule or a habit."),
        ("shelf", '"shelf" is a number. Allowed: a comparison with it, such as shelf > 0.'),
        ("gauge", '"gauge" is a number. Allowed: a comparison with it, such as gauge <= 1.'),
        ("cell.charge", '"cell.charge" is a number. Allowed: a comparison with it, such as '
         "cell.charge < 0.2."),
        ("cell.voltage", '"cell.voltage" is a number. Allowed: a comparison with it, such as '
         "cell.voltage < 3.3."),
        ("3.5", "the number 3.5 stands where something true or false is wanted. Allowed: a "
         "comparison, such as cell.voltage < 3.3."),
        ("usb == 1", '"usb" is true or false and cannot be compared. Allowed: numbers and '
         + NUMBERS + "."),
        ("1 < (usb and usb)", '"usb and usb" cannot be compared. Allowed: numbers and '
         + NUMBERS + "."),
        ("shelf is 1", '"shelf is 1" does not compare numbers. Allowed: <, <=, >, >=, ==, !=.'),
        ("1 < 2", "the numbers 1 and 2 are compared with each other. Allowed: a comparison with "
         "one of " + NUMBERS + "."),
        ("cell.voltage < shelf", '"cell.voltage" is compared with "shelf". Allowed: a number; '
         "only lights and loads may be compared with one another."),
        ("cell.voltage == 3.3", '"cell.voltage" is hardly ever exactly 3.3. Allowed: <, <=, >, '
         ">=."),
        ("gauge < 1.5", '"gauge" counts bars and is compared with 1.5. Allowed: whole numbers '
         "from 0 to 2."),
        ("3 <= gauge", '"gauge" counts bars and is compared with 3. Allowed: whole numbers from '
         "0 to 2."),
        ("cell.charge < 20", '"cell.charge" is a share and is compared with 20. Allowed: numbers '
         "from 0 to 1 (0.45 for 45 %)."),
        ("shelf > 1e999", "the expression holds a number that is too large."),
        ("", "the expression is empty. Allowed: " + GRAMMAR + "."),
        ("usb and", "cannot be read as an expression. Allowed: " + GRAMMAR + "."),
        ("usb # always", '"#" is not part of an expression. Allowed: ' + GRAMMAR + "."),
        ("usb()", '"usb()" is not part of an expression. Allowed: ' + GRAMMAR + "."),
        ("usb().real", '"usb().real" is not part of an expression. Allowed: ' + GRAMMAR + "."),
        ("usb if usb else usb", '"usb if usb else usb" is not part of an expression. Allowed: '
         + GRAMMAR + "."),
        ("'usb'", "\"'usb'\" is not part of an expression. Allowed: " + GRAMMAR + "."),
        ("gauge = 1", '"=" at character 7 cannot be read. Allowed: "==" for "=". Did you mean '
         '"gauge == 1"?'),
        ("usb && lamp.dark", '"&&" at character 5 cannot be read. Allowed: "and" for "&&". Did you '
         'mean "usb and lamp.dark"?'),
        ("usb|!lamp.dark", '"|" at character 4 and "!" at character 5 cannot be read. Allowed: '
         '"or" for "|", "not" for "!". Did you mean "usb or not lamp.dark"?'),
        ("!(usb || power.pressed)", '"!" at character 1 and "||" at character 7 cannot be read. '
         'Allowed: "not" for "!", "or" for "||". Did you mean "not (usb or power.pressed)"?'),
        ("cell.voltage < 3.3 V", '"3.3 V" at character 16 cannot be read. Allowed: "3.3" for '
         '"3.3 V". Did you mean "cell.voltage < 3.3"?'),
        ("cell.voltage<3300mV", '"3300mV" at character 14 cannot be read. Allowed: "3.3" for '
         '"3300mV". Did you mean "cell.voltage<3.3"?'),
        ("cell.voltage < 3,3", '"3,3" at character 16 cannot be read. Allowed: "3.3" for "3,3". '
         'Did you mean "cell.voltage < 3.3"?'),
        ("cell.charge <= 20 %", '"20 %" at character 16 cannot be read. Allowed: "0.2" for '
         '"20 %". Did you mean "cell.charge <= 0.2"?'),
        ("gauge => 1 AND usb", '"=>" at character 7 and "AND" at character 12 cannot be read. '
         'Allowed: ">=" for "=>", "and" for "AND". Did you mean "gauge >= 1 and usb"?'),
        ("gauge ≤ 1 or gauge <> 2 or true", '"≤" at character 7 and "<>" at character 20 and '
         '"true" at character 28 cannot be read. Allowed: "<=" for "≤", "!=" for "<>", "True" for '
         '"true". Did you mean "gauge <= 1 or gauge != 2 or True"?'),
        ("usb && and", '"&&" at character 5 cannot be read. Allowed: "and" for "&&".'),
        ("power.waiting", 'there is no "power.waiting" without double in [buttons.power]. '
         'Allowed: double = "350 ms" in [buttons.power].'),
        ("+usb", '"+usb" is not part of an expression. Allowed: ' + GRAMMAR + "."),
    ],
)  # fmt: skip
def test_a_refusal_says_what_stands_there_and_what_may(names, text, message):
    """The whole message, as it follows the place and the text."""
    with pytest.raises(DescriptionError) as caught:
        parse_expression(text, names, key="gauge.show")
    assert str(caught.value) == (
        f'gauge.show = "{text}": {message}\n1 problem; nothing was done.'
    )


def test_names_are_checked_behind_what_other_languages_write(names):
    """Both mistakes are told at once."""
    with pytest.raises(DescriptionError) as caught:
        parse_expression("lamp.drak && usb", names)
    assert [problem.text for problem in caught.value.problems] == [
        '"&&" at character 11 cannot be read', 'there is no "lamp.drak"',
    ]


def test_a_name_in_capitals_is_not_taken_for_a_word(names):
    """A light may be called AND or V."""
    lights = Names(levels=("AND", "V", "Not"))
    text = "AND > 0 and V < 1 and Not > 0.5"
    assert to_text(parse_expression(text, lights)) == text


def test_what_is_suggested_for_an_expression_can_be_read(names):
    """The suggestion of each refused text is an expression with no other mistake."""
    for text in ("gauge=1&&!usb", "usb & ~(lamp.dark | gauge=>1)", "cell.voltage =< 3,30 volts"):
        with pytest.raises(DescriptionError) as caught:
            parse_expression(text, names)
        (problem,) = caught.value.problems
        parse_expression(problem.suggestion, names)


@pytest.mark.parametrize(
    ("name", "needs"),
    [
        ("cell.flat", 'flat in [gauge]. Allowed: flat = "3.3 V" in [gauge]'),
        ("cell.low", 'low in [gauge]. Allowed: low = "3.5 V" in [gauge]'),
        ("gauge", 'a gauge. Allowed: thresholds = ["3.3 V", "3.6 V"] in [gauge]'),
        ("usb", 'a charger. Allowed: current = "100 mA" and float = "4.2 V" in [charger]'),
        ("charge.charging",
         'status in [charger]. Allowed: status = "low while charging" in [charger]'),
        ("power.held", 'hold in [buttons.power]. Allowed: hold = "2 s" in [buttons.power]'),
    ],
)
def test_a_name_of_a_part_that_is_not_there_says_what_is_missing(name, needs):
    """A stock name is not answered with the nearest of another meaning."""
    bare = Bench("""
[buttons.power]
[behaviour.lamp]
starts = "dark"
states.dark = {}
""").system.names
    with pytest.raises(DescriptionError) as caught:
        parse_expression(f"not {name}", bare)
    assert f': there is no "{name}" without {needs}.' in str(caught.value)


def test_a_name_of_nothing_lists_what_there_is():
    """With a small gadget the whole list fits on a line."""
    names = Names(regions={"lamp": ("on", "off")}, flags=("usb",), levels=("shelf",))
    with pytest.raises(DescriptionError) as caught:
        parse_expression("shlf > 0", names, key="steps[2].expect")
    assert str(caught.value) == (
        'steps[2].expect = "shlf > 0": there is no "shlf". Allowed: REGION.STATE with REGION one '
        "of lamp; inputs usb; numbers cell.voltage, cell.charge, shelf. Did you mean "
        '"shelf"?\n'
        "1 problem; nothing was done."
    )


def test_a_name_of_nothing_in_an_empty_gadget():
    """Even then the cell can be named."""
    with pytest.raises(DescriptionError) as caught:
        parse_expression("x.y", Names())
    assert caught.value.problems[0].allowed == "numbers cell.voltage, cell.charge"


def test_all_mistakes_of_one_expression_are_reported_together(names):
    """Four mistakes, four problems, in the order of the text."""
    with pytest.raises(DescriptionError) as caught:
        parse_expression("lamp.drak or not (gauge > 9 and shlf > usb) or cell.charge", names)
    assert [problem.text for problem in caught.value.problems] == [
        'there is no "lamp.drak"',
        '"gauge" counts bars and is compared with 9',
        'there is no "shlf"',
        '"usb" is true or false and cannot be compared',
        '"cell.charge" is a number',
    ]


def test_an_event_cannot_be_compared(names):
    """Where events may be named they are still not numbers."""
    with pytest.raises(DescriptionError, match='is an event and cannot be compared'):
        parse_expression("power.click > 0", names, events_allowed=True)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("not " * 100 + "usb", "the expression is nested too deeply to be read"),
        ("(" * 250 + "usb" + ")" * 250, "cannot be read as an expression"),
        ("usb or " * 1000 + "usb", "the expression is longer than 4000 characters"),
    ],
)
def test_an_endless_expression_is_refused(names, text, reason):
    """Nesting and length have a limit, and the message does not repeat the whole text."""
    with pytest.raises(DescriptionError) as caught:
        parse_expression(text, names)
    (problem,) = caught.value.problems
    assert problem.text == reason
    assert problem.found is not None
    assert len(problem.found) <= 122


def test_what_an_expression_reads_is_listed_by_kind(names):
    """Regions, inputs, numbers and events, each once."""
    named = names_in(
        parse_expression(
            "power.click and lamp.dark and not (usb or 0.5 < shelf) and True",
            names,
            events_allowed=True,
        )
    )
    assert named.regions == {"lamp"}
    assert named.flags == {"usb"}
    assert named.quantities == {"shelf"}
    assert named.events == {"power.click"}


def test_levels_are_the_numbers_that_a_quantity_is_compared_with(names):
    """On either side of the sign; other quantities do not count."""
    expression = parse_expression(
        "cell.voltage < 3.1 or not (3.3 <= cell.voltage or shelf > 0.5) or usb", names
    )
    assert levels_in(expression, "cell.voltage") == {3.1, 3.3}
    assert levels_in(expression, "gauge") == set()


def test_events_are_read_from_the_view(names):
    """An event counts in the view in which it happened."""
    expression = parse_expression("power.click", names, events_allowed=True)
    for answer in (True, False):
        world = World(events={"power.click"} if answer else set())
        assert evaluate(expression, world) is answer


def test_states_without_a_name_are_spelt_out():
    """A set of states that no name stands for is written with `or`."""
    assert to_text(inside("lamp", "lit", "dark")) == "(lamp.dark or lamp.lit)"
    assert to_text(inside("lamp", "dark")) == "lamp.dark"
    assert to_text(inside("lamp")) == "False"
    assert to_text(All((inside("lamp", "dark"),))) == "(lamp.dark)"
