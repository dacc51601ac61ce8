"""No key of a gadget file is accepted and does nothing: something answers differently for each."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.gadget.model import Gadget
from simfw.validation import known_keys
from tests.every_key import CASES, GADGET, HOLD_ELSEWHERE, LIFE, LOW, OFF, RUN, parts_of
from tests.test_file_pages import tables

COMMANDS = {
    "run": ["run", "run.toml", "--json"],
    "low": ["run", "low.toml", "--json"],
    "off": ["run", "off.toml", "--json"],
    "circuit": ["circuit", "gadget.toml", "--json"],
    "pins": ["pins", "gadget.toml", "--json"],
    "modes": ["modes", "gadget.toml", "--json"],
    "life": ["life", "life.toml", "--users", "1", "--json"],
    "spec": ["spec", "gadget.toml", "-o", "spec", "--no-vectors", "--no-power", "--no-check"],
}
_known: dict[str, str] = {}


def answer(command: str, gadget: str, capsys: pytest.CaptureFixture[str]) -> str:
    """What a command says of a gadget, but for the digest of its file."""
    if command == "circuit":
        gadget = parts_of(gadget)
    files = {"gadget": gadget, "run": RUN, "low": LOW, "off": OFF, "life": LIFE}
    for name, text in files.items():
        Path(f"{name}.toml").write_text(text, encoding="utf-8")
    status = main(COMMANDS[command])
    said = capsys.readouterr()
    assert status in (0, 1), said.err
    text = said.out
    if command == "spec":
        text = Path("spec/specification.md").read_text(encoding="utf-8")
    return re.sub(r"\b[0-9a-f]{64}\b", "", text)


@pytest.mark.parametrize("key", CASES)
def test_another_value_gives_another_answer(
    key: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command beside the key in the list says something else."""
    monkeypatch.chdir(tmp_path)
    command, old, new = CASES[key]
    assert GADGET.count(old) == 1
    if command not in _known:
        _known[command] = answer(command, GADGET, capsys)
    assert answer(command, GADGET.replace(old, new), capsys) != _known[command]


def test_every_key_of_a_gadget_file_is_in_the_list() -> None:
    """A new key has to be put there, or among those that are tested elsewhere."""
    listed = {key.split(".")[-1] for key in CASES}
    missing = {f"{table}.{key}" for table, model in tables(Gadget) for key in known_keys(model)
               if key not in listed}
    assert missing == HOLD_ELSEWHERE
