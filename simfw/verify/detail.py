"""How much of a gadget's timing a search keeps, from the coarsest to all of it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BANDED", "DETAILS", "LADDER", "Detail"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """How much of the gadget's timing the machine keeps. `says` is the sentence for reports."""

    name: str
    # "events": clicks and holds at any time; "free": presses at any time; "spaced": never closer
    # than the debounce time; "exact"
    contacts: str
    looks: str  # "free" or "exact"
    samples: str  # "free", "paced" (when due, nothing kept of them) or "exact"
    timed: bool
    says: str
    share: float = 0.0  # of the rule's time: shorter dwells may take any time
    bands: bool = False  # the cell's charge in bands, its voltage under load from the circuit


LADDER = (
    Detail(name="order", contacts="free", looks="free", samples="free", timed=False,
           says="timing ignored (dwells, debounce, looks and samples may take any time)"),
    Detail(name="long", contacts="free", looks="free", samples="free", timed=True, share=0.1,
           says="dwells of at least a tenth of the rule's time exact; everything else may take any "
                "time"),
    Detail(name="dwells", contacts="free", looks="free", samples="free", timed=True,
           says="dwells exact; settled presses, looks and gauge samples may come at any time"),
    Detail(name="contacts", contacts="spaced", looks="free", samples="free", timed=True,
           says="dwells and debounce exact; looks and gauge samples may come at any time"),
    Detail(name="exact", contacts="exact", looks="exact", samples="exact", timed=True,
           says="every dwell, debounce, look and sample exact"),
)
BANDED = (
    Detail(name="bands", contacts="events", looks="free", samples="paced", timed=False, bands=True,
           says="charge of the cell in bands that fall without USB, voltage under the loads of the "
                "moment, gauge samples when due; events of buttons and sensors, and dwells, at any "
                "time"),
    Detail(name="bands and dwells", contacts="free", looks="free", samples="paced", timed=True,
           bands=True,
           says="charge of the cell in bands that fall without USB, voltage under the loads of the "
                "moment, gauge samples and dwells when due; settled presses and looks at any time"),
)
DETAILS = (*LADDER, *BANDED)
