"""Test vectors: they cover what they say, run on the simulator, and are few."""

import csv
import io

import pytest

from simfw import load_gadget
from simfw.cli import main
from simfw.engine.simulator import Prepared, simulate
from simfw.loading import load_scenario
from simfw.report.vectors import make_vectors, vector_files
from simfw.report.vectors.build import replay_scenario, replayer_of
from simfw.report.vectors.items import all_items, count_kinds
from simfw.verify.driving import segments_of
from simfw.writing import write_folder
from tests.report.golden import DEMOS

HOOK = next(path for path in DEMOS if path.parent.name == "key-hook")


@pytest.fixture(scope="module")
def hook():
    """The key hook, prepared, with its vectors."""
    gadget = load_gadget(HOOK)
    prepared = Prepared(gadget)
    return gadget, prepared, make_vectors(gadget, prepared.system, prepared)


def test_coverage_is_what_the_vectors_cover(hook):
    """Every item is covered by a vector or listed as missing; most rows are covered."""
    _, prepared, vectors = hook
    covered, missing = vectors.covered(), {item for item, _ in vectors.missing}
    pairs = {item for item in vectors.items if item.startswith("pair ")}
    assert covered | missing | pairs == set(all_items(prepared.system))
    assert not covered & missing
    counts = {name: (done, wanted) for name, done, wanted in count_kinds(covered, vectors.items)}
    assert counts["rows fired"][0] >= 0.9 * counts["rows fired"][1]
    assert counts["times run out"][0] == counts["times run out"][1]
    assert counts["guard outcomes"][0] >= 0.9 * counts["guard outcomes"][1]


def test_every_vector_adds_something(hook):
    """Greedy: no vector could be left out where it stands."""
    _, _, vectors = hook
    seen: set[str] = set()
    for vector in vectors.vectors:
        adds = (vector.covers & set(vectors.items)) - seen
        assert set(vector.adds) == adds
        assert adds
        seen |= adds


def test_the_simulator_sees_the_same_events(hook):
    """Each scenario vector, replayed instant by instant, has the events of a folded run."""
    gadget, prepared, vectors = hook
    model = replayer_of(prepared, segments_of(gadget))
    for vector in vectors.vectors:
        if vector.scenario is None:
            continue
        run = simulate(gadget, vector.scenario, prepared=prepared)
        whole = replay_scenario(prepared, model, vector.scenario)
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
    """The same gadget gives the same vectors."""
    gadget, prepared, vectors = hook
    again = make_vectors(gadget, prepared.system, prepared)
    assert [v.acts for v in again.vectors] == [v.acts for v in vectors.vectors]
