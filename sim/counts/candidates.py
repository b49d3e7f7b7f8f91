"""Which curves a list of taught counts may follow, where the station file leaves it open."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.station.model import LinearMount, WormMount
from sim.counts.curve import bare_curves, curve_of
from sim.counts.fit import NOISE_SD, Fit, Peak, cost_of, fit_peaks
from sim.counts.mixtures import Blend
from sim.sky.belt import Site

EDGES = (1.0, 2.0, 0.5)  # counts per mm or deg as written, with both edges counted, with one
EDGES_LOG_ODDS = -6.0  # log of how seldom the edges are miscounted; judgement
KIND_ODDS = (0.8, 0.15, 0.05)  # an actuator, a worm, something else, before looking; judgement
NOISES = ((NOISE_SD, 0.94), (1.6, 0.04), (2.5, 0.013), (4.0, 0.007))  # counts, odds; judgement
PLAIN = 0.98  # probability from which a drive that nobody measured is taken for one kind; judgement

BARE = {
    "actuator": "no [mount]: the counts bend as those of a linear actuator, so one of usual shape"
    " is laid through the peaks; the measured geometry would narrow the bands",
    "turn": "no [mount]: the counts run straight as those of a worm drive do",
    "smooth": "no [mount], and the peaks do not tell a linear actuator from a worm drive: the bands"
    " allow for both; the measured geometry, or one more peak, would narrow them",
}


def fits_of(
    mount: LinearMount | WormMount | None, site: Site, peaks: Sequence[Peak]
) -> list[tuple[Fit, float]]:
    """All curves that the peaks may follow at all noises, each with the log of its odds beforehand.

    With a mount that is its own curve, and the same with other counts a mm or deg where the peaks
    might ask for them; without one every kind of drive.
    """
    if mount is None:
        odds = [math.log(share) for share in KIND_ODDS]
        return [pair for c, log in zip(bare_curves(), odds, strict=True)
                for pair in _noises(fit_peaks(c, peaks), log)]  # fmt: skip
    plain = fit_peaks(curve_of(mount, site, taught=len(peaks)), peaks)
    fits = _noises(plain, 0.0)
    if len(peaks) >= 2 and 0.5 * cost_of(plain) + EDGES_LOG_ODDS > 0.0:  # else not to be outdone
        for edges in EDGES[1:]:
            curve = curve_of(mount, site, taught=len(peaks), edges=edges)
            fits += _noises(fit_peaks(curve, peaks), EDGES_LOG_ODDS)
    return fits


def _noises(fit: Fit, log_odds: float) -> list[tuple[Fit, float]]:
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


def fit_for(mount: LinearMount | WormMount | None, blend: Blend) -> tuple[Fit, list[str]]:
    """The fit to go by, and what to say of it."""
    fit = blend.likeliest()
    if mount is None:
        if blend.share_of(fit.curve) < PLAIN:
            fit = blend.likeliest(next(f.curve for f in blend.fits if f.curve.kind == "smooth"))
        return fit, [BARE[fit.curve.kind]]
    scale = next(u.mean for u in fit.curve.unknowns if u.name == "scale")
    if scale == 1.0:
        return fit, []
    key = "counts_per_mm" if isinstance(mount, LinearMount) else "counts_per_deg"
    value = mount.counts_per_mm if isinstance(mount, LinearMount) else mount.counts_per_deg
    word = "twice" if scale > 1.0 else "half"
    return fit, [
        f"the peaks ask for about {word} the {key} of the file ({value:g}): one or both edges of"
        " each magnet counted; correct it in [mount]"
    ]
