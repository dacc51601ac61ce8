"""Random gadgets and scenarios: `simfw`, folded and not, does what the reference simulator does."""

from __future__ import annotations

import pytest

from tests.reference_sim.compare import run
from tests.reference_sim.generator import case
from tests.reference_sim.writing import curve_csv, gadget_toml, scenario_toml

SHARD = 50
# Ten shards whose times are anything, two whose times all lie on a few values.
SHARDS = [*((number, False) for number in range(10)), (0, True), (1, True)]


@pytest.mark.parametrize(("shard", "coarse"), SHARDS)
def test_simfw_does_what_the_documents_say(shard: int, coarse: bool) -> None:
    """Events, states, levels, bars, verdicts and charges are those of the second simulator."""
    judged = 0
    for seed in range(shard * SHARD, (shard + 1) * SHARD):
        drawn = case(seed, coarse)
        verdict = run(drawn)
        assert verdict.refused is None, f"seed {seed}: {verdict.refused}"
        assert not verdict.differences, "\n".join(
            [
                f"seed {seed} (python -m tests.reference_sim 1 {seed}{' coarse' * coarse} "
                "makes it small)",
                *verdict.differences,
                gadget_toml(drawn.gadget),
                scenario_toml(drawn.scenario),
                curve_csv(drawn.curve),
            ]
        )
        judged += verdict.outcome == "the same"
    assert judged >= 0.9 * SHARD, "too many cases that cannot be judged"
