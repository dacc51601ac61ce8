"""The expected specifications of two demo gadgets: a small one, and one with every stock part.

Write them anew after an intended change with `python -m tests.report.golden`.
"""

from pathlib import Path

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.report.specification import document_of, specification_files

HERE = Path(__file__).parent / "golden"
ROOT = Path(__file__).parent.parent.parent
DEMOS = sorted(ROOT.glob("scenarios/*/gadget.toml"))
KEPT = [path for path in DEMOS if path.parent.name in ("key-hook", "larder-lamp")]


def expected_text(path: Path) -> str:
    """The Markdown of a demo gadget without what has to be worked out by long runs."""
    gadget = load_gadget(path)
    return specification_files(document_of(gadget, build_system(gadget)))["specification.md"]


if __name__ == "__main__":
    for demo in KEPT:
        (HERE / f"{demo.parent.name}.md").write_text(expected_text(demo), encoding="utf-8")
