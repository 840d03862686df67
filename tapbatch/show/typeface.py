"""The type that pages are set in: DejaVu Sans in two weights, read from the files that the plotting library brings.

Conventions: lengths are shares of the type size. Letters are those of Unicode, glyphs are numbered from 0 within a
file (OpenType, ISO/IEC 14496-22); 0 is the one for a letter that is not there. Kerning is that of the file's ``kern``
table.
"""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

# Tables that a page has no use for: letters are placed by whoever sets them.
_LAYOUT = ("GDEF", "GPOS", "GSUB", "MATH", "kern")
_NEEDLESS = ("FFTM", "OS/2", "gasp", "name", "post")


@dataclass(frozen=True, slots=True, kw_only=True)
class Embedded:
    """As much of a face as some letters need: a font file, the glyph of each letter, and the width of each glyph."""

    data: bytes
    glyphs: Mapping[str, int]
    widths: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """What a page must say of a face, as shares of the type size; ``box`` is left, bottom, right and top."""

    box: tuple[float, float, float, float]
    ascent: float
    descent: float
    capital: float


class Face:
    """One weight of the type."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def name(self) -> str:
        """What the file is called by, without its ending."""
        return self.path.stem

    @cached_property
    def _font(self) -> Any:
        from fontTools.ttLib import TTFont

        return TTFont(io.BytesIO(self.path.read_bytes()), lazy=True)

    @cached_property
    def _glyph_names(self) -> dict[int, str]:
        return dict(self._font.getBestCmap())

    @cached_property
    def _unit(self) -> float:
        return 1.0 / float(self._font["head"].unitsPerEm)

    @cached_property
    def _kerns(self) -> dict[tuple[str, str], int]:
        return dict(self._font["kern"].kernTables[0].kernTable) if "kern" in self._font else {}

    def has(self, char: str) -> bool:
        """Tell whether the face has a letter."""
        return ord(char) in self._glyph_names

    def advance(self, char: str) -> float:
        """Return how far a letter moves the next one on; the face must have it."""
        return float(self._font["hmtx"].metrics[self._glyph_names[ord(char)]][0]) * self._unit

    def kern(self, first: str, second: str) -> float:
        """Return how much nearer (below zero) or farther two letters stand than their widths say.

        Examples
        --------
        >>> plain().kern("T", "o") < 0 == plain().kern("l", "l")
        True
        """
        names = self._glyph_names
        return self._kerns.get((names.get(ord(first), ""), names.get(ord(second), "")), 0) * self._unit

    @cached_property
    def measures(self) -> Measures:
        """What a page must say of the face."""
        head, hhea, unit = self._font["head"], self._font["hhea"], self._unit
        capital = float(self._font["glyf"][self._glyph_names[ord("H")]].yMax)
        return Measures(
            box=(head.xMin * unit, head.yMin * unit, head.xMax * unit, head.yMax * unit),
            ascent=hhea.ascent * unit,
            descent=hhea.descent * unit,
            capital=capital * unit,
        )

    def embedded(self, letters: Iterable[str]) -> Embedded:
        """Return as much of the face as some letters need, the same bytes for the same letters."""
        from fontTools.subset import Options, Subsetter, load_font

        options = Options(layout_features=[], name_IDs=[], glyph_names=False, notdef_outline=True)
        options.drop_tables = [*options.drop_tables, *_NEEDLESS]
        font = load_font(io.BytesIO(self.path.read_bytes()), options, lazy=True)
        # Gone before the subsetter looks at them, which takes it as long as all the rest.
        for table in _LAYOUT:
            if table in font:
                del font[table]
        subsetter = Subsetter(options)
        subsetter.populate(unicodes=[ord(char) for char in letters])
        subsetter.subset(font)
        file = io.BytesIO()
        font.save(file)
        numbers, widths = font.getReverseGlyphMap(), font["hmtx"].metrics
        return Embedded(
            data=file.getvalue(),
            glyphs={char: numbers[self._glyph_names[ord(char)]] for char in letters},
            widths=tuple(float(widths[name][0]) * self._unit for name in font.getGlyphOrder()),
        )


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
