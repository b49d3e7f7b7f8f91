"""Which curves a list of taught counts may follow, where the station file leaves it open."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.station.model import LinearMount, WormMount
from sim.counts.curve import CurveKind, curve_of, unmeasured_curves
from sim.counts.fit import NOISE_SD, Fit, Peak, fit_peaks, robust_cost
from sim.counts.mixtures import Mixture
from sim.sky.belt import Site

EDGE_FACTORS = (2.0, 0.5)  # x, counts per mm or deg of the file with both edges or one counted
EDGE_LOG_ODDS = -6.0  # 1, log of how seldom the edges are miscounted; judgement
KIND_ODDS = (0.8, 0.15, 0.05)  # 1, an actuator, a worm, something else, beforehand; judgement
NOISES = ((NOISE_SD, 0.94), (1.6, 0.04), (2.5, 0.013), (4.0, 0.007))  # counts, odds; judgement
CERTAIN_KIND = 0.98  # 1, probability from which an unmeasured drive is of one kind; judgement

WITHOUT_MOUNT: dict[CurveKind, str] = {
    "actuator": "no [mount]: the counts bend as those of a linear actuator, so one of usual shape"
    " is laid through the peaks; the measured geometry would narrow the bands",
    "straight": "no [mount]: the counts run straight as those of a worm drive do",
    "smooth": "no [mount], and the peaks do not tell a linear actuator from a worm drive: the bands"
    " allow for both; the measured geometry, or one more peak, would narrow them",
}


def candidate_fits(
    mount: LinearMount | WormMount | None, site: Site, peaks: Sequence[Peak]
) -> list[tuple[Fit, float]]:
    """All curves that the peaks may follow at all noises, each with the log of its odds beforehand.

    With a mount that is its own curve, and the same with other counts a mm or deg where the peaks
    might ask for them; without one every kind of drive.
    """
    if mount is None:
        fits = []
        for curve, odds in zip(unmeasured_curves(), KIND_ODDS, strict=True):
            fits += _at_all_noises(fit_peaks(curve, peaks), math.log(odds))
        return fits
    as_written = fit_peaks(curve_of(mount, site, taught=len(peaks)), peaks)
    fits = _at_all_noises(as_written, 0.0)
    if len(peaks) >= 2 and 0.5 * robust_cost(as_written) + EDGE_LOG_ODDS > 0.0:
        for edges in EDGE_FACTORS:  # with a smaller cost neither could be likelier
            curve = curve_of(mount, site, taught=len(peaks), edges=edges)
            fits += _at_all_noises(fit_peaks(curve, peaks), EDGE_LOG_ODDS)
    return fits


def _at_all_noises(fit: Fit, log_odds: float) -> list[tuple[Fit, float]]:
    """A fit, and the same peaks fitted as if they were found less well."""
    if not fit.peaks:
        return [(fit, log_odds)]
    return [
        (
            fit if noise_sd == NOISE_SD
            else fit_peaks(fit.curve, fit.peaks, noise_sd=noise_sd, start=fit.z),
            log_odds + math.log(odds),
        )
        for noise_sd, odds in NOISES
    ]  # fmt: skip


def choose_fit(
    mount: LinearMount | WormMount | None, mixture: Mixture
) -> tuple[Fit, tuple[str, ...]]:
    """The fit to show for a mixture, and notes on what it assumes."""
    fit = mixture.likeliest()
    if mount is None:
        if mixture.weight_of(fit.curve) < CERTAIN_KIND:
            fit = mixture.likeliest(next(f.curve for f in mixture.fits if f.curve.kind == "smooth"))
        return fit, (WITHOUT_MOUNT[fit.curve.kind],)
    scale = next(u.mean for u in fit.curve.unknowns if u.name == "scale")
    if scale == 1.0:
        return fit, ()
    key = "counts_per_mm" if isinstance(mount, LinearMount) else "counts_per_deg"
    word = "twice" if scale > 1.0 else "half"
    return fit, (
        f"the peaks ask for about {word} the {key} of the file ({getattr(mount, key):g}): one or"
        " both edges of each magnet counted; correct it in [mount]",
    )
