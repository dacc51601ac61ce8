"""A headless browser over its debugging pipe: nothing but the browser itself is needed.

The protocol is the browser's own: JSON messages, each ended by a zero byte, on file descriptors 3
and 4. A `Page` evaluates expressions, presses keys and the mouse, and takes pictures.
"""

from __future__ import annotations

import base64
import itertools
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

__all__ = ["BROWSER", "Page", "browser"]

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


class Pipe:
    """The browser's two pipes."""

    def __init__(self, into: int, out: int) -> None:
        self._into, self._out = into, out
        self._left = b""
        self._numbers = itertools.count(1)
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, link: str | None = None, **values: Any) -> dict[str, Any]:
        """Send a command and return its result."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": values}
        if link is not None:
            message["sessionId"] = link
        os.write(self._into, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next(30)
            if answer.get("id") == number:
                if "error" in answer:
                    raise AssertionError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _next(self, seconds: float) -> dict[str, Any]:
        ends = time.monotonic() + seconds
        while b"\0" not in self._left:
            ready, _, _ = select.select([self._out], [], [], max(0.0, ends - time.monotonic()))
            assert ready, "the browser does not answer"
            part = os.read(self._out, 1 << 20)
            assert part, "the browser has gone"
            self._left += part
        text, _, self._left = self._left.partition(b"\0")
        found: dict[str, Any] = json.loads(text)
        return found


class Page:
    """One page."""

    def __init__(self, pipe: Pipe, link: str) -> None:
        self._pipe, self._link = pipe, link

    def call(self, method: str, **values: Any) -> dict[str, Any]:
        """A command to the page."""
        return self._pipe.call(method, self._link, **values)

    def read(self, expression: str) -> Any:
        """The value of an expression; promises are waited for."""
        answer = self.call("Runtime.evaluate", expression=expression, awaitPromise=True,
                           returnByValue=True)  # fmt: skip
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def wait(self, expression: str, seconds: float = 15.0) -> Any:
        """Wait until an expression is true."""
        ends = time.monotonic() + seconds
        while True:
            value = self.read(expression)
            if value:
                return value
            assert time.monotonic() < ends, f"never came true: {expression}"
            time.sleep(0.03)

    def key(self, key: str, *, down: bool) -> None:
        """Press or let go a key of the keyboard."""
        text = {"text": "\r" if key == "Enter" else key} if down and (
            len(key) == 1 or key == "Enter") else {}
        code = {"Enter": 13, "Tab": 9, " ": 32, "ArrowRight": 39, "ArrowLeft": 37}.get(key)
        self.call("Input.dispatchKeyEvent", type="keyDown" if down else "keyUp", key=key,
                  windowsVirtualKeyCode=code or ord(key[0].upper()), **text)  # fmt: skip

    def mouse(self, kind: str, x: float, y: float) -> None:
        """Move the mouse, press its button, or let it go."""
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def middle(self, selector: str) -> tuple[float, float]:
        """Where an element is."""
        found = self.read(
            f"(() => {{ const r = document.querySelector({selector!r}).getBoundingClientRect();"
            " return [r.x + r.width / 2, r.y + r.height / 2]; })()")
        return found[0], found[1]

    def looks(self, width: int, height: int, *, dark: bool = False, still: bool = False,
              mobile: bool = False) -> None:  # fmt: skip
        """The size of the window, and what its user likes."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=mobile)  # fmt: skip
        self.call("Emulation.setEmulatedMedia", features=[
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if still else "no-preference"},
        ])  # fmt: skip

    def picture(self, path: Path) -> None:
        """Write what is seen as PNG."""
        answer = self.call("Page.captureScreenshot", format="png")
        path.write_bytes(base64.b64decode(answer["data"]))

    def go(self, address: str) -> None:
        """Open an address."""
        self.call("Page.navigate", url=address)


class Browser:
    """A running browser."""

    def __init__(self, pipe: Pipe) -> None:
        self.pipe = pipe

    def page(self, address: str = "about:blank") -> Page:
        """Open a page."""
        target = self.pipe.call("Target.createTarget", url="about:blank")["targetId"]
        joined = self.pipe.call("Target.attachToTarget", targetId=target, flatten=True)
        page = Page(self.pipe, joined["sessionId"])
        for domain in ("Page", "Runtime", "Log", "Network"):
            page.call(f"{domain}.enable")
        if address != "about:blank":
            page.go(address)
        return page

    def complaints(self) -> list[str]:
        """What the pages' scripts and policies complained of, and which addresses failed."""
        found = []
        for event in self.pipe.events:
            values = event.get("params", {})
            if event.get("method") == "Runtime.exceptionThrown":
                found.append(str(values["exceptionDetails"]))
            elif event.get("method") == "Log.entryAdded" and values["entry"]["level"] == "error":
                entry = values["entry"]
                if not entry.get("url", "").endswith("/favicon.ico"):
                    found.append(f"{entry['text']} {entry.get('url', '')}")
        return found

    def asked(self) -> list[str]:
        """Every address that a page asked for."""
        return [event["params"]["request"]["url"] for event in self.pipe.events
                if event.get("method") == "Network.requestWillBeSent"]


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser with a fresh profile, which is ended at the end."""
    assert BROWSER is not None
    read_in, write_in = os.pipe()
    read_out, write_out = os.pipe()
    process = subprocess.Popen(
        ["bash", "-c", f'exec "$@" 3<&{read_in} 4>&{write_out}', "bash", BROWSER, "--headless",
         "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--no-first-run",
         "--disable-background-networking", f"--user-data-dir={profile}", "about:blank"],
        pass_fds=(read_in, write_out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(read_in)
    os.close(write_out)
    try:
        yield Browser(Pipe(write_in, read_out))
    finally:
        os.close(write_in)
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        os.close(read_out)
