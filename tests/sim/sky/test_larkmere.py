"""The demo yard's printed table, recomputed: invented data, so this shows agreement, not proof."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.rig.linkage import LinearLinkage
from sim.sky.beam import Reflector
from sim.sky.belt import Obstacle, Site, hidden_by
from sim.sky.link_budget import Downlink, LinkBudget
from sim.sky.mount import hour_angle_deg, modified_mount

SITE = Site(44.60, 3.90, 210.0)
LINKAGE = LinearLinkage(520, 430, 350, 560, 48 / 25.4, 90)
DISH = Reflector(1.2, 12.0)
CHIMNEY = Obstacle(209, 212, 35)

# name, longitude east, hour angle, count, as printed
TABLE = [
    ("Alder", 41.2, -41.4, 94),
    ("Birch", 35.4, -35.1, 181),
    ("Cedar", 30.2, -29.3, 257),
    ("Dogwood", 25.1, -23.7, 331),
    ("Elm", 21.9, -20.1, 376),
    ("Fir", 17.3, -15.0, 440),
    ("Gorse", 14.3, -11.65, 480),
    ("Hazel", 10.4, -7.3, 532),
    ("Ivy", 7.4, -3.9, 570),
    ("Juniper", 4.3, -0.45, 609),
    ("Larch", 0.6, 3.7, 653),
    ("Maple", -3.4, 8.2, 700),
    ("Nettle", -7.9, 13.2, 750),
    ("Oak", -13.1, 19.0, 804),
    ("Pine", -18.6, 25.1, 857),
    ("Rowan", -28.7, 36.3, 942),
]


@pytest.mark.parametrize(("name", "longitude", "hour", "count"), TABLE)
def test_hour_angles_and_counts(name: str, longitude: float, hour: float, count: int) -> None:
    exact = hour_angle_deg(SITE, longitude)
    assert exact == pytest.approx(hour, abs=0.055), name
    assert LINKAGE.count(exact) == pytest.approx(count, abs=0.6), name


@pytest.mark.parametrize(
    ("count", "hour"), [(0, -48.1), (1000, 45.3), (1010, 47.0)], ids=["east", "west", "fence"]
)
def test_ends(count: int, hour: float) -> None:
    assert LINKAGE.hour_angle_deg(count) == pytest.approx(hour, abs=0.055)
    assert LINKAGE.stroke_counts == pytest.approx(1058, abs=0.5)


def test_counts_per_degree_and_one_db() -> None:
    east, west = (LINKAGE.counts_per_deg(hour_angle_deg(SITE, x)) for x in (41.2, -28.7))
    assert east == pytest.approx(13.9, abs=0.06)
    assert west == pytest.approx(7.0, abs=0.06)
    assert round(east * DISH.off_axis_deg(1.0)) == 6
    assert round(west * DISH.off_axis_deg(1.0)) == 3


def test_the_chimney_hides_pine_alone() -> None:
    hidden = [name for name, x, *_ in TABLE if hidden_by(SITE, x, [CHIMNEY])]
    assert hidden == ["Pine"]


def test_a_twisted_pole_shifts_unequally_and_loses_the_ends() -> None:
    """One degree clockwise: about 11, 9 and 5 counts; 1.2, 0 and 1.0 dB stay lost."""
    good = modified_mount(SITE)
    bad = replace(good, twist_deg=1.0)
    for longitude, shift, loss in ((41.2, 11, 1.2), (4.3, 9, 0.0), (-28.7, 5, 1.0)):
        sight = SITE.to_satellite(longitude)
        before, after = good.aim(sight), bad.aim(sight)
        moved = LINKAGE.count(before.hour_angle_deg) - LINKAGE.count(after.hour_angle_deg)
        assert moved == pytest.approx(shift, abs=0.5)
        best_dbi = DISH.off_axis_dbi(after.cross_arc_deg)
        assert DISH.gain_dbi - best_dbi == pytest.approx(loss, abs=0.1)


def test_the_meter_peaks_at_every_count_of_the_list() -> None:
    downlinks = [Downlink(x) for _, x, *_ in TABLE]
    sky = LinkBudget(SITE, modified_mount(SITE), DISH, downlinks, obstacles=[CHIMNEY])
    for name, _, _, count in TABLE:
        shown = {c: sky.signal_db(LINKAGE.hour_angle_deg(c)) for c in range(count - 9, count + 10)}
        if name == "Pine":
            assert max(shown.values()) < 3.0
            continue
        assert shown[count] > 15.0
        assert shown[count] >= max(shown.values()) - 0.3, name
        assert shown[count - 9] < shown[count] - 1.5
        assert shown[count + 9] < shown[count] - 1.5
