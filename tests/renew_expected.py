"""Write the expected outputs of the demo gadgets anew: `python -m tests.renew_expected`.

Read the difference before you commit it: each changed figure needs a reason. A file whose figures
the tests take for the same (the last digits differ from machine to machine) is left alone.
"""

from __future__ import annotations

import json
from pathlib import Path

from tests.examples import life_outputs, outputs, patterns, same, scenarios


def stands(path: Path, text: str) -> bool:
    """Whether what is kept in a file already says this, to the tests' tolerance."""
    if not path.exists():
        return False
    kept = path.read_text(encoding="utf-8")
    if kept == text or path.suffix != ".json":
        return kept == text
    try:
        same(json.loads(text), json.loads(kept))
    except AssertionError:
        return False
    return True


def renew() -> None:
    """Run every scenario and pattern and write beside it what it prints now."""
    found = [outputs(scenario) for scenario in scenarios()]
    found += [life_outputs(pattern) for pattern in patterns()]
    for texts in found:
        for path, text in texts.items():
            if stands(path, text):
                continue
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            print(path)


if __name__ == "__main__":
    renew()
