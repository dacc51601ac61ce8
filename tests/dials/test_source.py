"""The generated C of dials: small tables, and the same as the model."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.report.source.bundle import system_plan
from simfw.report.source.layout import lay_out
from tests.dials.made import gadget
from tests.report.generated_c import (
    Account,
    compile_harness,
    compiler,
    first_difference,
    random_list,
    talk,
    write_harness,
)

LONG = """
[dials.dim]
count = {count}
from = "1 %"
to = "100 %"
spacing = "ratio"
starts = 5
rows = [
  {{ on = ["up.press", "up.click"], step = 3 }},
  {{ on = "down.press", step = -7, wrap = true }},
  {{ on = "key.press", to = 9, when = "dim != 3" }},
  {{ on = "down.click", step = 1, wrap = true }},
]
[behaviour.lamp]
starts = "lit"
states.lit = {{ warm = "dim", cool = "40 %" }}
states.soft = {{ warm = "55 %", cool = "on", scale = {{ cool = "dim" }} }}
rows = [
  {{ on = "key.click", from = "lit", to = "soft" }},
  {{ on = "key.click", from = "soft", to = "lit" }},
  {{ on = "dim.end", from = "lit", to = "soft" }},
]
"""


def test_positions_that_go_on_alike_are_one_entry() -> None:
    """Of 40 positions as many entries as of 20: stretches that step, stop, go round, or jump."""
    sizes = []
    for count in (20, 40):
        made = gadget(LONG.format(count=count))
        layout = lay_out(system_plan(build_system(made), made.segments))
        dials = [entry for entry in layout.rows if "dials.dim" in entry.text]
        sizes.append(len(dials))
        # Each level that is driven under each factor, and no level that only scaling makes.
        assert len(layout.scaled) < 10 * count
    assert sizes == [13, 13]


def test_colours_that_are_dimmed_alike_share_what_is_left() -> None:
    """Ten steps of a line, unscaled or under three positions of a dial, for two lights: once."""
    made = gadget("""
[dials.dim]
values = ["10 %", "50 %", "100 %"]
rows = [{ on = "key.click", step = 1, wrap = true }]
[sequences.rise]
points = ["0 % @ 0 s", "100 % @ 1 s"]
every = "100 ms"
[behaviour.lamp]
starts = "lit"
states.lit = { warm = "rise", cool = "rise", scale = { warm = "dim", cool = "dim" } }
""")
    layout = lay_out(system_plan(build_system(made), made.segments))
    assert layout.scaled_first == (0, 0)
    assert len(layout.scaled) == 10 * (1 + 3)


def test_the_c_of_a_long_dial_does_what_the_model_does(tmp_path: Path) -> None:
    """Random presses: the same events and levels at every instant."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    made = gadget(LONG.format(count=20))
    system = build_system(made)
    account, rng = Account(system, made.segments), random.Random(4)
    for _ in range(8):
        random_list(account, rng, 14)
    write_harness(tmp_path, made, system)
    program = compile_harness(tmp_path, command)
    assert first_difference(account, talk(program, account.asked)) is None
