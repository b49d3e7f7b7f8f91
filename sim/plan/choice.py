"""Which curves a list of taught counts may follow, where the station file leaves it open."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.station import LinearMount, WormMount
from sim.plan.blend import KIND_ODDS, blend_of
from sim.plan.curve import bare_curves, curve_of
from sim.plan.fit import Fit, Peak, cost_of, fit_peaks
from sim.sky.belt import Site

EDGES = (1.0, 2.0, 0.5)  # counts per mm or deg as written, with both edges counted, with one
EDGES_LOG_ODDS = -6.0  # log of how seldom the edges are miscounted; judgement
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
    """All curves that the peaks may follow, fitted, each with the log of its odds beforehand.

    With a mount that is its own curve, and the same with other counts a mm or deg where the peaks
    might ask for them; without one every kind of drive.
    """
    if mount is None:
        odds = [math.log(share) for share in KIND_ODDS]
        return [(fit_peaks(c, peaks), log) for c, log in zip(bare_curves(), odds, strict=True)]
    plain = fit_peaks(curve_of(mount, site, taught=len(peaks)), peaks)
    if len(peaks) < 2 or 0.5 * cost_of(plain) + EDGES_LOG_ODDS <= 0.0:  # not to be outdone
        return [(plain, 0.0)]
    others = [curve_of(mount, site, taught=len(peaks), edges=edges) for edges in EDGES[1:]]
    return [(plain, 0.0), *((fit_peaks(curve, peaks), EDGES_LOG_ODDS) for curve in others)]


def fit_for(
    mount: LinearMount | WormMount | None, site: Site, peaks: Sequence[Peak]
) -> tuple[Fit, list[str]]:
    """The fit to go by, and what to say of it."""
    if mount is None:
        fit, share = blend_of(peaks).likeliest
        if share < PLAIN:
            fit = fit_peaks(curve_of(None), peaks)
        return fit, [BARE[fit.curve.kind]]
    fits = fits_of(mount, site, peaks)
    odds = [log - 0.5 * cost_of(fit) for fit, log in fits]
    best = max(range(len(fits)), key=odds.__getitem__)
    if best == 0:
        return fits[0][0], []
    key = "counts_per_mm" if isinstance(mount, LinearMount) else "counts_per_deg"
    value = mount.counts_per_mm if isinstance(mount, LinearMount) else mount.counts_per_deg
    word = "twice" if EDGES[best] > 1 else "half"
    return fits[best][0], [
        f"the peaks ask for about {word} the {key} of the file ({value:g}): one or both edges of"
        " each magnet counted; correct it in [mount]"
    ]
