"""A small gadget whose bench observations have closed forms, and bench logs for it.

The cell is a straight line of 3.0 V to 4.2 V without resistance unless one is asked for, so that
the charge at a bar's threshold is (V - 3.0) / 1.2.
"""

from __future__ import annotations

from pathlib import Path

from simfw.benchlog.model import BenchLog
from simfw.benchlog.narrowed import Interval, Narrowed
from simfw.loading import load_bench_log

__all__ = ["BARS_V", "FINISH", "FULL_C", "bar_charge", "interval", "log_of", "write_lantern"]

FULL_C = 1800.0  # 500 mAh
BARS_V = (3.3, 3.6, 3.9)

GADGET = """
[gadget]
name = "Tin lantern"
[cell]
curve = "line.csv"
capacity = "500 mAh"
resistance = "0 Ω"
cut_off = "3.0 V"
leakage = "40 uA"
[charger]
current = "200 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[controller]
awake = "0 A"
asleep = "0 A"
reference = "1.1 V"
[loads.lamp]
current = "60 mA"
[buttons.key]
debounce = "20 ms"
[gauge]
thresholds = ["3.3 V", "3.6 V", "3.9 V"]
every = "1 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
]
"""

FINISH = """
[[questions]]
name = "finish"
[[questions.answers]]
name = "a tenth"
[[questions.answers]]
name = "a quarter"
change = { "charger.finish" = "25 %" }
"""
"""A question on when the charger ends: as the file says, or much earlier."""


def bar_charge(bars: int) -> float:
    """The charge (0..1) below which fewer than `bars` bars show at rest."""
    return (BARS_V[bars - 1] - 3.0) / 1.2


def write_lantern(folder: Path, **values: str) -> Path:
    """The gadget in `folder`; `values` replace the figures of lines by their key's last part."""
    text = GADGET
    for key, value in values.items():
        lines = [
            f'{key} = "{value}"' if line.startswith(f"{key} =") else line
            for line in text.splitlines()
        ]
        text = "\n".join(lines) + "\n"
    (folder / "line.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n", encoding="utf-8")
    (folder / "gadget.toml").write_text(text, encoding="utf-8")
    return folder / "gadget.toml"


def log_of(folder: Path, text: str, **values: str) -> BenchLog:
    """The bench log `text` for the lantern."""
    write_lantern(folder, **values)
    (folder / "log.toml").write_text(f'gadget = "gadget.toml"\n{text}', encoding="utf-8")
    return load_bench_log(folder / "log.toml")


def interval(found: Narrowed, key: str) -> Interval:
    """What is left of one unknown over all combinations."""
    return next(one for one in found.intervals if one.key == key)
