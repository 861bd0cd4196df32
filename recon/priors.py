"""Penalties on the object: what is believed of it before any frame is seen. Added to the loss of a likelihood.

All act on each slice by itself, over the last two axes, and run where the object lies. Their strength μ is in the
unit of the loss a square unit of transmission: μ weighs on a pixel like μ counts of illumination ``Σ_j |P_j|²``.
An image with a penalty in it is smoother than the data say: never estimate a resolution from one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Protocol

from recon.backend import Array, array_module, fft2, ifft2
from recon.recipe_keys import nearest
from scans.errors import InputError

# Beyond this spatial frequency [cycles/pixel] a square grid has none.
_CORNER = 0.5**0.5


# What a recipe says where there is none, and the prior that needs an area.
NO_PRIOR, EMPTY_AREA = "none", "empty_area"


class Prior(Protocol):
    """Penalty R of an object ``(H, W)`` or ``(S, H, W)``, complex."""

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R, float64, and ``-∂R/∂O*`` as the object: a step dO changes R by ``-2 Re<descent, dO>``."""
        ...

    def curvature(self, object_: Array) -> Array:
        """Diagonal scale ``(H, W)`` or ``(S, H, W)``, real, that compares with the illumination ``Σ_j |P_j|²``."""
        ...

    def parabola(self, object_: Array) -> Callable[[Array], Array]:
        """Return the linear map A of a parabola near R: a step dO changes R by ``-2 Re<descent, dO> + <dO, A dO>``."""
        ...


@dataclass(frozen=True)
class Penalty:
    """What the penalties share.

    Parameters
    ----------
    strength
        μ [counts], 0 and more.
    weight
        ``(H, W)`` real or bool, 0 and more, on the object's device: how much each pixel is penalised; a
        difference of two pixels has the weight of the upper or left one. None: all alike.
    """

    strength: float
    weight: Array | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name == "weight":
                continue
            # a NumPy float64 would turn complex64 objects into complex128
            object.__setattr__(self, field.name, float(value))
            if not 0 <= value < float("inf"):
                raise InputError(
                    f"{value:g}",
                    where=f"prior, {field.name}",
                    expected="a finite number, 0 or more",
                    fix="Give such a number.",
                )
        self._check_weight()

    def curvature(self, object_: Array) -> Array:
        """As `Prior.curvature`."""
        raise NotImplementedError

    def parabola(self, object_: Array) -> Callable[[Array], Array]:
        """Return the diagonal of `curvature` as a map, where a penalty has nothing better."""
        scale = self.curvature(object_)
        return lambda step: scale * step

    def _check_weight(self) -> None:
        weight = self.weight
        if weight is None:
            return
        if weight.ndim != 2 or not 0 <= weight.min() <= weight.max() < float("inf") or not weight.any():
            raise InputError(
                f"array of shape {weight.shape}, {float(weight.min()):g} to {float(weight.max()):g}",
                where="prior, weight",
                expected="(rows, columns) of the object, finite, 0 and more, not all 0",
                fix="Mark the pixels that the prior is meant for.",
            )

    def _weights(self, object_: Array) -> Array:
        """``(H, W)`` in the object's real precision."""
        xp, real = array_module(object_), object_.real.dtype
        if self.weight is None:
            return xp.ones(object_.shape[-2:], real)
        if self.weight.shape != object_.shape[-2:]:
            raise InputError(
                f"array of shape {self.weight.shape}",
                where="prior, weight",
                expected=f"shape {object_.shape[-2:]}, as the object",
                fix="Make it on the object's grid.",
            )
        return self.weight.astype(real)


@dataclass(frozen=True)
class Gradient(Penalty):
    """``R = μ Σ w (|D_y O|² + |D_x O|²)``, D differences to the next row and column: a smooth object.

    Tikhonov's penalty. It pulls all frequencies down by ``μ |2 sin(πf)|²`` against the illumination. Thibault &
    Guizar-Sicairos, New J. Phys. 14 (2012) 063004, doi:10.1088/1367-2630/14/6/063004 (from memory).
    """

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R and ``-∂R/∂O* = μ Σ w (neighbour - O)`` over the neighbours."""
        weights = self.strength * self._weights(object_)
        steps = _differences(object_)
        loss = (weights * (_power(steps[0]) + _power(steps[1]))).sum(dtype="float64")
        for step in steps:
            step *= weights
        return loss, _minus_adjoint(*steps)

    def curvature(self, object_: Array) -> Array:
        """Diagonal of the quadratic form: μ times the number of neighbours. Twice this is an upper bound."""
        weights = self.strength * self._weights(object_)
        return _as_object(_at_both_ends(weights), object_)

    def parabola(self, object_: Array) -> Callable[[Array], Array]:
        """R is one: A is the quadratic form itself."""
        return lambda step: -self.loss_and_descent(step)[1]


@dataclass(frozen=True)
class TotalVariation(Penalty):
    """``R = μ Σ w (√(|D_y O|² + |D_x O|² + ε²) - ε)``: few edges, of any height.

    Rudin, Osher & Fatemi, Physica D 60 (1992) 259, doi:10.1016/0167-2789(92)90242-F; smoothed as by Acar & Vogel,
    Inverse Problems 10 (1994) 1217 (both from memory). ε is taken off so that a flat object costs nothing.

    Parameters
    ----------
    epsilon
        ε [unit of the transmission]: steps far below it are smoothed like a `Gradient` of strength μ/2ε, steps
        far above it cost their height only.
    """

    epsilon: float = 0.01

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_inside("epsilon", self.epsilon, float("inf"))

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R and ``-∂R/∂O*``."""
        weights = self.strength * self._weights(object_)
        steps = _differences(object_)
        square = _power(steps[0]) + _power(steps[1])
        slope = self._slope(square)
        # |D|²/(s + ε) is s - ε without its cancellation
        loss = (weights * square / (slope + self.epsilon)).sum(dtype="float64")
        for step in steps:
            step *= 0.5 * weights / slope
        return loss, _minus_adjoint(*steps)

    def curvature(self, object_: Array) -> Array:
        """Diagonal of the parabola that touches R here and lies above it: `Gradient` with weights ``w/2s``."""
        weights = self.strength * self._weights(object_)
        steps = _differences(object_)
        return _at_both_ends(0.5 * weights / self._slope(_power(steps[0]) + _power(steps[1])))

    def parabola(self, object_: Array) -> Callable[[Array], Array]:
        """Return the parabola that touches R here and lies above it: `Gradient` with weights ``w/2s``."""
        steps = _differences(object_)
        slope = self._slope(_power(steps[0]) + _power(steps[1]))
        weights = 0.5 * self.strength * self._weights(object_) / slope

        def along(step: Array) -> Array:
            down, right = _differences(step)
            return -_minus_adjoint(weights * down, weights * right)

        return along

    def _slope(self, square: Array) -> Array:
        return array_module(square).sqrt(square + self.epsilon**2)


@dataclass(frozen=True)
class Magnitude(Penalty):
    """``R = μ Σ w max(|O| - limit, 0)²``: matter does not amplify.

    A soft bound, as a quadratic penalty of an inequality (Nocedal & Wright, Numerical Optimization, ch. 17, from
    memory). It means something only where the probe's power is known: else the scale between probe and object is
    free, and the bound settles it. Noise around the limit is pushed down with it.

    Parameters
    ----------
    limit
        Greatest modulus of the transmission that costs nothing, above 0; 1 for matter in vacuum.
    """

    limit: float = 1.0

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_inside("limit", self.limit, float("inf"))

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R and ``-∂R/∂O* = -μ w (1 - limit/|O|) O`` above the limit."""
        xp = array_module(object_)
        weights = self.strength * self._weights(object_)
        size = xp.abs(object_)
        excess = 1 - self.limit / xp.maximum(size, self.limit)
        loss = (weights * (size * excess) ** 2).sum(dtype="float64")
        return loss, -(weights * excess) * object_

    def curvature(self, object_: Array) -> Array:
        """``μ w`` above the limit, an upper bound (that of the radius); 0 below."""
        above = array_module(object_).abs(object_) > self.limit
        return self.strength * self._weights(object_) * above


@dataclass(frozen=True)
class HighFrequency(Penalty):
    """``R = μ Σ |O^(f)|²`` over the spatial frequencies ``|f| > radius``, unitary transform: nothing unmeasured.

    A pixel grid holds frequencies in its corners that a round pupil or detector does not measure as well as the
    others; without a penalty they keep the noise that they are given. The object counts as periodic: opposite
    edges that differ have such frequencies too. Tikhonov's penalty with a high-pass for its operator. Takes no
    weight.

    Parameters
    ----------
    radius
        [cycles/pixel], above 0 and below 0.7071, where the corners end.
    """

    radius: float = 0.5

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_inside("radius", self.radius, _CORNER)
        if self.weight is not None:
            raise InputError(
                "a weight for each pixel",
                where="prior high_frequency, weight",
                expected="none: frequencies have no place",
                fix="Leave it out.",
            )

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R and ``-∂R/∂O*``: minus μ times the object's high frequencies."""
        spectrum = fft2(object_.copy()) * self._beyond(object_)
        loss = self.strength * _power(spectrum).sum(dtype="float64")
        return loss, -self.strength * ifft2(spectrum)

    def curvature(self, object_: Array) -> Array:
        """μ: an upper bound; the mean over all frequencies is their share beyond the radius."""
        return _as_object(self.strength * self._weights(object_), object_)

    def parabola(self, object_: Array) -> Callable[[Array], Array]:
        """R is one: A is the quadratic form itself."""
        return lambda step: -self.loss_and_descent(step)[1]

    def _beyond(self, object_: Array) -> Array:
        xp = array_module(object_)
        fy, fx = (xp.fft.fftfreq(n) for n in object_.shape[-2:])
        return xp.hypot(fy[:, None], fx[None, :]) > self.radius


@dataclass(frozen=True)
class EmptyArea(Penalty):
    """``R = μ Σ w |O - c|²``, c the weighted mean of O: nothing but a constant where there is no sample.

    The weight is the area, and has to be given. The constant is free, so the penalty leaves scale and phase of
    the object alone and takes away its phase ramp. With c at its best value the rest is the weighted variance
    (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, from memory).
    """

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.weight is None:
            raise InputError(
                "no area",
                where=f"prior {EMPTY_AREA}, weight",
                expected="the pixels (rows, columns) without sample",
                fix="Mark the empty area (recipe, object.empty_area_m), or use another prior.",
            )

    def loss_and_descent(self, object_: Array) -> tuple[Array, Array]:
        """R and ``-∂R/∂O* = -μ w (O - c)``: c moves with O, but R is least in it."""
        weights = self._weights(object_)
        mean = (weights * object_).sum(axis=(-2, -1), dtype="complex128", keepdims=True) / weights.sum(dtype="float64")
        rest = object_ - mean.astype(object_.dtype)
        loss = self.strength * (weights * _power(rest)).sum(dtype="float64")
        rest *= -self.strength * weights
        return loss, rest

    def curvature(self, object_: Array) -> Array:
        """``μ w``: an upper bound; the diagonal is ``μ w (1 - w/Σw)``."""
        return _as_object(self.strength * self._weights(object_), object_)


PRIORS: dict[str, Callable[..., Prior]] = {
    "gradient": Gradient,
    "total_variation": TotalVariation,
    "magnitude": Magnitude,
    "high_frequency": HighFrequency,
    EMPTY_AREA: EmptyArea,
}


def make_prior(name: str, strength: float, weight: Array | None = None) -> Prior:
    """Return the prior of this name, its other parameters at their defaults.

    Parameters
    ----------
    strength
        μ [counts].
    weight
        As `Penalty`: the area of "empty_area", none for "high_frequency".

    Raises
    ------
    InputError
        For an unknown name, a negative strength or a weight that does not fit.
    """
    if name not in PRIORS:
        raise InputError(
            f'unknown prior "{name}"',
            where="recipe, key prior",
            expected="one of " + ", ".join(PRIORS),
            fix=f'The nearest is "{nearest(name, PRIORS)}".',
        )
    return PRIORS[name](strength, weight)


def _check_inside(name: str, value: float, end: float) -> None:
    if not 0 < value < end:
        raise InputError(
            f"{value:g}",
            where=f"prior, {name}",
            expected="above 0" + (f" and below {end:.4g}" if end < float("inf") else ""),
            fix="Give such a number.",
        )


def _power(values: Array) -> Array:
    return values.real**2 + values.imag**2


def _differences(object_: Array) -> list[Array]:
    """``D_y O`` and ``D_x O``: next row or column minus this one; 0 in the last."""
    xp = array_module(object_)
    down, right = xp.zeros_like(object_), xp.zeros_like(object_)
    down[..., :-1, :] = object_[..., 1:, :] - object_[..., :-1, :]
    right[..., :-1] = object_[..., 1:] - object_[..., :-1]
    return [down, right]


def _minus_adjoint(down: Array, right: Array) -> Array:
    """``-D_y' down - D_x' right``: each pixel's own value minus that of the pixel before."""
    out = down + right
    out[..., 1:, :] -= down[..., :-1, :]
    out[..., 1:] -= right[..., :-1]
    return out


def _at_both_ends(weights: Array) -> Array:
    """Sum of the weights of all differences that each pixel takes part in."""
    down, right = weights.copy(), weights.copy()
    down[..., -1, :] = 0
    right[..., -1] = 0
    out = down + right
    out[..., 1:, :] += down[..., :-1, :]
    out[..., 1:] += right[..., :-1]
    return out


def _as_object(plane: Array, object_: Array) -> Array:
    """Own copy of ``(H, W)`` for every slice."""
    return array_module(object_).broadcast_to(plane, object_.shape).copy()
