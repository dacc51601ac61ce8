"""One instant wakes the controller once, whoever wakes it: as in a run, and by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simfw.life import effort, waking
from simfw.life import registers as k
from simfw.life.life import life
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS
from tests.life.beside_run import run_beside
from tests.life.made import SENSOR, head, pattern
from tests.life.test_loop import ready

GALLERY = Path(__file__).parents[1] / "gallery"

READERS = """
[gadget]
name = "Readers"
[cell]
curve = "lco"
capacity = "200 mAh"
[controller]
awake = "2 mA"
asleep = "1 uA"
wake = "50 nC"
"""


def reader(name: str, every_ns: int) -> str:
    """A contact that is read on a grid."""
    return f'[buttons.{name}]\nstyle = "sample"\nsamples = 3\nsample_every = "{every_ns} ns"\n'


def pulse(name: str, asleep_ns: int, awake_ns: int) -> str:
    """A region that goes round between sleep and work."""
    return f"""
[behaviour.{name}]
starts = "off"
states.off = {{}}
states.on = {{ controller = "awake" }}
rows = [
  {{ after = "{asleep_ns} ns", from = "off", to = "on" }},
  {{ after = "{awake_ns} ns", from = "on", to = "off" }},
]
"""


def used_c(folder: Path, text: str, until: int, *, fast: bool = False) -> tuple[float, float]:
    """What is drawn until a time (ns) with nobody there: over a pattern, and in a run."""
    user = ready(pattern(folder, text, head(charge="80 %")), fast=fast)
    stimuli, _ = user.stimuli(0, until)
    run = run_beside(user, stimuli, until)
    return float(user.world.f[k.USED]), run.charge_used_c


@pytest.mark.parametrize("fast", [False, True])
def test_two_contacts_read_on_one_instant_wake_the_controller_once(
    tmp_path: Path, fast: bool
) -> None:
    """Every 3 ms and every 7 ms: 1/3 + 1/7 - 1/21 = 3/7 instants a ms, each 50 nC, and 1 uA."""
    if fast:
        pytest.importorskip("numba")
    (tmp_path / "pattern.toml").write_text(
        f'gadget = "{GALLERY}/two-readers/gadget.toml"\ncharge = "100 %"\nhorizon = "2 days"\n',
        encoding="utf-8")
    found = life(load_pattern(tmp_path / "pattern.toml"), users=1, study=False, fast=fast)
    assert found.average_current_a == pytest.approx(3e3 / 7 * 50e-9 + 1e-6, rel=1e-6)


def test_three_contacts_read_on_one_grid_wake_it_once_each_time(tmp_path: Path) -> None:
    """All every 20 ms: 50 instants a second, not 150."""
    text = READERS + "".join(reader(name, 20_000_000) for name in "abc")
    ours, run = used_c(tmp_path, text, 1000 * 10**9)
    assert ours == pytest.approx(1000 * (50 * 50e-9 + 1e-6), rel=1e-6)
    assert ours == pytest.approx(run, abs=60e-9)  # the last read is the next stretch's


MS = 10**6
LENGTHS = st.sampled_from([3, 4, 5, 6, 7, 10, 12, 20])  # ms; all go into 420 ms


@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    grids=st.lists(LENGTHS, max_size=3),
    pulses=st.lists(st.tuples(LENGTHS, st.integers(1, 99)), max_size=3),
)
def test_what_wakes_and_keeps_awake_costs_what_it_costs_in_a_run(
    tmp_path: Path, grids: list[int], pulses: list[tuple[int, int]]
) -> None:
    """Contacts read on grids beside regions that work for a share of their time, over 42 s."""
    text = READERS
    for n, every in enumerate(grids):
        text += reader(f"b{n}", every * MS)
    for n, (lasts, share) in enumerate(pulses):
        awake = lasts * MS * share // 100
        text += pulse(f"p{n}", lasts * MS - awake, awake)
    if not grids and not pulses:
        text += reader("b", 20 * MS)
    ours, run = used_c(tmp_path, text, 42 * 10**9)
    # What happens at the very end is the next stretch's.
    assert ours == pytest.approx(run, rel=1e-6, abs=4 * 50e-9)


def test_periods_that_never_meet_are_mixed_by_their_shares(tmp_path: Path) -> None:
    """Two grids and a pulse without a short common period: each by chance, within a thousandth.

    2 mA awake for 3 of 13.000007 ms; contacts every 20 and 17.000003 ms wake nobody then.
    """
    text = READERS + reader("a", 20_000_000) + reader("b", 17_000_003)
    text += pulse("p", 10_000_007, 3_000_000)
    ours, run = used_c(tmp_path, text, 60 * 10**9)
    awake = 3_000_000 / 13_000_007
    wakes_hz = (1 - awake) * (1e9 / 20_000_000 + 1e9 / 17_000_003) + 1e9 / 13_000_007
    by_hand = 60 * (1e-6 + awake * (2e-3 - 1e-6) + wakes_hz * 50e-9)
    assert ours == pytest.approx(by_hand, rel=1e-6)
    assert ours == pytest.approx(run, rel=1e-3)


def test_looks_that_begin_at_any_time_are_counted_where_they_stand(tmp_path: Path) -> None:
    """A sensor is armed by a press: its looks fall between, or on, the reads of the contact."""
    text = SENSOR.format(every="100 ms", agree=1).replace(
        "[proximity.wave]", '[proximity.wave]\nenabled = "sensor.armed"')
    text += '[controller]\nawake = "2 mA"\nasleep = "1 uA"\nwake = "40 uC"\n'
    text += reader("key", 20 * MS)
    text += """
[behaviour.sensor]
starts = "idle"
states.idle = {}
states.armed = {}
rows = [
  { on = "key.press", from = "idle", to = "armed" },
  { on = "key.press", from = "armed", to = "idle" },
]
"""
    habits = """
[[habits]]
name = "arm"
times = 40
steps = [ { press = "key", for = "200 ms" } ]
"""
    user = ready(pattern(tmp_path, text, head(charge="80 %") + habits))
    stimuli, _ = user.stimuli(0, DAY_NS)
    run = run_beside(user, stimuli, DAY_NS)
    assert user.world.f[k.USED] == pytest.approx(run.charge_used_c, rel=1e-5)


TICKS = """
[behaviour.clock]
starts = "wait"
states.wait = {{}}
rows = [ {{ after = "{every} ms", from = "wait", to = "wait", emit = "clock.tick" }} ]
[behaviour.work]
starts = "off"
states.off = {{}}
states.on = {{ controller = "awake" }}
rows = [
  {{ on = "clock.tick", from = "off", to = "on" }},
  {{ after = "{lasts} ms", from = "on", to = "off" }},
]
"""


@pytest.mark.parametrize(("every", "lasts"), [(1000, 5), (1010, 50), (210, 7), (60, 25)])
def test_a_tick_that_others_hear_on_a_read_of_a_contact_wakes_no_second_time(
    tmp_path: Path, every: int, lasts: int
) -> None:
    """Every 20 ms a contact is read; a tick that falls on a read finds the controller awake."""
    text = READERS + reader("a", 20 * MS) + TICKS.format(every=every, lasts=lasts)
    ours, run = used_c(tmp_path, text, 840 * 10**9)
    assert ours == pytest.approx(run, rel=1e-6, abs=4 * 50e-9)


def test_what_stands_so_again_is_not_counted_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looks every 61 ms and reads of a contact every 20 ms, stirred by forty presses a day: they
    stand to one another as before, so that one count does, and what is drawn is the same to the
    last digit as where each is made anew.
    """
    text = SENSOR.format(every="61 ms", agree=1)
    text += '[controller]\nawake = "2 mA"\nasleep = "1 uA"\nwake = "40 uC"\n'
    text += reader("key", 20 * MS)
    habits = """
[[habits]]
name = "press"
times = 40
steps = [ { press = "key", for = "200 ms" } ]
"""
    written = pattern(tmp_path, text, head(charge="80 %") + habits)

    def lived() -> tuple[float, int]:
        user = ready(written)
        user.go(user.stimuli(0, DAY_NS)[0], DAY_NS)
        return float(user.world.f[k.USED]), int(user.world.i[k.MOMENTS])

    used, moments = lived()

    def nothing(_: k.Tables, w: k.World) -> bool:
        w.i[k.WAKE_PLACE] = k.KEPT_COUNTS
        return False

    monkeypatch.setattr(waking, "recall_count", nothing)
    same, more = lived()
    assert used == same
    assert more > 5 * moments


def test_counting_wakings_counts_as_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three regions that go round beside one another: their wakings are counted over a minute, at
    some thousand moments, which is more work than what happens in three days without anybody.
    """
    text = READERS + "".join(
        pulse(name, every * 10**6 - 3 * 10**6, 3 * 10**6)
        for name, every in (("left", 100), ("right", 150), ("slow", 60_000)))
    written = pattern(tmp_path, text, head(charge="80 %"))
    work = effort.instants(written, 1, study=False)
    monkeypatch.setattr(effort, "MOMENT", 0.0)
    assert work > 1.5 * effort.instants(written, 1, study=False)
