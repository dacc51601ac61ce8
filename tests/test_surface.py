"""The public surface, what importing costs, and the shape of the project."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import simfw

ROOT = Path(__file__).resolve().parents[1]
LATE = ("matplotlib", "hypothesis", "scipy", "numpy", "pydantic", "transitions", "tree_sitter")


def test_the_public_names_are_these() -> None:
    """A name added to or taken from the surface shows up here."""
    assert simfw.__all__ == sorted(simfw.__all__)
    assert set(simfw.__all__) >= {
        "DescriptionError", "Gadget", "Problem", "Run", "RunError", "Scenario", "SimfwError",
        "UsageError", "ledger_json", "load_gadget", "load_scenario", "machines", "simulate",
    }  # fmt: skip
    for name in simfw.__all__:
        assert getattr(simfw, name) is not None
    assert set(simfw.__all__) <= set(dir(simfw))


def test_an_unknown_name_is_an_attribute_error() -> None:
    """Late look-up does not invent names."""
    with pytest.raises(AttributeError, match="no_such_name"):
        simfw.no_such_name  # noqa: B018


@pytest.mark.parametrize(
    ("code", "unwanted"),
    [
        ("import simfw", LATE),
        ("import simfw.cli; simfw.cli._parser()", ("matplotlib", "hypothesis", "scipy")),
        ("from simfw import load_scenario, simulate", ("matplotlib", "hypothesis", "scipy")),
        ("import simfw.report.specification, simfw.vectors, simfw.engine.modes",
         ("matplotlib", "hypothesis", "scipy", "transitions")),
    ],
)
def test_imports_stay_light(code: str, unwanted: tuple[str, ...]) -> None:
    """Drawing and searching libraries are loaded by what needs them, not before."""
    check = f"{code}; import sys; print([m for m in {unwanted!r} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", check], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stdout.strip() == "[]"


def test_the_visible_top_level_is_the_agreed_one() -> None:
    """Whoever opens the project finds these and nothing else."""
    done = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False
    )
    if done.returncode != 0:
        pytest.skip("not a git working copy")
    top = {name.split("/")[0] for name in done.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "simfw", "scenarios", "tests",
        "docs",
    }  # fmt: skip


def test_every_dependency_has_its_reason() -> None:
    """Each library of pyproject.toml stands on the page of reasons."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    page = (ROOT / "docs/explanation/dependencies.md").read_text(encoding="utf-8")
    extras = [item for group in project["optional-dependencies"].values() for item in group]
    for item in [*project["dependencies"], *extras]:
        name = item.split(">")[0].split("[")[0]
        assert name in page, name


def test_packages_know_each_other_one_way_only() -> None:
    """No two parts of simfw import each other, directly or round a corner; nothing knows `cli`."""
    known: dict[str, set[str]] = {}
    for path in sorted((ROOT / "simfw").rglob("*.py")):
        part = path.relative_to(ROOT / "simfw").with_suffix("").parts[0]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("simfw."):
                known.setdefault(part, set()).add(str(node.module).split(".")[1])
    known = {part: found - {part} for part, found in known.items()}
    assert known["report"] >= {"engine", "circuit"}
    assert [part for part, found in known.items() if "cli" in found] == ["__main__"]
    tuple(TopologicalSorter(known).static_order())  # raises CycleError, which names the circle
