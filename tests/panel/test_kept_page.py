"""A run kept as one page: it opens from disk, asks for nothing, and shows the report's figures."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.panel.files import page_file
from tests.panel.browser import BROWSER, browser

ROOT = Path(__file__).resolve().parents[2]
EVIL = "</script><script>alert(1)</script><!-- @data@ & \u2028"


def scenario_in(folder: Path) -> Path:
    """A scenario with a hostile title, of a gadget with a hostile name."""
    gadget = (ROOT / "scenarios/key-hook/gadget.toml").read_text(encoding="utf-8")
    curve = (ROOT / "scenarios/key-hook/cr2032.csv").read_text(encoding="utf-8")
    (folder / "cr2032.csv").write_text(curve, encoding="utf-8")
    (folder / "gadget.toml").write_text(
        gadget.replace('"Key-hook light"', json.dumps(EVIL)), encoding="utf-8")
    path = folder / "press.toml"
    path.write_text(
        f'title = {json.dumps(EVIL)}\ngadget = "gadget.toml"\ncharge = "80 %"\nlasts = "1 min"\n'
        'steps = [ { at = "1 s", press = "key", for = "100 ms" },\n'
        '  { at = "2 s", expect = "lamp_mode.lit.full" } ]\n', encoding="utf-8")
    return path


def test_the_page_holds_the_report_and_no_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Names are text in it, and what it holds is the run."""
    page = tmp_path / "run.html"
    assert main(["run", str(scenario_in(tmp_path)), "--page", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert re.findall(r"https?://[^\"' ]+", text) == ["http://www.w3.org/2000/svg"]
    assert text.count("<script") == 2
    assert "alert(1)</script>" not in text
    report = re.search(r"<pre[^>]*>(.*?)</pre>", text, re.DOTALL)
    assert report is not None
    shown = report[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    assert shown == capsys.readouterr().out
    found = re.search(r'id="run-data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    data = json.loads(found[1])
    assert [event["name"] for event in data["events"]] == ["key.press", "key.release", "key.click"]
    stays = data["course"]["states"]["lamp_mode"]
    assert [stay["state"] for stay in stays] == ["dark", "lit.full", "dark"]
    assert stays[1]["from"] == 1_515_000_000  # release at 1.1 s, debounce 15 ms, double 400 ms
    assert stays[2]["from"] - stays[1]["from"] == 20 * 10**9


def test_what_usb_lights_and_dials_are_on_the_page(tmp_path: Path) -> None:
    """A charge light is lit while it charges; a dial stands at its positions, each with its value.

    The gadget fades out in six steps: its file.
    """
    gadget = ROOT / "scenarios/hen-house/gadget.toml"
    path = tmp_path / "evening.toml"
    path.write_text(
        f'title = "Evening"\ngadget = {json.dumps(str(gadget))}\ncharge = "50 %"\n'
        'lasts = "4 h"\nsteps = [ { at = "10 s", toggle = "auto", to = "on" },\n'
        '  { at = "20 s", measure = "daylight", value = "1 lx" },\n'
        '  { at = "3 h", usb = true }, { at = "3 h 30 min", usb = false } ]\n', encoding="utf-8")
    page = tmp_path / "run.html"
    assert main(["run", str(path), "--page", str(page)]) == 0
    found = re.search(r'id="run-data">(.*?)</script>', page.read_text("utf-8"), re.DOTALL)
    assert found is not None
    data = json.loads(found[1])
    lights = {light["name"]: light["fed_by"] for light in data["gadget"]["lights"]}
    assert lights == {"lamp": None, "charging": "charger.status"}
    course = data["course"]
    lit_ns = sum(course["lights"]["charging"]) * course["step_ns"]
    assert lit_ns == pytest.approx(30 * 60e9, rel=0.01)
    assert data["gadget"]["dials"] == [
        {"name": "fade", "values": ["100 %", "60 %", "35 %", "18 %", "8 %", "3 %"]}]
    stood = [stay["state"] for stay in course["states"]["fade"]]
    assert stood[0] == "0 (100 %)"
    assert set(stood) <= {f"{at} ({value})" for at, value in enumerate(
        data["gadget"]["dials"][0]["values"])}


def test_a_day_of_the_larder_lamp_is_small(tmp_path: Path) -> None:
    """Below 200 kB."""
    scenario = ROOT / "scenarios/larder-lamp/jam-making.toml"
    day = tmp_path / "day.toml"
    day.write_text(
        scenario.read_text(encoding="utf-8").replace('"6 h"', '"24 h"')
        .replace('"gadget.toml"', json.dumps(str(scenario.parent / "gadget.toml"))),
        encoding="utf-8")
    page = tmp_path / "day.html"
    assert main(["run", str(day), "--page", str(page)]) == 0
    assert 50_000 < page.stat().st_size < 200_000


def test_only_an_html_file_is_a_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told before anything is computed."""
    path = str(scenario_in(tmp_path))
    assert main(["run", path, "--page", str(tmp_path / "run.txt")]) == 2
    assert "FILE.html" in capsys.readouterr().err
    assert main(["run", path, "--page", str(tmp_path / "no" / "run.html")]) == 2


def test_what_both_pages_have_stands_in_one_file() -> None:
    """The live page and the kept one take the same parts, and none is left out."""
    live, kept = page_file("index.html"), page_file("run.html")
    for part in ("course", "face", "view"):
        text = page_file(f"{part}.html")
        assert text in live
        assert text in kept
    assert "@part" not in live + kept


@pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")
def test_it_can_be_scrubbed_without_anybody(tmp_path: Path) -> None:
    """From disk, under its own policy: no complaint, no request, lights and states of each time."""
    page = tmp_path / "run.html"
    assert main(["run", str(scenario_in(tmp_path)), "--page", str(page)]) == 0
    with browser(tmp_path / "profile") as chromium:
        shown = chromium.page()
        shown.looks(390, 844)
        shown.go(page.as_uri())
        shown.wait("document.getElementById('said')?.textContent")
        assert EVIL in shown.read("document.querySelector('h1').textContent")
        assert shown.read("document.documentElement.scrollWidth") <= 390
        assert "lamp_mode.dark" in shown.read("document.getElementById('said').textContent")
        shown.read("(() => { const one = document.getElementById('scrub'); one.value = 100; "
                   "one.oninput(); })()")
        assert "lamp_mode.lit.full" in shown.read("document.getElementById('said').textContent")
        assert shown.read("document.querySelector('#lights p').textContent") == "lamp on"
        before = shown.read("document.querySelectorAll('#chart .grid').length")
        shown.read("document.getElementById('closer').click()")
        assert shown.read("document.querySelector('#chart .here') !== null")
        assert before
        assert chromium.complaints() == []
        assert [url for url in chromium.asked() if not url.startswith("file:")] == []
