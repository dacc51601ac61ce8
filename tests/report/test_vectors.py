"""Test vectors: they cover what they say, run on the simulator, and are few."""

import csv
import io
import math
from itertools import pairwise

import pytest

from simfw import load_gadget
from simfw.behaviour.build import check
from simfw.cli import main
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.loading import load_scenario
from simfw.stimuli.scenario import Usb
from simfw.vectors import items, make_vectors, vector_files
from simfw.vectors.bands import FOR_THE_BENCH
from simfw.vectors.build import Rehearsal, replay_scenario
from simfw.vectors.closing import Closing
from simfw.vectors.drills import in_two_steps, twice
from simfw.vectors.equal import Prover
from simfw.vectors.faults import KINDS
from simfw.vectors.items import all_items, count_kinds, drill_items
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act
from simfw.writing import write_folder
from tests.report.golden import DEMOS
from tests.sharing import shared_vectors, uncounted

HOOK = next(path for path in DEMOS if path.parent.name == "key-hook")


@pytest.fixture(scope="module")
def hook():
    """The key hook, prepared, with its vectors.

    Lines are counted of all but the search for what tells faults: a smaller gadget goes through
    those, and counting takes three times as long there.
    """
    gadget = load_gadget(HOOK)
    prepared = Prepared(gadget)
    make_vectors(gadget, prepared.system, prepared, effort=0)
    with uncounted():
        return gadget, prepared, make_vectors(gadget, prepared.system, prepared)


def test_coverage_is_what_the_vectors_cover(hook):
    """Every item is covered by a vector or listed as missing; most rows are covered."""
    _, prepared, vectors = hook
    covered, missing = vectors.covered(), {item for item, _ in vectors.missing}
    pairs = {item for item in vectors.items if item.startswith("pair ")}
    system = prepared.system
    assert covered | missing | pairs == {*all_items(system), *drill_items(system)}
    assert not covered & missing
    counts = {name: (done, wanted) for name, done, wanted in count_kinds(covered, vectors.items)}
    assert counts["rows fired"][0] >= 0.9 * counts["rows fired"][1]
    assert counts["times run out"][0] == counts["times run out"][1]
    assert counts["guard outcomes"][0] >= 0.9 * counts["guard outcomes"][1]


def test_every_vector_adds_something(hook):
    """Greedy: no vector could be left out where it stands; those after them expose a fault that
    no earlier one does, or show what comes first in one instant or after a power-up, what is done
    as a clock or another counter comes round, a loss that is short, or a contact that chatters.
    """
    _, _, vectors = hook
    seen: set[str] = set()
    exposing = {name for _, name in vectors.exposure.exposed}
    for vector in vectors.vectors:
        adds = (vector.covers & set(vectors.items)) - seen
        assert set(vector.adds) == adds
        assert (adds or vector.name in exposing or vector.title.startswith(FOR_THE_BENCH)
                or vector.title.endswith(
                    (" ends", "a power-up", "after it", "amid a time", "1 ms", "than a second",
                     "257 times", "another level", "as a contact moves")))  # fmt: skip
        seen |= adds


def test_faults_of_every_row_are_exposed_by_what_the_outputs_do(hook):
    """Nearly all of those that are not proved to change nothing, whole kinds among them that
    running a row does not show: memory, clocks, bounds, the order within an instant. Two of the
    later kinds are left, and both change nothing: a longer search proves one, none yet the other.
    """
    exposure = hook[2].exposure
    later = ("starts", "kept", "states", "begun", "lasts", "third", "follow", "target")
    for kinds, share in ((set(KINDS) - set(later), 0.97), (set(later), 0.98)):
        done = sum(fault.kind in kinds for fault, _ in exposure.exposed)
        left = sum(fault.kind in kinds for fault in exposure.left)
        assert done >= share * (done + left)
    kinds = {fault.kind for fault, _ in exposure.exposed}
    assert {"clock", "sign", "expiry", "source", "anew", "limit", "power-up"} <= kinds
    assert exposure.lines()[0].startswith(f"faults exposed: {len(exposure.exposed)} of ")
    assert "behaviour.lamp_mode.rows[0]" in {fault.about for fault, _ in exposure.exposed}


def test_times_end_as_something_else_happens(hook):
    """A press at the end of the double's window, gestures as the light or the search ends: for the
    host, and each in the instant in which the time ends.
    """
    vectors = {vector.title.removeprefix("for the host: "): vector for vector in hook[2].vectors}
    for event, row, ended in (("key.press", "buttons.key.double#3", "key.click"),
                              ("key.double", "search.rows[2]", "search.over"),
                              ("key.click", "search.rows[2]", "search.over")):
        title = f"{event} as {row} ends"
        vector = vectors[title]
        assert vector.exact
        assert {at for at, _ in events_of(vector, event)} & {
            at for at, _ in events_of(vector, ended)}, title  # fmt: skip
    assert "key moves as its time ends" in vectors
    assert not vectors["key about a power-up"].exact


def test_what_a_vector_exposes_is_never_proved_to_change_nothing(hook):
    """The search for proofs is held against the vectors: no fault is both."""
    gadget, prepared, vectors = hook
    prover = Prover(prepared.system, gadget.segments, 0.1)  # as the vectors do
    noticed = [fault for fault, _ in vectors.exposure.exposed]
    assert len(noticed) > 100
    assert [fault.text for fault in noticed[::3] if prover.same(fault)] == []


def test_the_simulator_sees_the_same_events(hook):
    """Each scenario vector, replayed instant by instant, has the events of a folded run."""
    gadget, prepared, vectors = hook
    model = Rehearsal(prepared)
    for vector in vectors.vectors:
        if vector.scenario is None:
            continue
        run = simulate(gadget, vector.scenario, prepared=prepared)
        whole = replay_scenario(model, vector.scenario)
        assert whole is not None
        assert [(event.time_ns, event.name) for event in run.events] == whole.events
        assert vector.replay.events == whole.events


def test_vectors_are_files_that_simfw_run_takes(hook, tmp_path, capsys):
    """Written, read back equal, and run by the command line; the tables have their heads."""
    vectors = hook[2]
    files = vector_files(vectors, tmp_path)
    write_folder(tmp_path, files)
    scenarios = [vector for vector in vectors.vectors if vector.scenario is not None]
    for vector in scenarios:
        read = load_scenario(tmp_path / "vectors" / f"{vector.name}.toml")
        assert read.steps == vector.scenario.steps
        assert read.charge == vector.scenario.charge
    assert main(["run", str(tmp_path / "vectors" / f"{scenarios[0].name}.toml")]) in (0, 1)
    assert capsys.readouterr().out
    edges = list(csv.DictReader(io.StringIO(files["vectors/expected.csv"])))
    assert edges
    assert all(int(e["earliest_ns"]) <= int(e["typical_ns"]) <= int(e["latest_ns"]) for e in edges)
    stimuli = list(csv.DictReader(io.StringIO(files["vectors/stimuli.csv"])))
    assert {row["vector"] for row in stimuli} == {vector.name for vector in vectors.vectors}
    coverage = list(csv.DictReader(io.StringIO(files["vectors/coverage.csv"])))
    assert len(coverage) == len(vectors.items)


def test_the_search_is_a_pure_function(hook):
    """The same gadget gives the same vectors, in another process too where one has made them."""
    gadget, prepared, vectors = hook
    again = shared_vectors(gadget, prepared.system, prepared)
    assert [v.acts for v in again.vectors] == [v.acts for v in vectors.vectors]


TINY = {
    "gadget": {"name": "Tiny"},
    "cell": {"curve": "lco", "capacity": "650 mAh"},
    "lights": {
        "shelf": {"forward": ["2.75 V @ 5 mA", "3.0 V @ 20 mA"], "resistor": "22R"},
        "bars": {"forward": ["2.0 V @ 5 mA", "2.1 V @ 10 mA"], "resistor": "1k", "leds": 1,
                 "segments": True},
    },
    "buttons": {"top": {"debounce": "20 ms", "hold": "1 s"}},
    "charger": {"current": "200 mA", "float": "4.2 V", "status": "low while charging"},
    "gauge": {"light": "bars", "thresholds": ["3.6 V"], "hysteresis": "40 mV", "every": "1 s"},
    "behaviour": {"lamp": {
        "starts": "off", "resume_points": ["on.full", "on.low"],
        "states": {"off": {}, "on.full": {"shelf": "on"}, "on.low": {"shelf": "4 %"}},
        "rows": [
            {"from": "off", "on": "top.click", "to": "resume"},
            {"from": ["on.full", "on.low"], "on": "top.click", "to": "off"},
            {"from": "on.full", "on": "top.hold", "to": "on.low"},
            {"from": "on.low", "on": "top.hold", "to": "on.full"},
        ],
    }},
}  # fmt: skip


@pytest.fixture(scope="module")
def tiny():
    """A gadget with a charger, a gauge, a button and a state to come back to, with its vectors."""
    gadget = Gadget.model_validate(TINY)
    assert not check(gadget)
    prepared = Prepared(gadget)
    return gadget, prepared, make_vectors(gadget, prepared.system, prepared)


def test_all_kinds_of_power_up_and_every_resume_point_are_covered(tiny):
    """With USB the scenario has it at 0; with a contact closed the model makes no press of it."""
    gadget, prepared, vectors = tiny
    counts = {name: (done, wanted)
              for name, done, wanted in count_kinds(vectors.covered(), vectors.items)}  # fmt: skip
    for kind in ("power-ups", "rows fired", "guard outcomes", "states resumed", "times run out",
                 "changes just after a time", "limits of the gauge from near"):  # fmt: skip
        assert counts[kind][0] == counts[kind][1] > 0, kind
    plugged = next(v for v in vectors.vectors if "power usb" in v.covers)
    assert plugged.scenario is not None
    assert plugged.scenario.steps[0] == Usb(at_ns=0, present=True)
    run = simulate(gadget, plugged.scenario, prepared=prepared)
    assert [(event.time_ns, event.name) for event in run.events] == plugged.replay.events
    held = next(v for v in vectors.vectors if "power held" in v.covers)
    assert held.scenario is None
    assert held.acts[0].kind == "held"
    opened = next(act.at_ns for act in held.acts if act.kind == "contact")
    assert not [name for time, name in held.replay.events if time <= opened and "top." in name]
    assert held.title == "top about a power-up"


def test_a_scenario_vector_closes_with_everything_at_rest(tiny):
    """Each ends with gestures on every button, all contacts open."""
    _, _, vectors = tiny
    for vector in vectors.vectors:
        if vector.scenario is None:
            continue
        last = {(act.kind, act.name): act.value for act in vector.acts}
        assert last["contact", "top"] == 0.0
        holds = [second.at_ns - first.at_ns for first, second in pairwise(
            act for act in vector.acts if act.kind == "contact") if first.value]  # fmt: skip
        assert holds[-2] > 1_000_000_000 > holds[-1]


def test_a_closing_gives_a_hand_time_to_be_noticed():
    """A hand that has just come stays for all looks that must agree, then one more wave follows."""
    gadget = load_gadget(next(path for path in DEMOS if path.parent.name == "larder-lamp"))
    closing = Closing(gadget, {"wave": 0.1})
    begun = [Act(0, "contact", "power", 1.0), Act(1_000_000, "hand", "wave", 0.1)]
    acts, ends_ns = closing.acts(begun, 2_000_000)
    assert acts[0] in (Act(acts[0].at_ns, "hand", "wave", -1.0),
                       Act(acts[0].at_ns, "contact", "power", 0.0))  # fmt: skip
    assert acts[0].at_ns >= 3 * 125_000_000
    waves = [act.value for act in acts if act.kind == "hand"]
    assert waves == [-1.0, 0.1, -1.0]
    assert [act.at_ns for act in acts] == sorted(act.at_ns for act in acts)
    assert ends_ns > acts[-1].at_ns


def written_out(edges, stretches):
    """The edges with every stretch of repeats written out, as a bench may do it from the tables."""
    edges = sorted(edges)
    for after, up_to, period in stretches:
        assert (up_to - after) % period == 0
        again = [edge for edge in edges if after - period < edge[0] <= after]
        edges += [(time + shift, *rest) for time, *rest in again
                  for shift in range(period, up_to - after + 1, period)]  # fmt: skip
        edges.sort()
    return edges


def captured(replay):
    """The edges that a capture of a replay's outputs shows. Nothing is on without a supply."""
    edges, on = [], set()
    for exchange in replay.exchanges:
        for report in exchange.reports:
            if report.kind == "out":
                edges.append((report.time_ns, report.name, report.level))
                (on.add if report.level else on.discard)(report.name)
        word, time = exchange.lines[-1].split(" ")[:2]
        if word == "off":
            edges += [(int(time), name, 0) for name in on]
            on = set()
    return sorted(edges)


def test_outputs_go_off_with_the_supply_in_the_table_of_edges(hook, tmp_path):
    """A bench sees that edge: without it an output would go on a second time."""
    files = vector_files(hook[2], tmp_path)
    levels, fell = {}, 0
    off = {(row["vector"], row["time_ns"])
           for row in csv.DictReader(io.StringIO(files["vectors/stimuli.csv"]))
           if row["signal"] == "supply" and row["value"] == "0"}  # fmt: skip
    for row in csv.DictReader(io.StringIO(files["vectors/expected.csv"])):
        place = row["vector"], row["signal"]
        assert levels.get(place, "0") != row["value"], row
        levels[place] = row["value"]
        if (row["vector"], row["typical_ns"]) in off:
            assert row["value"] == "0"
            assert row["earliest_ns"] == row["latest_ns"] == row["typical_ns"]
            fell += 1
    assert fell


def test_the_list_of_vectors_tells_how_long_a_bench_looks(hook, tmp_path):
    """Also of those that are no scenario: an edge after the last one expected is one too many."""
    rows = csv.DictReader(io.StringIO(vector_files(hook[2], tmp_path)["vectors/vectors.csv"]))
    ends = {row["vector"]: int(row["ends_ns"]) for row in rows}
    assert ends == {vector.name: vector.ends_ns for vector in hook[2].vectors}


def test_what_the_tables_leave_out_can_be_written_out_from_them(hook, tmp_path):
    """Edges and repeats together are the edges of the whole replay, to the nanosecond."""
    _, prepared, vectors = hook
    files = vector_files(vectors, tmp_path)
    tables = {name: list(csv.DictReader(io.StringIO(files[f"vectors/{name}.csv"])))
              for name in ("expected", "repeats")}  # fmt: skip
    model = Rehearsal(prepared)
    assert len(tables["repeats"]) > 5
    for vector in vectors.vectors:
        edges = [(int(row["typical_ns"]), row["signal"], int(row["value"]))
                 for row in tables["expected"] if row["vector"] == vector.name]  # fmt: skip
        stretches = [(int(row["after_ns"]), int(row["up_to_ns"]), int(row["period_ns"]))
                     for row in tables["repeats"] if row["vector"] == vector.name]  # fmt: skip
        if vector.scenario is not None:
            whole = replay_scenario(model, vector.scenario)
        else:
            whole = model.play(charge=vector.charge, acts=vector.acts, ends_ns=vector.ends_ns)
        assert written_out(edges, stretches) == captured(whole)
        for after_ns, up_to_ns, _ in stretches:  # a line that repeats nothing says nothing
            assert any(after_ns < time_ns <= up_to_ns for time_ns, _, _ in captured(whole))
        told = [report for one in vector.replay.unrolled.exchanges for report in one.reports]
        assert told == list(whole.reports)  # events and waking too


def reading_of(code):
    """What the firmware of the key hook takes a converter code for (V)."""
    return 1024 * 1.1 / code


def test_readings_are_the_same_in_codes_as_in_volts(hook):
    """A firmware that compares converter codes is told nothing that it takes otherwise than one
    that compares microvolts: in each line of each vector.
    """
    _, _, vectors = hook
    bands = vectors.bands
    lines = {line for vector in vectors.vectors for one in vector.replay.exchanges
             for line in one.lines if line.startswith("set gauge.measured ")}  # fmt: skip
    assert len(lines) > 10
    for line in lines:
        volts = int(line.split(" ")[2]) / 1e6
        code = math.floor(1024 * 1.1 / volts)
        assert bands.around(reading_of(code))[0] == bands.around(volts)[0], line
        if volts not in bands.levels:
            assert math.floor(reading_of(code) * 1e6) / 1e6 == volts


def test_vectors_for_the_bench_keep_outside_of_what_a_unit_may_read_either_way(hook, tmp_path):
    """A reference of 1.0 V to 1.2 V: every unit tells all readings of such a vector from all
    levels. Those of equality and of one step are marked for the host.
    """
    _, _, vectors = hook
    files = vector_files(vectors, tmp_path)
    tables = {name: list(csv.DictReader(io.StringIO(files[f"vectors/{name}.csv"])))
              for name in ("vectors", "stimuli", "expected")}  # fmt: skip
    use = {row["vector"]: row["for"] for row in tables["vectors"]}
    told = [(use[row["vector"]], float(row["value"].removesuffix(" V")), int(row["code"]))
            for row in tables["stimuli"] if row["signal"] == "gauge.measured"]  # fmt: skip
    levels = vectors.bands.levels
    assert {at for at, volts, _ in told if volts in levels} == {"host"}
    assert min(abs(volts - level) for at, volts, _ in told for level in levels
               if at == "host" and volts != level) < 0.01  # fmt: skip
    bench = [volts for at, volts, _ in told if at == "bench"]
    assert min(bench) < levels[0] < levels[-1] < max(bench)
    for volts in bench:
        for reference in (1.0, 1.2):
            code = math.floor(1024 * reference / volts)
            assert vectors.bands.around(reading_of(code)) == vectors.bands.around(volts)
    for vector in vectors.vectors:
        assert vector.title.startswith("for the host: ") == (use[vector.name] == "host")
    windows = [row for row in tables["expected"] if row["lowest_v"] or row["highest_v"]]
    assert {use[row["vector"]] for row in windows} >= {"bench"}


def events_of(vector, *names):
    """The events of a vector with these names, as (time, name)."""
    return [event for event in vector.replay.events if event[1] in names]


def test_a_row_that_is_left_in_its_instant_is_also_seen_alone(hook):
    """Low and flat come in one instant from high above; one vector stops between the two."""
    _, _, vectors = hook
    item = "alone behaviour.lamp_mode.rows[8]"
    assert item in vectors.items
    alone = [vector for vector in vectors.vectors if item in vector.covers]
    assert alone
    for vector in alone:
        flat = {time for time, _ in events_of(vector, "cell.flat")}
        assert any(time not in flat for time, _ in events_of(vector, "cell.low"))


def test_a_time_whose_end_cannot_be_seen_runs_out_twice(hook):
    """Whether the search for keys has ended shows only when a second one ends after its time."""
    _, _, vectors = hook
    item = "again behaviour.search.rows[2]"
    vector = next(vector for vector in vectors.vectors if item in vector.adds)
    first, second = (time for time, _ in events_of(vector, "search.over"))
    assert second - first > 900_000_000_000


def test_every_number_of_bars_is_left_for_a_reading_below_all_levels(hook):
    """The sweep ends with jumps: the last bar goes out in the sample that tells low and flat."""
    _, _, vectors = hook
    sweep = vectors.vectors[0]
    assert [name for _, name in events_of(sweep, "cell.low", "cell.flat", "gauge.down")][-3:] == [
        "cell.low", "cell.flat", "gauge.down"]  # fmt: skip
    assert len({time for time, _ in events_of(sweep, "cell.low", "gauge.down")[-2:]}) == 1


CHORD = {
    "gadget": {"name": "Chord"},
    "cell": {"curve": "lco", "capacity": "650 mAh"},
    "lights": {"shelf": TINY["lights"]["shelf"]},
    "chords": {"both": {"buttons": ["top", "side"], "within": "60 ms"}},
    "behaviour": {"lamp": {
        "starts": "off", "states": {"off": {}, "on": {"shelf": "on"}},
        "rows": [{"from": "off", "on": "both.chord", "to": "on"},
                 {"from": "on", "on": "both.chord", "to": "off"}],
    }},
}  # fmt: skip


@pytest.mark.parametrize("button", [
    {"debounce": "15 ms"}, {"style": "sample", "samples": 2, "sample_every": "10 ms"},
], ids=["settling", "sampled"])  # fmt: skip
def test_the_time_of_a_chord_is_tried_with_buttons_let_go_and_pressed_again(button):
    """From either side: too late, in its last part, begun anew, and from a button held for long."""
    gadget = Gadget.model_validate({**CHORD, "buttons": {"top": button, "side": button}})
    assert not check(gadget)
    prepared = Prepared(gadget)
    vectors = make_vectors(gadget, prepared.system, prepared, effort=0)  # the drill tells no fault
    drill = next(vector for vector in vectors.vectors if "chord both" in vector.title)
    assert drill.scenario is not None
    wanted = {f"row chords.both.{key}" for key in (
        "within#1", "within#2", "within#3", "buttons#1", "buttons#2", "buttons#3", "buttons#4",
        "buttons#5", "buttons#6")}  # fmt: skip
    wanted |= {f"guard chords.both.buttons#{number} false" for number in (1, 2, 3, 4)}
    assert wanted <= drill.covers
    presses = events_of(drill, "top.press", "side.press")
    chords = [time for time, _ in events_of(drill, "both.chord")]
    # Twice in the last part of the time, and twice begun anew; exactly at its end is too late.
    apart = [times[1] - times[0] for times in pairwise(time for time, _ in presses)]
    assert 60_000_000 in apart
    assert len(chords) == 4
    contacts = {act.name: act.value for act in drill.acts}
    assert contacts == {"top": 0.0, "side": 0.0}


def test_paths_are_drilled_only_where_they_can_be(hook):
    """No second round after an input that stays changed, no step between levels that are none."""
    gadget, _, _ = hook
    path = Found(charge=0.5, ends_ns=10, covers=frozenset(),
                 acts=(Act(5, "contact", "key", 1.0),))  # fmt: skip
    assert twice(path) is None
    assert in_two_steps(gadget, path) is None
    assert in_two_steps(Gadget.model_validate(TINY), path) is None


def test_pairs_are_not_asked_for_where_there_are_too_many(hook, monkeypatch):
    """In a large table the square of its rows would drown what matters."""
    system = hook[1].system
    assert any(item.startswith("pair ") for item in all_items(system))
    monkeypatch.setattr(items, "MOST_PAIRS", 3)
    assert not any(item.startswith("pair ") for item in all_items(system))


def test_vectors_light_what_is_scaled():
    """Each state that scales an output is wanted together with each that drives it, and most are
    reached: a scale of a dark light would show nothing.
    """
    gadget = load_gadget("tests/gallery/two-dimmers/gadget.toml")
    prepared = Prepared(gadget)
    wanted = [item for item in all_items(prepared.system) if item.startswith("scale ")]
    assert wanted == [
        "scale bright:half red colour:red", "scale bright:half white colour:white",
        "scale bright:low red colour:red", "scale bright:low white colour:white",
        "scale save:yes white colour:white", "scale save:yes bars colour:red",
        "scale save:yes bars colour:white",
    ]  # fmt: skip
    covered = make_vectors(gadget, prepared.system, prepared, effort=0).covered()
    assert len(covered & set(wanted)) >= 6
