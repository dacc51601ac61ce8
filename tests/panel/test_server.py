"""The panel's server against whoever is not its page: refused, with nothing done."""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from simfw import RunError, UsageError, load_gadget, load_scenario, simulate
from simfw.cli import main
from simfw.commands import panel as command
from simfw.panel import server as served
from simfw.panel.panel import Panel
from simfw.panel.server import LARGEST_BODY, PanelServer

ROOT = Path(__file__).resolve().parents[2]
S = 10**9
MINE: Any = object()  # what the page itself would send


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a gadget of its own."""
    shutil.copytree(ROOT / "scenarios/key-hook", tmp_path / "hook")
    return tmp_path / "hook"


@pytest.fixture
def server(folder: Path) -> Iterator[PanelServer]:
    """A panel that is being served."""
    made = PanelServer(Panel(folder / "gadget.toml"))
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield made
    made.shutdown()
    made.server_close()
    thread.join()


def ask(
    server: PanelServer, what: str, body: Any = None, *, host: str | None = MINE,
    origin: str | None = MINE, token: str | None = MINE, kind: str | None = "application/json",
    method: str = "POST", page: str = "one", more: dict[str, str] | None = None,
) -> tuple[int, Any]:
    """A request as the page sends it, but for what is said otherwise: status, and the answer."""
    own = f"127.0.0.1:{server.server_port}"
    wanted = {
        "Host": own if host is MINE else host,
        "Origin": f"http://{own}" if origin is MINE else origin,
        served.TOKEN_HEADER: server.token if token is MINE else token, "Content-Type": kind,
        served.PAGE_HEADER: page,
    }  # fmt: skip
    data = body if isinstance(body, bytes) else json.dumps(body or {}).encode()
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    with contextlib.closing(connection):
        connection.putrequest(method, what, skip_host=True, skip_accept_encoding=True)
        for name, value in (wanted | {"Content-Length": str(len(data))} | (more or {})).items():
            if value is not None:
                connection.putheader(name, value)
        connection.endheaders(data)
        answer = connection.getresponse()
        text = answer.read()
    is_json = answer.headers.get_content_type() == "application/json" and text
    return answer.status, json.loads(text) if is_json else text


def test_the_page_and_its_files_are_served_with_a_strict_policy(server: PanelServer) -> None:
    """No inline script or style, nothing from elsewhere, in no frame."""
    for what in ("/", "/panel.js", "/panel.css", "/words.js"):
        connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
        connection.request("GET", what)
        answer = connection.getresponse()
        text = answer.read().decode()
        assert answer.status == 200
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert server.token not in text
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
        connection.close()


def test_what_the_page_asks_is_answered(server: PanelServer) -> None:
    """The gadget, then frames with what was done in them."""
    status, gadget = ask(server, "/do/gadget")
    assert status == 200
    assert gadget["name"] == "Key-hook light"
    deeds = [{"kind": "contact", "name": "key", "level": 1, "at_ns": S},
             {"kind": "contact", "name": "key", "level": 0, "at_ns": S + 10**8}]
    status, view = ask(server, "/do/frame", {"deeds": deeds, "to_ns": 2 * S})
    assert status == 200
    assert [event["name"] for event in view["events"]] == ["key.press", "key.release", "key.click"]
    assert view["time_ns"] == 2 * S
    assert view["lights"][0]["level"] > 0
    assert server.panel.bench.time_ns == 2 * S


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"token": None}, 403),
        ({"token": "a" * 32}, 403),
        ({"origin": None}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://example.org"}, 403),
        ({"origin": "https://127.0.0.1"}, 403),
        ({"host": "example.org"}, 421),
        ({"host": "127.0.0.1:1"}, 421),
        ({"host": None}, 421),
        ({"kind": "text/plain"}, 415),
        ({"kind": None}, 415),
        ({"body": b"what?"}, 400),
        ({"body": b"[1]"}, 400),
        ({"body": b'{"to_ns": NaN}'}, 400),
        ({"body": b"[" * 60_000}, 400),
        ({"body": b"\xff\xfe"}, 400),
        ({"what": "/do/nothing"}, 404),
        ({"what": "/frame"}, 404),
        ({"what": "/do/__class__"}, 404),
        ({"method": "PUT"}, 405),
        ({"method": "OPTIONS"}, 405),
        ({"more": {"Transfer-Encoding": "chunked"}}, 411),
        ({"more": {"Content-Length": "-5"}}, 411),
        ({"more": {"Content-Length": str(LARGEST_BODY + 1)}}, 413),
        ({"more": {"Content-Length": str(100 * 2**20)}}, 413),
    ],
    ids=str,
)  # fmt: skip
def test_whoever_is_not_the_page_is_refused(
    server: PanelServer, changes: dict[str, Any], status: int
) -> None:
    """By status, and nothing has moved."""
    ask(server, "/do/gadget")
    asked = {"what": "/do/frame", "body": {"to_ns": S}} | changes
    found, answer = ask(server, **asked)
    assert found == status
    assert answer["error"]
    assert server.panel.bench.time_ns == 0


@pytest.mark.parametrize(
    "what", ["/../panel.py", "/%2e%2e/panel.py", "//etc/passwd", "/page/", "/panel.js?x"]
)
def test_no_path_leads_elsewhere(server: PanelServer, what: str) -> None:
    """There are these files, and no folder."""
    assert ask(server, what, method="GET")[0] == 404


def test_a_slow_body_is_not_waited_for(
    server: PanelServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told so, and others are answered meanwhile."""
    monkeypatch.setattr(served, "SLOWEST_BODY_S", 0.3)
    own = f"127.0.0.1:{server.server_port}"
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as slow:
        slow.sendall(
            f"POST /do/frame HTTP/1.1\r\nHost: {own}\r\nOrigin: http://{own}\r\n"
            f"{served.TOKEN_HEADER}: {server.token}\r\nContent-Type: application/json\r\n"
            "Content-Length: 20\r\n\r\n{".encode()
        )
        assert ask(server, "/do/gadget")[0] == 200
        assert slow.recv(1000).startswith(b"HTTP/1.1 408")
    assert server.panel.bench.time_ns == 0


def test_more_connections_than_there_is_room_for_are_closed(server: PanelServer) -> None:
    """And room is made again."""
    held = [socket.create_connection(("127.0.0.1", server.server_port), timeout=10)
            for _ in range(served.MOST_THREADS)]
    for one in held:
        one.sendall(b"GET / HTTP/1.1\r\n")  # and no more
    deadline = time.monotonic() + 10
    while server._room._value and time.monotonic() < deadline:
        time.sleep(0.01)
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as late:
        assert late.recv(10) == b""
    for one in held:
        one.close()
    while time.monotonic() < deadline:
        try:
            assert ask(server, "/do/gadget")[0] == 200
            return
        except (ConnectionError, http.client.BadStatusLine):
            time.sleep(0.01)
    raise AssertionError("no room was made")


def test_one_page_has_the_gadget(server: PanelServer) -> None:
    """The one that was loaded last; the other is told so and moves nothing."""
    ask(server, "/do/gadget", page="one")
    ask(server, "/do/gadget", page="two")
    status, answer = ask(server, "/do/frame", {"to_ns": S}, page="one")
    assert status == 409
    assert "Another page" in answer["error"]
    assert ask(server, "/do/frame", {"to_ns": S}, page="two")[1]["time_ns"] == S


@pytest.mark.parametrize(
    "deed",
    [
        5, {}, {"kind": "contact"}, {"kind": "contact", "name": "kay", "level": 1},
        {"kind": "contact", "name": "key", "level": 2}, {"kind": "contact", "name": "key"},
        {"kind": "contact", "name": "key", "level": True}, {"kind": ["contact"], "name": "key"},
        {"kind": "usb", "name": "usb", "level": 1}, {"kind": "no", "name": "key", "level": 1},
        {"kind": "temperature", "name": "temperature", "level": 1e9},
        {"kind": "contact", "name": "key", "level": 1, "at_ns": 0.5},
        {"kind": "contact", "name": "key", "level": 1, "at_ns": -1},
        {"kind": "contact", "name": "key", "level": 1, "at_ns": 10**30},
    ],
    ids=str,
)  # fmt: skip
def test_a_deed_that_cannot_be_is_told(server: PanelServer, deed: object) -> None:
    """Nothing of its frame happens."""
    ask(server, "/do/gadget")
    good = {"kind": "contact", "name": "key", "level": 1, "at_ns": 5}
    status, answer = ask(server, "/do/frame", {"deeds": [good, deed], "to_ns": S})
    assert status == 422
    assert answer["error"]
    assert server.panel.bench.journal == ()
    assert server.panel.bench.time_ns == 0


def test_the_course_is_saved_beside_the_gadget_and_nowhere_else(
    server: PanelServer, folder: Path, tmp_path: Path
) -> None:
    """Never over another file without being asked, never over the gadget, never through a link."""
    ask(server, "/do/gadget")
    deeds = [{"kind": "contact", "name": "key", "level": 1, "at_ns": S},
             {"kind": "contact", "name": "key", "level": 0, "at_ns": S + 10**8}]
    ask(server, "/do/frame", {"deeds": deeds, "to_ns": 3 * S})
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    outside = tmp_path / "outside.toml"
    outside.write_text("mine", encoding="utf-8")
    (folder / "link.toml").symlink_to(outside)
    for name in ("../up", "/tmp/x", "a/b", ".hidden", "", "gadget", "gadget.toml", "link",
                 "x\0y", "a" * 200, "expected", 5, None, "..", "caf\u00e9"):  # fmt: skip
        status, answer = ask(server, "/do/save", {"name": name, "over": True})
        if name != "expected":
            assert status == 422, name
            assert answer["error"]
    (folder / "expected.toml").unlink()
    assert ask(server, "/do/save", {"name": "flat-cell"})[0] == 412
    assert {path: path.read_bytes() for path in before} == before
    assert outside.read_text(encoding="utf-8") == "mine"
    status, answer = ask(server, "/do/save", {"name": "pressed", "title": 'A "click"'})
    assert (status, answer["name"]) == (200, "pressed.toml")
    assert load_scenario(folder / "pressed.toml").title == 'A "click"'
    assert main(["run", str(folder / "pressed.toml")]) == 0
    assert ask(server, "/do/save", {"name": "pressed.toml"})[0] == 412
    assert ask(server, "/do/save", {"name": "pressed.toml", "over": True})[0] == 200


def test_the_course_is_kept_as_a_page(folder: Path) -> None:
    """With the report that `simfw run` gives of its scenario; over another only when asked."""
    panel = Panel(folder / "gadget.toml")
    panel.frame({"deeds": [{"kind": "contact", "name": "key", "level": 1, "at_ns": S}],
                 "to_ns": S + S // 10})
    panel.frame({"deeds": [{"kind": "contact", "name": "key", "level": 0, "at_ns": S + S // 10}],
                 "to_ns": 30 * S})
    assert panel.save({"name": "seen", "page": True})["name"] == "seen.html"
    text = (folder / "seen.html").read_text(encoding="utf-8")
    assert "lit.full" in text
    panel.save({"name": "seen"})
    run = simulate(panel.bench.gadget, load_scenario(folder / "seen.toml"))
    average = f"{1e3 * sum(one.charge_c for one in run.consumers) / 30:.3g} mA"
    assert average in text
    with pytest.raises(UsageError, match=r"seen\.html is there already"):
        panel.save({"name": "seen", "page": True})
    panel.change({"settings": {"buttons.key.double": "200 ms"}})
    panel.save({"name": "seen", "title": "Sooner", "page": True, "over": True})
    assert "Sooner (buttons.key.double = 200 ms)</title>" in (folder / "seen.html").read_text()
    with pytest.raises(UsageError, match="no name"):
        panel.save({"name": "../seen", "page": True})


def test_going_back_and_on_again_is_the_same(server: PanelServer) -> None:
    """From the nearest snapshot, to any time."""
    ask(server, "/do/gadget")
    for number in range(1, 6):
        deed = {"kind": "contact", "name": "key", "level": number % 2, "at_ns": number * S}
        ask(server, "/do/frame", {"deeds": [deed], "to_ns": number * S + S // 2})
    whole = ask(server, "/do/course")[1]
    status, view = ask(server, "/do/back", {"time_ns": 2 * S + S // 2})
    assert (status, view["time_ns"]) == (200, 2 * S + S // 2)
    assert len(server.panel.bench.journal) == 2
    part = ask(server, "/do/course", {"start_ns": 0, "end_ns": 3 * S})[1]
    assert [stay["state"] for stay in part["states"]["lamp_mode"]] == ["dark", "lit.full"]
    assert whole["states"]["lamp_mode"][:1] == part["states"]["lamp_mode"][:1]
    assert ask(server, "/do/back", {"time_ns": 9 * S})[0] == 422
    assert ask(server, "/do/next")[1]["found"]


LOOP = """
gadget = { name = "Loop" }
cell = { curve = "lco", capacity = "100 mAh" }
buttons = { k = {} }
[behaviour.x]
starts = "a"
states.a = {}
states.b = {}
rows = [
  { on = "k.click", from = "a", to = "b", emit = "x.e" },
  { on = "x.e", from = "b", to = "a", emit = "x.f" },
  { on = "x.f", from = "a", to = "b", emit = "x.e" },
]
"""


@pytest.mark.filterwarnings("ignore::simfw.errors.GadgetWarning")
def test_a_model_that_cannot_go_on_is_told_until_one_goes_back(tmp_path: Path) -> None:
    """It stands in no half-done instant, and the page can still be opened."""
    path = tmp_path / "gadget.toml"
    path.write_text(LOOP, encoding="utf-8")
    panel = Panel(path)
    panel.frame({"to_ns": S})
    deeds = [{"kind": "contact", "name": "k", "level": level, "at_ns": at * 10**8}
             for at, level in ((20, 1), (21, 0))]
    for asked in ({"deeds": deeds, "to_ns": 3 * S}, {"to_ns": 4 * S}):
        with pytest.raises(RunError, match=r"At 2\.12 s more than"):
            panel.frame(asked)
    with pytest.raises(RunError):
        panel.next_thing({})
    assert [event["name"] for event in panel.gadget({})["events"]] == ["k.press"]
    panel.back({"time_ns": 2 * S})
    view = panel.frame({"to_ns": 5 * S})
    assert [region["state"] for region in view["regions"]][-1] == "a"


def test_a_time_that_is_written_is_gone_to(server: PanelServer) -> None:
    """Ahead or back, with units; what is no time is told."""
    ask(server, "/do/gadget")
    assert ask(server, "/do/to", {"time": "1 h 5 min"})[1]["time_ns"] == 3900 * S
    assert ask(server, "/do/to", {"time": "90 s"})[1]["time_ns"] == 90 * S
    deeds = [{"kind": "contact", "name": "key", "level": level, "at_ns": at * 10**8}
             for at, level in ((1000, 1), (1001, 0))]
    ask(server, "/do/frame", {"deeds": deeds, "to_ns": 101 * S})
    leap = ask(server, "/do/to", {"time": "10 min"})[1]
    assert leap["lights"][0]["most"] == 0  # it went off on the way: what is shown is the moment
    ask(server, "/do/back", {"time_ns": 90 * S})
    for time_text in ("soon", 5, "", "1 mA", "2 years", "100 years"):
        status, answer = ask(server, "/do/to", {"time": time_text})
        assert status == 422
        assert answer["error"]
    assert server.panel.bench.time_ns == 90 * S


def test_a_figure_is_changed_and_the_course_replayed(server: PanelServer) -> None:
    """What differs is told; a mistake is told like one of the file, and nothing changes."""
    ask(server, "/do/gadget")
    deeds = [{"kind": "contact", "name": "key", "level": level, "at_ns": at * 10**8}
             for at, level in ((10, 1), (11, 0), (14, 1), (15, 0))]
    ask(server, "/do/frame", {"deeds": deeds, "to_ns": 3 * S})
    status, answer = ask(server, "/do/change", {"settings": {"buttons.key.double": "200 ms"}})
    assert status == 200
    names = [one["name"] for one in answer["differences"]["events"]]
    assert "key.double" in names
    assert any(one["before"] == "wink.out / wink.in" for one in answer["differences"]["states"])
    status, answer = ask(server, "/do/change", {"settings": {"buttons.key.double": "200 mA"}})
    assert status == 422
    assert "buttons.key.double" in answer["error"]
    figures = ask(server, "/do/figures")[1]
    assert figures["settings"] == {"buttons.key.double": "200 ms"}
    values = {one["key"]: one["value"] for one in figures["figures"]}
    assert values["buttons.key.double"] == "200 ms"
    assert ask(server, "/do/change", {"settings": {}})[1]["settings"] == {}
    assert ask(server, "/do/change", {"settings": [1]})[0] == 422


def test_the_gadget_file_is_read_again_when_it_is_written(
    server: PanelServer, folder: Path
) -> None:
    """A mistake in it is told with its line, and the old gadget stays."""
    ask(server, "/do/gadget")
    ask(server, "/do/frame", {"to_ns": S})
    assert ask(server, "/do/file")[1] == {"changed": False, "trouble": ""}
    path = folder / "gadget.toml"
    text = path.read_text(encoding="utf-8")
    assert tomllib.loads(text)["buttons"]["key"]["double"]["value"] == "400 ms"
    path.write_text(text.replace('"400 ms"', '"400 mV"'), encoding="utf-8")
    answer = ask(server, "/do/file")[1]
    assert not answer["changed"]
    assert "gadget.toml:" in answer["trouble"]
    assert ask(server, "/do/file")[1]["trouble"] == answer["trouble"]
    assert server.panel.bench.gadget.buttons["key"].double is not None
    path.write_text(text.replace('"400 ms"', '"300 ms"'), encoding="utf-8")
    answer = ask(server, "/do/file")[1]
    assert answer["changed"]
    assert answer["trouble"] == ""
    assert answer["view"]["time_ns"] == S
    path.unlink()
    assert not ask(server, "/do/file")[1]["changed"]


def test_many_snapshots_are_thinned_out(folder: Path) -> None:
    """Going back to any time is still exact."""
    panel = Panel(folder / "gadget.toml")
    for number in range(1, 1000):
        deed = {"kind": "contact", "name": "key", "level": number % 2, "at_ns": number * 10**7}
        panel.frame({"deeds": [deed], "to_ns": number * 10**7 + 10**6})
    assert len(panel._marks) <= 401
    journal = panel.bench.journal
    assert panel.back({"time_ns": 3 * S + 1})["time_ns"] == 3 * S + 1
    assert panel.bench.journal == journal[:300]


def test_control_c_ends_it_with_a_page_open(folder: Path) -> None:
    """Status 0, though a connection is held open; the address is the only thing it prints."""
    process = subprocess.Popen(
        [sys.executable, "-m", "simfw", "panel", str(folder / "gadget.toml"), "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    first = process.stdout.readline()
    assert first.startswith("Key-hook light: http://127.0.0.1:")
    port = int(first.split(":")[3].split("/")[0])
    with socket.create_connection(("127.0.0.1", port), timeout=10) as held:
        held.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert held.recv(15) == b"HTTP/1.1 200 OK"
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert err == ""
    assert out.endswith("Stopped.\n")


def test_a_port_that_is_taken_is_told(
    server: PanelServer, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, without a traceback; so are one that cannot be and a charge that is none."""
    gadget = str(folder / "gadget.toml")
    for option in (f"--port={server.server_port}", "--port=99999", "--charge=130 %"):
        assert main(["panel", gadget, "--no-browser", option]) == 2
        assert option.split("=")[0] in (told := capsys.readouterr().err)
        assert "bind" not in told
    assert main(["panel", str(folder / "none.toml"), "--no-browser"]) == 2


# -- scenarios and recordings ----------------------------------------------------------------------


def panel_of(*words: str) -> Panel:
    """What `simfw panel` serves for these arguments."""
    parser = argparse.ArgumentParser()
    command.register(parser.add_subparsers())
    return command._panel(parser.parse_args(["panel", *words]))


def test_the_steps_of_a_scenario_happen_by_themselves(folder: Path) -> None:
    """At whatever speed one watches; the course is that of the run, and going back repeats it."""
    path = folder / "keys-lost.toml"
    scenario = load_scenario(path)
    panel = panel_of(str(path))
    assert panel.bench.charge == scenario.charge
    ends = scenario.lasts_ns
    for part in range(1, 101):
        panel.frame({"to_ns": ends * part // 100})
    assert scenario.gadget is not None
    run = simulate(scenario.gadget, scenario, trace=False)
    assert panel.bench.view().charge == pytest.approx(run.end_charge, abs=1e-8)
    whole = panel.bench.journal
    assert whole
    panel.back({"time_ns": whole[0].time_ns + 1})
    assert panel.bench.journal == whole[:1]
    panel.frame({"to_ns": ends})
    assert panel.bench.journal == whole
    told = panel.gadget({})["watched"]
    assert told["met"] == told["count"]


def test_the_next_thing_takes_the_steps_of_a_scenario_in(folder: Path) -> None:
    """What a step sets off is found, and found at its time."""
    path = folder / "press.toml"
    path.write_text(
        'gadget = "gadget.toml"\ncharge = "80 %"\nlasts = "1 min"\n'
        'steps = [ { at = "7 s", press = "key", for = "100 ms" } ]\n', encoding="utf-8")
    panel = panel_of(str(path))
    answer = panel.next_thing({})
    assert answer["found"]
    assert answer["time_ns"] == 7_015_000_001
    assert [event["name"] for event in answer["events"]] == ["key.press"]


def test_time_stands_where_an_expectation_is_not_met(folder: Path) -> None:
    """What stood instead is told; it is that of the run."""
    path = folder / "wrong.toml"
    path.write_text(
        'title = "Wrong"\ngadget = "gadget.toml"\ncharge = "80 %"\nlasts = "1 min"\n'
        'steps = [ { at = "1 s", press = "key", for = "100 ms" },\n'
        '  { at = "2 s", expect = "lamp_mode.lit" }, { at = "3 s", expect = "lamp_mode.dark" } ]\n',
        encoding="utf-8")
    panel = panel_of(str(path))
    assert panel.bench.time_ns == 3 * S
    assert panel.bench.view().regions[-2].state == "lit.full"
    told = panel.gadget({})["watched"]
    assert [one["met"] for one in told["expectations"]] == [True, False]
    assert "lit.full" in told["expectations"][1]["why"]


def test_a_recording_is_watched_beside_the_model() -> None:
    """Its stimuli happen, what its outputs did is expected: all is met where it agrees."""
    gallery = ROOT / "tests/gallery/egg-timer"
    panel = panel_of(str(gallery / "recording.csv"), "--map", str(gallery / "map.toml"),
                     "--gadget", str(gallery / "gadget.toml"))  # fmt: skip
    told = panel.gadget({})["watched"]
    assert told["title"] == "Recorded in recording.csv"
    assert told["count"] > 0
    first = next((one for one in told["expectations"] if not one["met"]), None)
    assert panel.bench.time_ns == (0 if first is None else first["time_ns"])
    panel.frame({"to_ns": told["lasts_ns"]})
    course = panel.course({})
    assert set(course["recorded"]) <= set(course["lights"])
    for name, blocks in course["recorded"].items():
        recorded_s = sum((until - begins) * level for begins, until, level in blocks) * 1e-9
        modelled_s = sum(course["lights"][name]) * course["step_ns"] * 1e-9
        assert recorded_s == pytest.approx(modelled_s, rel=0.1, abs=0.1)
    assert any(course["recorded"].values())


def test_a_recording_that_begins_in_the_middle_of_things(folder: Path) -> None:
    """The bench stands where the map says, and so does all that is done with its course."""
    (folder / "lit.csv").write_text(
        "time_s,button,led\n0,0,1\n10,0,0\n20,1,0\n20.1,0,0\n20.515,0,1\n25,0,1\n")
    (folder / "map.toml").write_text(
        'gadget = "gadget.toml"\nstart = { lamp_mode = "lit.full" }\n'
        '[wires.button]\ninput = "key"\n[wires.led]\noutput = "lamp"\n')
    panel = panel_of(str(folder / "lit.csv"), "--map", str(folder / "map.toml"))
    bench = panel.bench
    assert bench.time_ns == 0
    assert next(one.state for one in bench.view().regions if one.name == "lamp_mode") == "lit.full"
    assert bench.view().lights[0].level == 1.0
    told = panel.gadget({})["watched"]
    assert "and so does the bench" in " ".join(told["notes"])
    assert told["met"] == told["count"] > 0
    panel.frame({"to_ns": 25 * S})
    stays = panel.course({})["states"]["lamp_mode"]
    assert [one["state"] for one in stays] == ["lit.full", "dark", "lit.full"]
    assert abs(stays[1]["from"] - 10 * S) < S / 10
    charge = bench.view().charge
    panel.back({"time_ns": 5 * S})
    assert bench.view().lights[0].level == 1.0
    panel.frame({"to_ns": 25 * S})
    assert bench.view().charge == charge
    with pytest.raises(UsageError, match="begins at power-up"):
        panel.save({"name": "kept"})
    assert panel.save({"name": "kept", "page": True})["name"] == "kept.html"
    found = panel.change({"settings": {"buttons.key.double": "200 ms"}})
    assert not found["differences"]["none"]
    text = (folder / "gadget.toml").read_text()
    (folder / "gadget.toml").write_text(
        f"{text}[behaviour.more]\nstarts = 'a'\nstates.a = {{}}\n")
    other = load_gadget(folder / "gadget.toml")
    with pytest.raises(UsageError, match="states that are not"):
        bench.replayed(other)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("keys-lost.toml", "--charge", "50 %"), "the scenario says"),
        (("gadget.toml", "--map", "m.toml"), "belongs to a recording"),
        (("gadget.toml", "--gadget", "g.toml"), "belongs to a recording"),
        (("capture.csv",), "capture.csv: there is no such file"),
        (("seen.csv",), "give --gadget"),
        (("gadget.tml",), "gadget.tml: there is no such file"),
    ],
)
def test_an_option_that_means_nothing_here_is_refused(
    folder: Path, words: tuple[str, ...], said: str
) -> None:
    """None does nothing, and a file that is not there is told before what it would need."""
    (folder / "seen.csv").write_text("time_s,power\n0,0\n1,1\n")
    with pytest.raises(UsageError, match=said):
        panel_of(str(folder / words[0]), *words[1:])
