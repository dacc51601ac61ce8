"""The cautions that stand beside what sends people to the bench."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from simfw import load_gadget
from simfw.cli import main
from simfw.gadget.model import Gadget
from simfw.report.cautions import DRIVEN_STATUS, caution_block
from simfw.report.specification.closing import verification
from simfw.report.specification.document import Note
from simfw.report.specification.folder import folder_files

ROOT = Path(__file__).parents[2]
WINKS = ROOT / "scenarios/key-hook/gadget.toml"
LARDER = ROOT / "scenarios/larder-lamp/gadget.toml"


def plain(text: str, _tone: str) -> str:
    """No colours."""
    return text


@pytest.fixture(scope="module")
def larder() -> Gadget:
    """A gadget with a charger and an emitter."""
    return load_gadget(LARDER)


@pytest.mark.parametrize("command", ["check", "next", "replay", "sweep", "conform"])
def test_two_cautions_and_where_the_rest_is(larder: Gadget, command: Any) -> None:
    """Two short ones in 80 columns, the second ending with where the rest stands; none promises."""
    lines = caution_block(larder, command, plain).splitlines()
    assert lines[:2] == ["", "Cautions"]
    assert sum(line.startswith("  ") and line[2] != " " for line in lines) == 2
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()).endswith(
        "Local codes and licensed practice come first. The rest: simfw help cautions")
    assert "safe " not in " ".join(lines)


def test_cautions_are_those_of_the_parts_and_of_what_is_varied(larder: Gadget) -> None:
    """An emitter is named where there is one; a charger's current and an emitter's where varied."""
    bare = larder.model_copy(update={"proximity": {}})
    assert "infra-red" in caution_block(larder, "replay", plain)
    assert "infra-red" not in caution_block(bare, "replay", plain)
    for gadget, told in ((larder, False), (load_gadget(WINKS), True)):
        said = " ".join(caution_block(gadget, "next", plain).split())
        assert "never beside it" in said
        assert ("Never charge a primary cell" in said) == told  # it has no charger
    for key, word in (("charger.program", "cell's own sheet"), ("cell.capacity", "first charge"),
                      ("proximity.wave.emitter.resistor", "cannot be seen"),
                      ("lights.shelf.resistor", "another current")):
        assert word in " ".join(caution_block(larder, "sweep", plain, [key]).split())


def test_check_prints_them_and_its_json_does_not(capsys: pytest.CaptureFixture[str]) -> None:
    """They end the report for people."""
    main(["check", str(WINKS), "--only", "event-unheard"])
    assert "\nCautions\n  By hand" in capsys.readouterr().out
    main(["check", str(WINKS), "--only", "event-unheard", "--json"])
    assert "Cautions" not in capsys.readouterr().out


def test_vectors_that_set_the_status_pin_warn_of_the_charger(larder: Gadget) -> None:
    """In the section on verification and beside the files; not where no vector sets it."""
    found = {}
    for kind in ("status", "usb"):
        vector = SimpleNamespace(name="b01", adds=(), ends_ns=1, acts=(SimpleNamespace(kind=kind),))
        vectors = SimpleNamespace(vectors=(vector,), missing=(), coverage_lines=list)
        subject: Any = SimpleNamespace(gadget=larder, by_key={}, vectors=vectors,
                                       requirements=(), tested={})
        found[kind] = Note(DRIVEN_STATUS) in verification(subject).blocks
    assert found == {"status": True, "usb": False}
    said = {name: str(files["README.md"]) for name, files in (
        ("with", folder_files(larder, vectors=True)),
        ("without", folder_files(load_gadget(WINKS), vectors=True)))}
    assert "driven by hand against it" in " ".join(said["with"].split())
    assert "driven by hand against it" not in " ".join(said["without"].split())
