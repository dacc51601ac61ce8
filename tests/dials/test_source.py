"""The generated C of dials: small tables, and the same as the model."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.gadget.model import Gadget
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


FINE = """
[dials.dim]
values = ["3 %", "8 %", "18 %", "35 %", "65 %", "100 %"]
starts = 3
rows = [{ on = "up.press", step = 1, wrap = true }, { on = "down.press", step = -1 }]
[sequences.breathe]
points = ["2 % @ 0 s", "100 % @ 1.5 s", "2 % @ 3 s"]
every = "20 ms"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { warm = "on", cool = "on" }
states.soft = { warm = "breathe", cool = "breathe" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "soft" },
  { on = "key.click", from = "soft", to = "dark" },
]
[behaviour.shade]
starts = "day"
states.day = { scale = { warm = "dim", cool = "off" } }
states.night = { scale = { warm = "off", cool = "dim" } }
rows = [
  { on = "down.click", from = "day", to = "night" },
  { on = "up.click", from = "night", to = "day" },
]
"""


def test_many_levels_are_multiplied_and_few_are_listed(tmp_path: Path) -> None:
    """A line of 75 levels under six brightnesses takes a word for each, and does the same as the
    model to a millionth; with 15 levels the list of what is left is shorter than the code.
    """
    coarse = gadget(FINE.replace("20 ms", "100 ms"))
    layout = lay_out(system_plan(build_system(coarse), coarse.segments))
    assert layout.scaled
    assert not layout.given
    fine = gadget(FINE)
    system = build_system(fine)
    layout = lay_out(system_plan(system, fine.segments))
    assert not layout.scaled
    assert len(layout.factors) == 1 + 1 + 6  # unscaled, off, by the dial: for both colours once
    assert len(layout.given) < 80
    same_as_the_model(fine, 4, tmp_path)


def test_guards_read_levels_that_are_multiplied(tmp_path: Path) -> None:
    """A dial of 40 levels under one of 20: whether it is more than a fifth, as the model reads it.

    Under halves and quarters many a level lies between two millionths, and the model's floating
    point decides for the one or the other: then all that is left is listed.
    """
    text = """
[dials.low]
count = 40
from = "1 %"
to = "100 %"
spacing = "ratio"
starts = 30
rows = [{ on = "up.press", step = 3, wrap = true }]
[dials.dim]
count = 20
from = "5 %"
to = "100 %"
spacing = "ratio"
starts = 15
rows = [{ on = "down.press", step = 7, wrap = true }]
[behaviour.lamp]
starts = "lit"
states.lit = { warm = "low", scale = { warm = "dim" } }
[behaviour.mark]
starts = "less"
states.less = {}
states.more = { cool = "on" }
rows = [
  { on = ["up.release", "down.release"], from = "less", to = "more", when = "warm > 0.2" },
  { on = ["up.release", "down.release"], from = "more", to = "less", when = "warm <= 0.2" },
]
"""
    even = gadget(text.replace('"ratio"\nstarts = 15', '"even"\nstarts = 15'))
    assert not lay_out(system_plan(build_system(even), even.segments)).given
    made = gadget(text)
    assert lay_out(system_plan(build_system(made), made.segments)).given
    same_as_the_model(made, 8, tmp_path)


def same_as_the_model(made: Gadget, lists: int, folder: Path) -> None:
    """Random presses: the C tells the same events and levels as the model at every instant."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    system = build_system(made)
    account, rng = Account(system, made.segments), random.Random(4)
    for _ in range(lists):
        random_list(account, rng, 14)
    write_harness(folder, made, system)
    program = compile_harness(folder, command)
    assert first_difference(account, talk(program, account.asked)) is None


def test_the_c_of_a_long_dial_does_what_the_model_does(tmp_path: Path) -> None:
    """Dials that are stepped, jump, go round and scale."""
    same_as_the_model(gadget(LONG.format(count=20)), 8, tmp_path)
