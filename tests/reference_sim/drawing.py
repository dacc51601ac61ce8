"""What random gadgets are drawn with: a generator, and what has been drawn so far."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

LIGHTS = ("lamp", "mark", "glow")
LOADS = ("motor", "buzzer")
BUTTONS = ("power", "level", "mode")
GRID_MS = 10
COARSE_MS = 20


@dataclass
class Draw:
    """A generator and what has been drawn so far."""

    rng: random.Random
    gadget: dict[str, Any] = field(default_factory=dict)
    events: list[str] = field(default_factory=list)
    truths: list[str] = field(default_factory=list)
    numbers: list[tuple[str, str, str]] = field(default_factory=list)  # name, comparison, number
    guards: list[str] = field(default_factory=list)
    coarse: bool = False  # all times on a few values, so that nearly everything coincides

    def chance(self, share: float) -> bool:
        """True in that share of draws."""
        return self.rng.random() < share

    def pick(self, *items: Any) -> Any:
        """One of them."""
        return self.rng.choice(items)

    def ms(self, low: int, high: int, fine: float = 0.15) -> str:
        """A time between two numbers of milliseconds, mostly on the grid."""
        if self.coarse:
            step = next(one for one in (COARSE_MS, GRID_MS, 5, 1) if high // one * one >= low)
            return f"{self.rng.randint(-(-low // step), high // step) * step} ms"
        if self.chance(fine):
            return f"{self.rng.randint(low * 10**6, high * 10**6)} ns"
        step = GRID_MS if high - low >= 4 * GRID_MS else 1
        return f"{self.rng.randint(-(-low // step), high // step) * step} ms"

    def off(self) -> int:
        """Some ns beside the grid, now and then."""
        if self.chance(0.15):
            off = self.rng.randint(-(10**6), 10**6)
            return 0 if self.coarse else off
        return 0

    def number(self, low: float, high: float, digits: int = 3) -> str:
        """A decimal number."""
        return f"{self.rng.uniform(low, high):.{digits}f}"


def draw_truth(draw: Draw) -> str:
    """Something that is true or false."""
    return str(draw.rng.choice(draw.truths))
