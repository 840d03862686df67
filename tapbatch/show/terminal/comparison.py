"""Two stages side by side, as the terminal shows them: what moved, what rings longer, and the balance.

Conventions: lines of at most 80 characters; changes from the earlier to the later, 95 % intervals in brackets. What
has no verdict says why. Modes are shown from low to high.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TextIO

from tapbatch.compare.before_after import BalanceChange, Comparison, SustainChange
from tapbatch.model.caution import NoVerdict
from tapbatch.model.history import Drift, Stage
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text, no_verdict_explained
from tapbatch.show.terminal.readings import WIDTH, say_lines, wrapped_lines
from tapbatch.show.terminal.wrapping import padded
from tapbatch.show.view.modes import mode_at
from tapbatch.show.view.side_by_side import same_reason

_INDENT = 41


def print_comparison(comparison: Comparison, *, file: TextIO | None = None) -> None:
    """Print two stages side by side.

    Parameters
    ----------
    comparison
        From :func:`tapbatch.compare.before_after.side_by_side`.
    file
        Where to print; standard output by default.
    """
    say_lines(comparison_lines(comparison), file or sys.stdout)


def comparison_lines(comparison: Comparison) -> list[tuple[str, str]]:
    """Return two stages side by side as lines of at most 80 characters, each with its weight."""
    lines = [(line, "bold") for line in wrapped_lines(_heading(comparison))]
    if comparison.cautions:
        differed = f"differed besides the wood: {cautions_text(comparison.cautions)}"
        lines += [(line, "") for line in wrapped_lines(differed)]
    lines += _pitch_lines(comparison)
    lines += _sustain_lines(comparison.sustain)
    lines += _balance_lines(comparison.balance)
    said = [words.FIVE_PER_CENT] if any(c.verdict for c in comparison.sustain) else []
    said.append(words.NO_LOUDNESS)
    return lines + [(line, "dim") for text in said for line in wrapped_lines(text)]


def _heading(comparison: Comparison) -> str:
    before, after = comparison.before, comparison.after
    names = [instrument_of(s) for s in (before, after)]
    sides = [before.stage_shown, after.stage_shown]
    if names[0] != names[1]:
        sides = [f"{name}, {stage}" for name, stage in zip(names, sides, strict=True)]
    head = f"{names[0]}, {after.part}" if names[0] == names[1] else after.part
    return f"{head}: {sides[0]}, then {sides[1]}"


def instrument_of(stage: Stage) -> str:
    """Return the instrument of a stage, as its recordings spell it."""
    return next((h.recording.instrument_shown for h in stage.heard), "")


def _pitch_lines(comparison: Comparison) -> list[tuple[str, str]]:
    if not comparison.drifts:
        return []
    lines = [(_row("Pitch", ("before", "after"), "moved"), "dim")]
    for drift in comparison.drifts:
        cells = [_hz(stage, drift) for stage in (comparison.before, comparison.after)]
        lines.append((_row(drift.mode, (cells[0], cells[1]), words.moved_text(drift)), ""))
    return lines


def _hz(stage: Stage, drift: Drift) -> str:
    mode = mode_at(stage, drift.mode)
    return f"{words.hz_text(mode)} Hz" if mode else "-"


def _sustain_lines(changes: Sequence[SustainChange]) -> list[tuple[str, str]]:
    shown = [c for c in changes if c.before_s is not None or c.after_s is not None]
    if not shown:
        return []
    lines = [(_row("Sustain (T60)", ("before", "after"), "rings"), "dim")]
    alike = same_reason(shown)
    if alike is not None:
        lines += [(line, "") for line in wrapped_lines(f"No verdict on any: {no_verdict_explained(alike)}.")]
    for change in shown:
        plucked = change.kind == "pluck" and change.subject != "string"
        short = change.name.removesuffix(" octave").removesuffix(" sound")
        name = f"plucked, {short}" if plucked else change.name
        cells = [f"{v:.3f} s" if v is not None else "-" for v in (change.before_s, change.after_s)]
        first, *more = wrapped_lines(rings_text(change, said=alike), most=WIDTH - _INDENT) or [""]
        lines.append((_row(name, (cells[0], cells[1]), first), ""))
        lines += [(" " * _INDENT + line, "") for line in more]
    return lines


def rings_text(change: SustainChange, *, said: NoVerdict | None = None) -> str:
    """Say whether something rings longer, such as ``longer, +12 % (+5 to +20)``; without a verdict, why.

    ``said`` is a reason that needs no repeating.
    """
    text = words.change_text(change.change_pct, change.low_pct, change.high_pct, 0, "%")
    if change.verdict:
        return f"{change.verdict}, {text}"
    why = f"no verdict ({no_verdict_explained(change.why)})" if change.why != said else ""
    return ", ".join(word for word in (why, text) if word)


def _balance_lines(balance: Sequence[BalanceChange]) -> list[tuple[str, str]]:
    if not balance:
        return []
    lines = [(_row("Balance", ("before", "after"), "share in the energy of each tap"), "dim")]
    for b in balance:
        change = words.change_text(b.change_db, b.low_db, b.high_db, 1, "dB")
        cells = [f"{v:.1f} dB" for v in (b.before_db, b.after_db)]
        band = f"{b.low_hz:.0f} to {b.high_hz:.0f} Hz"
        lines.append((_row(b.name, (cells[0], cells[1]), f"{change}, {band}"), ""))
    return lines


def _row(name: str, sides: tuple[str, str], said: str) -> str:
    return f"{padded(words.shown(name), 18)} {sides[0]:>10}{sides[1]:>10}  {said}".rstrip()
