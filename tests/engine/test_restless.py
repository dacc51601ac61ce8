"""What is told where charger or protection chase themselves within an instant."""

from __future__ import annotations

import pytest

from simfw.errors import EndlessInstant
from simfw.stimuli.scenario import Temperature, Usb
from tests.engine.bench import gadget_of, run

WARM = """
[gadget]
name = "Warm"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1R"
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
recharge = "4.1 V"
windows = { cold = "0 degC", warm = "45 degC", hot = "60 degC", warm_float = "4.05 V" }
"""


@pytest.mark.parametrize(
    ("celsius", "recharge", "named"),
    [(50.0, "4.1 V", "`windows.warm_float`"), (25.0, "4.19 V", "`float`")],
)
def test_the_hint_names_the_float_voltage_that_holds(
    celsius: float, recharge: str, named: str
) -> None:
    """Above `warm_float` a warm cell starts its charge again at once."""
    text = WARM.replace('recharge = "4.1 V"', f'recharge = "{recharge}"')
    if celsius == 25.0:  # a load below `finish` that takes the terminal below `recharge`
        text += '[loads.lamp]\ncurrent = "9 mA"\n[behaviour.lamp]\nstarts = "lit"\n'
        text += 'states.lit = { lamp = "on" }\n'
        text = text.replace('"1R"', '"30R"')
    steps = (Temperature(at_ns=0, temperature_c=celsius), Usb(at_ns=0, present=True))
    with pytest.raises(EndlessInstant, match=f"below what the load leaves of {named}"):
        run(gadget_of(text), *steps, lasts="40 h", charge=0.9)


FED = """
[gadget]
name = "Fed"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "10R"
cut_off = "3.3 V"
restart = "3.5 V"
[charger]
current = "20 mA"
float = "4.2 V"
power_path = true
input = { voltage = "5 V", limit = "10 mA" }
[loads]
lamp = { current = "100 mA" }
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [{ after = "1 s", from = "dark", to = "lit" }]
"""


def test_a_protection_that_chatters_beside_usb_is_not_put_down_to_the_charger() -> None:
    """90 mA that the limit leaves to the cell take it 0.9 V down; without them it closes again."""
    with pytest.raises(EndlessInstant, match=r"the protection opens.*beyond `input.limit`"):
        run(gadget_of(FED), Usb(at_ns=0, present=True), lasts="1 min", charge=0.5)
