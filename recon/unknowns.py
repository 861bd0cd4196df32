"""The unknowns of a run as blocks of numbers, and minus the slopes of the loss by them."""

from __future__ import annotations

import numpy as np

from recon.backend import array_module, to_host
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
    return tuple(field for word in WORDS if word in words.split() for field in WORDS[word])


def values(state: State, names: tuple[str, ...]) -> Blocks:
    """Values of the unknowns; the intensity as its logarithm. Arrays of the state, not copies."""
    return {name: np.log(state.intensity) if name == "intensity" else getattr(state, name) for name in names}


def set_values(state: State, blocks: Blocks) -> None:
    """Inverse of `values`; a background stays at 0 or above."""
    for name, value in blocks.items():
        if name == "intensity":
            state.intensity = np.exp(value)
        elif name == "background":
            state.background = array_module(value).maximum(value, 0)
        else:
            setattr(state, name, value)


def descent_of(sums: GradientSums, state: State, names: tuple[str, ...]) -> Blocks:
    """Minus the gradient of the loss by each unknown, as real numbers (a complex one counts as two)."""
    of = {
        "object_": lambda: 2 * sums.object_numerator,
        "probe": lambda: 2 * sums.probe_step(),
        "positions_px": lambda: to_host(sums.position),
        "background": lambda: sums.background,
        "intensity": lambda: to_host(sums.intensity),
        "variation": lambda: 2 * _real_space(sums),
        "coefficients": lambda: 2 * to_host(sums.coefficients),
        "depths_m": lambda: to_host(sums.depth),
    }
    found = {name: of[name]() for name in names}
    if "background" in found:  # where it is 0 and would fall, it stays
        still = (state.background <= 0) & (found["background"] < 0)
        found["background"] = array_module(still).where(still, 0, found["background"])
    return found


def _real_space(sums: GradientSums):  # type: ignore[no-untyped-def]
    from recon.backend import ifft2

    return ifft2(sums.variation.copy())
