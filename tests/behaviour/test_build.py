"""From a gadget to its system: rows spelt out, and every mistake with its whole message."""

from dataclasses import replace

import pytest

from simfw.behaviour.build import build_system, check, names_of
from simfw.behaviour.region import Drive
from simfw.behaviour.tree import Inside
from simfw.errors import DescriptionError
from simfw.loading import load_gadget
from tests.behaviour.bench import HEAD, gadget

LIGHTS = """
[lights.shelf]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[lights.bars]
leds = 5
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[loads.pump]
current = "28 mA"
[buttons.power]
"""


def lamp(rows, more=""):
    """A region with a family, and these rows."""
    return LIGHTS + (
        '[behaviour.lamp]\nstarts = "dark"\nresume_points = ["lit.full", "lit.half"]\n'
        'states.dark = {}\nstates."lit.full" = { shelf = "on" }\n'
        'states."lit.half" = { shelf = "45 %" }\nstates.lit = {}\nstates.locked = {}\n'
        f"rows = [\n{rows}\n]\n{more}"
    )


def test_families_lists_and_star_are_spelt_out_in_state_order():
    """`lit.*` is `lit` and every `lit.x`; the order is that of the states, not of the list."""
    system = build_system(gadget(lamp(
        '{ on = "power.click", from = "*", to = "dark" },\n'
        '{ on = "power.press", from = "lit.*", to = "dark" },\n'
        '{ on = "power.release", from = ["locked", "lit.half", "dark"], to = "same" },\n'
    )))  # fmt: skip
    assert [row.sources for row in system.region("lamp").rows] == [
        ("dark", "lit.full", "lit.half", "lit", "locked"),
        ("lit.full", "lit.half", "lit"),
        ("dark", "lit.half", "locked"),
    ]


def test_a_written_row_keeps_what_it_says():
    """Key, guard, text of the guard, dwell, emitted events and note go into the row."""
    system = build_system(gadget(lamp(
        '{ after = "45 min", from = "lit.*", to = "resume", when = "not lamp.locked", '
        'emit = ["lamp.timeout", "tick"], note = "seen twice" },\n'
        '{ on = "lamp.timeout", from = "dark", to = "locked" },\n'
    )))  # fmt: skip
    row, heard = system.region("lamp").rows
    assert (row.key, row.after_ns, row.on, row.to) == (
        "behaviour.lamp.rows[0]", 2_700_000_000_000, None, "resume"
    )  # fmt: skip
    assert row.emit == ("lamp.timeout", "tick")
    assert row.when_text == "not lamp.locked"
    assert row.note == "seen twice"
    assert heard.on == "lamp.timeout"
    assert system.events == ("power.press", "power.release", "power.click", "lamp.timeout", "tick")


def test_regions_stand_in_the_order_of_an_instant():
    """Buttons, chords, proximity, charge, gauge, behaviour; each in file order."""
    text = lamp("", more="""
[chords]
both = { buttons = ["power", "down"] }
[buttons.down]
[gauge]
low = "3.4 V"
blink = "500 ms"
light = "bars"
[charger]
current = "300 mA"
float = "4.2 V"
status = "low while charging"
[proximity.wave]
carrier = "38 kHz"
duty = "50 %"
burst = 24
""")
    assert [(region.group, region.name) for region in build_system(gadget(text)).regions] == [
        ("buttons", "power.contact"), ("buttons", "power.gesture"),
        ("buttons", "down.contact"), ("buttons", "down.gesture"),
        ("chords", "both"),
        ("proximity", "wave.look"), ("proximity", "wave.field"),
        ("charge", "charge"),
        ("gauge", "gauge"), ("gauge", "gauge.blink"), ("gauge", "cell"),
        ("behaviour", "lamp"),
    ]  # fmt: skip


def test_levels_become_drives():
    """On is all of a light, a percentage its duty, a whole number its segments; off is absent."""
    system = build_system(gadget(LIGHTS + """
[behaviour.lamp]
starts = "a"
states.a = { shelf = "45 %", pump = "on", bars = 3, controller = "awake" }
states.b = { shelf = "off", bars = "on", controller = "asleep" }
states.c = { bars = "off", pump = "0 %" }
states.d = { bars = 0 }
"""))
    a, b, c, d = system.region("lamp").states
    assert a.outputs == {"shelf": Drive(0.45), "pump": Drive(1.0), "bars": Drive(1.0, 3)}
    assert b.outputs == {"bars": Drive(1.0, 5)}
    assert (c.outputs, d.outputs) == ({}, {})
    assert [state.awake for state in (a, b, c, d)] == [True, False, False, False]


def test_every_row_of_a_system_has_a_key_of_its_own():
    """Rows that were built from one timing are numbered."""
    system = build_system(load_gadget("tests/data/larder-lamp.toml"))
    keys = [row.key for region in system.regions for row in region.rows]
    assert len(set(keys)) == len(keys)
    assert "buttons.power.hold" in keys
    assert "buttons.power.debounce#4" in keys


def test_every_stock_row_has_a_note_and_its_timing():
    """The specification prints them."""
    gadget_ = load_gadget("tests/data/larder-lamp.toml")
    for region in build_system(gadget_).regions:
        for row in region.rows:
            if region.group != "behaviour":
                assert row.note, row.key
                section = row.key.partition("#")[0].split(".")[0]
                assert section in {"buttons", "proximity", "charger", "gauge"}


def test_a_list_of_events_is_a_row_for_each_of_them():
    """The same rows as if each were written out, in the order of the list; keys name the event."""
    rest = ', from = "dark", to = "locked", when = "shelf == 0", emit = "gone", note = "n"'
    listed = build_system(gadget(lamp(f'{{ on = ["power.click", "power.press"]{rest} }},')))
    apart = build_system(gadget(lamp(
        f'{{ on = "power.click"{rest} }},\n{{ on = "power.press"{rest} }},')))
    found = listed.region("lamp").rows
    assert [row.key for row in found] == [
        "behaviour.lamp.rows[0].on[0]", "behaviour.lamp.rows[0].on[1]"]
    assert [replace(row, key="") for row in found] == [
        replace(row, key="") for row in apart.region("lamp").rows]


def test_a_list_of_one_event_is_that_event():
    """Nothing differs from the event without brackets, its key neither."""
    row = '{{ on = {}, from = "dark", to = "locked" }},'
    one, listed = (build_system(gadget(lamp(row.format(on))))
                   for on in ('"power.click"', '["power.click"]'))
    assert one.region("lamp") == listed.region("lamp")


def test_guards_of_stock_regions_come_from_the_file():
    """`enabled` and `show` may name any region, also those written later."""
    system = build_system(load_gadget("tests/data/larder-lamp.toml"))
    (condition,) = system.conditions
    assert condition.rises == "wave.enable"
    assert system.region("gauge").show_text == "lamp.lit or charge.charging or charge.complete"
    (look,) = [row for row in system.region("wave.look").rows if row.key == "proximity.wave.every"]
    assert look.when == condition.when


def test_names_can_be_asked_without_building():
    """Expectations and habits are parsed against the names alone."""
    names = names_of(gadget(lamp('{ on = "power.klick", from = "dark", to = "locked" },')))
    assert names.inside("lamp.lit") == Inside("lamp", frozenset({"lit", "lit.full", "lit.half"}))
    assert names.quantities == ("cell.voltage", "cell.charge", "shelf", "bars", "pump")


EVENTS = "power.press, power.release, power.click"
STATES = "dark, lit.full, lit.half, lit, locked"


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ('{ on = "power.klick", from = "dark", to = "locked" }',
         'on = "power.klick": no region emits this event. Allowed: ' + EVENTS
         + '. Did you mean "power.click"?'),
        ('{ on = "power.hold", from = "dark", to = "locked" }',
         'on = "power.hold": no region emits this event without hold in [buttons.power]. Allowed: '
         + EVENTS + ', hold = "2 s" in [buttons.power].'),
        ('{ on = "power.click", from = "drak", to = "locked" }',
         'from = "drak": there is no such state or family. Allowed: ' + STATES
         + ', lit.*, *. Did you mean "dark"?'),
        ('{ on = "power.click", from = "dim.*", to = "locked" }',
         'from = "dim.*": there is no such state or family. Allowed: ' + STATES
         + ', lit.*, *. Did you mean "lit.*"?'),
        ('{ on = "power.click", from = "dark", to = "lit.ful" }',
         'to = "lit.ful": there is no such state. Allowed: ' + STATES
         + ', same, resume. Did you mean "lit.full"?'),
        ('{ on = "power.click", from = "dark", to = "locked", when = "lamp.drak" }',
         'when = "lamp.drak": there is no "lamp.drak". Allowed: lamp.dark, lamp.lit.full, '
         'lamp.lit.half, lamp.lit, lamp.locked. Did you mean "lamp.dark"?'),
        ('{ on = "power.click", from = "dark", to = "locked", emit = "power.press" }',
         'emit = "power.press": a stock region emits this event. Allowed: an event name of your '
         "own."),
        ('{ on = "power.click", from = "dark", to = "locked", emit = "power.edge" }',
         'emit = "power.edge": a stock region emits this event. Allowed: an event name of your '
         "own."),
        ('{ on = "power.click", from = "dark", to = "locked", emit = "time out" }',
         'emit = "time out": this cannot name an event. Allowed: letters, digits and underscores, '
         'with dots between words ("lamp.timeout").'),
    ],
)  # fmt: skip
def test_a_mistake_in_a_row_is_told_with_what_is_allowed(row, message):
    """The whole message, with the path of the key."""
    (problem,) = check(gadget(lamp(row)))
    assert str(problem) == f"behaviour.lamp.rows[0].{message}"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('starts = "dark"', 'starts = "drak"',
         'starts = "drak": there is no such state. Allowed: ' + STATES
         + '. Did you mean "dark"?'),
        ('["lit.full", "lit.half"]', '["lit.full", "lit.*"]',
         'resume_points[1] = "lit.*": there is no such state. Allowed: ' + STATES
         + '. Did you mean "lit"?'),
    ],
)  # fmt: skip
def test_a_mistake_in_a_region_is_told_with_what_is_allowed(old, new, message):
    """Start state and resume points must be states."""
    (problem,) = check(gadget(lamp("").replace(old, new)))
    assert str(problem) == f"behaviour.lamp.{message}"


def test_resume_needs_a_point():
    """A region without resume points has nothing to go back to."""
    text = lamp('{ on = "power.click", from = "dark", to = "resume" }').replace(
        'resume_points = ["lit.full", "lit.half"]\n', ""
    )
    (problem,) = check(gadget(text))
    assert str(problem) == (
        'behaviour.lamp.rows[0].to = "resume": the region has no resume_points. Allowed: '
        + STATES + ", same."
    )  # fmt: skip


@pytest.mark.parametrize("guard", ["", ', when = "power.pressed"'])
def test_two_rows_with_one_source_trigger_and_guard_contradict_each_other(guard):
    """The second can never fire, whether or not it goes somewhere else."""
    rows = (
        f'{{ on = "power.click", from = ["lit", "dark"], to = "locked"{guard} }},\n'
        f'{{ on = "power.press", from = ["lit", "dark"], to = "locked"{guard} }},\n'
        f'{{ on = "power.click", from = ["dark", "lit"], to = "lit.full"{guard} }},\n'
    )
    (problem,) = check(gadget(lamp(rows)))
    assert str(problem) == (
        "behaviour.lamp.rows[2]: this row can never fire: behaviour.lamp.rows[0] has the same "
        "from, on and when. Allowed: one row for each from, on or after, and when."
    )


def test_a_row_whose_guard_cannot_be_read_is_no_twin_of_one_without_a_guard():
    """Its own mistake is told, and no second one that comes of it."""
    rows = (
        '{ on = "power.click", from = "dark", to = "locked", when = "power.presed" },\n'
        '{ on = "power.click", from = "dark", to = "lit.full" },\n'
    )
    (problem,) = check(gadget(lamp(rows)))
    assert problem.key == "behaviour.lamp.rows[0].when"


def test_two_dwells_with_one_source_time_and_guard_contradict_each_other():
    """The same for `after`."""
    rows = (
        '{ after = "60 s", from = "dark", to = "locked" },\n'
        '{ after = "1 min", from = "dark", to = "lit.full" },\n'
    )
    (problem,) = check(gadget(lamp(rows)))
    assert problem.text == (
        "this row can never fire: behaviour.lamp.rows[0] has the same from, after and when"
    )


def test_a_row_shadowed_by_a_wider_one_is_no_mistake_of_the_file():
    """It is only a row that never fires; a check says so later."""
    rows = (
        '{ on = "power.click", from = "*", to = "locked" },\n'
        '{ on = "power.click", from = "dark", to = "lit.full" },\n'
    )
    assert check(gadget(lamp(rows))) == []


def test_segments_are_counted_not_dimmed():
    """A percentage has no meaning on a light with segments."""
    text = LIGHTS + '[behaviour.lamp]\nstarts = "a.b"\nstates."a.b" = { bars = "50 %" }\n'
    (problem,) = check(gadget(text))
    assert str(problem) == (
        'behaviour.lamp.states."a.b".bars: "bars" is lit by segments, not by a percentage. '
        'Allowed: "on", "off", or 0 to 5.'
    )


def test_a_bar_cannot_blink_while_the_firmware_cannot_see_charging():
    """Without a status pin nobody tells it."""
    text = LIGHTS + (
        '[gauge]\nlight = "bars"\nblink = "500 ms"\nthresholds = ["3.3 V"]\n'
        '[charger]\ncurrent = "300 mA"\nfloat = "4.2 V"\n'
    )
    (problem,) = check(gadget(text))
    assert str(problem) == (
        "gauge.blink: the firmware cannot see when the charger is charging. Allowed: "
        "charger.status beside it."
    )


def test_mistakes_in_stock_guards_and_rules_are_told_too():
    """`enabled`, `show` and every sentence of a rule; all at once, none built."""
    text = LIGHTS + """
[proximity.wave]
enabled = "lamp.on"
carrier = "38 kHz"
duty = "50 %"
burst = 24
[gauge]
thresholds = ["3.3 V"]
show = "gauge"
[[rules]]
name = "a"
never = "power.click"
[[rules]]
name = "b"
when = "power.klick"
then = "wave.clear and wave.neer"
within = "1 s"
[[rules]]
name = "c"
stays = "wave.gone"
for = "1 s"
[[rules]]
name = "d"
always = "usb"
"""
    broken = gadget(text)
    problems = check(broken)
    assert [(problem.key, problem.text) for problem in problems] == [
        ("proximity.wave.enabled", 'there is no "lamp.on"'),
        ("gauge.show", '"gauge" is a number'),
        ("rules[0].never", '"power.click" is an event, not a state'),
        ("rules[1].when", 'there is no "power.klick"'),
        ("rules[1].then", 'there is no "wave.neer"'),
        ("rules[2].stays", 'there is no "wave.gone"'),
        ("rules[3].always", 'there is no "usb" without a charger'),
    ]
    with pytest.raises(DescriptionError) as caught:
        build_system(broken)
    assert list(caught.value.problems) == problems


def test_the_loader_adds_file_and_line(tmp_path):
    """Whoever loads the file sees where the mistake stands."""
    path = tmp_path / "gadget.toml"
    text = HEAD.lstrip() + lamp('{ on = "power.klick", from = "dark", to = "locked" }')
    path.write_text(text)
    with pytest.raises(DescriptionError) as caught:
        load_gadget(path)
    (problem,) = caught.value.problems
    assert problem.line is not None
    assert "klick" in text.splitlines()[problem.line - 1]
    place = f"{path}:{problem.line}: behaviour.lamp.rows[0].on"
    assert str(problem).startswith(f'{place} = "power.klick": ')
