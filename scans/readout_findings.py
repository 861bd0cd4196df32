"""What a person should know of gain and bad pixels, in words."""

from __future__ import annotations

from scans.bad_pixels import BadPixels
from scans.gain import GainEstimate
from scans.scan import Finding

# A stated gain is doubted where the estimate from the frames differs by this share and five standard errors.
GAIN_DOUBT = 0.2
# Share of the charge that leaves its pixel from which on it is told (common practice, no source).
SHARING_TOLD = 0.05


def kinds(found: BadPixels) -> str:
    """List how many pixels there are of each kind."""
    names = {"lines": "in bad columns or rows"}
    return ", ".join(f"{n} {names.get(name, name)}" for name, n in found.counts.items() if n)


def bad_pixel_findings(found: BadPixels, n: int, *, masked: bool) -> list[Finding]:
    """Tell of `n` pixels that the frames show to be bad beyond the mask, and whether they are masked now."""
    if not n:
        return []
    share = n / found.lines.size
    if masked:
        text = f"{n} bad pixels beyond the file's mask were found in the frames and masked: {kinds(found)}"
        fix = "Look at them in the figure of `halfbit inspect`; -s prepare.bad_pixels=false keeps them."
        return [Finding("caution" if share > 0.02 else "note", "bad-pixels-found", text, fix)]
    text = f"{n} bad pixels stand out of the frames and are not masked: {kinds(found)}"
    return [Finding("caution", "bad-pixels-kept", text, "Leave prepare.bad_pixels out to mask them.")]


def doubtful_gain(stated: float, estimate: GainEstimate | None) -> list[Finding]:
    """Compare a stated gain with what the frames show."""
    if estimate is None or estimate.counts_per_photon is None:
        return []
    found = estimate.counts_per_photon
    if abs(found / stated - 1) < GAIN_DOUBT or abs(found - stated) < 5 * estimate.error:
        return []
    text = f"the stated gain is {stated:.5g} counts a photon, the frames show {found:.4g} ± {estimate.error:.2g}"
    return [
        Finding(
            "caution",
            "gain-doubtful",
            f"{text} ({estimate.method})",
            f"If the frames are right, say -s prepare.counts_per_photon={found:.4g}.",
        )
    ]


def charge_sharing(estimate: GainEstimate | None) -> list[Finding]:
    """Name shared charge: the noise of neighbours then goes together, and that of one pixel is below Poisson's."""
    share = None if estimate is None else estimate.sharing_share
    if share is None or share < SHARING_TOLD:
        return []
    text = f"{100 * share:.0f} % of a photon's charge leaves the pixel where it landed (charge sharing)"
    fix = "The gain allows for it; the noise of single pixels is below that of photons (-s prepare.bin=2 lessens it)."
    return [Finding("note", "charge-sharing", text, fix)]


def gain_found(estimate: GainEstimate) -> Finding:
    """Tell a gain that was estimated; a caution where its error is above 3 %."""
    gain = estimate.counts_per_photon or 1.0
    error = f" ± {estimate.error:.2g}" if estimate.error else ""
    loose = estimate.error > 0.03 * gain
    return Finding(
        "caution" if loose else "note",
        "gain-estimated",
        f"the file states no gain; the frames show {gain:.4g}{error} counts a photon ({estimate.method})",
        "If it is known better, give it with -s prepare.counts_per_photon=VALUE.",
    )


def gain_steps(estimate: GainEstimate | None) -> list[str]:
    """Say what the frames show of the gain, where nobody states it."""
    if estimate is None:
        return ["gain: unknown, too few frames to tell; counts kept as stored; unit ADU"]
    if estimate.counts_per_photon is None:
        return [f"gain: unknown, counts kept as stored ({' '.join(estimate.evidence)}); unit ADU"]
    if not estimate.error:
        return [
            f"gain: {estimate.counts_per_photon:.5g} count a photon, a photon counter as the frames show; unit photon"
        ]
    gain, error = estimate.counts_per_photon, estimate.error
    said = f"gain: {gain:.5g} ± {error:.2g} counts a photon, from the frames ({estimate.method}); unit photon"
    return [said, *(f"gain: {text}" for text in estimate.evidence)]
