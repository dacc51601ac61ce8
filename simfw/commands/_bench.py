"""A bench log beside a gadget: `spec --bench` and `panel --bench`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.benchlog.narrowed import Narrowed

__all__ = ["narrowed_of"]


def narrowed_of(path: str, gadget_file: str | Path) -> Narrowed:
    """What a bench log of this gadget file leaves; UsageError where it is about another one."""
    from simfw.benchlog.narrowing import narrow
    from simfw.errors import UsageError
    from simfw.loading import load_bench_log

    log = load_bench_log(path)
    files = {log.gadget_path.resolve(), *(Path(one.file).resolve() for one in log.gadgets.values())}
    if Path(gadget_file).resolve() not in files:
        raise UsageError(f"{path} is about another gadget file, {log.gadget_path}, not about "
                         f"{gadget_file}.")
    return narrow(log, brief=True)
