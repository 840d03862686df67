"""What applies to every comparison of an instrument and is said once: the set-ups, and what the notes lack."""

from __future__ import annotations

from tapbatch.compare.conditions import never_noted
from tapbatch.model.history import History


def learned_text(history: History) -> list[str]:
    """Return what applies to every comparison in a history, as sentences; empty if nothing is compared.

    Examples
    --------
    >>> learned_text(History(instrument="na", instrument_shown="NA", stages=(), drifts=()))
    []
    """
    if not history.drifts:
        return []
    said = []
    if history.setup_cents is not None:
        said.append(
            f"Setting up again moves a mode by {history.setup_cents:.1f} c (standard deviation, learned from stages "
            "recorded again); intervals and verdicts allow for it."
        )
    missing = never_noted(history.stages)
    if missing:
        said.append(f"Not in the notes, so it cannot be checked: {' and '.join(_joined(missing))}.")
    return said


def _joined(words: tuple[str, ...]) -> list[str]:
    return [", ".join(words[:-1]), words[-1]] if len(words) > 1 else list(words)
