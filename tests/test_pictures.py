"""The pictures of the pages show what the demo gadgets give today."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.pictures import IMAGES, PICTURES, ROOT, words_in


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_current(name: str, tmp_path: Path) -> None:
    """Every word and figure in it is that of a fresh one; its title and description come first."""
    PICTURES[name](tmp_path / name)
    fresh = words_in(tmp_path / name)
    assert len(fresh) > 8
    assert all(fresh[:2])
    assert words_in(IMAGES / name) == fresh, "make them anew: python -m tests.pictures"


def test_every_picture_is_in_a_page() -> None:
    """None lies about unused, and each is described for those who cannot see it."""
    pages = [ROOT / "README.md", *(ROOT / "docs").rglob("*.md")]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    for image in IMAGES.iterdir():
        assert f"images/{image.name})" in text, image.name


def test_the_file_that_the_front_page_shows_is_the_one_it_links() -> None:
    """Each line of the excerpt stands in the key-hook light's file."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = readme.partition("```toml\n")[2].partition("```")[0].splitlines()
    written = (ROOT / "scenarios" / "key-hook" / "gadget.toml").read_text(encoding="utf-8")
    assert len(shown) > 8
    assert [line for line in shown if line not in written.splitlines()] == []
