"""A finished run as one page that asks nothing of anybody: style, script and run are inside it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html import escape

from simfw.bench.repeating import Repeating
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.panel.chart import chart_of
from simfw.panel.described import face_of
from simfw.panel.files import page_file

__all__ = ["COLUMNS", "MOST_EVENTS", "page_of"]

COLUMNS = 1200
"""Columns of current and lights; inputs and states are told to the nanosecond."""

MOST_EVENTS = 500
"""Events that the page lists; it tells how many there are more."""

_IMPORT = re.compile(r"^import .*$", re.MULTILINE)
_EXPORT = re.compile(r"^export ", re.MULTILINE)


def page_of(run: Run, prepared: Prepared, report: str, title: str) -> str:
    """The page of a run with its intervals and events; `report` is its report as text."""
    course = chart_of(run, prepared, Repeating(prepared.system), run.start_ns, run.end_ns, COLUMNS)
    data = {
        "gadget": face_of(run.gadget),
        "course": course,
        "events": [{"time_ns": event.time_ns, "name": event.name}
                   for event in run.events[:MOST_EVENTS]],
        "more_events": max(0, len(run.events) - MOST_EVENTS),
    }
    style = page_file("panel.css")
    script = "\n".join(
        ["\"use strict\";", "{", *(_plain(name) for name in ("words", "face", "chart", "watch")),
         "}"])
    parts = {
        "title": escape(title),
        "style": style,
        "style-hash": _digest(style),
        "script": script,
        "script-hash": _digest(script),
        "report": escape(report, quote=False),
        "data": _data(data),
    }
    # In one pass: what a part holds is never taken for the name of another.
    return re.sub(r"@([a-z-]+)@", lambda found: parts.get(found[1], found[0]),
                  page_file("run.html"))


def _plain(name: str) -> str:
    """A module of the page as part of one script."""
    return _EXPORT.sub("", _IMPORT.sub("", page_file(f"{name}.js")))


def _digest(text: str) -> str:
    """The hash by which a policy allows one script or style (CSP level 3, section 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _data(value: object) -> str:
    """JSON that ends no script, whatever its texts hold."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
