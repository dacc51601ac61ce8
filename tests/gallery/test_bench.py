"""Bench logs of gadgets of the gallery, written from the documents, with what is left by hand."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from simfw.cli import main
from simfw.loading import load_bench_log, load_gadget
from tests.gallery.test_gallery import HERE, expected, said

LOGS = sorted(path.parent.name for path in HERE.glob("*/bench.toml"))

# What a hand puts in place of the dots of an entry that is proposed.
FILLED = (
    (r'took = "\.\.\."', 'took = "10 min ± 1 min"'), (r'"\.\.\. ± \.\.\."', '"10 min ± 1 min"'),
    (r'took = "\.\.\. ±', 'took = "600 s ±'), (r"\.\.\. mA ± \.\.\. mA", "1 mA ± 0.1 mA"),
    (r"> \.\.\. and cell\.voltage < \.\.\.", "> 3.9 and cell.voltage < 4"),
    (r"gauge == \.\.\.", "gauge == 1"), (r'reads = "\.\.\."', 'reads = "low"'),
    (r'for = "\.\.\."', 'for = "150 ms"'), (r'see = "\.\.\."', 'see = "cell.voltage > 1"'),
)


@pytest.mark.parametrize("gadget", LOGS)
def test_what_is_left_is_what_was_worked_out_by_hand(gadget: str, tmp_path: Path) -> None:
    """Ends of intervals by closed forms; the plot, the list, and entries that the log takes."""
    path = HERE / gadget / "bench.toml"
    status, out = said("next", path, "--json", "--write", tmp_path / "next",
                       "--plot", tmp_path / "next.svg")
    assert status == 0
    answer: dict[str, Any] = json.loads(out)
    by_hand = expected(gadget)["bench"]
    excluded = {name for one in answer["rivals"] if one["state"] == "excluded"
                for name in one["answers"].values()}
    left = {name for one in answer["rivals"] if one["state"] != "excluded"
            for name in one["answers"].values()}
    assert excluded - left == set(by_hand["excluded"])
    unknowns = {one["key"]: one for one in answer["unknowns"]}
    for one in by_hand["left"]:
        found = unknowns[one["key"]]
        near = one.get("tolerance", 2e-3)
        assert one["working"].strip()
        for end, out_by in (("low", -1), ("high", 1)):
            assert found[f"{end}_reached"] == pytest.approx(one[end], rel=near)
            assert out_by * (found[end] - found[f"{end}_reached"]) >= 0.0
    assert answer["experiments"]
    assert (tmp_path / "next.svg").stat().st_size > 1000
    assert (tmp_path / "next" / "list.md").exists()
    tried = re.sub(r'"(gadget\.toml|recording\.csv|map\.toml)"', rf'"{path.parent}/\1"',
                   path.read_text(encoding="utf-8"))
    for look in answer["experiments"]:
        entry = look["entry"]
        for dots, text in FILLED:
            entry = re.sub(dots, text, entry)
        assert "..." not in entry
        tried += f'\n[[observations]]\nname = "{look["name"]}"\n{entry}\n'
    (tmp_path / "log.toml").write_text(tried, encoding="utf-8")
    load_bench_log(tmp_path / "log.toml")


def test_a_log_is_written_drawn_and_told_beside_the_gadget(tmp_path: Path) -> None:
    """Of the well marker: the file with narrowed figures, the plot, the specification."""
    folder = HERE / "well-marker"
    status, out = said("narrow", folder / "bench.toml", "--write", tmp_path / "measured.toml",
                       "--plot", tmp_path / "left.svg")
    assert status == 0
    assert "Wrote" in out
    assert "A·%/month" in out  # the two drains trade off; every number has its unit
    assert load_gadget(tmp_path / "measured.toml").cell.leakage.standing == "measured"
    assert "cell.self_discharge" in (tmp_path / "left.svg").read_text(encoding="utf-8")
    arguments = ("--no-vectors", "--no-power", "--no-check", "--bench", folder / "bench.toml")
    assert said("spec", folder / "gadget.toml", "-o", tmp_path / "spec", *arguments)[0] == 0
    page = (tmp_path / "spec" / "specification.md").read_text(encoding="utf-8")
    assert "5 ms oder 8 ms? Left: acht or fünf." in page or "Left: fünf or acht." in page


def test_mistakes_of_a_log_are_told_in_all_commands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A reading in volts, a state that there is not, a log of another gadget: one message each."""
    folder = HERE / "dock-low"
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    text = text.replace('"gadget.toml"', f'"{folder}/gadget.toml"')
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text.replace("100 mA ± 2 mA", "100 mV ± 2 mV").replace(
        "until = \"sign.ready\"", "until = \"sign.redy\""), encoding="utf-8")
    commands = (("narrow", wrong), ("next", wrong),
                ("spec", folder / "gadget.toml", "-o", tmp_path / "s", "--bench", wrong),
                ("panel", folder / "gadget.toml", "--no-browser", "--bench", wrong))
    for command in commands:
        assert main([str(word) for word in command]) == 2
        told = capsys.readouterr().err
        assert 'reading = "100 mV ± 2 mV"' in told
        assert 'Did you mean "sign.ready"?' in told
        assert "2 problems; nothing was done." in told
    other = HERE / "dock-high" / "gadget.toml"
    for command in (("spec", other, "-o", tmp_path / "s"), ("panel", other, "--no-browser")):
        assert main([*map(str, command), "--bench", str(folder / "bench.toml")]) == 2
        assert "is about another gadget file" in capsys.readouterr().err
    assert not (tmp_path / "s").exists()
