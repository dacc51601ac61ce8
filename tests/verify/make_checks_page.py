"""Writes docs/reference/checks.md from the list of checks and of faults.

`python -m tests.verify.make_checks_page` after a change; a test holds page and lists together.
"""

# ruff: noqa: E501 - the lines are rows of tables

from __future__ import annotations

from pathlib import Path

from simfw.verify.builtin import CHECKS
from tests.quality.cases import CASES, NOT_EXPRESSIBLE
from tests.verify.fault_list import FAULTS

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "checks.md"

HEAD = """# Checks

`simfw check` makes these checks by itself. Each has a stable name; `--without NAME` leaves one out and `--only NAME`
makes only that one. A *fault* makes the exit status 1, a *note* does not. `way` says how a check looks: at the *rows*
and timings as written, by the *search* over all combinations, at the *circuit*, or by *runs* of the full model.

| name | level | way | what it says | the fault it catches |
|---|---|---|---|---|
"""

LIMITS = """
## Where the numbers come from

| number | source |
|---|---|
| contacts may bounce for 6.2 ms | J. Ganssle, *A Guide to Debouncing*: most of 18 switches at most 6.2 ms, mean 1.6 ms, one far longer (second hand, from three public notes that agree); a measured list of contacts (pe1hvh/measure_bouncing) has 2.2 ms as its worst |
| a double click needs 250 ms | threads of an open button library (OneButton #69): below about 200 ms it cannot be done, 275 ms is comfortable |
| a hold begins at 400 ms or later | common practice, no source |
| a chord needs 40 ms or more | IronOS #348 and #52, PedalinoMini #372: fingers land up to 50 ms apart |
| a tap may be as short as 100 ms | a later extension of the keystroke-level model (Card, Moran, Newell 1980): 0.10 s for a press or a release |
| a wave lasts 300 ms | common practice, no source |
| a field clear for 200 ms | common practice, no source |
| 10 carrier cycles | Vishay documents 82241 and 82492: shortest burst 10 cycles |
| a burst of 10 ms at most | common practice, no source |
| 2 % of the capacity in a year | common practice, no source: as much as self-discharge takes in a month |
| 90 days on the shelf | common practice, no source |
| a third of the light | common practice, no source |
| clock 10 % off | within the 30 % that maker notes give for watchdog oscillators; a trimmed RC oscillator is nearer to 10 % (from memory) |

## The faults

What goes wrong with such gadgets, where it was seen, and what of it can be written in a gadget file. `check` is what
finds it in the planted examples of the test suite (`rule`: a rule of the gadget file, found by the search).

| id | fault | check | seen in |
|---|---|---|---|
"""


def page() -> str:
    """The whole page."""
    lines = [
        f"| `{check.name}` | {check.level} | {check.way} | {check.says} | {check.catches} |"
        for check in CHECKS.values()
    ]
    found = {case.id: f"`{case.check}`" for case in CASES}
    faults = [
        f"| {key} | {title} | {found.get(key, 'not expressible: ' + NOT_EXPRESSIBLE.get(key, ''))}"
        f" | {source} |"
        for key, (title, source) in FAULTS.items()
    ]
    return HEAD + "\n".join(lines) + "\n" + LIMITS + "\n".join(faults) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
