"""What lies on the bench is used: analyser, oscilloscope, bench supply; worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.experiments import Experiment, next_experiments
from simfw.benchlog.library import library
from simfw.benchlog.narrowing import narrow
from simfw.engine.prepared import Prepared
from simfw.errors import DescriptionError
from simfw.loading import load_bench_log, load_gadget
from tests.benchlog.lantern import interval, log_of

ROOT = Path(__file__).resolve().parents[2]
LIT = '[[observations]]\nname = "lights"\nmode = "lamp.lit"\nreading = "1 mA .. 1 A"\n'
OFF = '  { after = "10 s", from = "lit", to = "dark" },\n]'
DRAINS = """
kit = ["multimeter", "bench supply"]
[unknown]
"cell.leakage" = "5 uA .. 60 uA"
"controller.asleep" = "5 uA .. 60 uA"
[[observations]]
name = "in the lead"
mode = "lamp.dark"
charge = "75 %"
reading = "40 uA ± 1 uA"
"""


def proposed(folder: Path, kit: str) -> dict[str, Experiment]:
    """What `next` proposes for a lantern that goes dark after 10 s, with a clock not well known."""
    path = Path(log_of(folder, f'kit = ["{kit}"]\n[unknown]\nclock = "± 10 %"\n{LIT}').file)
    gadget = folder / "gadget.toml"
    gadget.write_text(gadget.read_text(encoding="utf-8").replace("\n]", f"\n{OFF}"), "utf-8")
    found = next_experiments(narrow(load_bench_log(path), brief=True))
    return {one.name: one for one in found.experiments}


@pytest.mark.parametrize(("kit", "blur_s"), [("analyser", 1e-3), ("oscilloscope", 0.1)])
def test_what_ends_by_itself_is_timed_by_an_instrument(tmp_path: Path, kit: str, blur_s: float):
    """Pressed for 150 ms, lit 20 ms x clock later, dark 10 s x clock after that."""
    one = proposed(tmp_path, kit)[f"press key: how long lamp.lit lasts, by {kit}"]
    (prediction,) = one.predictions
    assert prediction.low == pytest.approx(0.15 + 0.9 * 10.02, abs=2e-3)
    assert prediction.high == pytest.approx(0.15 + 1.1 * 10.02, abs=2e-3)
    assert one.blur == pytest.approx(blur_s, rel=0.12)
    assert one.kit == (kit,)


def test_a_bench_supply_parts_what_the_board_draws_from_what_the_cell_does(tmp_path: Path):
    """Both drains make 39 to 41 uA; with a supply in place of the cell the controller's is left."""
    path = Path(log_of(tmp_path, DRAINS).file)
    found = next_experiments(narrow(load_bench_log(path), brief=True))
    look = next(one for one in found.experiments if one.name == "bench supply, lamp.dark")
    (prediction,) = look.predictions
    assert prediction.low == pytest.approx(5e-6, rel=0.01)
    assert prediction.high == pytest.approx(36e-6, rel=0.01)  # 41 less 5
    entry = look.entry.replace("... mA ± ... mA", "12 uA ± 0.5 uA")
    path.write_text(f'{path.read_text(encoding="utf-8")}[[observations]]\nname = "supply"\n{entry}',
                    encoding="utf-8")
    left = narrow(load_bench_log(path), brief=True)
    asleep, leakage = (interval(left, key) for key in ("controller.asleep", "cell.leakage"))
    assert (asleep.low_reached, asleep.high_reached) == pytest.approx((11.5e-6, 12.5e-6), rel=2e-3)
    assert (leakage.low_reached, leakage.high_reached) == pytest.approx(
        (26.5e-6, 29.5e-6), rel=2e-3)


def test_a_bench_supply_has_no_resistance_and_does_not_run_down(tmp_path: Path):
    """With 60 mA and 1 ohm a cell of 3.9 V has 3.84 V, and two hours empty a quarter of it."""
    seen = ('[[observations]]\nname = "held"\n{start}\nsteps = [{{ press = "key" }}, '
            '{{ wait = "2 h" }}, {{ see = "cell.voltage > 3.899 and gauge == 3" }}]\n')
    for start, state in (('supply = "3.905 V"', "fits"), ('start = "3.905 V"', "excluded")):
        log = log_of(tmp_path, seen.format(start=start), resistance="1 Ω")
        assert [one.state for one in narrow(log, brief=True).rivals] == [state]


def test_a_supply_that_cannot_have_been_there_is_refused(tmp_path: Path):
    """Beside a cell's charge, beyond its curve, with a recording."""
    with pytest.raises(DescriptionError) as caught:
        log_of(tmp_path, """
[[observations]]
name = "a"
mode = "lamp.lit"
reading = "59 mA .. 61 mA"
charge = "full"
supply = "3.9 V"
[[observations]]
name = "b"
steps = [{ press = "key" }, { wait = "1 s" }, { see = "lamp.lit" }]
supply = "5 V"
[[observations]]
name = "c"
run = "x.toml"
supply = "3.9 V"
[[observations]]
name = "d"
mode = "lamp.lit"
reading = "59 mA .. 61 mA"
node = "usb"
supply = "3.9 V"
[[observations]]
name = "e"
steps = [{ usb = true }, { wait = "1 s" }, { see = "lamp.lit" }]
supply = "3.9 V"
""")
    said = str(caught.value)
    for part in (
        'observations[0].charge = "full": a supply stood in place of the cell',
        'observations[1].supply = "5 V": the cell\'s curve does not hold this voltage. '
        "Allowed: 3 V to 4.2 V",
        'observations[2].supply = "3.9 V": this has no meaning without mode',
        'observations[3].supply = "3.9 V": USB is in: the charger would feed into the supply',
        'observations[4].supply = "3.9 V": USB is in: the charger would feed into the supply',
    ):
        assert part in said, (part, said)


def test_a_voltage_that_is_told_to_be_allowed_is(tmp_path: Path) -> None:
    """The ends of the cell's curve are rounded inwards: what lies outside does not look allowed."""
    path = Path(log_of(tmp_path, LIT).file)
    (tmp_path / "line.csv").write_text("charge,voltage_v\n0,2.9963\n1,4.1968\n", encoding="utf-8")
    path.write_text(path.read_text("utf-8") + 'supply = "4.2 V"\n', "utf-8")
    with pytest.raises(DescriptionError, match=r"Allowed: 2\.997 V to 4\.196 V"):
        load_bench_log(path)
    for allowed in ("2.997 V", "4.196 V"):
        path.write_text(path.read_text("utf-8").rpartition("supply")[0] +
                        f'supply = "{allowed}"\n', "utf-8")
        assert load_bench_log(path).observations[0].supply


def test_no_list_for_hands_charges_a_primary_cell_or_empties_one_without_protection(
    tmp_path: Path
) -> None:
    """Without a charger a fresh cell is put in; without `cut_off` a meter says where to stop."""
    hook = load_gadget(ROOT / "scenarios/key-hook/gadget.toml")
    hands = [one.hands for one in library(Prepared(hook))]
    assert any("a primary cell, which must never be charged" in text for text in hands)
    assert not any("Charge it" in text for text in hands)
    path = Path(log_of(tmp_path, LIT).file).parent / "gadget.toml"
    bare = path.read_text(encoding="utf-8").replace('cut_off = "3.0 V"\n', "")
    path.write_text(bare, encoding="utf-8")
    timed = [one for one in library(Prepared(load_gadget(path))) if one.kind == "charge"]
    assert len(timed) == 2
    assert all("multimeter" in one.kit for one in timed)
    assert all("stop at the end of discharge on the cell's own sheet" in one.hands for one in timed)
