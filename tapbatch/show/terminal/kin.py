"""The instruments of a family side by side, as the terminal shows them: modes by instruments at one stage.

Conventions: lines of at most 80 characters; as many instruments stand beside one another as fit, the others below.
"""

from __future__ import annotations

from tapbatch.model.kin import SideBySide
from tapbatch.show.say import kin, words
from tapbatch.show.terminal.readings import WIDTH, Line, said
from tapbatch.show.terminal.wrapping import padded

_NAME, _CELL = 12, 16


def family_lines(side: SideBySide) -> list[Line]:
    """Return the instruments of a family at one stage of a part, mode by mode."""
    here = side.stages[side.present]
    held = ", ".join(filter(None, (side.part, side.state, here.stage_shown)))
    lines = said(f"{here.instrument_shown} beside its family, {held}; A4 = {side.concert_pitch_hz:g} Hz", "bold")
    for stage in side.stages:
        weight = "bold" if stage is here else ""
        lines += said(f"{stage.instrument_shown}: {kin.stage_text(stage)}", weight, first="  ", later="    ")
    most = (WIDTH - _NAME) // _CELL
    for first in range(0, len(side.stages), most):
        columns = range(len(side.stages))[first : first + most]
        lines.append(_row("", [side.stages[n].instrument_shown for n in columns], "dim"))
        for row in side.rows:
            readings = [row.readings[n] for n in columns]
            name = kin.row_name(side, row.mode)
            lines.append(_row(name, [kin.place_text(side, reading) for reading in readings]))
            apart = [kin.apart_text(reading) for reading in readings]
            lines += [_row("", apart, "dim")] if any(apart) else []
    near = kin.by_note_text(side)
    lines += said(near) if near else []
    return lines + said(kin.apart_means(side), "dim")


def _row(name: str, cells: list[str], weight: str = "") -> Line:
    text = f"{padded(words.shown(name), _NAME - 1)} "
    return (text + " ".join(padded(words.shown(cell), _CELL - 1) for cell in cells)).rstrip(), weight
