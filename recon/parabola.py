"""Where values that are known at a few places are lowest, by the logarithm of the place."""

from __future__ import annotations

import numpy as np


def lowest(found: dict[float, float], ratio: float) -> float:
    """Return the lowest point of the parabola through the best place and those about a ratio beside it.

    The best place itself where it is 0, or the last on one side.
    """
    best = min(found, key=lambda place: found[place])
    if best == 0:
        return best
    beside = {np.log(place / best) / np.log(ratio): value for place, value in found.items() if place > 0}
    near = {away: value for away, value in beside.items() if abs(away) < 1.25}
    if not min(near) < 0 < max(near):
        return best
    bend, slope, _ = np.polyfit(list(near), list(near.values()), 2)
    return best * float(ratio ** np.clip(-slope / (2 * bend), -1, 1)) if bend > 0 else best
