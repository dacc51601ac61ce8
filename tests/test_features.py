"""The table of features and commands is what the commands do."""

from __future__ import annotations

from tests.features import GADGETS, PAGE, page


def test_every_command_takes_every_feature_of_the_table() -> None:
    """The page is what the commands say now: python -m tests.features."""
    assert page() == PAGE.read_text(encoding="utf-8")


def test_the_gadgets_have_the_features() -> None:
    """The text of each stands in its gadget."""
    for held in GADGETS:
        assert all(text in held.toml for text in held.features.values())
