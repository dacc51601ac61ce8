"""The way from teardown to replacement firmware: every command of the tutorial is run."""

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from simfw.cli import main
from tests.report.generated_c import compiler

ROOT = Path(__file__).parent.parent.parent
PAGE = ROOT / "docs" / "tutorial" / "replacement-firmware.md"


@pytest.mark.skipif(not (compiler("gcc") or compiler("clang")) or compiler("make") is None,
                    reason="no C compiler or no make installed")  # fmt: skip
def test_the_tutorial_works(tmp_path, monkeypatch, capsys):
    """Each `sh` command ends with status 0, and the generated C conforms."""
    text = PAGE.read_text(encoding="utf-8")
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CC", compiler("gcc", "clang"))
    lines = [line for block in re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
             for line in block.splitlines()]  # fmt: skip
    assert sum(line.startswith("simfw ") for line in lines) >= 5
    for line in lines:
        words = shlex.split(line)
        if words[0] == "simfw":
            assert main(words[1:]) == 0, line
        else:
            subprocess.run(words, check=True, capture_output=True)
    assert "Conforms: " in capsys.readouterr().out


def test_the_protocol_is_described_alike_in_both_places():
    """The page of the protocol and the README beside the C have the same tables."""
    static = ROOT / "simfw" / "report" / "source" / "static" / "README.md"
    rows = re.findall(r"^\| .*$", static.read_text("utf-8").partition("## The line protocol")[2],
                      re.MULTILINE)  # fmt: skip
    page = (ROOT / "docs" / "reference" / "line-protocol.md").read_text(encoding="utf-8")
    assert len(rows) > 12
    assert all(row in page for row in rows)
