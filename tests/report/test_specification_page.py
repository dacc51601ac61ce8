"""The page of the specification in a browser: at three widths and on paper."""

import json
import re
import subprocess

import pytest

from simfw.behaviour.build import build_system
from simfw.loading import load_gadget
from simfw.report.specification import document_of, specification_files
from simfw.report.specification.power import budget_of
from tests.report.generated_c import compiler
from tests.report.golden import DEMOS, ROOT
from tests.sharing import shared_vectors as make_vectors

LARDER = next(path for path in DEMOS if path.parent.name == "larder-lamp")
PIER = ROOT / "tests" / "gallery" / "pier-light" / "gadget.toml"
STRIP = next(path for path in DEMOS if path.parent.name == "strip-controller")
pytestmark = pytest.mark.skipif(compiler("chromium") is None, reason="chromium is not installed")

PROBE = """<script>
const seen = [...document.querySelectorAll("main > *, header, table, p, li, td, th")];
const off = seen.filter(e => e.getBoundingClientRect().right > innerWidth + 1);
const wide = [...document.querySelectorAll(".wide:not(.drawing)")].filter(
  e => e.scrollWidth > e.clientWidth + 1);
document.title = JSON.stringify({page: document.documentElement.scrollWidth, inner: innerWidth,
  off: off.map(e => e.tagName + " " + e.textContent.slice(0, 40)),
  wide: wide.map(e => e.querySelector("caption").textContent),
  drawings: document.querySelectorAll("svg").length});
</script>"""
FRAME = """<!DOCTYPE html><title>-</title>
<iframe id="page" src="page.html" style="width:{width}px;height:900px;border:0"></iframe>
<script>const page = document.getElementById("page");
page.onload = () => {{ document.title = page.contentDocument.title; }};</script>"""


def full(path):
    """The page of a gadget with its vectors and its budget."""
    gadget = load_gadget(path)
    system = build_system(gadget)
    document = document_of(gadget, system, budget=budget_of(gadget),
                           vectors=make_vectors(gadget, system))  # fmt: skip
    return specification_files(document)["specification.html"]


def browser(tmp_path, page, *options):
    """What the browser prints of a page."""
    done = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", *options, page.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    return done.stdout


@pytest.fixture(scope="module")
def larder():
    """The page of the larder lamp."""
    return full(LARDER)


@pytest.fixture(scope="module")
def strip():
    """The page of the strip controller, of 248 states, without its vectors."""
    gadget = load_gadget(STRIP)
    document = document_of(gadget, build_system(gadget), budget=budget_of(gadget))
    return specification_files(document)["specification.html"]


PAPER = 695  # what A4 leaves between the margins, in the 96 points to an inch of CSS


@pytest.mark.parametrize("width", [1200, 800, 390, PAPER])
@pytest.mark.parametrize("path", [LARDER, STRIP], ids=["larder-lamp", "strip-controller"])
def test_no_table_runs_off_at(path, width, larder, strip, tmp_path):
    """Nothing sticks out of the window, and no table has to be pushed aside to be read."""
    text = larder if path == LARDER else strip
    if width == PAPER:
        assert text.count("@media print {") == 1
        text = text.replace("@media print {", "@media all {").replace("(max-width: 40rem)", "print")
    (tmp_path / "page.html").write_text(text.replace("</body>", PROBE + "</body>"), "utf-8")
    frame = tmp_path / "frame.html"
    frame.write_text(FRAME.format(width=width), "utf-8")  # a window itself is never that narrow
    out = browser(tmp_path, frame, "--allow-file-access-from-files", "--window-size=1300,1000",
                  "--virtual-time-budget=10000", "--dump-dom")  # fmt: skip
    found = re.search(r"<title>(\{.*?\})</title>", out)
    assert found is not None
    seen = json.loads(found[1].replace("&quot;", '"').replace("&amp;", "&"))
    assert seen["inner"] == width
    assert seen["page"] <= width
    assert seen["off"] == []
    assert seen["wide"] == []


def test_it_asks_for_nothing(larder, tmp_path):
    """The net log of the browser holds no address that stands in the page."""
    page = tmp_path / "specification.html"
    page.write_text(larder, "utf-8")
    log = tmp_path / "net.json"
    browser(tmp_path, page, f"--log-net-log={log}", "--net-log-capture-mode=Everything",
            "--dump-dom")  # fmt: skip
    text = log.read_text(encoding="utf-8", errors="replace")
    assert page.name in text
    ours = re.findall(r'"(https?://[^"]+)"', text)
    # The browser itself may look for its maker's services; the page must not name any address.
    assert not [url for url in ours if url in larder]


def sheets(text, tmp_path):
    """On how many sheets of A4 a page prints."""
    page = tmp_path / "specification.html"
    page.write_text(text, "utf-8")
    browser(tmp_path, page, f"--print-to-pdf={tmp_path / 'out.pdf'}")
    pdf = (tmp_path / "out.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf))


def test_the_larder_lamp_prints_on_twenty_sheets(larder, tmp_path):
    """With vectors and budget, on A4."""
    assert 8 <= sheets(larder, tmp_path) <= 20


def test_a_light_with_all_habits_of_a_small_lamp_prints_on_less_than_twenty_sheets(tmp_path):
    """With its budget; vectors that are the first about something take two more."""
    gadget = load_gadget(PIER)
    document = document_of(gadget, build_system(gadget), budget=budget_of(gadget))
    assert 8 <= sheets(specification_files(document)["specification.html"], tmp_path) <= 16
