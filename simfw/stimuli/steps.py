"""The steps of a scenario: one thing each that the outside does, and what is expected."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "ChargerFault",
    "Expect",
    "Measured",
    "Press",
    "Step",
    "Temperature",
    "Toggle",
    "Usb",
    "Wave",
    "bounce_of",
    "raw_edges",
]


class _Moment:
    """A step that is over at once: what it sets stands until another one sets it anew."""

    __slots__ = ()
    at_ns: int

    @property
    def until_ns(self) -> int:
        """When it is over."""
        return self.at_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """The contact of `button` closes at `at_ns` and opens `for_ns` later.

    `bounce_ns` is how long the contact toggles after each of the two edges (0 = clean).
    """

    at_ns: int
    button: str
    for_ns: int
    bounce_ns: int = 0
    key: str = field(default="", compare=False)

    @property
    def target(self) -> str:
        """The input that it changes."""
        return self.button

    @property
    def until_ns(self) -> int:
        """When the contact opens."""
        return self.at_ns + self.for_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """A hand is `distance_m` before the sensor from `at_ns` for `for_ns`."""

    at_ns: int
    sensor: str
    distance_m: float
    for_ns: int
    key: str = field(default="", compare=False)

    @property
    def target(self) -> str:
        """The input that it changes."""
        return self.sensor

    @property
    def until_ns(self) -> int:
        """When the hand leaves."""
        return self.at_ns + self.for_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Toggle(_Moment):
    """The contact of `toggle` closes (`closed`) or opens, and stays so."""

    at_ns: int
    toggle: str
    closed: bool
    key: str = field(default="", compare=False)

    @property
    def target(self) -> str:
        """The input that it changes."""
        return self.toggle


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured(_Moment):
    """What `measure` measures becomes `value`, in `unit`, and stays so."""

    at_ns: int
    measure: str
    value: float
    unit: str
    key: str = field(default="", compare=False)

    @property
    def target(self) -> str:
        """The input that it changes."""
        return self.measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Usb(_Moment):
    """USB power comes (`present`) or goes."""

    at_ns: int
    present: bool
    key: str = field(default="", compare=False)
    target = "usb"


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature(_Moment):
    """The temperature of the whole gadget becomes `temperature_c` (degC)."""

    at_ns: int
    temperature_c: float
    key: str = field(default="", compare=False)
    target = "temperature"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerFault(_Moment):
    """The charger meets a fault of its own (`present`), or is well again.

    A timer that has run out, a cell that it will not charge: whatever makes it stop. It counts
    while USB power is in.
    """

    at_ns: int
    present: bool
    key: str = field(default="", compare=False)
    target = "fault"


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect(_Moment):
    """The expression `text` must hold in the settled state at `at_ns`."""

    at_ns: int
    text: str
    key: str = field(default="", compare=False)
    target = ""


Step = Press | Toggle | Wave | Measured | Usb | Temperature | ChargerFault | Expect


def raw_edges(step: Press) -> tuple[tuple[int, bool], ...]:
    """Return the raw edges of a press, in order, as (time in ns, contact closed from then on).

    Without bounce there are two: closed at `at`, open at `at + for`. A bounce of b makes the
    contact toggle every b/5 within the half-open interval [edge, edge + b), so each edge becomes
    five toggles, at edge + k*b/5 for k = 0..4 (rounded down to whole nanoseconds): closed at `at`,
    open at `at + b/5`, closed at `at + 2b/5`, open at `at + 3b/5`, closed for good from
    `at + 4b/5`; and the other way round from `at + for` on.
    """
    return tuple(
        (start + after_ns, level if there else not level)
        for start, level in ((step.at_ns, True), (step.at_ns + step.for_ns, False))
        for after_ns, there in bounce_of(step.bounce_ns)
    )


def bounce_of(bounce_ns: int) -> tuple[tuple[int, bool], ...]:
    """Return the toggles of one edge: (ns after it, whether the contact is at its new level then).

    Of toggles that a very short bounce puts on one nanosecond the last stands.
    """
    if not bounce_ns:
        return ((0, True),)
    return tuple({bounce_ns * k // 5: k % 2 == 0 for k in range(5)}.items())
