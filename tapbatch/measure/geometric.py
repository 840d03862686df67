"""Sums over damped exponentials in closed form, so that the basis functions are never computed sample by sample.

Conventions: with ``z = exp(lambda)``, ``lambda = (-delta + 2 pi i f)/rate``, a free decay is ``Re(c z**n)``,
``n = 0 .. N-1``.
Every inner product that a least-squares fit of such decays needs is a combination of

    S_p(w) = sum_n n**p w**n,   p = 0, 1, 2,   at  w = z_i z_j  and  w = z_i conj(z_j),

because ``Re(u n**p z_i**n)`` and ``Re(v n**q z_j**n)`` have the inner product
``Re(u v S_{p+q}(z_i z_j) + u conj(v) S_{p+q}(z_i conj(z_j)))/2``. Only the moments
``B_p = sum_n n**p y[n] z**n`` involve the data.

Accuracy: the closed forms divide by ``(1 - w)**(p+1)``. Where ``|1 - w|`` is below 2e-4 (a line that hardly decays),
the sums are built by doubling instead, which avoids cancellation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Float = NDArray[np.float64]

_NEAR_ONE = 2e-4


def power_sums(
    w: Complex, length: int | NDArray[np.intp], tail: Complex | None = None
) -> tuple[Complex, Complex, Complex]:
    """Return ``S_0, S_1, S_2`` at each ``w``.

    Parameters
    ----------
    w
        Any shape, ``|w| <= 1``.
    length
        Number of terms N, at least 1: one for all ``w``, or one for each.
    tail
        ``w**length``, if the caller can compute it faster. Default: computed here.

    Returns
    -------
    tuple
        Three arrays with the shape of ``w``.

    Examples
    --------
    >>> s0, s1, s2 = power_sums(np.array([0.5 + 0j]), 3)
    >>> [float(s[0].real) for s in (s0, s1, s2)]
    [1.75, 1.0, 1.5]
    """
    w = np.asarray(w, dtype=np.complex128)
    gap = 1.0 - w
    near = np.abs(gap) < _NEAR_ONE
    any_near = bool(near.any())
    inverse = 1.0 / (np.where(near, 1.0, gap) if any_near else gap)
    tail = w**length if tail is None else tail
    n = np.asarray(length, dtype=np.float64)
    s0 = (1.0 - tail) * inverse
    # From differences of neighbouring terms: (1-w) S_1 = S_0 - 1 - (N-1) w^N, and likewise for n^2 - (n-1)^2.
    s1 = (s0 - 1.0 - (n - 1.0) * tail) * inverse
    s2 = (2.0 * s1 - s0 + 1.0 - (n - 1.0) ** 2 * tail) * inverse
    if any_near:
        for terms in np.unique(length):
            those = near & (length == terms)
            s0[those], s1[those], s2[those] = _by_doubling(w[those], int(terms))
    return s0, s1, s2


def _by_doubling(w: Complex, length: int) -> tuple[Complex, Complex, Complex]:
    """Sum by ``S(2M) = S(M) + w**M shifted S(M)``; near ``w = 1`` all terms have one sign and nothing cancels."""
    s0, s1, s2 = np.zeros_like(w), np.zeros_like(w), np.zeros_like(w)
    done = 0
    for bit in bin(length)[2:]:
        lift = w**done
        s2 = s2 + lift * (s2 + 2.0 * done * s1 + done**2 * s0)
        s1 = s1 + lift * (s1 + done * s0)
        s0 = s0 * (1.0 + lift)
        done *= 2
        if bit == "1":
            last = w**done
            s0, s1, s2 = s0 + last, s1 + done * last, s2 + done**2 * last
            done += 1
    return s0, s1, s2


class Samples:
    """Samples arranged once, so that moments at any poles cost two small matrix products.

    Parameters
    ----------
    y
        Real samples, shape (N,), N >= 1.

    Notes
    -----
    With ``n = q B + r`` the sum over n splits into a product over r (samples times ``z**r``) and a sum over q, so
    only ``B + N/B`` powers of each pole are needed, not N.

    Examples
    --------
    >>> b0, b1 = Samples(np.array([1.0, 2.0, 3.0])).moments(np.array([0.5 + 0j]))
    >>> float(b0[0].real), float(b1[0].real)
    (2.75, 2.5)
    """

    def __init__(self, y: Float) -> None:
        self.length = len(y)
        self.energy = float(y @ y)
        self._block = max(1, round(self.length**0.5))
        rows = -(-self.length // self._block)
        padded = np.zeros((2, rows * self._block))
        padded[0, : self.length] = y
        padded[1, : self.length] = y * np.arange(self.length)
        self._rows = padded.reshape(2 * rows, self._block)
        self._count = rows

    def moments(self, z: Complex) -> tuple[Complex, Complex]:
        """Return ``B_0`` and ``B_1`` at the poles ``z``, shape (K,)."""
        within = powers(z, self._block)
        across = powers(z**self._block, self._count)
        inner = self._rows @ within.real + 1j * (self._rows @ within.imag)
        outer = inner.reshape(2, self._count, -1) * across
        b0, b1 = outer.sum(axis=1)
        return b0, b1


def powers(z: Complex, count: int) -> Complex:
    """Return ``z**n`` for n = 0 .. count-1, shape (count, K), by doubling, which needs no call of ``exp``.

    Examples
    --------
    >>> powers(np.array([0.5 + 0j]), 3).real.ravel().tolist()
    [1.0, 0.5, 0.25]
    """
    table = np.empty((count, len(z)), dtype=np.complex128)
    table[0] = 1.0
    done = 1
    lift = z.copy()
    while done < count:
        more = min(done, count - done)
        np.multiply(table[:more], lift, out=table[done : done + more])
        lift = lift * lift
        done += more
    return table


def decays(poles: Complex, weights: Complex, length: int) -> Float:
    """Return ``sum_k Re(c_k z_k**n)``, shape (length,).

    Examples
    --------
    >>> decays(np.array([0.5 + 0j]), np.array([2.0 + 0j]), 3).tolist()
    [2.0, 1.0, 0.5]
    """
    block = max(1, round(length**0.5))
    rows = -(-length // block)
    across = powers(poles**block, rows) * weights
    within = powers(poles, block)
    table = across.real @ within.real.T - across.imag @ within.imag.T
    return np.ascontiguousarray(table.reshape(-1)[:length])
