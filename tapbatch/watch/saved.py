"""What the builder saved while a shop is under watch: settings and notes, by size and time, and targets."""

from __future__ import annotations

from pathlib import Path

from tapbatch.model.settings import TargetSetting
from tapbatch.results.files import facts_of
from tapbatch.shop.folder import Shop


def targets_of(shop: Shop, instrument: str) -> tuple[TargetSetting, ...]:
    """Return the targets of an instrument; none if its settings were not understood."""
    return () if instrument in shop.refused_instruments else tuple(shop.settings_of(instrument).target)


def settings_facts(root: Path) -> tuple[object, ...]:
    """Return the size and time of every file, other than recordings, that the builder may edit."""
    try:
        own = sorted((root / "instruments").glob("*.toml"))
    except OSError:
        own = []
    return tuple((path, facts_of(path)) for path in (root / "shop.toml", root / "notes.csv", *own))
