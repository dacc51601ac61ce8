"""The infra-red path: what comes back from a hand, and how far away it still counts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.gadget.model import Proximity

__all__ = ["Echo", "echo_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """The link budget of one sensor.

    `sr_per_a` (W/sr per A) times the emitter current is the radiant intensity; `solid_angle_sr`
    is the beam's; `area_m2` and `reflectance` are the hand's; `threshold` (W/m2) is the
    irradiance that the receiver needs while the carrier is on.
    """

    intensity_per_a: float
    solid_angle_sr: float
    reflectance: float
    area_m2: float
    threshold_w_per_m2: float

    def irradiance(self, emitter_a: float, distance_m: float) -> float:
        """Irradiance (W/m2) at the receiver from a hand at a distance (m).

        E = reflectance * Ie * min(A, Omega d^2) / (pi d^4), Omega = 2 pi (1 - cos half angle): the
        hand is lit with Ie/d^2 over what of it lies in the beam and sends that back as a diffuse
        (Lambert) surface, E = M A / (pi d^2). It goes with 1/d^2 while the hand fills the beam
        and with 1/d^4 beyond. (Lambert's law: e.g. McCluney, Introduction to Radiometry and
        Photometry, 1994, ch. 1, from memory; the 4th power for small objects: Silicon Labs
        Si1141/42/43 data sheet, p. 8.)
        """
        lit = min(self.area_m2, self.solid_angle_sr * distance_m**2)
        intensity = self.intensity_per_a * emitter_a
        return self.reflectance * intensity * lit / (math.pi * distance_m**4)

    def range_m(self, emitter_a: float) -> float:
        """The distance (m) at which the echo falls to the threshold; 0 without emitter current."""
        if emitter_a <= 0.0:
            return 0.0
        strength = self.reflectance * self.intensity_per_a * emitter_a / math.pi
        near = math.sqrt(strength * self.solid_angle_sr / self.threshold_w_per_m2)
        far = math.sqrt(math.sqrt(strength * self.area_m2 / self.threshold_w_per_m2))
        return min(near, far)


def echo_of(sensor: Proximity) -> Echo | None:
    """The link budget of a sensor, None where the file gives too little for one."""
    emitter, receiver, target = sensor.emitter, sensor.receiver, sensor.target
    if emitter is None or receiver is None or target is None:
        return None
    if emitter.intensity is None or receiver.threshold is None:
        return None
    half = None if emitter.half_angle is None else emitter.half_angle.value
    beam = math.inf if half is None else 2.0 * math.pi * (1.0 - math.cos(half))
    return Echo(
        intensity_per_a=emitter.intensity.intensity_w_sr.value / emitter.intensity.current_a.value,
        solid_angle_sr=beam,
        reflectance=target.reflectance.value,
        area_m2=target.area.value,
        threshold_w_per_m2=receiver.threshold.value,
    )
