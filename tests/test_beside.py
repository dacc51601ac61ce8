"""Work done in another process meanwhile: what it gives back, and what happens when it is lost."""

import os
import signal

import pytest

from simfw import beside
from simfw.beside import Beside, usable_cores
from simfw.errors import RunError


def where(number: int) -> tuple[int, int]:
    """A pure function but for telling who called it."""
    return number, os.getpid()


def refuses(text: str) -> int:
    """A function that cannot do what it is asked."""
    raise RunError(text)


def dies_elsewhere(home: int) -> int:
    """Ends its process, unless it is called in the one it came from."""
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return home


def test_another_process_does_the_work_where_there_is_a_second_core(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With two cores the result comes from another process, with one from this."""
    found = {}
    for cores in (1, 2):
        monkeypatch.setattr(beside, "usable_cores", lambda cores=cores: cores)
        with Beside(where, 7) as work:
            found[cores] = work.result()
    assert found[1] == (7, os.getpid())
    assert found[2][0] == 7
    assert found[2][1] != os.getpid()


@pytest.mark.parametrize("cores", [1, 2])
def test_what_the_function_raises_is_raised_where_the_result_is_asked_for(
    cores: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mistake is told as if the function had been called here."""
    monkeypatch.setattr(beside, "usable_cores", lambda: cores)
    with pytest.raises(RunError, match="cannot"), Beside(refuses, "it cannot") as work:
        work.result()


def test_a_lost_process_costs_time_but_no_result(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the other process is killed, the work is done here."""
    monkeypatch.setattr(beside, "usable_cores", lambda: 2)
    with Beside(dies_elsewhere, os.getpid()) as work:
        assert work.result() == os.getpid()


def test_an_error_meanwhile_does_not_wait_for_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaving by an error ends the other process, however long it would go on."""
    monkeypatch.setattr(beside, "usable_cores", lambda: 2)
    with pytest.raises(KeyError), Beside(signal.pause) as work:
        raise KeyError(work)


def test_where_no_process_can_be_made_the_work_is_done_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A machine without semaphores or further processes gives the same result."""

    def refused(**_: object) -> None:
        raise OSError("no semaphores here")

    monkeypatch.setattr(beside, "usable_cores", lambda: 2)
    monkeypatch.setattr(beside, "ProcessPoolExecutor", refused)
    with Beside(where, 3) as work:
        assert work.result() == (3, os.getpid())


def test_at_least_one_core_is_usable() -> None:
    """The count of cores is a count."""
    assert usable_cores() >= 1
