"""Write the expected outputs of the demo gadgets anew: `python -m tests.renew_expected`.

Read the difference before you commit it: each changed figure needs a reason.
"""

from __future__ import annotations

from tests.examples import outputs, scenarios


def renew() -> None:
    """Run every scenario and write what it prints beside it."""
    for scenario in scenarios():
        for path, text in outputs(scenario).items():
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            print(path)


if __name__ == "__main__":
    renew()
