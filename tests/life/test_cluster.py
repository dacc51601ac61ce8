"""Work sent to the workers of a scheduler: same numbers, whoever is lost meanwhile."""

from __future__ import annotations

import http.server
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from simfw.errors import RunError, UsageError
from simfw.life import cluster as cluster_module
from simfw.life import work
from simfw.life.cluster import Cluster
from simfw.life.life import life
from simfw.report.life import life_json
from simfw.stimuli.pattern import Pattern
from tests.life.made import EVENING, head, lamp, pattern

distributed = pytest.importorskip("distributed")

RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')
USERS = 40
LOCAL: dict[str, Any] = {
    "threads_per_worker": 1, "dashboard_address": None, "host": "127.0.0.1", "protocol": "tcp",
    "silence_logs": 60,
}


@pytest.fixture
def made(tmp_path: Path) -> Pattern:
    """A lamp that is empty after a few evenings."""
    return pattern(tmp_path, lamp(capacity="60 mAh ± 10 %"), head(horizon="1 day") + RANDOM)


@pytest.fixture
def local() -> Iterator[Any]:
    """A scheduler with two workers, all in this process."""
    with distributed.LocalCluster(n_workers=2, processes=False, **LOCAL) as found:
        yield found


def test_cluster_gives_the_numbers_of_one_process(made: Pattern, local: Any) -> None:
    """The workers of a scheduler change how long it takes, not the answer."""
    here = life_json(life(made, users=USERS, study=False))
    with Cluster(local.scheduler_address) as workers:
        assert life_json(life(made, users=USERS, study=False, workers=workers)) == here
        assert life_json(life(made, users=USERS, study=False, workers=workers)) == here


def test_lost_worker_costs_time_and_no_results(made: Pattern) -> None:
    """A worker killed with groups in hand: others do them again, and the numbers are the same."""
    here = life_json(life(made, users=USERS, study=False))
    killed: list[int] = []
    with distributed.LocalCluster(n_workers=2, processes=True, **LOCAL) as local:
        victim = next(iter(local.workers.values())).pid

        def kill(done: int, _: int) -> None:
            if done >= USERS // 4 and not killed:
                killed.append(done)
                os.kill(victim, signal.SIGKILL)

        with Cluster(local.scheduler_address) as workers:
            found = life(made, users=USERS, study=False, workers=workers, progress=kill)
    assert killed
    assert killed[0] < USERS
    assert life_json(found) == here


def test_mistakes_of_a_model_come_back_from_a_worker(
    made: Pattern, local: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error that a task raises on purpose is told as if it were raised here."""
    monkeypatch.setattr(work, "__version__", "9.9")
    with (
        Cluster(local.scheduler_address) as workers,
        pytest.raises(RunError, match="install the same version for all"),
    ):
        life(made, users=2, study=False, workers=workers)


class Told:
    """A future that ends with an error."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def result(self) -> None:
        """Raise it."""
        raise self._error


def test_what_workers_cannot_do_is_told(local: Any) -> None:
    """A missing package, workers lost again and again, a scheduler that goes: whole messages."""
    wrapped = RuntimeError("Error during deserialization of the task graph")
    wrapped.__cause__ = ModuleNotFoundError("No module named 'simfw'", name="simfw")
    with Cluster(local.scheduler_address) as workers:
        for error, wanted in (
            (ModuleNotFoundError("No module", name="scipy"), 'a worker has no "scipy"'),
            (wrapped, 'a worker has no "simfw". Install simfw with the same packages'),
            (distributed.client.FutureCancelledError("x", "y"), "the scheduler answers no more"),
            (distributed.KilledWorker("x", "w", 3), "were lost over the same users"),
        ):
            with pytest.raises(RunError) as caught:
                workers._result(Told(error))
            assert wanted in str(caught.value)
            assert f"--cluster {local.scheduler_address}: " in str(caught.value)
        with pytest.raises(RuntimeError, match="something else"):
            workers._result(Told(RuntimeError("something else")))


def test_scheduler_that_goes_is_told(
    made: Pattern, local: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scheduler that closes in the middle is a message, and nothing hangs."""
    with Cluster(local.scheduler_address) as workers:
        def gone() -> None:
            raise OSError("Timed out trying to connect")

        monkeypatch.setattr(workers._client, "nthreads", gone)
        with pytest.raises(RunError, match="the scheduler answers no more"):
            life(made, users=2, study=False, workers=workers)


@pytest.mark.parametrize(
    ("address", "wanted"),
    [
        ("nonsense", "this is not the address of a scheduler (missing port number"),
        ("teapot://127.0.0.1:8786", "this is not the address of a scheduler (unknown address"),
        ("", "this is not the address of a scheduler"),
        ("127.0.0.1:8786x", "this is not the address of a scheduler"),
    ],
)
def test_text_that_is_no_address_is_refused(address: str, wanted: str) -> None:
    """What is wrong with it, and how an address is written."""
    with pytest.raises(UsageError) as caught:
        Cluster(address)
    assert wanted in str(caught.value)
    assert "Write HOST:PORT, for example 192.0.2.7:8786." in str(caught.value)


def free_port() -> int:
    """A port of this machine on which nobody listens."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
    return port


def test_address_without_a_scheduler_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody there, a silent server, one that talks something else: no scheduler answers."""
    monkeypatch.setattr(cluster_module, "ANSWER_S", 0.3)
    web = http.server.ThreadingHTTPServer(("127.0.0.1", 0), http.server.BaseHTTPRequestHandler)
    monkeypatch.setattr(web.RequestHandlerClass, "log_message", lambda *_: None)
    threading.Thread(target=web.serve_forever, daemon=True).start()
    talks = socket.create_server(("127.0.0.1", 0))

    def greet() -> None:
        with talks.accept()[0] as one:
            one.sendall(b"220 mail.example ready\r\n" * 4)

    threading.Thread(target=greet, daemon=True).start()
    with socket.create_server(("127.0.0.1", 0)) as silent, talks:
        for port in (free_port(), silent.getsockname()[1], talks.getsockname()[1],
                     web.server_port):
            with pytest.raises(UsageError) as caught:
                Cluster(f"127.0.0.1:{port}")
            assert str(caught.value) == (
                f"--cluster 127.0.0.1:{port}: no scheduler answers there. Start one with "
                '"dask scheduler", or give its address (HOST:PORT, as it prints it).'
            )
    web.shutdown()
    web.server_close()


def test_address_of_a_worker_is_refused(local: Any) -> None:
    """The address of a worker instead of that of its scheduler is told apart."""
    worker = next(iter(local.workers.values())).address
    with pytest.raises(UsageError, match="a worker answers there, no scheduler"):
        Cluster(worker)


def test_scheduler_without_workers_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without workers a study would wait for ever."""
    monkeypatch.setattr(cluster_module, "WORKERS_S", 0.2)
    with (
        distributed.LocalCluster(n_workers=0, processes=False, **LOCAL) as local,
        pytest.raises(UsageError, match="the scheduler there has no workers"),
    ):
        Cluster(local.scheduler_address)


def test_missing_extra_is_told(tmp_path: Path) -> None:
    """Without the library, the message names the extra, and the exit status is 2."""
    (tmp_path / "distributed.py").write_text(
        "raise ModuleNotFoundError(\"No module named 'distributed'\", name='distributed')\n"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-m", "simfw", "life",
         str(root / "scenarios/key-hook/comings-and-goings.toml"), "--cluster", "127.0.0.1:8786"],
        capture_output=True, text=True, check=False, cwd=root,
        env={**os.environ, "PYTHONPATH": f"{tmp_path}:{root}"},
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == (
        '--cluster needs the extra "cluster": pip install "simfw[cluster]".\n'
    )
