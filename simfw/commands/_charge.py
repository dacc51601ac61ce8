"""The option `--charge`: a share, or what a meter shows of the cell at rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["charge_option"]


def charge_option(text: str, gadget: Gadget | None) -> float:
    """The charge (0..1) that `--charge` means, read as that of a scenario.

    Without a gadget it is only read: a voltage then stands for half. Raises `UsageError`.
    """
    from simfw.stimuli.start import charge_meant

    return charge_meant("--charge ", text, gadget)
