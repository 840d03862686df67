r"""Which mode of a board each tone is.

Conventions: a naming gives some tones a mode (by parity and place) and leaves the others as strangers. It is judged
by how probable it makes all that was heard: a mode of the board is heard with the chance :data:`HEARD`, its tone lies
about the fitted frequency with the scatter of the model, and strangers (room, table, overtones of the phone) come at
a rate of :data:`STRANGERS` per unit of ``ln f``. Twice the negative logarithm of that, with the priors of the wood,
is the ``cost`` of a naming; where a word said which mode a recording aimed at, a naming that disagrees costs
:data:`AGAINST_A_WORD` more.

The search starts from a grid of woods: stiffness across and in twist against that along, over what the priors allow,
and for each the stiffness along that shifts all modes alike. The tones are matched to the modes of each in order of
frequency; the starts that match best are fitted, matched again, and fitted again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.wood import priors
from tapbatch.wood.board import AIR_KG_M3, Floats, Name, PlateMode, Wood
from tapbatch.wood.fit import (
    E_ACROSS,
    THICK_ACROSS,
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
from tapbatch.wood.plate import Plates

HEARD = 0.75
"""The chance that a mode of the board is heard (an assumption)."""

STRANGERS = 0.2
"""Tones that are no mode of the board, for each unit of ln f (an assumption)."""

AGAINST_A_WORD = 12.0
"""Cost of a naming that disagrees with a word: less than that of tones that fit no such board."""

CLEARLY_WORSE = 10.0
"""Difference of costs at which a naming is clearly worse: a factor of exp(5), about 150, in probability."""

MOST_TONES = 12
"""How many tones are named, lowest first."""

MOST_MODES = 20
"""How many modes of a board they are matched to, lowest first."""

NAMING_SD = 0.0085
"""Scatter of ln f about the model while names are sought: more than in the fit, so that no tone is lost to it."""

_MOST_STARTS = 30
_REFINED = 8
_SPAN = 2.3  # standard deviations of the priors that the grid covers
_STEP = 0.25  # of ln of a modulus: a tenth of a frequency, from which the fits find their way
_STRANGER, _MISSED = -2.0 * math.log(STRANGERS), -2.0 * math.log(1.0 - HEARD)
_WIDE, _NARROW = 0.04, 0.015  # of ln f: what is allowed for a start that is not fitted yet, and for a rough fit
_APART = 0.02  # of ln of a modulus: namings that are nearer lead to the same figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """The best naming: its fit and its cost.

    ``rivals`` are the fits of those that differ and are not clearly worse. A naming differs if a fitted modulus
    moves by more than :data:`_APART` and by more than its standard error.
    """

    fit: Fit
    cost: float
    rivals: tuple[Fit, ...] = ()

    @property
    def is_clear(self) -> bool:
        """Whether the second-best naming is clearly worse."""
        return not self.rivals


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
    if len(tones) < 2:
        return None
    aimed = aimed or {}
    plates = Plates.about(readings.board, air_kg_m3=air_kg_m3)
    search = _Search(readings, tones, aimed, plates)
    ranked = search.best()
    if not ranked:
        return None
    best = ranked[0]
    fit = fit_board(readings, best.named, start=best.fit.values, plates=plates)
    others = [tried for tried in ranked[1:] if _differs(best, tried)]
    return Naming(
        fit=fit,
        cost=best.cost,
        rivals=tuple(tried.fit for tried in others if tried.cost - best.cost < CLEARLY_WORSE),
    )


def _spread(centre: Floats) -> Iterator[Wood]:
    """Yield woods that span what a board may be."""
    yield wood_of(centre)
    for which, steps in ((E_ACROSS, (-1.2, 0.9)), (G, (-0.6, 0.6)), (THICK_ACROSS, (-1.2,))):
        for step in steps:
            values = centre.copy()
            values[which] += step
            yield wood_of(values)


def _identity(named: Mapping[Key, Tone]) -> frozenset[tuple[Key, float]]:
    return frozenset((key, tone.freq_hz) for key, tone in named.items())


def _differs(one: _Tried, other: _Tried) -> bool:
    """Return whether two namings lead to other figures."""
    apart = np.abs(one.fit.values[:3] - other.fit.values[:3])
    # Where one of them cannot tell a modulus, only what both tell counts.
    errors = np.sqrt(np.minimum(np.diag(one.fit.covariance)[:3], np.diag(other.fit.covariance)[:3]))
    return bool(np.any(apart > np.maximum(_APART, errors)))


class _Search:
    """One search: what was heard, and what is believed."""

    def __init__(
        self, readings: Readings, tones: Sequence[Tone], aimed: Mapping[Name, float], plates: Plates
    ) -> None:
        self.readings, self.tones, self.aimed = readings, tones, aimed
        self.belief = Belief(readings)
        self.plates = plates.near(readings.board, list(_spread(self.belief.mean)))
        self.logs = np.log([t.freq_hz for t in tones])
        # A tone that a word names is no stranger.
        self.stranger = np.full(len(tones), _STRANGER)
        for freq_hz in aimed.values():
            self.stranger[self._nearest(freq_hz)] += AGAINST_A_WORD
        self.prior_det = float(np.linalg.slogdet(self.belief.precision)[1])

    def best(self) -> list[_Tried]:
        """Return the namings that were tried, best first."""
        rough: dict[frozenset[tuple[Key, float]], _Tried] = {}
        for values in self._starts():
            if len(rough) == _MOST_STARTS:
                break
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
        modes = self.plates.modes(board_of(values), wood_of(values), 6)
        of_key = sorted(keyed(modes).items(), key=lambda pair: pair[1].freq_hz)
        return of_key[:MOST_MODES]

    def _starts(self) -> Iterator[Floats]:
        """Yield the woods of the grid, those first that match best."""
        shifts = np.arange(-_SPAN * priors.SPECIFIC_MODULUS.sd, _SPAN * priors.SPECIFIC_MODULUS.sd, _STEP / 2)
        costs, woods = [], []
        for values in self._ratios():
            modes = self._modes(values)
            # All moduli times a factor: all frequencies times its root.
            logs = np.log([mode.freq_hz for _, mode in modes]) + shifts[:, None] / 2.0
            shifted = values + np.outer(shifts, np.arange(10) <= G)
            cost = self._table(logs, self._against(modes), _WIDE)[0][:, -1, -1] + self.belief.chi2(shifted)
            # Of neighbouring shifts the best one stands for all.
            edged = np.concatenate([[math.inf], cost, [math.inf]])
            best = (cost <= edged[:-2]) & (cost < edged[2:])
            costs.append(cost[best])
            woods.append(shifted[best])
        yield from np.concatenate(woods)[np.argsort(np.concatenate(costs), kind="stable")]

    def _ratios(self) -> Iterator[Floats]:
        """Yield woods over what is believed of the two ratios."""
        for across in np.arange(-_SPAN * priors.ACROSS.sd, _SPAN * priors.ACROSS.sd + _STEP, _STEP):
            for twist in np.arange(-_SPAN * priors.TWIST.sd, _SPAN * priors.TWIST.sd + _STEP, _STEP):
                values = self.belief.mean.copy()
                values[E_ACROSS] += across
                values[G] += twist
                yield values

    def _matched(self, values: Floats, width: float) -> dict[Key, Tone]:
        """Match the tones to the modes of a board in order of frequency at the least cost."""
        modes = self._modes(values)
        logs = np.log([mode.freq_hz for _, mode in modes])
        cost, pairs = self._table(logs[None], self._against(modes), width)
        return {modes[c][0]: self.tones[h] for h, c in _trace(cost[0], pairs[0], self.stranger)}

    def _table(self, logs: Floats, against: Floats, width: float) -> tuple[Floats, Floats]:
        """Return the least costs of matching the first tones to the first modes, for several boards at once."""
        variance = np.array([t.log_sd**2 for t in self.tones]) + NAMING_SD**2 + width**2
        pairs = (self.logs[:, None] - logs[:, None, :]) ** 2 / variance[:, None]
        pairs += np.log(2 * math.pi * variance)[:, None] + against - 2.0 * math.log(HEARD)
        lost = np.where(logs < self.logs[-1], _MISSED, 0.0)
        boards, rows, columns = pairs.shape
        cost = np.zeros((boards, rows + 1, columns + 1))
        cost[:, 1:, 0] = np.cumsum(self.stranger)
        cost[:, 0, 1:] = np.cumsum(lost, axis=1)
        for r in range(rows):
            for c in range(columns):
                best = np.minimum(cost[:, r, c] + pairs[:, r, c], cost[:, r, c + 1] + self.stranger[r])
                cost[:, r + 1, c + 1] = np.minimum(best, cost[:, r + 1, c] + lost[:, c])
        return cost, pairs

    def _nearest(self, freq_hz: float) -> int:
        return int(np.argmin(np.abs(self.logs - math.log(freq_hz))))

    def _against(self, modes: Sequence[tuple[Key, PlateMode]]) -> Floats:
        """Return what a pair costs because a word says otherwise."""
        extra = np.zeros((len(self.tones), len(modes)))
        for name, freq_hz in self.aimed.items():
            tone = self._nearest(freq_hz)
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
            plates=self.plates,
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
        strangers = [t not in named.values() for t in self.tones]
        cost += float(self.stranger[strangers].sum()) + _MISSED * below
        cost += sum(float(against[pair]) for pair in pairs)
        # What is left open counts, too: a naming that pins down less explains as much by luck.
        unscaled = -float(np.linalg.slogdet(fit.covariance)[1])
        return _Tried(named, fit, cost + unscaled - self.prior_det)


def _trace(cost: Floats, pairs: Floats, stranger: Floats) -> list[tuple[int, int]]:
    """Return the pairs of the cheapest path."""
    found = []
    r, c = cost.shape[0] - 1, cost.shape[1] - 1
    while r and c:
        if math.isclose(cost[r, c], cost[r - 1, c - 1] + pairs[r - 1, c - 1], rel_tol=0.0, abs_tol=1e-9):
            found.append((r - 1, c - 1))
            r, c = r - 1, c - 1
        elif math.isclose(cost[r, c], cost[r - 1, c] + stranger[r - 1], rel_tol=0.0, abs_tol=1e-9):
            r -= 1
        else:
            c -= 1
    return found[::-1]
