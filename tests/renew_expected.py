"""Write the expected outputs of the demo gadgets anew: `python -m tests.renew_expected`.

Read the difference before you commit it: each changed figure needs a reason.
"""

from __future__ import annotations

from tests.examples import life_outputs, outputs, patterns, scenarios


def renew() -> None:
    """Run every scenario and pattern and write what it prints beside it."""
    found = [outputs(scenario) for scenario in scenarios()]
    found += [life_outputs(pattern) for pattern in patterns()]
    for texts in found:
        for path, text in texts.items():
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            print(path)


if __name__ == "__main__":
    renew()
