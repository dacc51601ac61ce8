"""simfw: a firmware behaviour simulator joined to a circuit model.

    from simfw import load_gadget, load_scenario, simulate

    scenario = load_scenario("scenarios/larder-lamp/jam-making.toml")
    run = simulate(scenario.gadget, scenario)

What is listed in `__all__` is the public surface, and so are the modules that the page
`docs/reference/python.md` names; everything else may change. The names are looked up when they are
first used, so that `import simfw` itself loads nothing heavy.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simfw.behaviour.machine import machines
    from simfw.bench.bench import Bench
    from simfw.benchlog.experiments import next_experiments
    from simfw.benchlog.narrowing import narrow
    from simfw.engine.modes import mean_current
    from simfw.engine.run import Run
    from simfw.engine.simulator import simulate
    from simfw.errors import DescriptionError, Problem, RunError, SimfwError, UsageError
    from simfw.gadget.model import Gadget
    from simfw.loading import load_bench_log, load_gadget, load_scenario
    from simfw.report.ledger import ledger_json
    from simfw.stimuli.scenario import Scenario

__version__ = "0.1.0"

_HOMES = {
    "Bench": "simfw.bench.bench",
    "DescriptionError": "simfw.errors",
    "Gadget": "simfw.gadget.model",
    "Problem": "simfw.errors",
    "Run": "simfw.engine.run",
    "RunError": "simfw.errors",
    "Scenario": "simfw.stimuli.scenario",
    "SimfwError": "simfw.errors",
    "UsageError": "simfw.errors",
    "ledger_json": "simfw.report.ledger",
    "load_bench_log": "simfw.loading",
    "load_gadget": "simfw.loading",
    "load_scenario": "simfw.loading",
    "machines": "simfw.behaviour.machine",
    "mean_current": "simfw.engine.modes",
    "narrow": "simfw.benchlog.narrowing",
    "next_experiments": "simfw.benchlog.experiments",
    "simulate": "simfw.engine.simulator",
}

__all__ = [
    "Bench",
    "DescriptionError",
    "Gadget",
    "Problem",
    "Run",
    "RunError",
    "Scenario",
    "SimfwError",
    "UsageError",
    "ledger_json",
    "load_bench_log",
    "load_gadget",
    "load_scenario",
    "machines",
    "mean_current",
    "narrow",
    "next_experiments",
    "simulate",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
