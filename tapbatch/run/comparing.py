"""What ``compare`` prints: two stages side by side, or one stage beside its family.

Conventions: with ``family`` the words behind the instrument are one less, or two: ``INSTRUMENT/STAGE --family SHOP``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tapbatch.model.errors import ShopError
from tapbatch.model.reading import Attention
from tapbatch.run.compare import compare_in_shop, family_in_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.terminal.comparison import comparison_lines
from tapbatch.show.terminal.kin import family_lines
from tapbatch.show.terminal.readings import Line


def compared_lines(
    instrument: str, words: tuple[str, str], shop: Path, *, family: bool, say: Callable[[str], None]
) -> tuple[list[Line], tuple[Attention, ...]]:
    """Return the lines that answer ``compare``, and the recordings that could not be measured.

    Parameters
    ----------
    instrument
        The instrument; with ``family`` also ``INSTRUMENT/STAGE``.
    words
        Two stages; with ``family`` the shop folder, or nothing, and an empty text.
    shop
        The shop folder, without ``family``.
    family
        Whether one stage is to stand beside its family.
    say
        Called as by :func:`tapbatch.run.histories.histories_of`.

    Raises
    ------
    ShopError
        If words are missing or too many, and as :func:`~tapbatch.run.compare.compare_in_shop` and
        :func:`~tapbatch.run.compare.family_in_shop` do.
    """
    first, second = words
    if family:
        if second:
            remedy = f"write tapbatch compare {instrument}/{first} --family {second}"
            raise ShopError("compare", "--family takes one stage", remedy)
        sides, attention = family_in_shop(open_shop(Path(first)), instrument, say)
        return [line for side in sides for line in family_lines(side)], attention
    if not (first and second):
        raise ShopError(
            "compare", "two stages are needed", "give BEFORE and AFTER, or INSTRUMENT/STAGE with --family"
        )
    compared, attention = compare_in_shop(open_shop(shop), instrument, first, second, say)
    return [line for comparison in compared for line in comparison_lines(comparison)], attention
