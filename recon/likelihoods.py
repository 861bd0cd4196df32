"""Likelihoods: what a frame's counts say about the expected ones. Pure functions of arrays.

Each is a loss ``f(e)`` a pixel of the expected counts e at counts I, with its slope df/de; minus the logarithm
of a probability up to a constant of the counts, so that all have the same curvature where counts are many.
Thibault & Guizar-Sicairos, New J. Phys. 14 (2012) 063004, doi:10.1088/1367-2630/14/6/063004 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from recon.backend import Array, array_module
from recon.physics import NO_COUNTS
from scans.errors import InputError

# Added to expected and measured counts alike: a pixel expected to be darker than this says nothing, so that slopes
# stay finite; and the right model stays right.
DARK = 3e-4
# Anscombe, Biometrika 35 (1948) 246, doi:10.1093/biomet/35.3-4.246 (from memory).
ANSCOMBE = 0.375


class Likelihood(Protocol):
    """Loss of expected counts."""

    def loss(self, expected: Array, counts: Array) -> Array:
        """``f`` of each pixel."""
        ...

    def slope(self, expected: Array, counts: Array) -> Array:
        """``df/de`` of each pixel."""
        ...


@dataclass(frozen=True)
class Poisson:
    """``f = e - I + (I + c) ln[(I + c)/(e + c)]``, half the deviance where e is well above c: counted photons.

    With read noise of variance s² both get s² added (shifted Poisson), which keeps mean and variance right.

    Parameters
    ----------
    offset
        c [counts]: `DARK` and s².
    """

    offset: float = DARK

    def loss(self, expected: Array, counts: Array) -> Array:
        """``f``."""
        e, seen = self._shifted(expected, counts)
        xp = array_module(expected)
        return e - seen + seen * xp.log(xp.where(seen > NO_COUNTS, seen / e, 1))

    def slope(self, expected: Array, counts: Array) -> Array:
        """``1 - (I + c)/(e + c)``."""
        e, seen = self._shifted(expected, counts)
        return 1 - seen / e

    def _shifted(self, expected: Array, counts: Array) -> tuple[Array, Array]:
        return expected + self.offset, array_module(counts).maximum(counts + self.offset, 0)


@dataclass(frozen=True)
class RootCounts:
    """``f = 2 (√(e + c) - √(I + c))²``: counts whose root has the variance 1/4, whatever their mean.

    Parameters
    ----------
    offset
        c [counts]: near 0 for amplitudes, 3/8 + s² for Anscombe's variance-stabilised counts with read noise s.
    """

    offset: float = ANSCOMBE

    def loss(self, expected: Array, counts: Array) -> Array:
        """``f``."""
        xp = array_module(expected)
        return 2 * (xp.sqrt(expected + self.offset) - self._root(counts)) ** 2

    def slope(self, expected: Array, counts: Array) -> Array:
        """``2 (1 - √((I + c)/(e + c)))``."""
        xp = array_module(expected)
        return 2 - 2 * self._root(counts) / xp.sqrt(expected + self.offset)

    def _root(self, counts: Array) -> Array:
        xp = array_module(counts)
        return xp.sqrt(xp.maximum(counts + self.offset, 0))


@dataclass(frozen=True)
class Gaussian:
    """``f = (e - I)² / 2(max(I, 0) + 1 + s²)``: normal noise of the variance that the counts themselves suggest.

    Parameters
    ----------
    read_variance
        s² [counts²].
    """

    read_variance: float = 0.0

    def loss(self, expected: Array, counts: Array) -> Array:
        """``f``."""
        return 0.5 * (expected - counts) * self.slope(expected, counts)

    def slope(self, expected: Array, counts: Array) -> Array:
        """``(e - I) / (max(I, 0) + 1 + s²)``."""
        xp = array_module(expected)
        return (expected - counts) / (xp.maximum(counts, 0) + 1 + self.read_variance)


LIKELIHOODS = ("poisson", "anscombe", "amplitude", "gaussian")


def make_likelihood(name: str, read_noise: float = 0.0) -> Likelihood:
    """Return the likelihood of this name for frames of this read noise [rms counts].

    Raises
    ------
    InputError
        For an unknown name.
    """
    variance = float(read_noise) ** 2  # a NumPy number would turn single precision into double
    if name == "poisson":
        return Poisson(variance + DARK)
    if name == "gaussian":
        return Gaussian(variance)
    if name in ("anscombe", "amplitude"):
        return RootCounts(variance + (ANSCOMBE if name == "anscombe" else DARK))
    raise InputError(
        f"unknown likelihood {name!r}",
        where="recipe, key likelihood",
        expected="one of " + ", ".join(LIKELIHOODS),
        fix="Use one of these.",
    )
