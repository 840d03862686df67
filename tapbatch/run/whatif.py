"""Answer a question that begins with what if, about one instrument of a shop.

Conventions: the answer is about the latest stage that has modes, of the part to which it belongs, and rests on the
same histories as the tables (:mod:`~tapbatch.run.histories`). Nothing is written, not even a reading: recordings
that were not measured yet are left out. Wood cannot be put back, so nothing can be asked that would need that.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable

from tapbatch.compare.blank import BLANK
from tapbatch.compare.step_forecast import Elders
from tapbatch.compare.what_if import Seen, answer, changes_of, seen_of
from tapbatch.model.errors import ShopError
from tapbatch.model.names import identity
from tapbatch.model.what_if import Answer, Asked, Change
from tapbatch.run.histories import histories_of
from tapbatch.shop.folder import Shop

_SLOT = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*[x×*]\s*([0-9]+(?:\.[0-9]+)?)\s*(?:mm)?\s*", re.IGNORECASE)
_RANGES = {
    "hole_mm": ("--hole-to", 0.1, 1000.0, "mm"),
    "thickness_mm": ("--thickness-to", 0.1, 100.0, "mm"),
    "take_off_g": ("--take-off-g", 0.01, 10_000.0, "g"),
    "pitch_hz": ("--pitch", 380.0, 470.0, "Hz"),
    "temperature_c": ("--temperature", -20.0, 60.0, "C"),
}
_ALIKE = 1.001  # sizes are read no better
_HOW = "say what will be afterwards, such as --hole-to 84, --slot-to 6x70, --take-off-g 2 or --temperature 24"


def slot_of(text: str) -> tuple[float, float]:
    """Return width and length of a slot in millimetres, as written; the smaller one is the width.

    Raises
    ------
    ShopError
        If the text is not two numbers with an x between them, or one is zero.

    Examples
    --------
    >>> slot_of("6x70"), slot_of("70 × 6 mm")
    ((6.0, 70.0), (6.0, 70.0))
    """
    found = _SLOT.fullmatch(text)
    sides = sorted(float(each) for each in found.groups()) if found else [0.0]
    if not (sides[0] > 0.0 and sides[-1] <= _RANGES["hole_mm"][2]):
        raise ShopError("--slot-to", f"'{text}' is no width and length", "write both in millimetres, such as 6x70")
    return sides[0], sides[1]


def what_if(shop: Shop, instrument: str, asked: Asked, say: Callable[[str], None] = lambda _line: None) -> Answer:
    """Return what would come of it.

    Parameters
    ----------
    shop
        As opened.
    instrument
        Name of the instrument.
    asked
        What will be afterwards.
    say
        Called as by :func:`tapbatch.run.histories.histories_of`.

    Raises
    ------
    ShopError
        If nothing is asked or a value makes no sense; if the instrument is not found or has no reading yet; if wood
        would have to be put back.
    """
    _check(asked)
    name = identity(instrument)
    found = histories_of(shop, {name}, say=say)
    for error in found.failed.values():
        raise error
    history = found.of.get(name)
    if history is None:
        raise ShopError(instrument, "no reading of such an instrument", _nearest(shop, name))
    settings = shop.settings_of(name)
    seen = seen_of(history, settings, Elders(found.common.of(settings, name).steps, settings))
    if seen is None:
        raise ShopError(instrument, "no mode was read yet", "record its taps, then run")
    refuse(seen, asked)
    return answer(seen, asked)


def _nearest(shop: Shop, name: str) -> str:
    known = sorted({*shop.instruments, *(key[0] for key in shop.notes)})
    near = difflib.get_close_matches(name, known, n=1)
    return f"did you mean {near[0]}?" if near and near[0] != name else "run first, or check the name and the shop"


# ------------------------------------------------------------------ refusals


def _check(asked: Asked) -> None:
    if not asked.is_anything:
        raise ShopError("whatif", "nothing is asked", _HOW)
    if asked.hole_mm is not None and asked.slot_mm is not None:
        raise ShopError("--hole-to, --slot-to", "an opening cannot be both", "ask one, then the other")
    for field, (option, least, most, unit) in _RANGES.items():
        value: float | None = getattr(asked, field)
        if value is not None and not least <= value <= most:
            raise ShopError(option, f"{value:g} is out of range", f"give {least:g} to {most:g} {unit}")


def refuse(seen: Seen, asked: Asked) -> None:
    """Refuse what would need wood to be put back, or more wood than there is.

    Raises
    ------
    ShopError
        Says what is noted of the latest stage.
    """
    stage = seen.stage.stage_shown
    if seen.stage.part == BLANK and asked.thickness_mm is not None and asked.take_off_g is not None:
        what = "of a board, thickness and grams say the same"
        raise ShopError("--thickness-to, --take-off-g", what, "ask one of them")
    for change in changes_of(seen, asked):
        if change.what in ("opening", "thickness"):
            _refuse_back(change, stage)
        elif change.what == "grams" and change.after is not None and change.after <= 0.0:
            what = f"{change.taken_g:g} g is all of it: {change.before:g} g are noted for {stage}"
            raise ShopError("--take-off-g", what, "ask for less")


def _refuse_back(change: Change, stage: str) -> None:
    before, after = change.before, change.after
    if before is None or after is None:
        return
    if change.what == "thickness" and after > before * _ALIKE:
        what = f"it is {before:.4g} mm thick at {stage} already"
        raise ShopError("--thickness-to", what, "wood cannot be put back: ask for less")
    was, will = change.size_before, change.size_after
    if was is None or will is None:
        return
    shrinks = after * _ALIKE < before
    if was.width_mm and will.width_mm:
        shrinks |= will.width_mm * _ALIKE < was.width_mm or will.length_mm * _ALIKE < was.length_mm
    if shrinks:
        now = f"{was.width_mm:.4g} x {was.length_mm:.4g} mm" if was.width_mm else f"{was.length_mm:.4g} mm across"
        what = f"the opening is {now} ({before:.4g} mm2) at {stage} already"
        option = "--slot-to" if will.width_mm else "--hole-to"
        raise ShopError(option, what, "wood cannot be put back: ask for more")
