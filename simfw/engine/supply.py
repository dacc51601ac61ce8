"""The electrical part of an instant: protection, charger, and what is found at power-up.

What the protection and the charger do next is decided here alone, from a few questions about the
cell. The simulation answers them from its charge clock, the study over users from its tables.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from simfw.circuit.charger import ChargerMode, ChargerModel
    from simfw.gadget.model import Gadget

__all__ = [
    "CHATTER", "EMPTY", "OPENED", "Cell", "Latch", "Supply", "calm", "charged_from", "emptied_by",
    "found_at_pins", "latched", "met_at_power_up", "next_supply", "restless", "unsupplied",
]


OPENED = "the protection opens"
EMPTY = "the cell is empty"
CHATTER: tuple[tuple[str, ...], str] = (
    (OPENED, "the protection closes"),
    "The states at power-up load the cell below `cut_off`, and without load it rests above "
    "`restart`: raise `restart` or lighten those states",
)


def emptied_by(gadget: Gadget) -> str:
    """What ends the supply from the cell: a protection, where the file writes its `cut_off`."""
    return EMPTY if gadget.cell.cut_off is None else OPENED


def charged_from(gadget: Gadget) -> str:
    """Where a charge of the untouched gadget begins: every command tells it by this name."""
    return "empty" if gadget.cell.cut_off is None else "cut-off"


def unsupplied(*, protected: bool, fed: bool, cut: bool, released: bool = False) -> bool:
    """Whether a controller is dead: whether nothing supplies it.

    That is so where the firmware has let go of its supply or a toggle has cut it off, and where the
    protection is open unless the input of a power path feeds the gadget past the cell.
    """
    return cut or released or (protected and not fed)


@dataclass(frozen=True, slots=True)
class Supply:
    """What stands between the cell and the controller, and what is fed into the cell.

    `usb`: whether USB power is in. `mode`: what the charger does. `protected`: whether the
    protection is open. `temperature_c` of the cell. `faulty`: whether the charger meets a fault of
    its own. `opened`: whether a toggle in the supply stands open; `cut`: whether the controller has
    lost its supply by that. `released`: whether the firmware has let go of it. `path`: whether the
    charger has a power path.
    """

    usb: bool
    mode: ChargerMode
    protected: bool
    temperature_c: float
    faulty: bool = False
    opened: bool = False
    cut: bool = False
    released: bool = False
    path: bool = False

    @property
    def fed(self) -> bool:
        """Whether the input feeds the gadget: the charger has noticed USB, and has a power path."""
        return self.path and self.mode != "off"

    @property
    def dead(self) -> bool:
        """Whether the controller has no supply: see `unsupplied`."""
        return unsupplied(
            protected=self.protected, fed=self.fed, cut=self.cut, released=self.released)


class Latch:
    """Since when nothing has powered a controller whose firmware may let go of its supply.

    `open_ns` is when the last contact opened that powered it, None where none has since power-up.
    """

    __slots__ = ("held", "hold_up_ns", "open_ns")

    def __init__(self, hold_up_ns: int, held: bool, open_ns: int | None = None) -> None:
        self.hold_up_ns = hold_up_ns
        self.held = held
        self.open_ns = open_ns

    def power_up(self, held: bool) -> None:
        """A power-up, in whose instant all stands as `held` says.

        With nothing that powers it, it lets go at once; what opens now has not powered it.
        """
        self.held, self.open_ns = held, None

    def look(self, now_ns: int, held: bool) -> None:
        """Take note of whether anything powers it now."""
        if self.held and not held:
            self.open_ns = now_ns
        self.held = held

    def goes_ns(self, now_ns: int) -> int:
        """When a supply goes that is let go of now, with nothing that powers it."""
        return now_ns if self.open_ns is None else max(now_ns, self.open_ns + self.hold_up_ns)

    def next(
        self, now_ns: int, supply: Supply, *, held: bool, goes: bool
    ) -> tuple[Supply | None, int | None]:
        """What `latched` says now; and where the supply is let go of and stays for a while, None
        and when it goes.
        """
        self.look(now_ns, held)
        after = latched(supply, held=held, goes=goes)
        if after is None or not after.released:
            return after, None
        at = self.goes_ns(now_ns)
        return (after, None) if at == now_ns else (None, at)


def latched(now: Supply, *, held: bool, goes: bool) -> Supply | None:
    """The supply after the firmware has let go of it, or got it back; None where neither is due.

    `held`: whether anything powers the controller. `goes`: whether it lives, and the firmware
    stands where it lets go.
    """
    if now.released:
        return replace(now, released=False) if held else None
    return replace(now, released=True) if goes and not held else None


class Cell(Protocol):
    """What is asked of the cell, in the present load set."""

    def opens(self) -> bool:
        """Whether the protection has to open."""

    def closes(self) -> bool:
        """Whether the open protection may close as far as the cell is concerned.

        Without a restart voltage that is where the charger has something to give, too.
        """

    def full(self) -> bool:
        """Whether the cell is full."""

    def low(self) -> bool:
        """Whether its terminal stands below the charger's `precharge.below`."""

    def step(self) -> ChargerMode | None:
        """The mode to which the charger's own next step leads, None where none is due."""


def next_supply(
    charger: ChargerModel | None, now: Supply, cell: Cell, *, restarts: bool,
    let_go: Supply | None = None,
) -> Supply | None:
    """The supply after the next electrical change that is due in this instant, None without one.

    `restarts`: whether the file gives a restart voltage. Without one the protection closes only
    while the charger feeds the cell: what lifts a cell above its cut-off is charge, not rest.
    `let_go`: what follows where a contact or USB gives back what the firmware has let go of, or
    where it lets go.
    """
    if now.opened and not now.cut:
        return replace(now, cut=True)
    # USB, a fault or a temperature of this instant has reached the charger, and its pin with it,
    # before a controller that gets its supply back looks at the pins.
    if not _stands(charger, now):
        return replace(now, mode=_begun(charger, now, cell))
    if now.cut and not now.opened:
        return replace(now, cut=False)
    if let_go is not None and not let_go.released:
        return let_go
    if not now.protected and cell.opens():
        return replace(now, protected=True)
    fed = now.usb and now.mode in ("precharge", "fast")
    if now.protected and (restarts or fed) and cell.closes():
        return replace(now, protected=False)
    to = cell.step() if charger is not None and now.usb else None
    if charger is None or to is None:
        return let_go
    return replace(now, mode=charger.starts(cell.low) if now.mode == "complete" else to)


def _stands(charger: ChargerModel | None, now: Supply) -> bool:
    """Whether the charger stands still, or goes, as USB, a fault and the temperature have it."""
    if charger is None:
        return True
    if not now.usb:
        return now.mode == "off"
    stopped = now.faulty or charger.suspended(now.temperature_c)
    return now.mode == "fault" if stopped else now.mode not in ("fault", "off")


def _begun(charger: ChargerModel | None, now: Supply, cell: Cell) -> ChargerMode:
    """What the charger does where USB has come or gone, or a fault or a temperature."""
    if charger is None or not now.usb:
        return "off"
    return charger.begin(cell.full, cell.low, now.temperature_c, faulty=now.faulty)


def calm(charger: ChargerModel | None, now: Supply) -> bool:
    """Whether nothing but the cell can make a change due: the controller lives, and all stands."""
    if now.dead or now.cut != now.opened:
        return False
    return _stands(charger, now)


def restless(
    charger: ChargerModel | None, now: Supply, *, opens: bool
) -> tuple[tuple[str, ...], str]:
    """What chases what where the circuit does not come to rest, and what ends that.

    `opens`: whether the protection has opened again and again meanwhile.
    """
    if opens and now.fed:
        return CHATTER[0], (
            "What the loads take beyond `input.limit` pulls the cell below `cut_off`, and without "
            "load it rests above `restart`: raise one of the two or lighten the states"
        )
    if opens or not now.usb:
        return CHATTER
    warm = charger is not None and charger.float_at(now.temperature_c) < charger.float_v
    float_key = "windows.warm_float" if warm else "float"
    return (
        ("the charger stops", "the charger starts"),
        f"Set `recharge` of [charger] below what the load leaves of `{float_key}`",
    )


_AT_PINS = (
    ("usb.edge", ("usb",)),
    ("status.edge", ("status.low", "status.high")),
)


def met_at_power_up(
    raw: Iterable[str], flag: Callable[[str], bool | None], heard: Container[str]
) -> list[str]:
    """The raw events of a power-up in whose instant inputs change, too, which makes `raw`.

    Contacts that close come first; USB power and the status pin are told as they are found.
    """
    pins = {event for event, _ in _AT_PINS}
    return [*(event for event in raw if event not in pins), *found_at_pins(flag, heard)]


def found_at_pins(flag: Callable[[str], bool | None], heard: Container[str]) -> list[str]:
    """The raw events of what the controller finds at its pins at power-up.

    USB power that is present, and a status pin that reads low or high. `flag` reads an input,
    `heard` holds the events that the gadget has.
    """
    return [event for event, names in _AT_PINS if event in heard and any(map(flag, names))]
