"""README's picture is there, is a picture, and is small enough to load on a phone."""

import re

from project_files import ROOT


def test_readmes_picture_lies_in_the_repository_and_is_small():
    readme = (ROOT / "README.md").read_text("utf-8")
    names = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", readme)

    assert names == ["tests/studies/picture.png"]
    picture = (ROOT / names[0]).read_bytes()
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(picture) < 200_000
