"""How the built-in tables of simfw/circuit/data were made from the raw data beside the tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CELLS = Path(__file__).parents[1] / "data" / "cells"
RATED_AH = 2.28
DISCHARGE_A = 0.1 * RATED_AH
SERIES_OHM = 0.073  # from the same cell's 0.1C and 0.5C discharges
POINTS = 401


def pouch_capacity_c() -> float:
    """Charge (C) that the pouch cell gave at 0.1C down to 3.0 V."""
    seconds, _ = _read("lco_pouch_2280mAh_0.1C.txt")
    return float(seconds[-1] * DISCHARGE_A)


def pouch_curve() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Charge and open-circuit voltage (V): the 0.1C discharge with its I x R put back.

    Each point is the mean of the samples nearer to it than to its neighbours (the ends are the
    first and last sample); a voltage that does not rise by 10 uV is lifted to that.
    """
    seconds, volts = _read("lco_pouch_2280mAh_0.1C.txt")
    left = 1.0 - seconds / seconds[-1]
    rest_v = volts + DISCHARGE_A * SERIES_OHM
    charge = np.linspace(0.0, 1.0, POINTS)
    nearest = np.rint(left * (POINTS - 1)).astype(int)
    sums = np.bincount(nearest, weights=rest_v, minlength=POINTS)
    curve = sums / np.bincount(nearest, minlength=POINTS)
    # The mean of a half window would pull the ends inwards.
    curve[0], curve[-1] = rest_v[-1], rest_v[0]
    rising = np.maximum.accumulate(curve - 1e-5 * np.arange(POINTS)) + 1e-5 * np.arange(POINTS)
    return charge, np.round(rising, 6)


def _read(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    table = np.loadtxt(CELLS / name)
    return table[:, 0], table[:, 1]


def as_csv(charge: NDArray[np.float64], volts: NDArray[np.float64]) -> str:
    """The text of a table."""
    rows = "".join(f"{c:.4f},{v:.5f}\n" for c, v in zip(charge, volts, strict=True))
    return "charge,voltage_v\n" + rows


if __name__ == "__main__":
    print(as_csv(*pouch_curve()), end="")
