"""Proximity: looks and the field, walked by hand at exact edges."""

import pytest

from simfw.behaviour.stock import burst_ns
from tests.behaviour.bench import MS, Bench, gadget

NS = 1 / MS


def sensor(agree=2, more=""):
    """A sensor with looks of 2 + 1 ms every 100 ms; echoes are judged at 3, 103, 203 ms ..."""
    return f"""
[proximity.wave]
every = "100 ms"
settle = "2 ms"
agree = {agree}
clear = "250 ms"
carrier = "38 kHz"
duty = "50 %"
burst = 38
{more}
"""


def test_a_burst_is_its_cycles_to_the_nearest_nanosecond():
    """24 cycles of 38 kHz last 631578.947... ns."""
    part = gadget(sensor().replace("burst = 38", "burst = 24")).proximity["wave"]
    assert burst_ns(part) == 631_579


def test_looks_start_every_so_often_from_the_moment_the_sensor_is_wanted():
    """Without `enabled` the first look begins at power-up, look k at k times `every`."""
    bench = Bench(sensor())
    seen = []
    for ms in (0, 1.9, 2.1, 2.9, 3.1, 99.9, 100.1, 102.1, 103.1, 1000.1):
        bench.until(ms)
        seen.append(bench.state("wave.look"))
    assert seen == ["settling", "settling", "emitting", "emitting", "asleep", "asleep", "settling",
                    "emitting", "asleep", "settling"]  # fmt: skip


def test_a_look_drives_receiver_and_emitter():
    """The receiver is on while settling and emitting, the emitter in the burst at carrier duty."""
    look = Bench(sensor()).system.region("wave.look")
    driven = {state.name: {name: drive.duty for name, drive in state.outputs.items()}
              for state in look.states}
    assert driven == {
        "asleep": {},
        "settling": {"wave.receiver": 1.0},
        "emitting": {"wave.receiver": 1.0, "wave.emitter": 0.5},
    }
    assert [state.name for state in look.states if state.awake] == ["settling", "emitting"]


@pytest.mark.parametrize(("agree", "near_ms"), [(1, 103), (2, 203), (3, 303)])
def test_as_many_echoes_as_must_agree_make_near_and_a_wave(agree, near_ms):
    """The hand comes at 50 ms; the look at 100 ms is the first to see it."""
    bench = Bench(sensor(agree))
    bench.echo("wave", 50, True)
    assert bench.until(1000) == [(near_ms, "wave.near"), (near_ms, "wave.wave")]


@pytest.mark.parametrize(("agree", "far_ms"), [(1, 603), (2, 703), (3, 803)])
def test_as_many_misses_make_far(agree, far_ms):
    """The hand goes at 550 ms; as many looks must miss it as had to see it."""
    bench = Bench(sensor(agree))
    bench.echo("wave", 50, True)
    bench.echo("wave", 550, False)
    assert bench.until(2000)[2:] == [(far_ms, "wave.far")]


def test_the_hand_is_judged_at_the_end_of_the_burst():
    """A hand that comes 1 ns before the end of the burst is seen, one that comes after is not."""
    for ms, near in ((103 - NS, 203), (103, 203), (103 + NS, 303)):
        bench = Bench(sensor())
        bench.echo("wave", ms, True)
        assert bench.until(1000)[0] == (near, "wave.near")


def test_a_single_echo_is_not_enough():
    """One hit between misses starts the count anew each time."""
    bench = Bench(sensor())
    for look in range(1, 9, 2):
        bench.echo("wave", 100 * look, True)
        bench.echo("wave", 100 * look + 50, False)
    assert bench.until(2000) == []
    assert bench.state("wave.field") == "clear"


def test_a_single_miss_does_not_end_near():
    """A miss between hits starts the count of misses anew."""
    bench = Bench(sensor())
    bench.echo("wave", 50, True)
    bench.echo("wave", 350, False)
    bench.echo("wave", 450, True)
    bench.until(404)
    assert bench.state("wave.field") == "near.1"
    assert bench.until(2000) == [(203, "wave.near"), (203, "wave.wave")]
    assert bench.state("wave.field") == "near"


def test_a_hand_that_returns_before_the_field_was_clear_is_no_new_wave():
    """Far at 503 ms, again near at 703 ms, within the re-arm time: near without wave."""
    bench = Bench(sensor())
    bench.echo("wave", 50, True)
    bench.echo("wave", 350, False)
    bench.echo("wave", 550, True)
    assert bench.until(2000) == [
        (203, "wave.near"), (203, "wave.wave"), (503, "wave.far"), (703, "wave.near"),
    ]  # fmt: skip


def test_after_the_re_arm_time_the_next_wave_counts():
    """Far at 503 ms, clear at 753 ms: echoes at 803 and 903 ms are a wave."""
    bench = Bench(sensor())
    bench.echo("wave", 50, True)
    bench.echo("wave", 350, False)
    bench.until(753)
    assert bench.state("wave.field") == "blocked"
    bench.until(753 + NS)
    assert bench.state("wave.field") == "clear"
    bench.echo("wave", 760, True)
    assert bench.until(2000)[3:] == [(903, "wave.near"), (903, "wave.wave")]


def test_a_single_echo_while_blocked_starts_the_re_arm_time_anew():
    """An echo at 603 ms, a miss at 703 ms: the field is clear 250 ms after that miss."""
    bench = Bench(sensor())
    bench.echo("wave", 50, True)
    bench.echo("wave", 350, False)
    bench.echo("wave", 550, True)
    bench.echo("wave", 650, False)
    bench.until(953)
    assert bench.state("wave.field") == "blocked"
    bench.until(953 + NS)
    assert bench.state("wave.field") == "clear"


def test_an_echo_that_ends_the_re_arm_time_in_the_same_instant_loses():
    """Look and re-arm time end together: the re-arm time is the earlier in the queue."""
    bench = Bench(sensor().replace("250 ms", "200 ms"))
    bench.echo("wave", 50, True)
    bench.echo("wave", 350, False)
    bench.echo("wave", 650, True)
    assert bench.until(1000)[3:] == [(803, "wave.near"), (803, "wave.wave")]


SWITCHED = """
[lights.lamp]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[buttons.power]
[behaviour.sensor]
starts = "off"
states.off = {}
states.on = {}
rows = [
  { on = "power.press", from = "off", to = "on" },
  { on = "power.press", from = "on", to = "off" },
]
"""


def switched(agree=2):
    """A sensor that a button turns on and off; presses settle 20 ms after their first edge."""
    return SWITCHED + sensor(agree, 'enabled = "sensor.on"')


def test_looks_begin_when_the_sensor_becomes_wanted():
    """Nothing looks before; the phase begins with the press that settles at 37 ms."""
    bench = Bench(switched())
    bench.world.flags["wave.echo"] = True
    bench.contact("power", 17)
    bench.until(37)
    assert bench.state("wave.look") == "asleep"
    assert bench.until(1000) == [(37, "power.press"), (140, "wave.near"), (140, "wave.wave")]


def test_a_sensor_that_is_no_longer_wanted_stops_at_once_and_forgets():
    """Turned off in the middle of a burst: asleep, clear, no event; on again: a new phase."""
    bench = Bench(switched())
    bench.world.flags["wave.echo"] = True
    bench.contact("power", 0, 50, 202.5, 300, 400)
    bench.until(222.5)
    assert bench.state("wave.field") == "near"
    assert bench.state("wave.look") == "emitting"
    bench.until(223)
    assert bench.state("wave.field") == "clear"
    assert bench.state("wave.look") == "asleep"
    names = [event for event in bench.until(2000) if event[1].startswith("wave")]
    assert names == [
        (123, "wave.near"), (123, "wave.wave"), (523, "wave.near"), (523, "wave.wave")
    ]


def test_a_count_of_echoes_is_forgotten_when_the_sensor_is_turned_off():
    """One echo before, one after: two are needed after the sensor is wanted again."""
    bench = Bench(switched())
    bench.world.flags["wave.echo"] = True
    bench.contact("power", 0, 30, 60, 90, 120)
    bench.until(24)
    assert bench.state("wave.field") == "clear.1"
    assert [each for each in bench.until(400) if each[1].startswith("wave")] == [
        (243, "wave.near"), (243, "wave.wave")
    ]  # fmt: skip


def test_no_look_follows_while_the_sensor_is_not_wanted():
    """The dwell to the next look finds the guard false and is spent."""
    bench = Bench(switched())
    bench.contact("power", 0, 50, 60)
    bench.until(5000)
    assert bench.state("wave.look") == "asleep"


def test_turned_off_and_on_between_two_looks_the_phase_begins_anew():
    """Off at 80 ms, on at 170 ms: the looks are at 170, 270, ... instead of 120, 220, ..."""
    bench = Bench(switched(agree=1))
    bench.contact("power", 0, 30, 60, 100, 150)
    bench.echo("wave", 165, True)
    assert bench.until(300)[-2:] == [(173, "wave.near"), (173, "wave.wave")]


def test_looks_may_follow_each_other_without_a_pause():
    """`every` equal to settle and burst: the sensor sleeps for no time between two looks."""
    bench = Bench(sensor(1).replace('"100 ms"', '"3 ms"'))
    bench.echo("wave", 8.5, True)
    assert bench.until(20.5) == [(9, "wave.near"), (9, "wave.wave")]
    assert bench.state("wave.look") == "emitting"
