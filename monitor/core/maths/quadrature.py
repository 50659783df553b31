"""Nodes and weights of Gauss quadrature, by the recurrence of its polynomials (Golub & Welsch 1969).

Mathematics of Computation 23:221-230. What ``numpy.polynomial`` gives is the same, and takes longer to load than all of
these take.
"""

from __future__ import annotations

import numpy as np

from monitor.core.terms.arrays import Values


def nodes_and_weights(middle: Values, beside: Values) -> tuple[Values, Values]:
    """Nodes and weights, these of sum 1, shape (n,), by the coefficients of the orthonormal recurrence: ``middle``,
    shape (n,), and the squares of those ``beside`` them, shape (n - 1,)."""
    root = np.sqrt(beside)
    nodes, vectors = np.linalg.eigh(np.diag(middle) + np.diag(root, 1) + np.diag(root, -1))
    weights = np.square(vectors[0])
    return nodes, weights / weights.sum()


def legendre(n: int) -> tuple[Values, Values]:
    """For the mean over -1 .. 1; weights of sum 1."""
    k = np.arange(1.0, n)
    return nodes_and_weights(np.zeros(n), k**2 / (4.0 * k**2 - 1.0))


def hermite(n: int) -> tuple[Values, Values]:
    """For the mean over a standard normal distribution; weights of sum 1."""
    return nodes_and_weights(np.zeros(n), np.arange(1.0, n))
