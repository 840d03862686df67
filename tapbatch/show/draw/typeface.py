"""The type that pages are set in: DejaVu Sans in two weights, read from the files that the plotting library brings.

Conventions: lengths are shares of the type size. ReportLab reads the files and embeds what is used of them.
"""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from typing import Any

# The last letter of Unicode's basic plane. What ReportLab writes of letters beyond it cannot be searched for.
_LAST_BASIC = 0xFFFF


class Face:
    """One weight of the type, known to the library that writes pages by its ``name``."""

    def __init__(self, path: Path) -> None:
        from reportlab.pdfbase.pdfmetrics import registerFont
        from reportlab.pdfbase.ttfonts import TTFont

        self.path = path
        # Under a name of our own: a program may use ours beside another file of that name.
        self.name = f"tapbatch {path.stem}"
        font = TTFont(self.name, str(path), asciiReadable=False)
        registerFont(font)
        self._face: Any = font.face

    def has(self, char: str) -> bool:
        """Tell whether the face has a letter.

        Examples
        --------
        >>> plain().has("ž"), plain().has("漢")
        (True, False)
        """
        return ord(char) <= _LAST_BASIC and ord(char) in self._face.charToGlyph

    def advance(self, char: str) -> float:
        """Return how far a letter moves the next one on; the face must have it."""
        return float(self._face.charWidths[ord(char)]) / 1000.0


@cache
def plain() -> Face:
    """Return the face of running text."""
    return Face(_folder() / "DejaVuSans.ttf")


@cache
def bold() -> Face:
    """Return the face of headings and of what leads."""
    return Face(_folder() / "DejaVuSans-Bold.ttf")


def _folder() -> Path:
    """Find the library's fonts without importing it, which takes longer than setting a whole report."""
    found = importlib.util.find_spec("matplotlib")
    for place in found.submodule_search_locations or () if found else ():
        folder = Path(place) / "mpl-data" / "fonts" / "ttf"
        if folder.is_dir():
            return folder
    # Where its data lie elsewhere, it knows where.
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
