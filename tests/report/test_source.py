"""The C source: it compiles strictly everywhere, keeps its promises, and speaks the protocol."""

import re
import subprocess
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Flag,
    Happened,
    Inside,
    Not,
    Number,
    Quantity,
)
from simfw.behaviour.region import Condition, Drive, Region, Row, State, System
from simfw.cli import main
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.report.source import harness_files, source_files
from simfw.report.source.bundle import system_plan
from simfw.report.source.guards import compile_guard
from simfw.report.source.size import size_of
from simfw.report.source.tick import Length, choose_tick, lengths_of, pick_tick
from tests.report.generated_c import STRICT, compiler, talk

ROOT = Path(__file__).parent.parent.parent
DEMOS = sorted(ROOT.glob("scenarios/*/gadget.toml"))
NEEDS_CC = pytest.mark.skipif(compiler("gcc", "clang") is None, reason="no C compiler installed")


def write(folder, files):
    """Write texts by name into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def folder_of(path, tmp_path):
    """The output folder of a gadget file."""
    gadget = load_gadget(path)
    return write(tmp_path / "source", source_files(gadget, build_system(gadget)))


def two_lamps():
    """A small system by hand: one button edge, levels, memory, a watched level, a blinking bar."""
    lamp = Region(
        name="lamp", group="behaviour", starts="dark", resume_points=("lit.full", "lit.half"),
        states=(
            State(name="dark"),
            State(name="lit.full", outputs={"shelf": Drive(1.0)}),
            State(name="lit.half", outputs={"shelf": Drive(0.45), "bars": Drive(1.0, 3)}),
        ),
        rows=(
            Row(key="r0", on="b.edge", sources=("dark",), to="resume", when=Flag("b.closed"),
                when_text="b.closed"),
            Row(key="r1", on="b.edge", sources=("lit.full", "lit.half"), to="dark",
                when=Flag("b.closed"), when_text="b.closed"),
            Row(key="r2", after_ns=5_000_000_000, sources=("lit.full",), to="lit.half",
                emit=("lamp.dimmed",)),
        ),
    )  # fmt: skip
    mark = Region(
        name="mark", group="behaviour", starts="off",
        states=(State(name="off"), State(name="on", awake=True)),
        rows=(
            Row(key="m0", on="bright", sources=("off",), to="on"),
            Row(key="m1", on="dull", sources=("on",), to="off"),
        ),
    )  # fmt: skip
    return System(
        regions=(lamp, mark), events=("lamp.dimmed",), internal_events=("bright", "dull"),
        raw_events=("b.edge",),
        conditions=(Condition(key="c", when=Compare(Quantity("shelf"), ">", Number(0.5)),
                              rises="bright", falls="dull"),),
    )  # fmt: skip


SEGMENTS = {"bars": 5}


@pytest.fixture(scope="module")
def harness(tmp_path_factory):
    """The compiled harness of the small system."""
    command = compiler("gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    folder = write(tmp_path_factory.mktemp("two"), harness_files(two_lamps(), SEGMENTS))
    subprocess.run([command, *STRICT, "-DFW_HOST", "-o", "harness", "firmware.c", "tables.c",
                    "names.c", "harness.c"], cwd=folder, check=True)  # fmt: skip
    return folder / "harness"


@pytest.mark.parametrize(("command", "level"),
                         [("gcc", "-O0"), ("gcc", "-O2"), ("gcc", "-O3"), ("clang", "-O2")])
@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_every_demo_compiles_without_a_warning(path, command, level, tmp_path):
    """Firmware with its board file, and harness, under the strict flags, with both compilers.

    An optimiser that looks through the tables warns of more than one that does not.
    """
    if compiler(command) is None:
        pytest.skip(f"{command} is not installed")
    folder = folder_of(path, tmp_path)
    subprocess.run([command, *STRICT, level, "-o", "firmware", "firmware.c", "tables.c", "board.c"],
                   cwd=folder, check=True)  # fmt: skip
    subprocess.run([command, *STRICT, level, "-DFW_HOST", "-o", "harness", "firmware.c", "tables.c",
                    "names.c", "harness.c"], cwd=folder, check=True)  # fmt: skip


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_no_heap_no_floating_point_no_function_pointer(path, tmp_path):
    """None of the words that these need stand in the firmware's own files."""
    folder = folder_of(path, tmp_path)
    for name in ("firmware.c", "firmware.h", "tables.c", "tables.h", "hooks.h", "board.c"):
        code = re.sub(r"/\*.*?\*/|#error .*?\n", "", (folder / name).read_text(), flags=re.DOTALL)
        assert not re.search(r"\b(malloc|calloc|realloc|free|float|double|goto)\b", code), name
        assert not re.search(r"\(\s*\*\s*\w+\s*\)\s*\(", code), name
        found = set(re.findall(r"#include <([\w/]+)\.h>", code))
        assert found <= {"stdbool", "stdint", "avr/pgmspace"}, name


def test_nothing_calls_itself(tmp_path):
    """The call graph that gcc writes has no cycle."""
    if compiler("gcc") is None:
        pytest.skip("gcc is not installed")
    folder = folder_of(DEMOS[0], tmp_path)
    calls: dict[str, set[str]] = {}
    for name in ("firmware", "tables", "board"):
        subprocess.run(["gcc", "-std=c99", "-O0", "-fcallgraph-info", "-c", f"{name}.c"],
                       cwd=folder, check=True)  # fmt: skip
        text = (folder / f"{name}.ci").read_text()
        for caller, called in re.findall(r'sourcename: "([^"]+)" targetname: "([^"]+)"', text):
            calls.setdefault(caller, set()).add(called)
    assert len(calls) > 8

    def reach(start, seen):
        for called in calls.get(start, ()):
            assert called != start
            if called not in seen:
                seen.add(called)
                reach(called, seen)
        return seen

    for function in calls:
        assert function not in reach(function, set()), function


def test_the_harness_answers_line_by_line(harness):
    """A press lights the lamp, the watched level wakes, time dims it; each change is told once."""
    answered = talk(harness, [
        "hello", "set b 0", "power 0", "set b 1", "step 1000", "set b 0", "step 2000",
        "until 5000001000", "step 5000001000", "off 6000000000",
    ])  # fmt: skip
    assert answered == [
        "hello 1 tick_ns=1", "ok", "sleep 0", "ok",
        "out 1000 shelf 1000000", "wake 1000", "ok", "ok", "ok",
        "event 5000001000 lamp.dimmed", "out 5000001000 shelf 450000", "out 5000001000 bars 3",
        "sleep 5000001000", "ok",
        "out 6000000000 shelf 0", "out 6000000000 bars 0", "ok",
    ]  # fmt: skip


def test_the_harness_refuses_what_it_does_not_know(harness):
    """Unknown words and names are told, and the talk goes on."""
    answered = talk(harness, ["dance", "set nobody 1", "power 0"])
    assert answered == ["error not a line of this protocol", "ok", "error no such signal or value",
                        "sleep 0", "ok"]  # fmt: skip


def test_power_loss_forgets_the_resumed_state(harness):
    """After a loss of the supply the first resume point is used again."""
    shelf = [line.split()[-1] for line in talk(harness, [
        "set b 0", "power 0", "set b 1", "step 1", "set b 0", "step 2", "until 6000000000",
        "set b 1",
        "step 6000000000", "set b 0", "step 6000000001", "set b 1", "step 6000000002",
        "off 7000000000", "set b 0", "power 7000000001", "set b 1", "step 7000000002",
    ]) if line.startswith("out") and "shelf" in line]  # fmt: skip
    assert shelf == ["1000000", "450000", "0", "450000", "0", "1000000"]


def test_a_loop_without_end_is_a_fault(tmp_path):
    """Two rows that chase each other end the firmware with a fault, not in a hang."""
    if compiler("gcc", "clang") is None:
        pytest.skip("no C compiler installed")
    chase = Region(
        name="chase", group="behaviour", starts="a", states=(State(name="a"), State(name="b")),
        rows=(Row(key="x", after_ns=0, sources=("a",), to="b"),
              Row(key="y", after_ns=0, sources=("b",), to="a")),
    )  # fmt: skip
    folder = write(tmp_path, harness_files(System(regions=(chase,)), {}))
    subprocess.run([compiler("gcc", "clang") or "", "-DFW_HOST", "-o", "harness", "firmware.c",
                    "tables.c", "names.c", "harness.c"], cwd=folder, check=True)  # fmt: skip
    assert talk(folder / "harness", ["power 0"]) == ["fault 0 endless instant", "sleep 0", "ok"]


MAIN = """
#include <stdio.h>
#include "firmware.h"
#include "hooks.h"
int32_t fw_hook_measured_uv(void) { return 0; }
int32_t fw_hook_cell_uv(void) { return 0; }
uint32_t fw_hook_charge_ppm(void) { return 0u; }
uint32_t fw_hook_counted_ppm(void) { return 0u; }
bool fw_hook_echo(fw_index sensor) { (void)sensor; return false; }
void fw_hook_event(fw_index event) { printf("event %u\\n", (unsigned)event); }
int main(void)
{
    uint8_t levels[] = {0u, 0u};
    fw_change press = {FW_SIGNAL_B, 1u};
    fw_tick start = (fw_tick)(FW_TICK_MAX - 100u), due = 0u;
    fw_start(start, levels);
    fw_step((fw_tick)(start + 50u), &press, 1u);
    printf("%u\\n", (unsigned)fw_output(FW_OUT_SHELF));
    printf("%d ", fw_due(&due));
    printf("%u\\n", (unsigned)(fw_tick)(due - start));
    fw_step((fw_tick)(due - 1u), &press, 0u);
    printf("%u\\n", (unsigned)fw_output(FW_OUT_SHELF));
    fw_step((fw_tick)(due + 7u), &press, 0u);
    printf("%u ", (unsigned)fw_output(FW_OUT_SHELF));
    printf("%d\\n", fw_due(&due));
    return 0;
}
"""


@NEEDS_CC
@pytest.mark.parametrize("bits", [16, 32])
def test_the_tick_counter_may_wrap_and_the_call_may_be_late(bits, tmp_path):
    """On the target's ticks a dwell runs over the wrap; a late call keeps its own time."""
    folder = write(tmp_path, harness_files(two_lamps(), SEGMENTS) | {"main.c": MAIN})
    subprocess.run([compiler("gcc", "clang") or "", *STRICT, "-DFW_TICK_NS=1000000u",
                    f"-DFW_TICK_BITS={bits}", "-o", "main", "firmware.c", "tables.c", "main.c"],
                   cwd=folder, check=True)  # fmt: skip
    out = subprocess.run([folder / "main"], capture_output=True, text=True, check=True).stdout
    events = {name: i for i, name in enumerate(["b.edge", "bright", "dull", "lamp.dimmed"])}
    assert out.splitlines() == ["1000000", "1 5050", "1000000", f"event {events['lamp.dimmed']}",
                                "450000 0"]  # fmt: skip


@NEEDS_CC
def test_a_queue_that_is_too_small_is_reported(tmp_path):
    """An instant that does not fit ends with FW_QUEUE_FULL, not with a lost event."""
    burst = Region(
        name="burst", group="behaviour", starts="a", states=(State(name="a"),),
        rows=(Row(key="x", on="b.edge", sources=("a",), to="same", emit=("e",) * 9),),
    )  # fmt: skip
    system = System(regions=(burst,), events=("e",), raw_events=("b.edge",))
    step = "fw_step((fw_tick)(start + 50u), &press, 1u)"
    main_c = MAIN.replace(f"{step};", f'printf("%u\\n", {step}); return 0;')
    main_c = main_c.replace('printf("event %u\\n", (unsigned)event)', "(void)event")
    main_c = main_c.replace("fw_output(FW_OUT_SHELF)", "0u")
    folder = write(tmp_path, harness_files(system, {}) | {"main.c": main_c})
    for size, wanted in ((8, "1"), (16, "0")):
        subprocess.run([compiler("gcc", "clang") or "", f"-DFW_QUEUE_SIZE={size}u", "-o", "main",
                        "firmware.c", "tables.c", "main.c"], cwd=folder, check=True)  # fmt: skip
        done = subprocess.run([folder / "main"], capture_output=True, text=True, check=True)
        assert done.stdout.split() == [wanted]


def number(quantity, sign, value):
    """A comparison of a quantity with a number."""
    return Compare(Quantity(quantity), sign, Number(value))


@pytest.mark.parametrize(
    ("guard", "wanted"),
    [
        (Constant(True), "true"),
        (Inside("lamp", frozenset({"dark", "lit.full", "lit.half"})), "true"),
        (Inside("lamp", frozenset()), "false"),
        (Inside("mark", frozenset({"on"})), "(fw.state[FW_REGION_MARK] == FW_ST_MARK__ON)"),
        (Not(Flag("b.closed")), "(!(fw.level[FW_SIGNAL_B] != 0u))"),
        (Flag("usb"), "false"),
        (Flag("status.low"), "false"),
        (All((Constant(True), Constant(False))), "(true && false)"),
        (Any((Constant(True), Constant(False))), "(true || false)"),
        (number("cell.voltage", "<", 3.3), "(fw_hook_cell_uv() < 3300000)"),
        (number("gauge.measured", ">=", 3.3000004), "(fw_hook_measured_uv() >= 3300001)"),
        (number("gauge.measured", ">", 3.3000004), "(fw_hook_measured_uv() > 3300000)"),
        (number("gauge.measured", "==", 3.3000004), "false"),
        (number("cell.charge", "<=", 0.25), "(fw_hook_charge_ppm() <= 250000u)"),
        (number("cell.charge", ">", -0.5), "true"),
        (Compare(Number(0.5), "<", Quantity("shelf")), "(fw_rank(FW_OUT_SHELF) >= 2u)"),
        (number("shelf", "==", 0.45), "(fw_rank(FW_OUT_SHELF) == 1u)"),
        (number("shelf", "!=", 0.45), "(fw_rank(FW_OUT_SHELF) != 1u)"),
        (number("shelf", "==", 0.5), "false"),
        (number("bars", ">", 0.5), "(fw_rank(FW_OUT_BARS) >= 3u)"),
        (number("nothing", "<", 0.5), "true"),
        (number("gauge", ">", 0.5), "false"),
        (Compare(Number(1.0), "<", Number(2.0)), "true"),
        (Compare(Quantity("shelf"), ">", Quantity("shelf")),
         "(fw_level_of(FW_OUT_SHELF, fw_rank(FW_OUT_SHELF)) > "
         "fw_level_of(FW_OUT_SHELF, fw_rank(FW_OUT_SHELF)))"),
        (Compare(Quantity("bars"), ">", Quantity("shelf")),
         "(((uint64_t)fw_level_of(FW_OUT_BARS, fw_rank(FW_OUT_BARS)) * UINT64_C(1000000)) > "
         "((uint64_t)fw_level_of(FW_OUT_SHELF, fw_rank(FW_OUT_SHELF)) * UINT64_C(5)))"),
    ],
)  # fmt: skip
def test_a_guard_becomes_whole_number_c(guard, wanted):
    """Each kind of guard, with limits that fall between two whole numbers and between levels."""
    assert compile_guard(system_plan(two_lamps(), SEGMENTS), guard) == wanted


@pytest.mark.parametrize("guard", [
    Happened("b.edge"), Compare(Quantity("cell.voltage"), "<", Quantity("gauge")),
])  # fmt: skip
def test_a_guard_that_has_no_c_is_refused(guard):
    """The message says what to do instead."""
    with pytest.raises(UsageError, match=r"compare each of them|only rules and habits"):
        compile_guard(system_plan(two_lamps(), SEGMENTS), guard)


def plain(*times_ns):
    """Times that count."""
    return [Length(time) for time in times_ns]


def test_the_tick_is_as_coarse_as_exactness_allows():
    """Whole milliseconds take a coarse tick; an odd time a fine one; long times set the limit."""
    even = pick_tick(plain(20_000_000, 350_000_000))
    assert (even.ns, even.worst, even.bits) == (10**7, 0, 16)
    odd = pick_tick(plain(631_579, 20_000_000))
    assert odd.ns == 10_000
    assert 0 < odd.worst < 0.005
    assert pick_tick([]).ns == 10**7
    long = pick_tick(plain(1_000, 10**13))
    assert long.ns * (2**31 - 1) >= 10**13
    assert long.bits == 32
    huge = pick_tick(plain(10**18))
    assert huge.ns * (2**31 - 1) >= 10**18 > (huge.ns - 1) * (2**31 - 1)


@pytest.mark.parametrize(("button", "most"), [
    ({"debounce": "20 ms"}, 1_000_000), ({"debounce": "15 ms"}, 500_000),
    ({"style": "sample", "samples": 3, "sample_every": "5 ms"}, 200_000),
])  # fmt: skip
def test_a_tick_is_a_twentieth_of_the_shortest_time_a_contact_is_judged_by(button, most):
    """An edge falls anywhere inside a tick: a debounce of 20 ms is then never below 19 ms."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Lamp"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
        "buttons": {"key": button, "other": {"debounce": "1 s"}},
        "behaviour": {"lamp": {"starts": "off", "states": {"off": {}}}},
    })  # fmt: skip
    assert choose_tick(build_system(gadget)).ns == most


def test_settling_and_bursts_do_not_make_the_tick_finer():
    """The larder lamp's burst of 24 cycles of 38 kHz, 631.579 us, is kept by hardware; the period
    of 125 ms that holds it stays as written.
    """
    system = build_system(load_gadget(ROOT / "scenarios" / "larder-lamp" / "gadget.toml"))
    tick = choose_tick(system)
    assert tick.ns == 1_000_000
    lengths = lengths_of(system)
    burst, settle, rest = (lengths[f"proximity.wave.{key}"].ticks(tick.ns)
                           for key in ("burst#1", "settle", "every"))  # fmt: skip
    assert (burst, settle, rest) == (1, 2, 122)
    assert lengths["proximity.wave.burst#1"].ticks(5_000_000) == 1  # never none


@NEEDS_CC
@pytest.mark.parametrize(("options", "said"), [
    (["-DFW_TICK_NS=50000000u"], r"buttons\.power\.debounce.*is less than one tick"),
    (["-DFW_TICK_NS=1000u", "-DFW_TICK_BITS=32"], r"rows\[7\] \(45 min\) is more than half"),
    (["-DFW_TICK_NS=1000000u", "-DFW_TICK_BITS=16"], r"rows\[7\] \(45 min\) is more than half"),
])  # fmt: skip
def test_a_time_that_does_not_fit_the_tick_is_refused_by_the_compiler(options, said, tmp_path):
    """No time is cut to 0 ticks, and none is longer than half the counter."""
    folder = folder_of(ROOT / "scenarios" / "larder-lamp" / "gadget.toml", tmp_path)
    done = subprocess.run([compiler("gcc", "clang") or "", "-std=c99", *options, "-c", "tables.c"],
                          cwd=folder, capture_output=True, text=True)  # fmt: skip
    assert done.returncode != 0
    assert re.search(said, done.stderr)


@NEEDS_CC
def test_the_harness_is_not_for_the_target(tmp_path):
    """Without FW_HOST it says what to do, instead of failing in the middle."""
    folder = folder_of(DEMOS[0], tmp_path)
    done = subprocess.run([compiler("gcc", "clang") or "", "-std=c99", "-c", "harness.c"],
                          cwd=folder, capture_output=True, text=True)  # fmt: skip
    assert done.returncode != 0
    assert "compile it with -DFW_HOST" in done.stderr


def test_the_size_counts_every_table():
    """Bytes are those of the entries, counted by hand for the small system."""
    size = size_of(system_plan(two_lamps(), SEGMENTS))
    counts = {name: (count, each) for name, count, each in size.tables}
    assert counts["fw_rows"] == (5 * 6, 1)  # five rows of six numbers
    assert counts["fw_id_rows"] == (4 + 1 + 1, 1)  # four events, one time, and the end
    assert counts["fw_lengths"] == (1, 2)
    assert counts["fw_drives"] == (3 * 4, 1)
    assert counts["fw_levels"] == (3, 4)  # dark, 45 % and full; segments need none
    assert size.flash == (
        2 + 1 + 5 + 5 + 30 + 6 + 5 + 1 + 2  # starts, resumes, flags, outputs, rows, places, times
        + 3 + 3 + 12 + 2 + 12  # the condition, drives by output, drives, levels by output, levels
    )
    # now and next, one running time, two states, one memory, input, condition, queue of 2, the rest
    assert size.memory == 4 + 3 + 2 + 1 + 1 + 1 + 2 + 7


def test_the_command_writes_the_folder(tmp_path, capsys):
    """`simfw source` writes every file and says what it takes; the README fits the gadget."""
    assert main(["source", str(DEMOS[-1]), "-o", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "bytes of flash" in said
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert written == {"tables.h", "tables.c", "firmware.h", "firmware.c", "hooks.h", "board.c",
                       "names.h", "names.c", "harness.c", "Makefile", "README.md",
                       "protocol.md"}  # fmt: skip
    text = (tmp_path / "out" / "README.md").read_text()
    assert load_gadget(DEMOS[-1]).head.name in text
    assert "@" not in text


def test_what_was_filled_in_outlives_a_second_writing(tmp_path, capsys):
    """The board and its Makefile are the owner's: written once, then left as they are."""
    call = ["source", str(DEMOS[-1]), "-o", str(tmp_path)]
    assert main(call) == 0
    with (tmp_path / "board.c").open("a") as board:
        board.write("/* filled in */\n")
    (tmp_path / "tables.c").write_text("old")
    capsys.readouterr()
    assert main(call) == 0
    said = capsys.readouterr().out
    assert "board.c is yours and was left as it is." in said
    assert "Makefile is yours" not in said
    assert (tmp_path / "board.c").read_text().endswith("/* filled in */\n")
    assert (tmp_path / "tables.c").read_text() != "old"


def test_a_readme_of_another_is_not_lost(tmp_path, capsys):
    """A gadget's own folder has a README already: nothing is written there."""
    (tmp_path / "README.md").write_text("# My notes\n")
    assert main(["source", str(DEMOS[-1]), "-o", str(tmp_path)]) == 2
    assert "give a folder of its own" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["README.md"]


def test_two_names_that_look_alike_in_c_stay_apart():
    """`a.b_c` and `a_b.c` would be one macro; the second gets a number."""
    region = Region(name="r", group="behaviour", starts="s", states=(State(name="s"),), rows=())
    plan = system_plan(System(regions=(region,), events=("a.b_c", "a_b.c")), {})
    assert list(plan.events.values()) == ["FW_EV_A_B_C", "FW_EV_A_B_C_2"]


@NEEDS_CC
def test_a_name_that_the_generator_uses_itself_makes_c_that_compiles(tmp_path):
    """A region, a button and an output called `count` stay apart from how many there are."""
    def count(name, **more):
        states = (State(name="count"), State(name="state_count", outputs={"count": Drive(1.0)}))
        row = Row(key=name, on="count.edge", sources=("count",), to="state_count", **more)
        return Region(name=name, group="behaviour", starts="count", states=states, rows=(row,))

    system = System(regions=(count("count", emit=("count.count",)), count("region_count")),
                    events=("count.count",), raw_events=("count.edge",))
    folder = write(tmp_path, harness_files(system, {}))
    command = [compiler("gcc", "clang"), *STRICT, "-DFW_HOST", "-fsyntax-only"]
    for path in sorted(folder.glob("*.c")):
        done = subprocess.run([*command, str(path)], capture_output=True, text=True, cwd=folder)
        assert done.returncode == 0, done.stderr
