"""The panel's page in a real browser: fingers, keyboard, looks, and what it asks for."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from simfw import load_scenario
from simfw.panel.panel import Panel
from simfw.panel.server import PanelServer
from simfw.stimuli.scenario import Press
from tests.panel.browser import BROWSER, Browser, Page, browser

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")
Open = Callable[..., tuple[Page, PanelServer]]

CONTRAST = """(() => {
  const share = (text) => text.match(/[\\d.]+/g).slice(0, 3).map((value) => Number(value) / 255)
    .map((value) => (value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4));
  const light = (text) => {
    const [red, green, blue] = share(text);
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
  };
  const ground = (element) => {
    for (let one = element; one; one = one.parentElement) {
      const found = getComputedStyle(one).backgroundColor;
      if (!found.startsWith("rgba(0, 0, 0, 0")) return found;
    }
    return "rgb(255, 255, 255)";
  };
  const low = [];
  for (const element of document.querySelectorAll("body *")) {
    const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.data.trim());
    if (!own || !element.checkVisibility() || element.closest("svg, .skip")) continue;
    const [one, other] = [light(getComputedStyle(element).color), light(ground(element))];
    const ratio = (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
    if (ratio < 4.5) low.push([element.tagName, element.textContent.slice(0, 30), ratio]);
  }
  return low;
})()"""  # WCAG 2.2, 1.4.3: the formulas of contrast ratio and relative luminance


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests."""
    with browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


@pytest.fixture
def opened(chromium: Browser, tmp_path: Path) -> Iterator[Open]:
    """Opens a copy of a gadget on a page."""
    with ExitStack() as stack:

        def open_it(name: str = "scenarios/key-hook", change: tuple[str, str] = ("", "")) -> Any:
            folder = tmp_path / Path(name).name
            shutil.copytree(ROOT / name, folder)
            path = folder / "gadget.toml"
            path.write_text(path.read_text(encoding="utf-8").replace(*change), encoding="utf-8")
            server = PanelServer(Panel(path))
            thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
            thread.start()
            stack.callback(thread.join)
            stack.callback(server.server_close)
            stack.callback(server.shutdown)
            chromium.pipe.events.clear()
            page = chromium.page()
            page.looks(1280, 900)
            page.go(server.address)
            page.wait("globalThis.simfw?.state.course != null")
            stack.callback(page.call, "Page.navigate", url="about:blank")
            return page, server

        yield open_it


def pause(page: Page) -> None:
    """Let time stand, and wait for the last answer."""
    page.read("simfw.state.running && document.getElementById('run').click()")
    page.wait("!simfw.state.running && !simfw.state.busy && simfw.state.deeds.length === 0")


def test_a_press_has_the_length_that_the_finger_gave_it(opened: Open, chromium: Browser) -> None:
    """By the time stamps of the browser; it lights the lamp, and nothing foreign is asked for."""
    page, server = opened()
    page.read("""globalThis.stamps = []; for (const kind of ["pointerdown", "pointerup"]) {
        addEventListener(kind, (event) => stamps.push(event.timeStamp), true); }""")
    x, y = page.middle(".key")
    page.mouse("mousePressed", x, y)
    time.sleep(0.15)
    page.mouse("mouseReleased", x, y)
    page.wait("simfw.state.view.lights[0].level === 1")
    pause(page)
    assert "key.click" in page.read("document.querySelector('#states tbody tr').textContent")
    # The meter shows what the light draws, not what was drawn before it went on.
    assert page.read("document.getElementById('current').textContent").endswith(" mA")
    down, up = page.read("stamps")
    pressed, released = server.panel.bench.journal
    assert released.time_ns - pressed.time_ns == pytest.approx((up - down) * 1e6, abs=2e6)
    # The lamp glows on the page, and what is said is what the bench says.
    assert page.read("document.querySelector('.led').style.backgroundColor") != ""
    assert page.read("document.querySelector('#lights p').textContent").startswith("lamp on, ")
    assert chromium.complaints() == []
    own = server.address.partition("#")[0]
    assert chromium.asked()
    assert all(url.startswith(own) for url in chromium.asked())
    assert not any(server.token in url.partition("#")[0] for url in chromium.asked())


def test_a_whole_course_by_the_keyboard_alone(opened: Open, tmp_path: Path) -> None:
    """Press, go to the next event, read the events, save: Tab, Space, Enter, arrows, letters."""
    page, server = opened()

    def stroke(key: str, held: float = 0.0) -> None:
        page.key(key, down=True)
        time.sleep(held)
        page.key(key, down=False)

    def tab_to(test: str) -> None:
        for _ in range(60):
            if page.read(f"document.activeElement.matches({test!r})"):
                return
            stroke("Tab")
        raise AssertionError(f"Tab does not lead to {test}")

    tab_to(".key")
    assert page.read("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    stroke(" ", 0.1)
    page.wait("simfw.state.deeds.length === 0 && !simfw.keys.held && simfw.state.view.inputs"
              ".every((one) => one.kind !== 'contact' || !one.level)")
    pause(page)
    page.read("document.activeElement.blur()")
    tab_to("#next")
    for _ in range(6):
        stroke("Enter")
        time.sleep(0.1)
        page.wait("!simfw.state.drawing")
        if page.read("simfw.state.view.events.some((one) => one.name === 'key.click')"):
            break
    tab_to("#tab-states")
    while not page.read("document.activeElement.matches('#tab-events')"):
        stroke("ArrowRight")
    assert "key.click" in page.read("document.getElementById('events').textContent")
    page.read("document.activeElement.blur()")
    tab_to("#keep")
    stroke("Enter")
    tab_to("#save-do")
    stroke("Enter")
    page.wait("document.getElementById('save-trouble').textContent.startsWith('Written')")
    stroke("Tab")
    assert page.read("document.activeElement.id") == "save-page"
    stroke("Enter")
    page.wait("document.getElementById('save-trouble').textContent.includes('from-the-panel.html')")
    assert "key.click" in (tmp_path / "key-hook/from-the-panel.html").read_text(encoding="utf-8")
    scenario = load_scenario(tmp_path / "key-hook/from-the-panel.toml")
    (press,) = [step for step in scenario.steps if isinstance(step, Press)]
    assert press.for_ns > 80_000_000
    # A letter presses its key, until letters are turned off.
    stroke("Enter")
    page.read("document.getElementById('saving').close(); document.activeElement.blur()")
    before = len(server.panel.bench.journal)
    stroke("k", 0.05)
    page.wait("simfw.state.deeds.length === 0 && !simfw.keys.held")
    pause(page)
    assert len(server.panel.bench.journal) == before + 2
    page.read("document.getElementById('by-letter').click()")
    stroke("k", 0.05)
    assert len(server.panel.bench.journal) == before + 2


def test_a_window_that_is_left_lets_go(opened: Open) -> None:
    """A finger that is not seen any more holds nothing; a pinned key stays down."""
    page, server = opened()
    page.key("k", down=True)
    page.wait("simfw.keys.held")
    page.read("dispatchEvent(new Event('blur'))")
    assert not page.read("simfw.keys.held")
    page.key("k", down=False)
    pause(page)
    assert [deed.level for deed in server.panel.bench.journal] == [1.0, 0.0]
    page.read("document.querySelector('.pin').click(); dispatchEvent(new Event('blur'))")
    page.wait("simfw.state.deeds.length === 0 && !simfw.state.busy")
    assert server.panel.bench.inputs["contact", "key"] == 1.0
    assert page.read("document.querySelector('.pin').getAttribute('aria-pressed')") == "true"


def test_time_runs_at_1x_while_a_finger_holds(opened: Open) -> None:
    """And at 3600x before and after."""
    page, _ = opened()
    page.read("document.querySelector('[data-rate=\"3600\"]').click()")
    page.read("document.getElementById('run').click()")
    page.wait("simfw.state.view.time_ns > 120e9")
    page.key("k", down=True)
    page.wait("simfw.keys.held && simfw.state.deeds.length === 0")
    before, stamp = page.read("[simfw.state.base, performance.now()]")
    time.sleep(0.2)
    after, later = page.read("[simfw.state.base, performance.now()]")
    assert after - before <= (later - stamp + 300) * 1e6
    page.key("k", down=False)
    page.wait(f"simfw.state.view.time_ns > {after} + 60e9")
    pause(page)
    # A clock that jumps, or a page that was away, takes no more than a quarter of a second along.
    before = page.read("simfw.state.base")
    page.read("document.getElementById('run').click(); simfw.state.last -= 3600e3")
    page.wait(f"simfw.state.base > {before}")
    pause(page)
    assert page.read("simfw.state.base") - before < 0.1 * 3600e9 * 3600  # it jumped an hour


def test_a_wave_has_the_length_that_was_set(opened: Open) -> None:
    """To the nanosecond, at 60x too and where one leaps ahead in the middle of it."""
    page, server = opened("scenarios/larder-lamp")
    hand = server.panel.bench
    page.read("document.querySelector('[data-rate=\"60\"]').click()")
    wave = ("(() => { document.querySelector('#length-wave').value = 250;"
            " document.querySelector('.wave button').click(); })()")
    page.read(wave)
    page.wait("simfw.state.view.time_ns > 2e9 && simfw.state.later.length === 0")
    pause(page)
    page.read("document.querySelector('#length-wave').value = 4000; "
              "document.querySelector('.wave button').click(); "
              "document.getElementById('next').click()")
    page.wait("simfw.state.later.length === 0 && !simfw.state.busy && !simfw.state.running")
    page.wait("simfw.state.view.inputs.every((one) => one.kind !== 'hand' || one.level < 0)")
    here, gone, again, away = hand.journal
    assert [deed.level for deed in hand.journal] == [0.12, -1.0, 0.12, -1.0]
    assert gone.time_ns - here.time_ns == 250_000_000
    assert away.time_ns - again.time_ns == 4_000_000_000


def test_a_hidden_tab_lets_go_and_its_time_stands(opened: Open, chromium: Browser) -> None:
    """Nothing is asked meanwhile, and coming back it takes no more than a quarter of a second."""
    page, server = opened()
    other = chromium.page()
    page.call("Page.bringToFront")
    page.wait("!document.hidden")
    page.read("document.querySelector('[data-rate=\"60\"]').click()")
    page.read("document.getElementById('run').click()")
    page.key("k", down=True)
    page.wait("simfw.keys.held && simfw.state.view.time_ns > 5e7")
    other.call("Page.bringToFront")
    page.wait("document.hidden")
    assert not page.read("simfw.keys.held")
    page.wait("!simfw.state.busy")
    stood, asked = page.read("simfw.state.base"), len(chromium.asked())
    time.sleep(1.2)  # the file is looked at every second by a page that is seen
    assert page.read("simfw.state.base") == stood
    assert len(chromium.asked()) == asked
    page.key("k", down=False)
    back = time.monotonic()
    page.call("Page.bringToFront")
    page.wait(f"simfw.state.view.time_ns > {stood}")
    pause(page)
    # At 60x: a quarter of a second on coming back, and what has really gone by since.
    assert page.read("simfw.state.base") - stood < 60 * (time.monotonic() - back + 0.25) * 1e9
    assert [deed.level for deed in server.panel.bench.journal] == [1.0, 0.0]
    other.call("Page.navigate", url="about:blank")


@pytest.mark.parametrize("name", ["scenarios/larder-lamp", "scenarios/strip-controller"])
def test_it_fits_and_can_be_read(opened: Open, name: str) -> None:
    """1280x900 without scrolling, 390 wide without pushing aside, light and dark (WCAG AA)."""
    page, _ = opened(name)
    letter = page.read("[...simfw.keys.letters.keys()][0]")
    page.key(letter, down=True)
    page.wait("simfw.state.view.time_ns > 1e8")
    page.read("document.getElementById('run').click()")
    for dark in (False, True):
        page.looks(1280, 900, dark=dark)
        size = "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
        assert page.read(size) == [1280, 900]
        for tab in ("diagrams", "figures", "used", "care", "events", "states"):
            page.read(f"document.getElementById('tab-{tab}').click()")
            assert page.read(CONTRAST) == []
        page.looks(390, 844, dark=dark, mobile=True)
        assert page.read("document.documentElement.scrollWidth") == 390
        x, y = page.middle(".key")
        assert 0 < x < 390
        assert 400 < y < 844  # where a thumb is
    page.key(letter, down=False)


def test_everything_that_takes_the_focus_has_a_name(opened: Open) -> None:
    """As the browser tells it to a screen reader."""
    page, _ = opened("scenarios/larder-lamp")
    tree = page.call("Accessibility.getFullAXTree")["nodes"]

    def is_on(node: dict[str, Any], wanted: str) -> bool:
        return any(one["name"] == wanted and one["value"].get("value")
                   for one in node.get("properties", []))

    focusable = [node for node in tree if not node.get("ignored") and is_on(node, "focusable")
                 and node["role"]["value"] not in ("RootWebArea", "generic")]  # fmt: skip
    assert len(focusable) > 20
    nameless = [node["role"]["value"] for node in focusable if not node["name"].get("value")]
    assert nameless == []
    assert page.read("document.querySelectorAll('[aria-live]').length") >= 2


@pytest.mark.parametrize(("name", "looks"), [
    ("scenarios/larder-lamp", {"width": 1280, "height": 900}),
    ("scenarios/larder-lamp", {"width": 1280, "height": 900, "dark": True}),
    ("scenarios/hen-house", {"width": 390, "height": 844, "mobile": True}),
    ("scenarios/potting-shed", {"width": 390, "height": 844, "mobile": True, "dark": True}),
])
def test_the_rules_of_accessibility_are_kept(
    opened: Open, name: str, looks: dict[str, Any]
) -> None:
    """Those of the axe engine, none left out, with each tab open, on both sizes, light and dark."""
    engine = resources.files(pytest.importorskip("axe_core_python")) / "axe.min.js"
    page, _ = opened(name)
    page.call("Page.setBypassCSP", enabled=True)
    page.read(engine.read_text("utf-8") + "; 0")
    page.looks(**looks)
    for tab in ("diagrams", "figures", "used", "care", "events", "states"):
        page.read(f"document.getElementById('tab-{tab}').click()")
        if tab == "diagrams":  # they are asked for when the tab is opened first
            page.wait("document.getElementById('diagrams').children.length")
        found = page.read("axe.run().then((result) => result.violations.map((one) => [one.id,"
                          " one.nodes.map((node) => node.target.join(' '))]))")
        assert found == []
    page.read("document.getElementById('keep').click()")
    assert page.read("axe.run().then((result) => result.violations.map((one) => one.id))") == []


def test_no_light_flashes_more_than_three_times_a_second(opened: Open) -> None:
    """Calm itself at any rate, and the strip controller's fastest program (WCAG 2.3.1)."""
    page, _ = opened("scenarios/strip-controller")
    worst = page.read("""(() => { let worst = 0;
      for (const hertz of [0.5, 1, 2, 2.9, 3, 4, 5, 8, 12, 30]) {
        const calm = new simfw.Calm(); const shown = [];
        for (let frame = 0; frame < 600; frame += 1) {
          const now = frame * 1000 / 60;
          const lit = Number((now / 1000 * hertz) % 1 < 0.5);
          shown.push([now, calm.show(now, lit, 1000 / 60, false)]);
        }
        for (const [start] of shown) {
          const second = shown.filter(([at]) => at >= start && at < start + 1000);
          worst = Math.max(worst, simfw.Calm.turns(second.map(([, value]) => value)));
        }
      } return worst; })()""")
    assert 2 <= worst <= 6  # a flash is a pair of opposing changes
    slow = page.read("(() => { const calm = new simfw.Calm(); return [0, 1, 0, 1].map("
                     "(value, place) => calm.show(place * 600, value, 16, false)); })()")
    assert slow == [0, 1, 0, 1]
    names = page.read("[...document.querySelectorAll('.key b')].map((one) => one.firstChild.data)")
    for name in ("on ", "strobe "):
        x, y = page.middle(f"#buttons .keyed:nth-child({names.index(name) + 1}) .key")
        page.mouse("mousePressed", x, y)
        time.sleep(0.1)
        page.mouse("mouseReleased", x, y)
    shown = page.read("""new Promise((done) => { const seen = []; const start = performance.now();
      const look = (now) => { const led = document.querySelector(".led").style.backgroundColor;
        const red = Number(led.match(/\\d+/)[0]) / 255; seen.push([now, red ** 2.2]);
        if (now - start < 2200) requestAnimationFrame(look); else done(seen); };
      requestAnimationFrame(look); })""")
    assert len(shown) > 20
    for start, _ in shown:
        second = [value for at, value in shown if start <= at < start + 1000]
        assert page.read(f"simfw.Calm.turns({second})") <= 6
    pause(page)


def test_a_dim_light_is_not_black(opened: Open) -> None:
    """4 % of linear light is some 20 % of the display's range (sRGB, IEC 61966-2-1)."""
    page, _ = opened()
    off, dim, full = (page.read(f"simfw.ledColour('red', {level})") for level in (0, 0.04, 1))
    red = [int(one.partition("(")[2].split()[0]) for one in (off, dim, full)]
    assert red[0] < 50
    assert red[1] - red[0] > 15
    assert red[2] == 255


def test_a_dial_is_on_the_face_and_in_the_course(opened: Open, chromium: Browser) -> None:
    """Its position with what it gives there, and a mark for each that it has passed."""
    page, server = opened("scenarios/potting-shed")
    face = "[...document.querySelectorAll('#lights li')].find((one) => one.querySelector('.dial'))"
    assert page.read(f"{face}.textContent") == "level at 5 (0 to 7), 36.7 %"
    assert page.read(f"{face}.querySelectorAll('.filled').length") == 6
    for held in (0.1, 1.3):  # a click lights it, a hold turns it up
        page.key("k", down=True)
        time.sleep(held)
        page.key("k", down=False)
        page.wait("simfw.state.view.regions.find((one) => one.name === 'torch').state === 'lit'")
    pause(page)
    page.wait("!simfw.state.drawing && simfw.state.course.states?.level.length > 1")
    at = next(one.state for one in server.panel.bench.view().regions if one.name == "level")
    assert at in {"6", "7"}
    page.wait(f"{face}.textContent.startsWith('level at {at} (0 to 7), ')")
    assert page.read(f"{face}.querySelectorAll('.filled').length") == int(at) + 1
    assert page.read("simfw.state.course.states.level.at(-1).state").startswith(f"{at} (")
    page.read("document.getElementById('tab-states').click()")
    assert f"level{at} (" in page.read("document.querySelector('#states').textContent")
    assert chromium.complaints() == []


def test_lights_are_those_of_the_moment_when_time_stands(opened: Open) -> None:
    """A lamp that went out a while ago at 60x is off, and not its mean of the last second."""
    page, _ = opened()
    page.read("document.querySelector('[data-rate=\"60\"]').click()")
    page.key("k", down=True)
    time.sleep(0.1)
    page.key("k", down=False)
    page.wait("simfw.state.view.lights[0].level === 1")
    page.wait("simfw.state.view.time_ns > 15e9")  # it goes out after 20 s
    page.wait("simfw.state.view.time_ns > 26e9")
    pause(page)
    page.wait("document.querySelector('#lights p').textContent === 'lamp off'")
    lasted = page.read("""(() => { const { regions, time_ns } = simfw.state.view;
        return (time_ns - regions.find((one) => one.name === "lamp_mode").since_ns) / 1e9; })()""")
    words = f"{lasted:.2f} s" if lasted >= 0.9995 and lasted < 10 else f"{lasted:.1f} s"
    cell = "document.querySelector('#states tbody tr td:nth-child(4)').textContent"
    if lasted < 60:
        page.wait(f"{cell} === {words!r}")
    shown = page.read("document.querySelector('.led').style.backgroundColor")
    assert shown.replace(",", "") == page.read("simfw.ledColour('white', 0)")


def test_going_back_keeps_the_old_course_beside_the_new_one(opened: Open) -> None:
    """By the slider; what was done later is gone from the journal."""
    page, server = opened()
    page.key("k", down=True)
    time.sleep(0.1)
    page.key("k", down=False)
    page.wait("simfw.state.view.lights[0].level === 1")
    pause(page)
    page.wait("!simfw.state.drawing")
    ends = server.panel.bench.time_ns
    page.read("(() => { const one = document.getElementById('scrub'); one.value = 0; "
              "one.oninput(); one.onchange(); })()")
    page.wait("simfw.state.view.time_ns === 0")
    page.wait("simfw.state.before !== null && !simfw.state.drawing")
    assert server.panel.bench.journal == ()
    assert page.read("simfw.state.before.end_ns") == ends
    page.key("k", down=True)
    page.wait("simfw.state.view.time_ns > 3e8")
    page.key("k", down=False)
    pause(page)
    for zoom in ("all", "closer"):  # the old course is drawn beside the new one in either
        page.read(f"document.getElementById('{zoom}').click()")
        page.wait("!simfw.state.drawing && document.querySelector('#chart .before-line') !== null")
    page.read("document.getElementById('goal').value = '1 h'")
    page.read("document.getElementById('go').click()")
    page.wait("simfw.state.view.time_ns === 3600e9")


def test_a_finger_drawn_over_the_chart_goes_back_there(opened: Open) -> None:
    """The time under it is told while it moves; where it is let go the course begins anew."""
    page, server = opened()
    pause(page)
    page.read("document.getElementById('goal').value = '10 s'")
    page.read("document.getElementById('go').click()")
    page.wait("simfw.state.view.time_ns === 10e9 && !simfw.state.busy && !simfw.state.drawing")
    page.read("document.getElementById('all').click()")
    page.wait("simfw.state.course.end_ns === 10e9 && !simfw.state.drawing")
    left, top, width, height = page.read(
        "Object.values(document.getElementById('chart').getBoundingClientRect().toJSON())")[:4]
    y = top + height / 2
    page.mouse("mousePressed", left + 0.9 * width, y)
    page.mouse("mouseMoved", left + 0.5 * width, y)
    told = page.read("document.getElementById('scrubbed').textContent")
    page.mouse("mouseReleased", left + 0.5 * width, y)
    page.wait("simfw.state.view.time_ns < 6e9 && !simfw.state.busy")
    # The names of the lanes take 96 px on the left, 8 px are free on the right.
    wanted_ns = (0.5 * width - 96) / (width - 104) * 10e9
    assert abs(server.panel.bench.time_ns - wanted_ns) < 0.02e9
    assert told not in ("", "now")


def test_a_year_is_drawn_and_a_hundredth_of_a_second_of_it(opened: Open) -> None:
    """The chart goes from all of it to its narrowest part, and moves there."""
    page, _ = opened()
    pause(page)
    for days in (*range(31, 365, 31), 365):
        page.read(f"document.getElementById('goal').value = '{days} days'")
        page.read("document.getElementById('go').click()")
        page.wait(f"simfw.state.view.time_ns === {days} * 86400e9 && !simfw.state.busy")
    page.read("document.getElementById('all').click()")
    page.wait("simfw.state.course.end_ns === 31536000e9 && !simfw.state.drawing")
    for _ in range(17):
        page.read("document.getElementById('closer').click()")
        page.wait("!simfw.state.drawing")
    assert page.read("simfw.state.to - simfw.state.from") == pytest.approx(1e7, rel=1e-3)
    middle = 0.875 * 31536000e9  # the first step is about the end, the others about the middle
    assert page.read("simfw.state.to") == middle + 5e6
    page.read("document.getElementById('earlier').click()")
    page.wait("!simfw.state.drawing")
    assert page.read("simfw.state.to") == middle


def test_the_diagram_shows_where_a_region_stands(opened: Open, chromium: Browser) -> None:
    """The state it is in is marked, and the row that has just fired is lit."""
    page, _ = opened()
    page.read("document.getElementById('tab-diagrams').click()")
    page.wait("document.querySelectorAll('.diagram .now').length === 2")
    page.read("""globalThis.fired = []; new MutationObserver(() => {
        for (const one of document.querySelectorAll(".fired")) fired.push(one.getAttribute("y"));
      }).observe(document.getElementById("diagrams"), { childList: true, subtree: true });""")
    page.key("k", down=True)
    time.sleep(0.1)
    page.key("k", down=False)
    page.wait("simfw.state.view.lights[0].level === 1")
    page.wait("fired.length > 0")
    pause(page)
    boxes = "[...document.querySelectorAll('.diagram rect[rx=\"7\"]')]"
    assert page.read(f"{boxes}.map((one) => one.classList.contains('now'))") == [
        False, True, False, False, False, True, False]  # lit.full, and idle
    assert chromium.complaints() == []


def test_a_changed_figure_tells_what_differs(opened: Open) -> None:
    """On the page, with the value before and now; a mistake is said, and what a log leaves."""
    page, server = opened()
    server.panel.left = {"buttons.key.double": "190 ms .. 410 ms (stopwatch)"}
    page.key("k", down=True)
    time.sleep(0.1)
    page.key("k", down=False)
    page.wait("simfw.state.view.lights[0].level === 1")
    pause(page)
    page.read("document.getElementById('tab-figures').click()")
    page.read("(() => { const find = document.getElementById('filter'); find.value = 'key.double'; "
              "find.oninput(); const field = document.querySelector('#figure-list input'); "
              "field.value = '200 ms'; document.querySelector('#figure-list button').click(); })()")
    page.wait("document.getElementById('changed').textContent.includes('key.click')")
    page.read("document.getElementById('tab-events').click()")
    assert "key.double" not in page.read("document.getElementById('events').textContent")
    assert "key.click" in page.read("document.getElementById('events').textContent")
    told = page.read("document.getElementById('changed').textContent")
    assert "buttons.key.double = 200 ms" in told
    page.wait("document.getElementById('figure-list').textContent.includes('190 ms .. 410 ms')")
    page.read("(() => { const field = document.querySelector('#figure-list input'); "
              "field.value = 'soon'; document.querySelector('#figure-list button').click(); })()")
    page.wait("document.getElementById('trouble').textContent.includes('buttons.key.double')")


def test_hostile_names_stay_names(opened: Open, chromium: Browser) -> None:
    """Whatever a gadget is called is text."""
    evil = "</script><img src=x onerror=alert(1)>"
    page, _ = opened(change=('"Key-hook light"', f'"{evil}"'))
    assert page.read("document.getElementById('name').textContent") == evil
    assert page.read("document.querySelectorAll('img').length") == 0
    assert chromium.complaints() == []


def test_the_second_page_takes_the_gadget_over(opened: Open, chromium: Browser) -> None:
    """And the first says so and stops."""
    page, server = opened()
    page.read("document.getElementById('run').click()")
    other = chromium.page(server.address)
    other.wait("globalThis.simfw?.state.view != null")
    page.call("Page.bringToFront")
    page.wait("document.getElementById('trouble').textContent.includes('Another page')")
    assert not page.read("simfw.state.running")
    other.call("Page.navigate", url="about:blank")


def test_a_file_that_is_saved_is_read_again(opened: Open, tmp_path: Path) -> None:
    """While a key is held, too; a mistake is shown and the old gadget stays."""
    page, server = opened()
    page.key("k", down=True)
    page.wait("simfw.state.view.time_ns > 1e8")
    path = tmp_path / "key-hook/gadget.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"15 ms"', '"15 mA"'), encoding="utf-8")
    page.wait("document.getElementById('trouble').textContent.includes('gadget.toml:')")
    assert page.read("document.querySelectorAll('.key').length") == 1
    path.write_text(text.replace('"15 ms"', '"25 ms"'), encoding="utf-8")
    page.wait("document.getElementById('trouble').hidden && "
              "document.getElementById('changed').textContent !== ''")
    page.key("k", down=False)
    assert server.panel.bench.gadget.buttons["key"].debounce.ns == 25_000_000
