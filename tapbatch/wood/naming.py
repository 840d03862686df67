r"""Which mode of a board each tone is.

Conventions: a naming gives some tones a mode (by parity and place) and leaves the others as strangers. It is judged
by how probable it makes all that was heard: a mode of the board is heard with the chance :data:`HEARD`, its tone lies
about the fitted frequency with the scatter of the model, and strangers (room, table, overtones of the phone) come at
a rate of :data:`STRANGERS` per unit of ``ln f``. Twice the negative logarithm of that, with the priors of the wood,
is the ``cost`` of a naming; where a word said which mode a recording aimed at, a naming that disagrees costs
:data:`AGAINST_A_WORD` more.

The search starts from every choice of tones for the three modes that tell the three moduli, (1, 1), (2, 0) and
(0, 2), any one of them left to the priors. Each start that the priors allow is fitted, the other tones are matched in order of frequency, and the best are fitted again until nothing changes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from tapbatch.wood.board import AIR_KG_M3, Floats, Name, PlateMode
from tapbatch.wood.fit import (
    E_ACROSS,
    E_ALONG,
    Belief,
    Fit,
    G,
    Key,
    Readings,
    Tone,
    board_of,
    fit_board,
    keyed,
    wood_of,
)
from tapbatch.wood.plate import plate_modes

HEARD = 0.8
STRANGERS = 0.5
AGAINST_A_WORD = 12.0
CLEARLY_WORSE = 9.0
MOST_TONES = 12
MOST_MODES = 16
NAMING_SD = 0.01
"""Scatter of ln f about the model while names are sought: twice that of the fit, so that no tone is lost to it."""

_STARTS_FROM = 7
_MOST_STARTS = 40
_REFINED = 8
_UNLIKELY = 18.0  # squared distance of a start from the priors of the three moduli
_WIDE, _NARROW = 0.04, 0.015
_DEGREE = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """The best naming, its fit and its cost; ``margin`` is by how much the next that differs is worse.

    A naming differs if it gives another mode to a tone, and the fitted moduli move by more than their errors.
    """

    fit: Fit
    cost: float
    margin: float

    @property
    def is_clear(self) -> bool:
        """Whether the second-best naming is clearly worse."""
        return self.margin >= CLEARLY_WORSE


@dataclass(frozen=True, slots=True)
class _Tried:
    named: dict[Key, Tone]
    fit: Fit
    cost: float


def name_modes(
    readings: Readings,
    tones: Sequence[Tone],
    aimed: Mapping[Name, float] | None = None,
    *,
    air_kg_m3: float = AIR_KG_M3,
) -> Naming | None:
    """Name the tones of a board all at once.

    Parameters
    ----------
    readings
        Sizes and mass with their errors.
    tones
        What was heard; the lowest :data:`MOST_TONES` are used.
    aimed
        Frequencies of tones that a word says to be a mode.
    air_kg_m3
        Density of the air.

    Returns
    -------
    Naming or None
        ``None`` if no naming gives a mode to two tones or more.
    """
    tones = sorted(tones, key=lambda t: t.freq_hz)[:MOST_TONES]
    aimed = aimed or {}
    search = _Search(readings, tones, aimed, air_kg_m3)
    ranked = search.best()
    if not ranked:
        return None
    best = ranked[0]
    fit = fit_board(readings, best.named, start=best.fit.values, air_kg_m3=air_kg_m3)
    others = [tried.cost for tried in ranked[1:] if _differs(best, tried)]
    return Naming(fit=fit, cost=best.cost, margin=min(others, default=math.inf) - best.cost)


def _identity(named: Mapping[Key, Tone]) -> frozenset[tuple[Key, float]]:
    return frozenset((key, tone.freq_hz) for key, tone in named.items())


def _differs(one: _Tried, other: _Tried) -> bool:
    """Return whether two namings lead to other figures."""
    apart = np.abs(one.fit.values[:3] - other.fit.values[:3])
    # Where one of them cannot tell a modulus, only what both tell counts.
    errors = np.sqrt(np.minimum(np.diag(one.fit.covariance)[:3], np.diag(other.fit.covariance)[:3]))
    return bool(np.any(apart > np.maximum(0.02, 1.0 * errors)))


class _Search:
    """One search: what was heard, and what is believed."""

    def __init__(
        self, readings: Readings, tones: Sequence[Tone], aimed: Mapping[Name, float], air_kg_m3: float
    ) -> None:
        self.readings, self.tones, self.aimed, self.air_kg_m3 = readings, tones, aimed, air_kg_m3
        self.belief = Belief(readings)
        self.logs = np.log([t.freq_hz for t in tones])
        self.prior_det = float(np.linalg.slogdet(self.belief.precision)[1])

    def best(self) -> list[_Tried]:
        """Return the namings that were tried, best first."""
        starts = sorted(((self._likeness(values), k, values) for k, values in enumerate(self._starts())))
        rough: dict[frozenset[tuple[Key, float]], _Tried] = {}
        for _, _, values in starts[:_MOST_STARTS]:
            named = self._matched(values, _WIDE)
            if len(named) >= 2 and (same := _identity(named)) not in rough:
                rough[same] = self._tried(named, values, rounds=2)
        final: dict[frozenset[tuple[Key, float]], _Tried] = {}
        for tried in sorted(rough.values(), key=lambda tried: tried.cost)[:_REFINED]:
            for width in (_NARROW, 0.0):
                named = self._matched(tried.fit.values, width)
                if len(named) < 2:
                    break
                if _identity(named) in final:
                    tried = final[_identity(named)]
                else:
                    tried = self._tried(named, tried.fit.values, rounds=3)
            final.setdefault(_identity(tried.named), tried)
        return sorted(final.values(), key=lambda tried: tried.cost)

    def _modes(self, values: Floats) -> list[tuple[Key, PlateMode]]:
        modes = plate_modes(
            board_of(values),
            wood_of(values),
            air_kg_m3=self.air_kg_m3,
            degree=_DEGREE,
            count=6,
            air_over=self.readings.board,
        )
        of_key = sorted(keyed(modes).items(), key=lambda pair: pair[1].freq_hz)
        return of_key[:MOST_MODES]

    def _starts(self) -> Iterator[Floats]:
        """Yield the unknowns for every choice of tones for the three leading modes that the priors allow."""
        centre = {mode.name: mode.freq_hz for _, mode in self._modes(self.belief.mean)}
        leads = [(E_ALONG, centre[2, 0]), (E_ACROSS, centre[0, 2]), (G, centre[1, 1])]
        low = range(min(len(self.tones), _STARTS_FROM))
        for chosen in {*permutations([*low, -1], 3)}:
            values = self.belief.mean.copy()
            if chosen[0] >= 0:
                values[: G + 1] += 2.0 * (self.logs[chosen[0]] - math.log(leads[0][1]))
            for tone, (which, freq_hz) in zip(chosen[1:], leads[1:], strict=True):
                if tone >= 0:
                    values[which] = self.belief.mean[which] + 2.0 * (self.logs[tone] - math.log(freq_hz))
            if self.belief.chi2(values) < _UNLIKELY:
                yield values

    def _likeness(self, values: Floats) -> float:
        """Return the cost of the best match to the unknowns as they are."""
        modes = self._modes(values)
        return self._match(modes, _WIDE)[0] + self.belief.chi2(values)

    def _matched(self, values: Floats, width: float) -> dict[Key, Tone]:
        modes = self._modes(values)
        return {modes[c][0]: self.tones[h] for h, c in self._match(modes, width)[1]}

    def _match(self, modes: Sequence[tuple[Key, PlateMode]], width: float) -> tuple[float, list[tuple[int, int]]]:
        """Match tones and modes in order of frequency at the least cost; return it, and the pairs."""
        variance = np.array([t.log_sd**2 for t in self.tones]) + NAMING_SD**2 + width**2
        logs = np.log([mode.freq_hz for _, mode in modes])
        pairs = (self.logs[:, None] - logs) ** 2 / variance[:, None] + np.log(2 * math.pi * variance)[:, None]
        pairs += self._against(modes) - 2.0 * math.log(HEARD)
        stranger, missed = -2.0 * math.log(STRANGERS), -2.0 * math.log(1.0 - HEARD)
        lost = np.where(logs < self.logs[-1], missed, 0.0)
        rows, columns = pairs.shape
        cost = np.zeros((rows + 1, columns + 1))
        cost[1:, 0] = stranger * np.arange(1, rows + 1)
        cost[0, 1:] = np.cumsum(lost)
        for r in range(rows):
            for c in range(columns):
                cost[r + 1, c + 1] = min(
                    cost[r, c] + pairs[r, c], cost[r, c + 1] + stranger, cost[r + 1, c] + lost[c]
                )
        return float(cost[-1, -1]), _trace(cost, pairs, stranger)

    def _against(self, modes: Sequence[tuple[Key, PlateMode]]) -> Floats:
        """Return what a pair costs because a word says otherwise."""
        extra = np.zeros((len(self.tones), len(modes)))
        for name, freq_hz in self.aimed.items():
            tone = int(np.argmin(np.abs(self.logs - math.log(freq_hz))))
            said = np.array([mode.name == name for _, mode in modes])
            extra[tone, ~said] += AGAINST_A_WORD
            extra[:, said] += AGAINST_A_WORD
            extra[tone, said] -= AGAINST_A_WORD
        return extra

    def _tried(self, named: dict[Key, Tone], start: Floats, rounds: int) -> _Tried:
        fit = fit_board(
            self.readings,
            named,
            start=start,
            air_kg_m3=self.air_kg_m3,
            degree=_DEGREE,
            rounds=rounds,
            model_sd=NAMING_SD,
        )
        modes = sorted(keyed(fit.modes).items(), key=lambda pair: pair[1].freq_hz)[:MOST_MODES]
        pairs = [
            (self.tones.index(tone), [k for k, _ in modes].index(key))
            for key, tone in named.items()
            if key in dict(modes)
        ]
        against = self._against(modes)
        variance = np.array([t.log_sd**2 + NAMING_SD**2 for t in named.values()])
        below = sum(mode.freq_hz < self.tones[-1].freq_hz for key, mode in modes if key not in named)
        cost = fit.chi2 + float(np.log(2 * math.pi * variance).sum()) - 2.0 * math.log(HEARD) * len(named)
        cost += -2.0 * math.log(STRANGERS) * (len(self.tones) - len(named)) - 2.0 * math.log(1.0 - HEARD) * below
        cost += sum(float(against[pair]) for pair in pairs)
        # What is left open counts, too: a naming that pins down less explains as much by luck.
        unscaled = -float(np.linalg.slogdet(fit.covariance)[1])
        return _Tried(named, fit, cost + unscaled - self.prior_det)


def _trace(cost: Floats, pairs: Floats, stranger: float) -> list[tuple[int, int]]:
    """Return the pairs of the cheapest path."""
    found = []
    r, c = cost.shape[0] - 1, cost.shape[1] - 1
    while r and c:
        if math.isclose(cost[r, c], cost[r - 1, c - 1] + pairs[r - 1, c - 1], rel_tol=0.0, abs_tol=1e-9):
            found.append((r - 1, c - 1))
            r, c = r - 1, c - 1
        elif math.isclose(cost[r, c], cost[r - 1, c] + stranger, rel_tol=0.0, abs_tol=1e-9):
            r -= 1
        else:
            c -= 1
    return found[::-1]
