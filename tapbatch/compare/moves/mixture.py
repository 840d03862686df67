"""Sum over all that is not known of a contrast: what moved alike, how far set-ups shift, which modes were cut.

Conventions: ``d_k`` is the difference of mode ``k``, ``v_k`` its own variance, ``v_c`` the one that all share, ``w``
the spread of the set-ups. ``S`` is what all modes moved alike as read, set-up and cut together::

    p(d_k | S, so) = (1 - q) t(d_k - S; v_k + w so^2) + q [N(d_k - S; + 4^2) + N(d_k - S; + 16^2)]/2
    p(S | sc)      = (1 - r) N(S; w sc^2 + v_c)       + r N(S; w sc^2 + v_c + 12^2)

with the chances ``q`` and ``r`` of a cut of a mode's own and of one that all share (figures of frequency). ``q`` has
three values: with a single one of 0.3, a bench whose modes shift unequally was taken for one that was cut, and own
intervals were too narrow. Given ``S``, ``so`` and ``q`` the modes are independent, so the sum is exact on a grid of
11 ``so``, 12 ``sc`` and some 100 ``S``, which lie close where a mode lies and widely elsewhere.

An *own* move is judged against what the other modes say of ``S`` and ``so``: the mode itself is left out. Its
interval is what would not be rejected, so an interval excludes zero exactly if its p-value is below 5 %. The interval
of a model average is not used: in earlier trials it held 82 % where all modes moved.

The distribution function of Student's t is that of Wallace (Ann. Math. Stat. 30, 1959). From four degrees of freedom
on it is off by less than 4 % of a tail of 1 %, on the wide side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.compare.moves.contrast import Contrast
from tapbatch.compare.moves.priors import Floats, Priors, common_grid, own_grid

DROPPED = 1e-3
"""Share of the posterior that may be left out of sums, in the cells of least weight."""

MERGED = 0.3
"""Cells whose ``S`` lie within this part of the least standard deviation of a mode are joined."""

_NEAR = np.array([-4.0, -2.5, -1.5, -0.8, -0.3, 0.3, 0.8, 1.5, 2.5, 4.0])
_FAR = np.array([-64.0, -32.0, -16.0, -8.0, -4.0, 4.0, 8.0, 16.0, 32.0, 64.0])
_COARSE = 33
_GROUPS = np.linspace(-3.5, 3.5, 43)
# Normal deviates of the shares at which groups of cells begin: they are small in the tails, where bounds lie.

LATTICE = 0.75
"""Values of ``S`` lie this far apart at least, in standard deviations of the sharpest posterior of ``S``."""

_LEAST = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of ``(so, S)`` that matter: ``alike`` and ``own_so`` (cells,), ``weights`` (cells, modes).

    ``weights`` of a column are the posterior given all modes but that one; each column adds up to 1. ``so`` (n,) are
    the values of ``own_so``, ``so_shares`` (n, modes) the weights summed over ``S``. ``groups`` (m,) and
    ``group_shares`` (m,) are the posterior of ``S`` given all modes, in some forty groups.
    """

    alike: Floats
    own_so: Floats
    weights: Floats
    so: Floats
    so_shares: Floats
    groups: Floats
    group_shares: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """A contrast, what is believed of set-ups, and the posterior; the distribution functions follow from these.

    ``common_weights`` (12,) are the probabilities of the values of ``sc``; ``stands_odds`` (modes,) are the odds that
    this mode moved, against that all others moved and it stood.
    """

    contrast: Contrast
    priors: Priors
    common_weights: Floats
    cells: Cells
    stands_odds: Floats

    @property
    def common_shift(self) -> float:
        """The expected variance of the set-ups' common shift in a change."""
        sc, _ = common_grid(self.priors)
        return float(self.contrast.common_spread * self.common_weights @ sc**2)

    def own_cdf(self, at: Floats) -> Floats:
        """Return the probability that the own move of each mode is below ``at`` (n, modes); same shape."""
        c = self.contrast
        variance, dof = _with_setups(c, self.cells.own_so)
        z = (at[:, None, :] - c.change + self.cells.alike[:, None]) / np.sqrt(variance)
        return np.asarray((self.cells.weights * t_cdf(z, dof)).sum(axis=1))

    def whole_cdf(self, at: Floats) -> Floats:
        """Return the probability that the whole move of each mode is below ``at`` (n, modes); same shape."""
        c = self.contrast
        sc, _ = common_grid(self.priors)
        variance, _ = _with_setups(c, self.cells.so)
        every = variance[None] + (c.common_spread * sc**2 + c.common_variance)[:, None, None]
        dof = (c.dof * (every / np.maximum(c.variance, 1e-12)) ** 2).reshape(-1, c.change.size)
        weights = (self.common_weights[:, None, None] * self.cells.so_shares[None]).reshape(-1, c.change.size)
        z = (at[:, None, :] - c.change) / np.sqrt(every.reshape(-1, c.change.size))
        return np.asarray((weights * t_cdf(z, dof)).sum(axis=1))

    def common_cdf(self, at: Floats) -> Floats:
        """Return the probability that what all moved alike, set-ups left out, is below ``at`` (n,); same shape."""
        sc, _ = common_grid(self.priors)
        sd = np.sqrt(self.contrast.common_spread * sc**2 + self.contrast.common_variance + 1e-9)
        return self._alike_cdf(at, sd, self.common_weights)

    def alike_cdf(self, at: Floats) -> Floats:
        """Return the same of what all moved alike as read, set-ups in it."""
        return self._alike_cdf(at, np.array([np.sqrt(self.contrast.common_variance + 1e-9)]), np.ones(1))

    def _alike_cdf(self, at: Floats, sd: Floats, weights: Floats) -> Floats:
        from scipy.special import ndtr

        z = (at[:, None, None] - self.cells.groups[:, None]) / sd
        return np.asarray((ndtr(z) @ weights) @ self.cells.group_shares)


def sums_of(contrast: Contrast, priors: Priors, own_weights: Floats, common_weights: Floats) -> Sums:
    """Return the sums over what is not known of a contrast.

    Parameters
    ----------
    contrast : Contrast
        The differences and their errors.
    priors : Priors
        Of the quantity.
    own_weights, common_weights : arrays of float, shapes (11,) and (12,)
        What is believed of ``so`` and ``sc``, from :func:`tapbatch.compare.moves.belief.believe`.
    """
    alike, steps = alike_grid(contrast, priors)
    q, q_prior = np.array(priors.own_shares).T
    found, wide = _densities(contrast, priors, alike, q)
    still, cut = (common_weights @ density for density in _alike_densities(contrast, priors, alike))
    # A share of cut modes is summed out, given all modes and given all but one.
    full = np.log(found).sum(axis=2) + np.log(q_prior)[:, None, None]
    together = _log_sum(full)
    chances = np.exp(full - together)
    base = np.log(own_weights + _LEAST)[:, None] + np.log(steps)
    rest = np.log(sum(c[:, None, :] / p for c, p in zip(chances, found, strict=True)))
    rest += (together + base)[:, None, :]
    others = np.exp(rest - rest.max(axis=(0, 2))[:, None])
    prior = np.maximum((1.0 - priors.common_share) * still + priors.common_share * cut, _LEAST)
    every = together + base + np.log(prior)
    every = np.exp(every - every.max())
    weights = others * prior
    weights /= weights.sum(axis=(0, 2))[:, None]
    cells = _merged(contrast, alike, own_grid(priors)[0], weights, every / every.sum())
    return Sums(
        contrast, priors, common_weights, cells, _odds(contrast, priors, common_weights, others, still, alike, wide)
    )


def log_densities(contrast: Contrast, priors: Priors, alike: Floats, cuts: Floats) -> tuple[Floats, Floats]:
    """Return ``ln p(d_k | S, so, q)`` for shares ``cuts`` of cut modes, and ``p`` of the cut ones.

    The shapes are (cuts, 11, S, modes) and (11, S, modes).
    """
    found, wide = _densities(contrast, priors, alike, cuts)
    return np.log(found).swapaxes(2, 3), wide.swapaxes(1, 2)


def _densities(contrast: Contrast, priors: Priors, alike: Floats, cuts: Floats) -> tuple[Floats, Floats]:
    """Return ``p(d_k | S, so, q)`` and that of the cut modes, shapes (cuts, 11, modes, S) and (11, modes, S)."""
    so, _ = own_grid(priors)
    variance, dof = _with_setups(contrast, so)
    squares = (contrast.change[:, None] - alike) ** 2
    # In place, since most of the time of a comparison is spent here.
    narrow = squares / (dof * variance)[:, :, None]
    narrow += 1.0
    np.log(narrow, out=narrow)
    narrow *= (-0.5 * (dof + 1.0))[:, :, None]
    np.exp(narrow, out=narrow)
    narrow *= _t_scale(variance, dof)[:, :, None]
    wide = np.zeros_like(narrow)
    for cut in priors.own_cuts:
        total = variance + cut * cut
        one = squares * (-0.5 / total)[:, :, None]
        np.exp(one, out=one)
        one *= (0.5 / np.sqrt(2.0 * np.pi * total))[:, :, None]
        wide += one
    found = cuts[:, None, None, None] * (wide - narrow)
    found += narrow
    found += _LEAST
    return found, wide


def alike_grid(contrast: Contrast, priors: Priors) -> tuple[Floats, Floats]:
    """Return the values of ``S``, and the width that each stands for.

    Values lie on a lattice as fine as the posterior of ``S`` needs where set-ups shift modes hardly apart: where they
    lie close they are even, so the sums are nearly exact (the trapezoidal rule).
    """
    d = contrast.change
    so, _ = own_grid(priors)
    sharp = np.sqrt(contrast.variance + contrast.spread * so[1] ** 2)
    usual = np.sqrt(contrast.variance + contrast.spread * so[5] ** 2)
    low, high = min(float(d.min()), 0.0), max(float(d.max()), 0.0)
    unit = priors.own_cuts[0] / 4.0
    points = [
        d,
        (d[:, None] + sharp[:, None] * _NEAR).ravel(),
        (d[:, None] + usual[:, None] * _NEAR[::2]).ravel(),
        np.linspace(low, high, _COARSE),
        low + unit * _FAR[:5],
        high + unit * _FAR[5:],
        usual.min() * _NEAR,
    ]
    step = LATTICE / np.sqrt((1.0 / sharp**2).sum())
    alike = step * np.unique(np.round(np.concatenate(points) / step))
    edges = np.concatenate([alike[:1], 0.5 * (alike[1:] + alike[:-1]), alike[-1:]])
    return alike, np.diff(edges) + 1e-12


def alike_given_common(contrast: Contrast, priors: Priors, alike: Floats, cuts: float) -> Floats:
    """Return ``p(S | sc)`` if all modes are cut alike with the chance ``cuts``, shape (12, S)."""
    still, cut = _alike_densities(contrast, priors, alike)
    return np.asarray((1.0 - cuts) * still + cuts * cut)


def t_cdf(z: Floats, dof: Floats) -> Floats:
    """Return the distribution function of Student's t, by Wallace's approximation.

    Examples
    --------
    >>> t_cdf(np.array([-2.306]), np.array([8.0])).round(4)
    array([0.0251])
    """
    from scipy.special import ndtr

    n = np.minimum(dof, 1e6)
    return np.asarray(ndtr(np.sign(z) * (8.0 * n + 1.0) / (8.0 * n + 3.0) * np.sqrt(n * np.log1p(z * z / n))))


# ----------------------------------------------------------------- parts


def _with_setups(contrast: Contrast, so: Floats) -> tuple[Floats, Floats]:
    """Return the own variance of each mode with its set-ups in it, and its degrees of freedom; both (so, modes)."""
    variance = contrast.variance + contrast.spread * so[:, None] ** 2
    return variance, np.minimum(contrast.dof * (variance / np.maximum(contrast.variance, 1e-12)) ** 2, 1e6)


def _t_scale(variance: Floats, dof: Floats) -> Floats:
    from scipy.special import gammaln

    n = np.minimum(dof, 1e6)
    return np.asarray(np.exp(gammaln(0.5 * (n + 1.0)) - gammaln(0.5 * n)) / np.sqrt(np.pi * n * variance))


def _normal_density(squares: Floats, variance: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * squares / variance) / np.sqrt(2.0 * np.pi * variance))


def _alike_densities(contrast: Contrast, priors: Priors, alike: Floats) -> tuple[Floats, Floats]:
    sc, _ = common_grid(priors)
    variance = (contrast.common_spread * sc**2 + contrast.common_variance + 1e-9)[:, None]
    return _normal_density(alike**2, variance), _normal_density(alike**2, variance + priors.common_cut**2)


def _log_sum(logs: Floats) -> Floats:
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


def _merged(contrast: Contrast, alike: Floats, so: Floats, weights: Floats, every: Floats) -> Cells:
    """Return the cells that matter: those of hardly any weight dropped, close ones of one ``so`` joined."""
    most = np.maximum(weights.max(axis=1), every)
    flat = np.sort(most.ravel())
    keep = most >= flat[min(int(np.searchsorted(np.cumsum(flat), DROPPED)), flat.size - 1)]
    width = MERGED * np.sqrt(contrast.variance.min() + contrast.spread * so**2)
    bins = np.floor((alike - alike[0]) / width[:, None])
    row, column = np.nonzero(keep)
    key = bins[row, column]
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(key) != 0) | (np.diff(row) != 0)]))
    chosen, together = weights[row, :, column], every[row, column]
    heaviest = most[row, column]
    middle = np.add.reduceat(heaviest * alike[column], starts) / np.add.reduceat(heaviest, starts)
    joined = np.add.reduceat(chosen, starts, axis=0)
    joined /= joined.sum(axis=0)
    own_so = row[starts]
    of_so = np.flatnonzero(np.diff(own_so, prepend=-1))
    groups, shares = _grouped(middle, np.add.reduceat(together, starts))
    return Cells(
        middle, so[own_so], joined, so[own_so[of_so]], np.add.reduceat(joined, of_so, axis=0), groups, shares
    )


def _grouped(alike: Floats, together: Floats) -> tuple[Floats, Floats]:
    """Return the means and shares of some forty groups of cells, which are as good as all cells."""
    from scipy.special import ndtr

    order = np.argsort(alike, kind="stable")
    at, shares = alike[order], together[order] / together.sum()
    starts = np.unique(np.searchsorted(np.cumsum(shares), ndtr(_GROUPS)))
    starts = np.concatenate([[0], starts[(starts > 0) & (starts < len(at))]])
    of_group = np.add.reduceat(shares, starts)
    return np.add.reduceat(shares * at, starts) / np.maximum(of_group, 1e-300), of_group


def _odds(
    contrast: Contrast,
    priors: Priors,
    common_weights: Floats,
    others: Floats,
    still: Floats,
    alike: Floats,
    wide: Floats,
) -> Floats:
    """Return the odds that a mode moved beside others that stood, against those that it stood while they moved.

    ``others`` (11, modes, S) is what the other modes tell, ``still`` (S,) the density of ``S`` if none was cut alike.
    """
    so, _ = own_grid(priors)
    sc, _ = common_grid(priors)
    variance, _ = _with_setups(contrast, so)
    moved = (others * wide).sum(axis=0) @ still
    stays = variance[:, None, :] + (contrast.common_spread * sc**2 + contrast.common_variance)[None, :, None]
    stood = np.einsum("c,ock->ok", common_weights, _normal_density(contrast.change**2, stays))
    apart = (alike - contrast.change[:, None]) ** 2
    others_cut = _normal_density(apart, (priors.common_cut**2 + contrast.variance)[:, None])
    parted = ((others * stood[:, :, None]).sum(axis=0) * others_cut).sum(axis=1)
    before = (1.0 - priors.common_share) / priors.common_share
    return np.asarray(before * moved / np.maximum(parted, _LEAST))
