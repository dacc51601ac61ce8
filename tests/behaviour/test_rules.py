"""Rules with their sentences read."""

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.expression import Happened, Inside
from simfw.behaviour.rules import build_rules
from simfw.errors import DescriptionError
from simfw.gadget.model import Rule
from simfw.loading import load_gadget
from tests.behaviour.bench import gadget

LAMP = """
[buttons.power]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = {}
"""


def test_each_kind_of_rule_is_read():
    """Never, response and stays of the larder lamp, in file order."""
    lamp = load_gadget("tests/data/larder-lamp.toml")
    never, response, stays = build_rules(lamp, build_system(lamp))
    assert (never.kind, never.statement_text) == ("never", "shelf > 0 and cell.voltage < 3.1")
    assert (response.kind, response.within_ns) == ("response", 50_000_000)
    assert response.when is not None
    assert response.then == Inside("lamp", frozenset({"dark"}))
    assert (stays.kind, stays.for_ns, stays.key) == ("stays", 20_000_000, "rules[2]")


def test_an_event_may_be_named_only_in_when():
    """There it is the event even if a state has the same name; in `then` it is the state."""
    text = LAMP + (
        '[gauge]\nlow = "3.4 V"\n[[rules]]\nname = "a"\nwhen = "cell.low"\nthen = "cell.low"\n'
        'within = "1 s"\n[[rules]]\nname = "b"\nalways = "lamp.dark or not lamp.dark"\n'
    )
    rule, always = build_rules(gadget(text), build_system(gadget(text)))
    assert rule.when == Happened("cell.low")
    assert rule.then == Inside("cell", frozenset({"low"}))
    assert always.kind == "always"


def test_a_rule_that_is_none_is_refused():
    """Keys of two kinds, or half a kind, make no rule."""
    plain = gadget(LAMP)
    mixed = plain.model_copy(update={"rules": (Rule(name="a", never="True", always="True"),)})
    with pytest.raises(DescriptionError) as caught:
        build_rules(mixed, build_system(plain))
    assert str(caught.value) == (
        "rules[0]: these keys do not make one rule. Allowed: never; always; when, then and "
        "within; stays and for.\n1 problem; nothing was done."
    )
