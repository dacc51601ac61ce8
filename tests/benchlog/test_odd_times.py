"""Where parts tick on odd times, no look at the bench and no mode takes more work than it may."""

import re
from pathlib import Path

import pytest

from simfw.benchlog import looking, narrowing, taken
from simfw.engine import lasting
from simfw.engine.folding import Folder
from simfw.engine.modes import mean_current, survey
from simfw.engine.observer import TooMany
from simfw.engine.prepared import Prepared
from simfw.engine.simulation import Simulation
from simfw.loading import load_bench_log, load_gadget
from simfw.report.bench_log import narrowed_json, narrowed_text
from simfw.report.modes import modes_json, modes_text
from simfw.stimuli.scenario import Scenario

WRITTEN = {"lights.mark.forward[0].voltage_v": 1.9, "lights.mark.forward[0].current_a": 2e-3}
GADGET = """
[gadget]
name = "Winking reader"
about = "A button read by sampling, and a mark that winks."

[cell]
curve = "nmc"
capacity = "500 mAh"
cut_off = "3.0 V"

[controller]
awake = "1 mA"
asleep = { value = "2 uA", standing = "guess" }

[lights.mark]
resistor = "1k"
forward = [{ value = "1.9 V @ 2 mA", standing = "guess" }, "2.0 V @ 20 mA"]

[buttons.key]
style = "sample"
sample_every = { value = "13 ms", standing = "guess" }
samples = 2

[behaviour.night]
starts = "pause"
states.pause = {}
states.wink = { mark = "on" }
rows = [
  { after = "1200 ms", from = "pause", to = "wink" },
  { after = "100 ms", from = "wink", to = "pause" },
]
"""
LOG = """
gadget = "gadget.toml"

[unknown]
"cell.capacity" = "400 mAh .. 600 mAh"
MORE

[[observations]]
name = "days"
start = "full"
steps = [{ wait = "20 days" }, { see = "cell.voltage > 3.2" }]
"""


METER = """[[observations]]
name = "meter"
mode = "night.pause"
reading = "180 uA ± 20 uA"
"""


@pytest.fixture
def log(tmp_path: Path):
    """A bench log of the winking reader, with these further unknowns and observations."""
    def made(more: str = "", seen: str = METER):
        (tmp_path / "gadget.toml").write_text(GADGET, encoding="utf-8")
        (tmp_path / "log.toml").write_text(LOG.replace("MORE", more) + seen, encoding="utf-8")
        return load_bench_log(tmp_path / "log.toml")

    return made


@pytest.mark.parametrize("most", [20, 50, 80, 120])
def test_an_observation_that_comes_round_too_late_is_left_out_and_told(log, monkeypatch, most):
    """Samples every so many nanoseconds beside winks hardly ever come round together."""
    monkeypatch.setattr(looking, "MOST_EACH", most)
    unknown = '"buttons.key.sample_every" = "11.1 ms .. 14.3 ms"'
    found = narrowing.narrow(log(unknown, ""), brief=True)
    (one,) = found.rivals
    assert (one.state, one.not_looked_at) == ("open", ("days",))
    assert not one.whole
    assert "not looked at: days" in narrowed_text(found)


def test_guesses_that_would_take_too_much_work_are_told(log, monkeypatch):
    """Of 14.3 ms beside 1.3 s a thousand samples pass before all comes round."""
    monkeypatch.setattr(looking, "MOST_EACH", 50)
    found = narrowing.narrow(log())
    assert found.rivals[0].guesses_not_tried == ("buttons.key.sample_every",)
    assert narrowed_json(found)["guesses_not_tried"] == ["buttons.key.sample_every"]
    assert "too much work: buttons.key.sample_every" in narrowed_text(found)
    monkeypatch.undo()
    assert narrowing.narrow(log()).rivals[0].guesses_not_tried == ()


def test_figures_that_are_moved_together_are_moved_by_round_factors(log, monkeypatch):
    """Times that come round together then still do."""
    seen = []
    monkeypatch.setattr(taken, "_moves", lambda before, after: 0.0)
    asked = looking.Looking.moved
    monkeypatch.setattr(looking.Looking, "moved", lambda self, number, figures, x: (
        seen.append(figures), asked(self, number, figures, x))[1])
    narrowing.narrow(log())
    together = [one for one in seen if len(one) > 1]
    assert together
    for figures in together:
        first, *others = [value / WRITTEN[key] for key, value in figures.items()]
        assert first == pytest.approx(1.1, rel=1e-9)
        assert [round(one, 9) for one in others] == [1.15]


def test_a_bound_of_instants_changes_nothing_of_a_run_that_keeps_it(log):
    """It ends a run that would take more, and that alone."""
    prepared = Prepared(next(iter(log().gadgets.values())))
    scenario = Scenario(gadget_path=Path(), charge=1.0, lasts_ns=86_400_000_000_000, steps=())

    def run(limit: int | None) -> Simulation:
        made = Simulation(prepared, scenario, 0, True, False, (), None, log=False)
        if limit is not None:
            made.limit = limit
        made.go()
        return made

    free = run(None)
    assert run(2 * free.steps).plant.charge == free.plant.charge
    with pytest.raises(TooMany):
        run(free.steps // 2)


def test_a_period_that_is_known_is_not_learned_again(tmp_path, monkeypatch):
    """Samples every 11.987 ms and winks come round late; between winks the same few things do."""
    made = []
    close = Folder._close
    monkeypatch.setattr(Folder, "_close", lambda self, *given: (
        made.append(close(self, *given)), made[-1])[1])
    (tmp_path / "gadget.toml").write_text(GADGET.replace("13 ms", "11.987 ms"), encoding="utf-8")
    gadget = load_gadget(tmp_path / "gadget.toml")
    found = mean_current(Prepared(gadget), (("night", "pause"),), charge=1.0)
    assert found.current_a == pytest.approx(178e-6, rel=1e-2)
    assert len([one for one in made if one is not None]) <= 10


def test_what_a_mode_lasts_beyond_the_work_is_told_as_about(tmp_path, monkeypatch):
    """At the mean drain from there on, which is little off what all the way would tell."""
    (tmp_path / "gadget.toml").write_text(GADGET.replace("13 ms", "13.1 ms"), encoding="utf-8")
    gadget = load_gadget(tmp_path / "gadget.toml")
    found = survey(gadget)
    (whole,) = found.modes
    assert not whole.run_time_about
    assert not re.search(r"about \d", modes_text(gadget, found))
    monkeypatch.setattr(lasting, "MOST_INSTANTS", 300)
    found = survey(gadget)
    (about,) = found.modes
    assert about.run_time_about
    assert about.run_time_s == pytest.approx(whole.run_time_s, rel=1e-3)
    assert about.ends_by == whole.ends_by
    assert re.search(r"about \d", modes_text(gadget, found))
    assert modes_json(gadget, found)["modes"][0]["run_time_about"] is True
