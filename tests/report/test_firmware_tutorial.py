"""The way from teardown to replacement firmware: every command of the tutorial is run."""

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.verify import check
from tests.report.generated_c import compiler
from tests.sharing import shared_check

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
    monkeypatch.setattr(check, "check_gadget", shared_check)  # two documents of one gadget
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


def test_the_protocol_is_described_alike_wherever_it_stands(tmp_path, capsys):
    """The page of the protocol, and the file beside the C and beside the specification."""
    gadget = str(ROOT / "scenarios" / "key-hook" / "gadget.toml")
    assert main(["source", gadget, "-o", str(tmp_path / "c")]) == 0
    assert main(["spec", gadget, "-o", str(tmp_path / "s"), "--no-check", "--no-vectors"]) == 0
    beside = (tmp_path / "c" / "protocol.md").read_text(encoding="utf-8")
    assert len(re.findall(r"^\| `.*$", beside, re.MULTILINE)) > 12
    assert beside == (tmp_path / "s" / "protocol.md").read_text(encoding="utf-8")
    page = (ROOT / "docs" / "reference" / "line-protocol.md").read_text(encoding="utf-8")
    assert beside.strip() in page
    assert "protocol.md" in (tmp_path / "c" / "README.md").read_text(encoding="utf-8")
