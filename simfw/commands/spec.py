"""`simfw spec`: the firmware specification, with test vectors."""

from __future__ import annotations

from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command
from simfw.errors import UsageError

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 65
PAGE = "specification.md"


def register(commands: Commands) -> None:
    """Add `spec` to the command line."""
    parser = add_command(
        commands,
        "spec",
        spec,
        summary="write the firmware specification (Markdown and one HTML page) with test vectors",
        examples=[
            "spec scenarios/larder-lamp/gadget.toml -o specification",
            "spec gadget.toml -o specification --since gadget-before.toml",
        ],
    )
    parser.add_argument("gadget", metavar="GADGET", help="the gadget file (TOML)")
    parser.add_argument(
        "-o", "--output", metavar="FOLDER", required=True, help="the folder to write into"
    )
    parser.add_argument("--since", metavar="OLD", help="an earlier gadget file to compare with")
    parser.add_argument("--no-vectors", action="store_true", help="leave the test vectors out")
    parser.add_argument("--no-power", action="store_true", help="leave the power budget out")


def spec(arguments: argparse.Namespace) -> int:
    """Write the folder and say what is in it."""
    from simfw.beside import Beside
    from simfw.engine.simulator import Prepared
    from simfw.loading import load_gadget
    from simfw.report.vectors import find_paths, make_vectors, vector_files
    from simfw.writing import check_folder, write_folder

    folder = Path(arguments.output)
    check_folder(folder)
    _refuse_filled_in(folder / PAGE)
    gadget = load_gadget(arguments.gadget)
    old = None if arguments.since is None else load_gadget(arguments.since)
    prepared = Prepared(gadget)
    with ExitStack() as stack:
        # Vectors and budget have nothing to do with one another, and take about as long.
        paths = None if arguments.no_vectors else stack.enter_context(Beside(find_paths, gadget))
        from simfw.report.specification import document_of, specification_files
        from simfw.report.specification.power import budget_of
        from simfw.report.specification.seal import sealed

        budget = None if arguments.no_power else budget_of(gadget, prepared)
        vectors = None
        if paths is not None:
            vectors = make_vectors(gadget, prepared.system, prepared, paths.result())
    document = document_of(gadget, prepared.system, budget=budget, vectors=vectors, old=old)
    files = specification_files(document)
    files[PAGE] = sealed(files[PAGE])
    if vectors is not None:
        controller = gadget.controller
        clock = controller.clock.value if controller is not None and controller.clock else 0.0
        files |= vector_files(vectors, folder, Fraction(repr(clock)))
    write_folder(folder, files)
    print(f"Wrote {folder / 'specification.html'} and {folder / PAGE}.")
    if vectors is not None:
        print(f"{len(vectors.vectors)} test vectors; they cover")
        for line in vectors.coverage_lines():
            print(f"  {line}")
    for path in sorted((folder / "vectors").glob("v[0-9]*.toml")):
        if f"vectors/{path.name}" not in files:
            print(f"{path} is left from an earlier writing; it is none of these.")
    return 0


def _refuse_filled_in(page: Path) -> None:
    """Raise UsageError where a specification that somebody has filled in would be lost."""
    if not page.is_file():
        return
    from simfw.report.specification.seal import is_untouched

    if not is_untouched(page.read_text(encoding="utf-8", errors="replace")):
        raise UsageError(
            f"{page} was filled in or changed since it was written, and that would be lost: "
            "move it away, or name another folder with -o."
        )
