"""What a frame, a snapshot, going back and a replay cost, and how long a press takes to be painted.

    python -m tests.bench.panel

On the larder lamp, and the press on the key hook in a headless Chromium. Wall times, the least of
some repetitions: another process can only make them longer. Beside them stands the ratio to what
does not hang on the machine: a frame to one look at a bench on which nothing has gone by.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from simfw import Bench, load_gadget
from simfw.panel.panel import Panel
from simfw.panel.server import PanelServer
from tests.panel.browser import BROWSER, browser

ROOT = Path(__file__).resolve().parents[2]
LARDER = ROOT / "scenarios/larder-lamp/gadget.toml"
HOOK = ROOT / "scenarios/key-hook/gadget.toml"
FRAME_NS = 16_666_667
PRESS = """new Promise(async (done) => { const all = []; const key = document.querySelector(".key");
  const later = (ms) => new Promise((go) => setTimeout(go, ms));
  const stroke = (kind) => key.dispatchEvent(new KeyboardEvent(kind, { key: " " }));
  const down = () => simfw.state.view.inputs.some((one) => one.kind === "contact" && one.level);
  for (let count = 0; count < 40; count += 1) {
    await later(60 + Math.random() * 40);
    const begun = performance.now();
    stroke("keydown");
    while (!down()) await later(1);
    await new Promise((go) => requestAnimationFrame(go));
    all.push(performance.now() - begun);
    stroke("keyup");
    await later(60);
  }
  done(all.sort((one, other) => one - other)); })"""


REPEATED = 9


def milliseconds(do: Callable[[], object], times: int, repeated: int = REPEATED) -> float:
    """The mean time of `do` (ms) in the quickest of some repetitions."""
    found = []
    for _ in range(repeated):
        begun = time.perf_counter()
        for _ in range(times):
            do()
        found.append((time.perf_counter() - begun) / times * 1e3)
    return min(found)


def bench_costs() -> None:
    """Print what the bench costs."""
    gadget = load_gadget(LARDER)
    bench = Bench(gadget)
    bench.to("1 s")
    bench.press("power")
    look = milliseconds(bench.view, 100)
    print(f"a look: {look:.3f} ms")
    for rate in (1, 60, 3600):

        def frame(step: int = rate * FRAME_NS) -> None:
            bench.to(bench.time_ns + step)
            bench.view()

        frame()
        cost = milliseconds(frame, 60 if rate < 3600 else 15)
        print(f"a frame at {rate}x: {cost:.2f} ms, {cost / look:.1f} looks")
    cost = milliseconds(bench.snapshot, 50)
    print(f"a snapshot: {cost:.3f} ms, {cost / look:.1f} looks")
    mark = bench.snapshot()
    cost = milliseconds(lambda: bench.back(mark), 50)
    print(f"going back: {cost:.3f} ms, {cost / look:.1f} looks")
    day = Bench(gadget, 1.0, prepared=bench.prepared)
    for half_hours in range(48):
        day.to(f"{30 * half_hours + 10} min")
        day.press("power")
    day.to("1 day")
    other = load_gadget(LARDER, {"buttons.power.hold": "1 s"})
    cost = milliseconds(lambda: day.replayed(other), 1, 3)
    print(f"a day with 48 presses replayed with another figure: {cost:.0f} ms")


def paint_costs() -> None:
    """Print how long it takes from a press to the paint that follows its answer."""
    server = PanelServer(Panel(HOOK))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    with tempfile.TemporaryDirectory() as folder, browser(Path(folder)) as chromium:
        page = chromium.page()
        page.looks(1280, 900)
        page.go(server.address)
        page.wait("globalThis.simfw?.state.course != null")
        page.read("document.getElementById('run').click()")
        times = page.read(PRESS)
    server.shutdown()
    server.server_close()
    thread.join()
    print(f"press to paint: median {times[20]:.0f} ms, p95 {times[37]:.0f} ms")


if __name__ == "__main__":
    bench_costs()
    if BROWSER is not None:
        paint_costs()
