"""What the instruments of a shop tell one another: what setting up anew moves, and where a mode came to rest.

Conventions: both follow from an instrument's stages before they are compared. What setting up anew moves is learned
over the whole shop, for it is one hand and one bench; where a mode rests is asked by targets that say ``like``. Most
instruments tell neither: they have no ``again`` recording, and nobody looks to them. What one tells is kept in its
mark, so that an instrument in which nothing changed need not be read for the sake of another.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from tapbatch.compare.setups import Contrast, SetupContrasts, SetupScatter, contrasts_of, pool_setups
from tapbatch.compare.targets import Rests, resting_places
from tapbatch.model.history import History
from tapbatch.model.names import identity
from tapbatch.model.reading import Recording
from tapbatch.model.settings import InstrumentSettings


@dataclass(frozen=True, slots=True)
class Learned:
    """What one instrument tells the others; ``rests`` are ``(part, mode, hertz)``.

    Examples
    --------
    >>> lent = Learned(SetupContrasts(((Contrast(1e-8, 1e-9, 1, 1),),), ()), (("top", "air", 187.2),))
    >>> Learned.from_json(lent.to_json()) == lent
    True
    """

    setups: SetupContrasts = field(default_factory=lambda: SetupContrasts((), ()))
    rests: tuple[tuple[str, str, float], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return what JSON can hold; :meth:`from_json` gives back an equal value."""
        of_setups = [
            [[[c.between, c.taps, c.dof, c.modes] for c in stage] for stage in stages]
            for stages in (self.setups.freq, self.setups.t60)
        ]
        return {"setups": of_setups, "rests": [list(rest) for rest in self.rests]}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Learned:
        """Return what :meth:`to_json` wrote.

        Raises
        ------
        KeyError, TypeError, ValueError
            Where the data are something else.
        """
        freq, t60 = (
            tuple(tuple(Contrast(*values) for values in stage) for stage in stages) for stages in data["setups"]
        )
        return cls(SetupContrasts(freq, t60), tuple((part, mode, float(hz)) for part, mode, hz in data["rests"]))


@dataclass(frozen=True, slots=True)
class Common:
    """What all instruments have from one another: the scatter of set-ups, and where modes rest."""

    scatter: SetupScatter | None = None
    rests: Rests = field(default_factory=dict)

    def of(self, settings: InstrumentSettings) -> Common:
        """Return the part of it that matters to an instrument: the rests of those that its targets look to."""
        liked = liked_by(settings)
        return Common(self.scatter, {key: hz for key, hz in self.rests.items() if key[0] in liked})

    @property
    def fingerprint(self) -> str:
        """Hash of it."""
        return hashlib.sha256(repr((self.scatter, sorted(self.rests.items()))).encode()).hexdigest()


def liked_by(settings: InstrumentSettings) -> set[str]:
    """Return the instruments that the targets of one look to.

    Examples
    --------
    >>> liked_by(InstrumentSettings())
    set()
    """
    return {identity(target.like) for target in settings.target if target.like}


def sets_up_anew(recordings: Iterable[Recording]) -> bool:
    """Tell whether any recording is marked ``again``.

    Examples
    --------
    >>> sets_up_anew([])
    False
    """
    return any(recording.again for recording in recordings)


def lent_by(history: History) -> Learned:
    """Return what an instrument tells the others, from its stages as they were gathered.

    Examples
    --------
    >>> lent_by(History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())) == Learned()
    True
    """
    rests = tuple((part, mode, hz) for (_, part, mode), hz in resting_places([history]).items())
    return Learned(contrasts_of(history.stages), rests)


def common(lent: Mapping[str, Learned]) -> Common:
    """Return what the instruments together tell, given what each does, by instrument.

    Examples
    --------
    >>> common({"cittern-07": Learned(rests=(("top", "air", 187.2),))}).rests
    {('cittern-07', 'top', 'air'): 187.2}
    """
    ordered = sorted(lent.items())
    rests = {(name, part, mode): hz for name, one in ordered for part, mode, hz in one.rests}
    return Common(pool_setups(one.setups for _, one in ordered), rests)
