"""The infra-red path: what comes back from a hand, and how far away it still counts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.gadget.model import Proximity, Receiver

__all__ = [
    "GAIN_CONTROL",
    "BurstRule",
    "BurstVerdict",
    "Echo",
    "burst_rule",
    "burst_verdict",
    "carried_share",
    "catch_probability",
    "certain_wave_s",
    "echo_of",
    "output_width_s",
    "range_sensitivity",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """The link budget of one sensor.

    `intensity_per_a` (W/sr per A) times the emitter current is the radiant intensity;
    `solid_angle_sr` is the beam's; `area_m2` and `reflectance` are the hand's;
    `threshold_w_per_m2` is the irradiance that the receiver needs while the carrier is on.
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

    def in_light(self, threshold_w_per_m2: float) -> Echo:
        """The same link with the threshold that the receiver has in bright light (W/m2)."""
        return replace(self, threshold_w_per_m2=threshold_w_per_m2)

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


def carried_share(sensor: Proximity) -> float:
    """By how much of the carrier's period a saturated npn keeps the emitter on too long.

    Its stored charge holds it on for `storage` after the base is let go, every carrier cycle.
    """
    emitter = sensor.emitter
    if emitter is None or emitter.switch is None or emitter.switch.storage is None:
        return 0.0
    return emitter.switch.storage.ns * 1e-9 * sensor.carrier.value


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstRule:
    """What bursts a receiver's gain control takes, in carrier cycles.

    A burst needs `shortest` cycles. One of up to `short` cycles needs a gap of `gap` cycles, a
    longer one a gap of more than `long_gap` times its length. At most `most_per_second` bursts.
    """

    shortest: int
    short: int
    gap: int
    long_gap: float
    most_per_second: float | None = None


# Published kinds: Vishay document 82492 Rev. 1.1, p. 5 (the 1800 short bursts a second of an AGC2
# part: Vishay HS0038BD, p. 5).
GAIN_CONTROL = {
    "AGC2": BurstRule(shortest=10, short=70, gap=10, long_gap=4.0, most_per_second=1800.0),
    "AGC4": BurstRule(shortest=10, short=35, gap=10, long_gap=10.0),
}


def burst_rule(receiver: Receiver | None) -> BurstRule | None:
    """The rule of a receiver: its own figures, else those of its kind, else None."""
    if receiver is None:
        return None
    if receiver.bursts is not None:
        own = receiver.bursts
        return BurstRule(
            shortest=own.shortest, short=own.short, gap=own.gap, long_gap=own.long_gap,
            most_per_second=own.most,
        )
    return None if receiver.gain_control is None else GAIN_CONTROL[receiver.gain_control]


@dataclass(frozen=True, slots=True)
class BurstVerdict:
    """Whether a burst and the gap after it are within the rule; `why` lists what is not."""

    legal: bool
    why: tuple[str, ...]


def burst_verdict(
    rule: BurstRule, burst: float, gap: float, carrier_hz: float | None = None
) -> BurstVerdict:
    """Judge bursts of `burst` carrier cycles with gaps of `gap` cycles, going on and on."""
    why = []
    if burst < rule.shortest:
        why.append(f"a burst of {burst:g} cycles is shorter than {rule.shortest}")
    if burst <= rule.short and gap < rule.gap:
        why.append(f"a gap of {gap:g} cycles is shorter than {rule.gap}")
    if burst > rule.short and gap <= rule.long_gap * burst:
        why.append(
            f"after {burst:g} cycles the gap has to be longer than {rule.long_gap * burst:g} "
            f"cycles, not {gap:g}"
        )
    if carrier_hz is not None and rule.most_per_second is not None:
        rate = carrier_hz / (burst + gap)
        if rate > rule.most_per_second:
            why.append(f"{rate:.0f} bursts a second are more than {rule.most_per_second:g}")
    return BurstVerdict(not why, tuple(why))


def output_width_s(burst_s: float, carrier_hz: float) -> tuple[float, float]:
    """Shortest and longest output pulse (s) of a receiver for a burst of `burst_s`.

    t - 5/f0 < tpo < t + 6/f0 (Vishay, infra-red receiver modules, application overview).
    """
    return max(burst_s - 5.0 / carrier_hz, 0.0), burst_s + 6.0 / carrier_hz


def catch_probability(wave_s: float, every_s: float, agree: int = 1) -> float:
    """Probability that a wave of `wave_s` is seen by `agree` looks in a row, one each `every_s`.

    The looks fall at a random phase. A wave of length D holds k looks at least if its start lies
    within D - (k - 1) T of the first of them: P = min(1, max(0, D/T - (k - 1))).
    """
    return min(1.0, max(0.0, wave_s / every_s - (agree - 1)))


def certain_wave_s(every_s: float, agree: int = 1) -> float:
    """The shortest wave (s) that is certainly seen: `agree` whole periods."""
    return every_s * agree


def range_sensitivity(echo: Echo, emitter_a: float) -> float:
    """d(ln range) / d(ln emitter current): 1/2 while the hand fills the beam, 1/4 beyond."""
    reach = echo.range_m(emitter_a)
    return 0.5 if echo.solid_angle_sr * reach**2 < echo.area_m2 else 0.25
