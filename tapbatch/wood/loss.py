r"""Loss factors along the grain, across it and in twist, from the decay of the modes.

Conventions: the loss factor of a mode is that of its parts, each weighed with its share of the elastic energy
(McIntyre and Woodhouse, Acta Acustica 1988): ``eta = sum share_i eta_i``. The shear through the thickness is taken
to lose as much as the twist, and the coupling of along and across the mean of the two. With T60 in seconds,
``eta = 2.199 / (f T60)``. Least squares of logarithms that allow no negative loss (Lawson and Hanson) find them.

Fingers, foam or a string that holds the board take energy from some modes and never give any back. So the modes that
lose least are found first, with those above them given little weight, and modes that lose far more are left out.

It breaks down where the hold damps all modes, and near coincidence, where sound carries energy off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.model.reading import LN_1000
from tapbatch.model.wood import Figure
from tapbatch.wood import priors
from tapbatch.wood.board import Floats, PlateMode
from tapbatch.wood.fit import Z_95, Fit

LOSS_OF_T60 = LN_1000 / math.pi
"""Loss factor times frequency times T60, 2.199."""

WIDEST = 0.35
"""Half of an interval, as a part of the value, beyond which a loss factor is not told."""

_ROUNDS = 8
_LIGHT = 0.3  # weight of a mode that loses more than the others suggest, while the clean ones are sought
_LEAST = 1e-6  # keeps logarithms finite
_HELD = 3.0  # standard errors beyond which the hold is taken to damp a mode


@dataclass(frozen=True, slots=True)
class Losses:
    """The three loss factors, ``None`` where the modes do not tell one."""

    along: Figure | None = None
    across: Figure | None = None
    twist: Figure | None = None


def parts_of(mode: PlateMode) -> Floats:
    """Return the shares of a mode's energy that lose as along, across and twist do."""
    along, coupling, across, twist, shear_along, shear_across = mode.shares
    return np.array([along + coupling / 2.0, across + coupling / 2.0, twist + shear_along + shear_across])


def fit_losses(fit: Fit) -> Losses:
    """Return the loss factors from the modes of a fit whose decay is known."""
    known = [(parts_of(fit.mode_of(k)), t.loss, t.loss_log_sd) for k, t in fit.named.items() if t.loss is not None]
    return losses_of(known)


def losses_of(known: Sequence[tuple[Floats, float, float]]) -> Losses:
    """Return the loss factors from (shares, loss factor, error of its logarithm) of some modes.

    Examples
    --------
    Three modes, each purely of one kind:

    >>> found = losses_of([(part, eta, 0.01) for part, eta in zip(np.eye(3), (0.006, 0.02, 0.016))])
    >>> [round(figure.value, 4) for figure in (found.along, found.across, found.twist)]
    [0.006, 0.02, 0.016]
    """
    if len(known) < 2:
        return Losses()
    parts = np.array([part for part, _, _ in known])
    loss = np.array([eta for _, eta, _ in known])
    log_sd = np.hypot([each for _, _, each in known], priors.LOSS_SD)
    found = np.array(priors.LOSSES)
    weights = np.ones(len(known))
    for _ in range(_ROUNDS):
        found = _nearer(parts, loss, log_sd / weights, found)
        weights = np.where(loss > parts @ found, _LIGHT, 1.0)
    clean = np.log(loss / _said(parts, found)) / log_sd < _HELD
    if clean.sum() < 2:
        return Losses()
    parts, loss, log_sd = parts[clean], loss[clean], log_sd[clean]
    for _ in range(_ROUNDS):
        found = _nearer(parts, loss, log_sd, found)
    said = _said(parts, found)
    sd, residual = log_sd * said, np.log(loss / said) / log_sd
    dof = priors.MODEL_DOF + max(len(loss) - 3, 0)
    scale = max((priors.MODEL_DOF + float(residual @ residual)) / dof, 1.0)
    believed = np.diag(1.0 / (priors.LOSSES_SD * np.array(priors.LOSSES)) ** 2)
    normal = (parts / sd[:, None]).T @ (parts / sd[:, None]) + believed
    errors = np.sqrt(np.diag(np.linalg.inv(normal)) * scale) * Z_95
    return Losses(*(_figure(float(v), float(e)) for v, e in zip(found, errors, strict=True)))


def _nearer(parts: Floats, loss: Floats, log_sd: Floats, found: Floats) -> Floats:
    """Return the three loss factors after one more step of Gauss and Newton's method.

    Errors are in proportion to the loss, so logarithms are compared. If the readings themselves said how sure they
    are, those that happen to be low would count more: at an error of 10 %, loss factors would be 1.5 % low.
    """
    said = _said(parts, found)
    return _fitted(parts, said * (1.0 + np.clip(np.log(loss / said), -1.0, 1.0)), log_sd * said)


def _said(parts: Floats, found: Floats) -> Floats:
    return np.asarray(np.maximum(parts @ found, _LEAST))


def _fitted(parts: Floats, loss: Floats, sd: Floats) -> Floats:
    """Return the three loss factors that fit best.

    What is believed before is so wide that no loss factor is told from it alone; it keeps what no mode shows small.
    """
    from scipy.optimize import nnls

    believed = np.array(priors.LOSSES)
    errors = np.concatenate([sd, priors.LOSSES_SD * believed])
    found, _ = nnls(np.vstack([parts, np.eye(3)]) / errors[:, None], np.concatenate([loss, believed]) / errors)
    return np.asarray(found)


def _figure(value: float, half: float) -> Figure | None:
    if value <= 0.0 or half > WIDEST * value:
        return None
    return Figure(value, value * math.exp(-half / value), value * math.exp(half / value))
