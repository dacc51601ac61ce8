"""Stock region of a toggle: a contact with two positions that stays where it is put."""

from __future__ import annotations

from simfw.behaviour.region import State
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.tree import Expression, Flag, Not
from simfw.gadget.model import Toggle

__all__ = ["toggle_parts"]

POSITIONS = ("off", "on")


def toggle_parts(name: str, toggle: Toggle) -> Stock:
    """The region of a toggle that the firmware reads.

    Its states are the position that counts, off or on, and for each one in which the contact has
    moved and must be still for `debounce`: `off.bouncing` and `on.bouncing` belong to the families
    off and on. At power-up it is in `starts`, and the contact is debounced as after an edge: where
    it stands otherwise, that counts then.
    """
    key, wait = f"toggles.{name}.debounce", toggle.debounce.ns
    closed = Flag(f"{name}.closed")
    order = POSITIONS if toggle.starts == "off" else POSITIONS[::-1]
    rows = Rows(
        State(name=state, awake=state.endswith(".bouncing"))
        for position in order for state in (f"{position}.bouncing", position)
    )
    for position, other, event in (("off", "on", "closed"), ("on", "off", "opened")):
        moved: Expression = closed if position == "off" else Not(closed)
        bouncing = f"{position}.bouncing"
        rows.add(key, (position, bouncing), bouncing, on=f"{name}.edge",
                 note="every edge of the contact starts the debounce time anew")
        rows.add(key, bouncing, other, after=wait, when=moved, emit=(f"{name}.{event}",),
                 note=f"the contact has been still, {event if event == 'closed' else 'open'}")
        rows.add(key, bouncing, position, after=wait,
                 note="the contact is still where it was: nothing happened")
    return Stock(
        regions=(region_of(name, "toggles", rows),),
        conditions=(),
        events=(f"{name}.closed", f"{name}.opened"),
        internal_events=(),
        raw_events=(f"{name}.edge",),
        aliases={},
        shorthands={},
        flags=(f"{name}.closed",),
        contacts={name: toggle.starts == "on"},
    )
