"""Work done in another process meanwhile: what it gives back, and what happens when it is lost."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import pytest

from simfw import beside
from simfw.beside import Beside, usable_cores
from simfw.errors import RunError

ROOT = Path(__file__).parents[1]


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


def dies_while_it_tells(home: int) -> bytes:
    """Its process is lost in the middle of sending what it gives back."""
    if os.getpid() != home:
        pipe: Any = Connection
        whole = pipe._send

        def half(self: object, data: memoryview) -> None:
            whole(self, memoryview(bytes(data)[: len(data) // 2]))
            os.kill(os.getpid(), signal.SIGKILL)

        pipe._send = half
    return bytes(100)


def test_a_process_lost_while_it_tells_its_result_costs_no_result() -> None:
    """Half a result is no result: the work is done here, and nobody waits for the other half.

    In a process of its own, which is ended where it waits for ever.
    """
    call = ("import os; from simfw import beside; from tests.test_beside import *\n"
            "beside.usable_cores = lambda: 2\n"
            "with Beside(dies_while_it_tells, os.getpid()) as work:\n"
            "    print(len(work.result()))")
    done = subprocess.run([sys.executable, "-c", call], capture_output=True, text=True, cwd=ROOT,
                          timeout=60, check=False)  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "100\n"), done.stderr


def test_what_is_not_asked_for_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaving the block without the result ends the other process."""
    monkeypatch.setattr(beside, "usable_cores", lambda: 2)
    with Beside(signal.pause):
        pass
    assert not multiprocessing.active_children()


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
    monkeypatch.setattr(beside, "Process", refused)
    with Beside(where, 3) as work:
        assert work.result() == (3, os.getpid())


def test_at_least_one_core_is_usable() -> None:
    """The count of cores is a count."""
    assert usable_cores() >= 1


KILLED = """
import os, sys, time
from concurrent.futures import ProcessPoolExecutor
from simfw.beside import begin_worker
if __name__ == "__main__":
    pool = ProcessPoolExecutor(max_workers=2, initializer=begin_worker)
    futures = [pool.submit(time.sleep, 600) for _ in range(4)]
    while len(pool._processes) < 2 or not all(p.is_alive() for p in pool._processes.values()):
        time.sleep(0.01)
    pool.submit(os.getpid)
    time.sleep(0.3)
    print(*pool._processes, flush=True)
    time.sleep(600)
"""


def alive(number: int) -> bool:
    """Whether a process goes on; one that has ended and was not waited for yet does not."""
    status = Path(f"/proc/{number}/stat")
    try:
        return status.read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to look into")
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_killed_command_leaves_no_workers(number: signal.Signals) -> None:
    """They would wait for work for ever; they end with the process that they work for."""
    with subprocess.Popen([sys.executable, "-c", KILLED], stdout=subprocess.PIPE, text=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT)}) as process:  # fmt: skip
        assert process.stdout is not None
        workers = [int(word) for word in process.stdout.readline().split()]
        assert len(workers) == 2
        assert all(alive(worker) for worker in workers)
        process.send_signal(number)
        process.wait()
        for _ in range(500):
            if not any(alive(worker) for worker in workers):
                break
            time.sleep(0.02)
        left = [worker for worker in workers if alive(worker)]
        for worker in left:
            os.kill(worker, signal.SIGKILL)
    assert left == []
