"""Vectors made of named arrays, and the two-loop recursion of limited-memory quasi-Newton methods on them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from recon.backend import Array, array_module

# One array for each unknown; arrays of a block may lie on the host or on a card.
Blocks = dict[str, Array]


def dot(a: Blocks, b: Blocks) -> float:
    """Real inner product, ``Σ Re a* b``, summed in double precision."""
    total = 0.0
    for name, one in a.items():
        xp = array_module(one)
        total += float((one.conj() * b[name]).real.sum(dtype=xp.float64))
    return total


def combine(a: Blocks, factor: float, b: Blocks) -> Blocks:
    """Return ``a + factor b``."""
    return {name: one + b[name] * one.dtype.type(factor) for name, one in a.items()}


def quasi_newton(descent: Blocks, pairs: Iterable[tuple[Blocks, Blocks]], scaled: Callable[[Blocks], Blocks]) -> Blocks:
    """Return ``H g``: the descent direction g times an inverse Hessian from pairs of steps.

    Parameters
    ----------
    descent
        g, minus the gradient.
    pairs
        ``(s, y)``: steps and the rises of the gradient along them, oldest first; ``<s, y> > 0``.
    scaled
        First guess of the inverse Hessian, applied to a vector; a factor is found from the last pair.

    Source: Nocedal & Wright, Numerical Optimization, algorithm 7.4 and equation 7.20 (from memory).
    """
    pairs, q, weights = list(pairs), descent, []
    curvatures = [dot(s, y) for s, y in pairs]
    for (s, y), curvature in zip(reversed(pairs), reversed(curvatures), strict=True):
        weights.append(dot(s, q) / curvature)
        q = combine(q, -weights[-1], y)
    r = scaled(q)
    if pairs:
        y = pairs[-1][1]
        factor = curvatures[-1] / dot(y, scaled(y))
        r = {name: one * one.dtype.type(factor) for name, one in r.items()}
    for (s, y), curvature, weight in zip(pairs, curvatures, reversed(weights), strict=True):
        r = combine(r, weight - dot(y, r) / curvature, s)
    return r


def stored(memory: dict[str, Array], prefix: str) -> Blocks:
    """Return the blocks that `store` put under a prefix; empty where there are none."""
    return {name.removeprefix(prefix): one for name, one in memory.items() if name.startswith(prefix)}


def store(memory: dict[str, Array], prefix: str, blocks: Blocks) -> None:
    """Put blocks into a solver's memory, one array a name, in place of those under the same prefix."""
    for name in [name for name in memory if name.startswith(prefix)]:
        del memory[name]
    memory.update({prefix + name: one for name, one in blocks.items()})
