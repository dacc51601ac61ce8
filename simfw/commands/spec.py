"""`simfw spec`: the firmware specification, with test vectors."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._options import add_gadget, add_output
from simfw.commands._shared import add_command, telling
from simfw.errors import UsageError

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands
    from simfw.gadget.model import Gadget
    from simfw.vectors import VectorSet

RANK = 65
PAGE = "specification.md"
README = "README.md"
# What the README of a folder says, now and formerly; blanks and line ends do not count.
OURS = tuple(f"`simfw` is the tool that wrote {what}" for what in ("these folders", "this folder"))


def register(commands: Commands) -> None:
    """Add `spec` to the command line."""
    parser = add_command(
        commands,
        "spec",
        spec,
        summary="write the firmware specification and its test vectors",
        examples=[
            "spec scenarios/larder-lamp/gadget.toml -o specification",
            "spec gadget.toml -o specification --since gadget-before.toml",
        ],
    )
    add_gadget(parser)
    add_output(parser)
    parser.add_argument("--since", metavar="OLD", help="an earlier gadget file to compare with")
    parser.add_argument("--bench", metavar="LOG",
                        help="a bench log of the gadget: open questions and what answers them")
    parser.add_argument("--no-vectors", action="store_true", help="leave the test vectors out")
    parser.add_argument("--no-power", action="store_true", help="leave the power budget out")
    parser.add_argument(
        "--no-check", action="store_true", help="leave out what `check` finds in the rows"
    )


def spec(arguments: argparse.Namespace) -> int:
    """Write the folder and say what is in it."""
    from simfw.beside import Beside
    from simfw.engine.simulator import Prepared
    from simfw.loading import load_gadget
    from simfw.vectors import find_paths, make_vectors, vector_files
    from simfw.verify.check import check_gadget
    from simfw.writing import check_folder, write_folder

    folder = Path(arguments.output)
    check_folder(folder)
    _refuse_filled_in(folder)
    gadget = load_gadget(arguments.gadget)
    old = None if arguments.since is None else load_gadget(arguments.since)
    bench = () if arguments.bench is None else _open_questions(arguments.bench, gadget)
    prepared = Prepared(gadget)
    with ExitStack() as stack:
        # What the check finds has nothing to do with the vectors and the budget.
        report = None if arguments.no_check else stack.enter_context(Beside(check_gadget, gadget))
        from simfw.report.specification import document_files, subject_of
        from simfw.report.specification.folder import folder_files
        from simfw.report.specification.power import budget_of
        from simfw.report.specification.seal import sealed

        vectors = None
        if not arguments.no_vectors:
            with telling("finding the test vectors"):
                paths = find_paths(gadget, prepared)
                vectors = make_vectors(gadget, prepared.system, prepared, paths)
        with telling("power budget and check"):
            budget = None if arguments.no_power else budget_of(gadget, prepared)
            found = None if report is None else report.result()
    subject = subject_of(gadget, prepared.system, budget=budget, vectors=vectors, found=found,
                         old=old)  # fmt: skip
    subject = replace(subject, bench=bench)
    files: dict[str, str | bytes] = {**document_files(subject)}
    files[PAGE] = sealed(str(files[PAGE]))
    files |= folder_files(gadget, vectors=vectors is not None)
    if vectors is not None:
        files |= vector_files(_inside(vectors, folder), folder)
    write_folder(folder, files)
    print(f"Wrote {folder / 'specification.html'} and {folder / PAGE}.")
    if vectors is not None:
        print(f"{len(vectors.vectors)} test vectors; what they cover is told by kind in section "
              "\"Verification\".")
        print(f"  {vectors.coverage_lines()[0]}")
    if found is not None and found.faults:
        print(f"Faults found by check: {len(found.faults)}, in section \"Rules and findings\".")
    for path in sorted((folder / "vectors").glob("v[0-9]*.toml")):
        if f"vectors/{path.name}" not in files:
            print(f"{path} is left from an earlier writing; it is none of these.")
    return 0


def _open_questions(path: str, gadget: Gadget) -> tuple[tuple[str, str], ...]:
    """What a bench log of `gadget` leaves open, each with what would answer it."""
    from simfw.benchlog.experiments import next_experiments
    from simfw.commands._bench import narrowed_of
    from simfw.report.bench_next import open_questions

    return open_questions(next_experiments(narrowed_of(path, gadget.file)))


def _inside(vectors: VectorSet, folder: Path) -> VectorSet:
    """The vectors with scenarios that name the gadget file of the folder itself."""
    from simfw.report.specification.folder import MODEL

    return replace(vectors, vectors=tuple(
        vector if vector.scenario is None else replace(vector, scenario=replace(
            vector.scenario, gadget_path=folder / MODEL / vector.scenario.gadget_path.name))
        for vector in vectors.vectors
    ))  # fmt: skip


def _refuse_filled_in(folder: Path) -> None:
    """Raise UsageError where a specification that somebody has filled in would be lost.

    Nor is a README of another's written over.
    """
    readme, page = folder / README, folder / PAGE
    said = readme.read_text("utf-8", errors="replace").split() if readme.is_file() else []
    if said and not any(ours in " ".join(said) for ours in OURS):
        raise UsageError(
            f"{readme} was not written by simfw spec and would be lost: give a folder of its own."
        )
    if not page.is_file():
        return
    from simfw.report.specification.seal import is_untouched

    if not is_untouched(page.read_text(encoding="utf-8", errors="replace")):
        raise UsageError(
            f"{page} was filled in or changed since it was written, and that would be lost: "
            "move it away, or name another folder with -o."
        )
