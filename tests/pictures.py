"""Whether a picture is a whole file of the kind its name says, for the tests of all plots.

Sources: PNG signature and IEND chunk, W3C PNG section 5 (the checksum of an empty IEND is fixed); %%EOF, ISO 32000-1
section 7.5.5.
"""

from pathlib import Path

import pytest

_ENDS = {
    ".png": (b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"),
    ".svg": (b"<?xml", b"</svg>\n"),
    ".pdf": (b"%PDF", b"%%EOF\n"),
}

every_kind = pytest.mark.parametrize("name", ["plot.png", "plot.PNG", "plot.svg", "plot.SVG", "plot.pdf"])


def check_whole(picture: Path) -> None:
    """Fail unless the file begins and ends as its kind does, and nothing else lies beside it."""
    head, tail = _ENDS[picture.suffix.lower()]
    content = picture.read_bytes()
    assert content.startswith(head)
    assert content.endswith(tail)
    assert list(picture.parent.iterdir()) == [picture]
