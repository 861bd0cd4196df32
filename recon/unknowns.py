"""The unknowns of a run as blocks of numbers, and minus the slopes of the loss by them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.backend import array_module, ifft2, to_host
from recon.blocks import Blocks
from recon.gradients import GradientSums
from recon.state import State
from scans.errors import InputError

# Words of a recipe, and the fields of the state that they stand for.
WORDS = {
    "positions": ("positions_px",),
    "background": ("background",),
    "intensity": ("intensity",),
    "variation": ("variation", "coefficients"),
    "probes": ("variation",),
    "offsets": (),
    "depths": ("depths_m",),
}


def unknowns(words: str) -> tuple[str, ...]:
    """Return the fields of the state that `words`, parted by blanks, stand for.

    Raises
    ------
    InputError
        For a word that is none of `WORDS`.
    """
    for word in words.split():
        if word not in WORDS:
            raise InputError(
                f"{word!r}",
                where="recipe, key refine",
                expected="words of: " + ", ".join(WORDS),
                fix='Write e.g. refine = "positions background".',
            )
    return tuple(name for word in WORDS if word in words.split() for name in WORDS[word])


def values(state: State, names: tuple[str, ...]) -> Blocks:
    """Values of the unknowns; the intensity as its logarithm. Arrays of the state, not copies."""
    of = {name: getattr(state, name) for name in names}
    return of | ({"intensity": np.log(of["intensity"])} if "intensity" in of else {})


def set_values(state: State, blocks: Blocks) -> None:
    """Inverse of `values`; a background stays at 0 or above."""
    for name, value in blocks.items():
        if name == "intensity":
            state.intensity = np.exp(value)
        elif name == "positions_px":
            state.positions_px = within_object(value, state)
        elif name == "background":
            state.background = array_module(value).maximum(value, 0)
        else:
            setattr(state, name, value)


def within_object(positions_px: NDArray[np.float64], state: State) -> NDArray[np.float64]:
    """Return positions ``(J, 2)`` kept where a frame lies inside the object."""
    size, shape = state.probe.shape[-1], state.object_.shape[-2:]
    first = size // 2
    return np.clip(positions_px, first, np.array(shape) - size + first)


def descent_of(sums: GradientSums, state: State, names: tuple[str, ...]) -> Blocks:
    """Minus the gradient of the loss by each unknown, as real numbers (a complex one counts as two)."""
    of = {
        "object_": lambda: 2 * sums.object_numerator,
        "probe": lambda: 2 * sums.probe_step(),
        "positions_px": lambda: to_host(sums.position),
        "background": lambda: sums.background,
        "intensity": lambda: to_host(sums.intensity),
        "variation": lambda: 2 * ifft2(sums.variation.copy()),
        "coefficients": lambda: 2 * to_host(sums.coefficients),
        "depths_m": lambda: to_host(sums.depth),
    }
    found = {name: of[name]() for name in names}
    if "background" in found and state.background is not None:  # where it is 0 and would fall, it stays
        still = (state.background <= 0) & (found["background"] < 0)
        found["background"] = array_module(still).where(still, 0, found["background"])
    return found
