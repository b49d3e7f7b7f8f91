"""Which curve a list of taught counts is held against, where the station file leaves it open."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.station import LinearMount, WormMount
from sim.plan.blend import blend_of
from sim.plan.curve import Curve, curve_of
from sim.plan.fit import Peak, cost_of, fit_peaks
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


def curve_for(
    mount: LinearMount | WormMount | None, site: Site, peaks: Sequence[Peak]
) -> tuple[Curve, list[str]]:
    """The mount's curve, or what its peaks look like without one, and what to say of it.

    One or both edges of the magnets are counted where the peaks insist.
    """
    if mount is None:
        likeliest, share = blend_of(peaks).likeliest
        curve = likeliest.curve if share >= PLAIN else curve_of(None)
        return curve, [BARE[curve.kind]]
    plain = curve_of(mount, site, taught=len(peaks))
    if len(peaks) < 2:
        return plain, []
    costs = [cost_of(fit_peaks(plain, peaks))]
    if 0.5 * costs[0] + EDGES_LOG_ODDS <= 0.0:  # the file cannot be outdone
        return plain, []
    choices = [plain]
    for edges in EDGES[1:]:
        choices.append(curve_of(mount, site, taught=len(peaks), edges=edges))
        costs.append(cost_of(fit_peaks(choices[-1], peaks)))
    odds = [EDGES_LOG_ODDS * (n > 0) - 0.5 * cost for n, cost in enumerate(costs)]
    best = max(range(len(EDGES)), key=odds.__getitem__)
    if best == 0:
        return plain, []
    key = "counts_per_mm" if isinstance(mount, LinearMount) else "counts_per_deg"
    value = mount.counts_per_mm if isinstance(mount, LinearMount) else mount.counts_per_deg
    word = "twice" if EDGES[best] > 1 else "half"
    return choices[best], [
        f"the peaks ask for about {word} the {key} of the file ({value:g}): one or both edges of"
        " each magnet counted; correct it in [mount]"
    ]
