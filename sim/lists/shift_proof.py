"""The proof asked for before a list is rewritten: both sides of the arc, and an end."""

from __future__ import annotations

from sim.lists.causes import ACTUATOR, LOST, SLIPPED
from sim.lists.shift import CauseEstimate, Diagnosis

PROVED = 0.95  # 1, probability from which a list may be rewritten; judgement
FAR = 0.4  # 1, share of the taught arc that the re-peaked satellites must span; judgement
# satellites to peak again for another actuator: slope, zero and a check (judgement)
ACTUATOR_PEAKS = 3


def lacking(diagnosis: Diagnosis, estimate: CauseEstimate, ends_read: int) -> list[str]:
    """What has still to be measured, or looked into, before a list may be rewritten."""
    reasons = []
    if estimate.probability < PROVED:
        reasons.append(
            f"{estimate.name} is only {estimate.probability:.0%} likely; {PROVED:.0%} is needed"
        )
    if (other_side := missing_other_side(diagnosis, estimate)) is not None:
        reasons.append(other_side)
    if not ends_read:
        reasons.append(
            f"no end was read: read one; {estimate.name} expects {_expected_at_ends(estimate)}"
        )
    if estimate.name == ACTUATOR:
        repeaked = sum(
            not place.is_end and place.key in diagnosis.now for place in diagnosis.places
        )
        if repeaked < ACTUATOR_PEAKS:
            reasons.append(
                f"another actuator needs {ACTUATOR_PEAKS} satellites peaked again,"
                f" there are {repeaked}"
            )
        if ends_read < 2:
            reasons.append("another actuator needs both ends read, before and now, for the limits")
    mistaken = {diagnosis.places[n].key for n in estimate.best.mistaken}
    return reasons + [
        f"a reading speaks against it: {evidence.text}"
        for evidence in estimate.evidence
        if evidence.verdict == "against" and evidence.key not in mistaken
    ]


def missing_other_side(diagnosis: Diagnosis, estimate: CauseEstimate) -> str | None:
    """What proof from the other side of the arc is missing; None where there is enough."""
    places = diagnosis.places
    hours = {n: p.hour_angle_deg for n, p in enumerate(places) if p.hour_angle_deg is not None}
    if len(hours) < 2:
        return "only one satellite is taught, so nothing can prove a shift; store it anew by hand"
    good = [n for n in hours if places[n].key in diagnosis.now and n not in estimate.best.mistaken]
    arc_deg = max(hours.values()) - min(hours.values())
    if good and max(hours[n] for n in good) - min(hours[n] for n in good) >= FAR * arc_deg:
        return None
    if good:
        farthest = max(hours, key=lambda n: min(abs(hours[n] - hours[m]) for m in good))
    else:
        farthest = min(hours, key=hours.__getitem__)
    expected = round(places[farthest].before + float(estimate.moves[farthest]))
    return (
        f"no proof from the other side of the arc: re-peak {places[farthest].label} or one near"
        f" it; {estimate.name} expects {expected} there"
    )


def _expected_at_ends(estimate: CauseEstimate) -> str:
    if estimate.name == SLIPPED:
        return "it to read what it read before"
    if estimate.name == LOST:
        return f"it to read {estimate.amount:+.0f} from before"
    return "no certain count there"
