"""What is said once of all comparisons of an instrument: what was learned of set-ups, and what was never noted."""

from __future__ import annotations

from tapbatch.compare.conditions import never_noted
from tapbatch.model.history import History


def learned_text(history: History) -> list[str]:
    """Return what holds for every comparison in a history, as whole sentences; nothing where nothing is compared.

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
            f"Setting up anew moves a mode by {history.setup_cents:.1f} c (standard deviation, learned from what was "
            "recorded again); intervals and verdicts count it."
        )
    missing = never_noted(history.stages)
    if missing:
        said.append(f"Never noted, so no caution can name it: {' and '.join(_joined(missing))}.")
    return said


def _joined(words: tuple[str, ...]) -> list[str]:
    return [", ".join(words[:-1]), words[-1]] if len(words) > 1 else list(words)
