"""Two stages side by side, as the terminal shows them: what moved, what rings longer, and the balance.

Conventions: lines of at most 80 characters; changes from the earlier to the later, 95 % intervals in brackets. What
has no verdict says why. Modes are shown from low to high.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.compare.alike import alike_moves
from tapbatch.compare.before_after import Comparison, SustainChange
from tapbatch.compare.blank import BLANK
from tapbatch.model.caution import NoVerdict
from tapbatch.model.history import Stage
from tapbatch.show.say import figures, moves, words
from tapbatch.show.say.cautions import cautions_text, no_verdict_text
from tapbatch.show.terminal.readings import WIDTH, Line, said
from tapbatch.show.terminal.wrapping import padded
from tapbatch.show.view.answers import capital
from tapbatch.show.view.besides import TOO_LITTLE, by_weight
from tapbatch.show.view.side_by_side import same_reason
from tapbatch.show.view.stages import mode_at

_INDENT = 41


def comparison_lines(comparison: Comparison) -> list[Line]:
    """Return two stages side by side."""
    lines = said(_heading(comparison), "bold")
    heavy, light = by_weight(comparison.cautions, comparison.drifts)
    if heavy:
        lines += said(f"differed besides the wood: {cautions_text(heavy)}")
    if light:
        lines += said(f"{TOO_LITTLE.lower()}: {cautions_text(light)}", "dim")
    causes = moves.alike_causes(strings=comparison.after.part != BLANK)
    for alike in alike_moves(comparison.drifts):
        lines += said(f"{capital(moves.alike_text(alike, causes))}.")
    lines += _pairing_lines(comparison)
    if comparison.drifts:
        lines.append(_row("Pitch", "before", "after", "moved", weight="dim"))
    for drift in comparison.drifts:
        modes = [mode_at(stage, drift.mode) for stage in (comparison.before, comparison.after)]
        cells = (f"{words.hz_text(mode)} Hz" if mode else "-" for mode in modes)
        lines += _wrapped_row(drift.mode, *cells, moves.moved_text(drift))
    lines += _sustain_lines(comparison.sustain)
    if comparison.balance:
        lines.append(_row("Balance", "before", "after", "share in the energy of each tap", weight="dim"))
    for b in comparison.balance:
        change = figures.change_text(b.change_db, b.low_db, b.high_db, 1, "dB")
        cells = (f"{v:.1f} dB" for v in (b.before_db, b.after_db))
        lines.append(_row(b.name, *cells, f"{change}, {b.low_hz:.0f} to {b.high_hz:.0f} Hz"))
    if any(c.verdict for c in comparison.sustain):
        lines += said(moves.FIVE_PER_CENT, "dim")
    return lines + said(moves.NO_LOUDNESS, "dim")


def _pairing_lines(comparison: Comparison) -> list[Line]:
    """Return which modes of two instruments are the same, and which only one of them has."""
    lines: list[Line] = []
    if comparison.by_note:
        lines += said(f"Taken for the same by nearness of note, not by label: {', '.join(comparison.by_note)}.")
    only = ((comparison.before, comparison.only_before), (comparison.after, comparison.only_after))
    for stage, names in only:
        if names:
            lines += said(f"Only in {_instrument(stage)}, {stage.stage_shown}: {', '.join(names)}.")
    return lines


def _instrument(stage: Stage) -> str:
    return next((h.recording.instrument_shown for h in stage.heard), "")


def _heading(comparison: Comparison) -> str:
    before, after = comparison.before, comparison.after
    names = [_instrument(stage) for stage in (before, after)]
    if names[0] == names[1]:
        return f"{names[0]}, {after.part}: {before.stage_shown}, then {after.stage_shown}"
    return f"{after.part}: {names[0]}, {before.stage_shown}, then {names[1]}, {after.stage_shown}"


def _sustain_lines(changes: Sequence[SustainChange]) -> list[Line]:
    shown = [c for c in changes if c.before_s is not None or c.after_s is not None]
    if not shown:
        return []
    lines = [_row("Sustain (T60)", "before", "after", "rings", weight="dim")]
    alike = same_reason(shown)
    if alike is not None:
        lines += said(f"No verdict on any: {no_verdict_text(alike, explained=True)}.")
    for change in shown:
        plucked = change.kind == "pluck" and change.subject != "string"
        short = change.name.removesuffix(" octave").removesuffix(" sound")
        name = f"plucked, {short}" if plucked else change.name
        cells = (f"{v:.3f} s" if v is not None else "-" for v in (change.before_s, change.after_s))
        lines += _wrapped_row(name, *cells, rings_text(change, known=alike))
    return lines


def _wrapped_row(name: str, *cells: str) -> list[Line]:
    """Return a row whose last cell goes on in further lines, below itself."""
    before, after, text = cells
    first, *more = said(text, most=WIDTH - _INDENT) or [("", "")]
    return [_row(name, before, after, first[0]), *((" " * _INDENT + line, "") for line, _ in more)]


def rings_text(change: SustainChange, *, known: NoVerdict | None = None) -> str:
    """Say whether something rings longer, such as ``longer, +12 % (+5 to +20)``; without a verdict, why.

    ``known`` is a reason that need not be repeated.
    """
    text = figures.change_text(change.change_pct, change.low_pct, change.high_pct, 0, "%")
    if change.verdict:
        return f"{moves.RINGS.get(change.verdict, change.verdict)}, {text}"
    why = f"no verdict ({no_verdict_text(change.why, explained=True)})" if change.why != known else ""
    return ", ".join(word for word in (why, text) if word)


def _row(name: str, *cells: str, weight: str = "") -> Line:
    before, after, told = cells
    return f"{padded(words.shown(name), 18)} {before:>10}{after:>10}  {told}".rstrip(), weight
