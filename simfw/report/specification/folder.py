"""What stands in the folder beside the specification, so that it needs nothing from elsewhere."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from simfw.gadget.curve_file import is_path
from simfw.report.cautions import DRIVEN_STATUS
from simfw.report.specification.prose import text_of

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["MODEL", "folder_files", "model_files"]

MODEL = "model"
_VECTOR_LINE = (
    "| `vectors/` | test vectors: stimuli, the edges expected with their windows, what each covers "
    "|\n"
)
_RUNS = ", but the scenarios among the vectors, which name it"
_VECTOR = """

A vector that begins with v is a scenario as well: `simfw run vectors/v01.toml`, in the folder
above."""
_KEPT = " --vectors ."
_QUICK = """With `--vectors .` the test vectors of this folder are driven; without it they are found
anew, which takes longer and comes to the same. """
_BENCH = """
## Judge a board on the bench

Take the vectors that `vectors/vectors.csv` gives to the bench. Make the edges of
`vectors/stimuli.csv`, capture the outputs, and hold them against `vectors/expected.csv`: every edge
within its window, none more. Between the times of a line of
`repeats.csv` the edges before it go on period by period.

"""


def folder_files(gadget: Gadget, *, vectors: bool) -> dict[str, str | bytes]:
    """README for an author, protocol page, and the model with a page for its judge, by name."""
    bench = _BENCH + text_of("vectors")
    if gadget.charger is not None and gadget.charger.status is not None:
        bench = f"{_BENCH}{textwrap.fill(DRIVEN_STATUS, 120)}\n\n{text_of('vectors')}"
    marks = {
        "NAME": gadget.head.name,
        "GADGET": _name(gadget),
        "VECTORS": _VECTOR_LINE if vectors else "",
        "BENCH": bench if vectors else "",
        "RUNS": _RUNS if vectors else "",
        "VECTOR": _VECTOR if vectors else "",
        "KEPT": _KEPT if vectors else "",
        "QUICK": _QUICK if vectors else "",
    }

    def page(name: str) -> str:
        return re.sub(r"@([A-Z]+)@", lambda found: marks[found[1]], text_of(name))

    files: dict[str, str | bytes] = {"README.md": page("readme"),
                                     "protocol.md": text_of("protocol")}  # fmt: skip
    model = model_files(gadget)
    return {**files, **model, f"{MODEL}/README.md": page("judge")} if model else files


def _name(gadget: Gadget) -> str:
    return Path(gadget.file).name if gadget.file else "gadget.toml"


def model_files(gadget: Gadget) -> dict[str, str | bytes]:
    """The gadget file and the curve that it names, by file name; nothing where it has no file.

    A curve from outside the gadget's folder comes to stand beside the gadget file, which is then
    written with its bare name.
    """
    if not gadget.file:
        return {}
    source = Path(gadget.file)
    content = source.read_bytes()
    files: dict[str, str | bytes] = {}
    curve = gadget.cell.curve
    if is_path(curve):
        inside = PurePosixPath(curve.replace("\\", "/"))
        if inside.is_absolute() or ".." in inside.parts:
            content = _renamed(content, curve, inside.name)
            inside = PurePosixPath(inside.name)
        files[f"{MODEL}/{inside}"] = (source.parent / curve).read_bytes()
    return {f"{MODEL}/{_name(gadget)}": content, **files}


def _renamed(content: bytes, old: str, new: str) -> bytes:
    """A gadget file in which `curve` has the value `new` in the place of `old`."""
    quoted = re.escape(old).encode()
    return re.sub(rb"(\bcurve\s*=\s*)([\"'])" + quoted + rb"\2",
                  lambda found: found[1] + f'"{new}"'.encode(), content, count=1)  # fmt: skip
