"""What a model's account passes over is written out, and a firmware is held against all of it."""

import sys
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.conform import coarse
from simfw.conform.firmware import Drive, Firmware
from simfw.vectors import replay as replay_module
from simfw.vectors.replay import Exchange, Replay, Report

END = 100_000
FROM_THE_FILE = "import pathlib\nprint(pathlib.Path(__file__ + '.txt').read_text(), end='')\n"


def level(at, name, value):
    """An output takes a level."""
    return Report("out", at, name, value)


def spoken(reports, repeats, ends=END):
    """An account of one message; `repeats` are (after, up to, period)."""
    message = Exchange((f"until {ends}",), tuple(reports))
    return Replay(exchanges=[Exchange(("off 0",), ()), message],
                  left_out=[(after, up_to) for after, up_to, _ in repeats],
                  periods_ns=[period for _, _, period in repeats])  # fmt: skip


def written_out(account):
    """Every report of it."""
    return [report for one in account.unrolled.exchanges for report in one.reports]


@given(first=st.integers(0, 50), quick=st.integers(2, 9), inner=st.integers(0, 6),
       rest=st.integers(1, 9), outer=st.integers(0, 6))  # fmt: skip
def test_a_stretch_inside_the_period_of_another_is_written_out_each_time(
    first, quick, inner, rest, outer
):
    """A quick period of two reports that goes on `inner` times more, in a slow one that ends with
    a report of its own and goes on `outer` times more.
    """
    pair = [level(first + 1, "a", 1), level(first + quick, "a", 0)]
    slow = quick * (inner + 1) + rest
    whole = [
        replace(report, time_ns=report.time_ns + turn * slow + again * quick)
        for turn in range(outer + 1) for again in range(inner + 1) for report in pair
    ] + [level(first + (turn + 1) * slow, "b", 0) for turn in range(outer + 1)]  # fmt: skip
    told = [*pair, level(first + slow, "b", 0), level(END - 1, "a", 1)]
    near = first + quick
    repeats = [(first + slow, first + slow + outer * slow, slow)]
    repeats += [(near, near + inner * quick, quick)] if inner else []
    found = written_out(spoken(told, repeats))
    assert found == [*sorted(whole, key=lambda report: report.time_ns), told[-1]]


def test_a_message_that_begins_in_the_period_before_does_not_move_what_is_repeated():
    """What follows the second message is told in the answer to the third, each time again."""
    account = Replay(
        exchanges=[Exchange(("set x 1", "step 10"), (level(10, "a", 1),)),
                   Exchange(("step 20",), (level(20, "a", 0),)), Exchange(("until 99",), ())],
        left_out=[(20, 60)], periods_ns=[20],
    )  # fmt: skip
    exchanges = account.unrolled.exchanges
    assert [len(one.reports) for one in exchanges] == [1, 1, 4]
    assert [one.lines for one in exchanges] == [one.lines for one in account.exchanges]
    assert exchanges[2].reports == tuple(
        level(at, "a", value) for at, value in ((30, 1), (40, 0), (50, 1), (60, 0)))


def test_an_account_without_end_ends_after_a_number_of_reports(monkeypatch):
    """Inside of a stretch, after a whole period; what comes later is not asked for."""
    monkeypatch.setattr(replay_module, "MOST_REPORTS", 9)
    account = spoken([level(5, "a", 1), level(10, "a", 0), level(900, "a", 1)],
                     [(10, 800, 10)], ends=1000)  # fmt: skip
    assert account.unrolled.ends_ns == 40
    assert account.unrolled.exchanges[-1].lines == ("until 41",)
    assert [report.time_ns for report in written_out(account)] == [5, 10, 15, 20, 25, 30, 35, 40]
    silent = spoken([level(900, "a", 1)], [(10, 800, 10)], ends=1000)
    assert silent.unrolled.ends_ns is None


def test_a_stretch_in_which_nothing_is_told_costs_nothing_however_often_it_comes_round():
    """A season of a clock of milliseconds that nobody sees: as many periods as it likes."""
    season = spoken([level(5, "a", 1), level(10**16, "a", 0)], [(20, 10**15, 10)], ends=10**17)
    assert [report.time_ns for report in written_out(season)] == [5, 10**16]
    assert season.unrolled.ends_ns is None


def told_by_rote(tmp_path, lines):
    """A firmware that says the same whatever it is told."""
    path = tmp_path / "rote.py"
    path.write_text(f"#!{sys.executable}\n{FROM_THE_FILE}", encoding="utf-8")
    path.chmod(0o755)
    (tmp_path / "rote.py.txt").write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


@pytest.mark.parametrize("off_ns", [0, 1, -1])
def test_periods_that_are_a_little_too_long_or_too_short_add_up(tmp_path, off_ns):
    """Each is within 10 ns of the one before it; from the eleventh on none is of the model's."""
    account = spoken([level(50, "a", 1), level(100, "a", 0)], [(100, 20_000, 100)], ends=20_001)
    lines = [f"out {turn * (100 + off_ns) + since} a {value}"
             for turn in range(200) for since, value in ((50, 1), (100, 0))]  # fmt: skip
    firmware = Firmware(told_by_rote(tmp_path, ["ok", *lines, "ok"]), within_ns=10)
    found = firmware.differs(Drive("v", 0.5, (), 20_001, account))
    assert (found is None) == (off_ns == 0)
    assert found is None or found.time_ns == 11 * 100 + 50 + min(0, 11 * off_ns)


def apart(wanted, told, tick_ns):
    """What of two accounts of an output or of waking differs, times allowed to be a tick off."""
    accounts = [[(int(line.split(" ")[1]), line) for line in lines] for lines in (wanted, told)]
    end = Exchange(("until 1000000",), ())
    return coarse.first_apart([end], {("x",): accounts[1]}, {("x",): accounts[0]}, tick_ns, tick_ns)


@pytest.mark.parametrize(("lines", "seen"), [
    (["sleep 2600", "wake 3000"], False),  # a firmware that counts in thousands is awake all along
    (["sleep 2600", "wake 3600"], True),
    (["out 2600 lamp 5", "out 3100 lamp 0"], False),
    (["out 2600 lamp 5", "out 3100 lamp 7"], True),
    (["event 2600 key.press", "event 3100 key.press"], True),
])
def test_what_is_done_and_undone_within_a_tick_need_not_be_told(lines, seen):
    """Nor need the model know of it; what stays, and each event, has to be told."""
    for wanted, told in ((lines, []), ([], lines)):
        assert (apart(wanted, told, 1000) is not None) == seen
        rest = {"s": "sleep 90000", "o": "out 90000 lamp 9", "e": "event 90000 x"}[lines[0][0]]
        assert (apart([*wanted, rest], [*told, rest], 1000) is not None) == seen
