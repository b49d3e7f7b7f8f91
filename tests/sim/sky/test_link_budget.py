"""A dish under invented satellites: peaks, neighbours, polarization and rain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from sim.sky.beam import Reflector
from sim.sky.belt import Obstacle, Site
from sim.sky.link_budget import Downlink, LinkBudget, noise_dbw
from sim.sky.meter import Meter
from sim.sky.mount import Mount, modified_mount

SITE = Site(40.0, 10.0, 100.0)
MOUNT = modified_mount(SITE)
DISH = Reflector(1.2, 12.0)
EXACT = Meter(resolution_db=1e-6, ceiling_db=200.0, floor_db=-200.0, ripple_db=0.0)


def aim(longitude: float, mount: Mount = MOUNT) -> float:
    return mount.aim(SITE.to_satellite(longitude)).hour_angle_deg


def sky_of(*longitudes: float, **more: object) -> LinkBudget:
    return LinkBudget(SITE, MOUNT, DISH, [Downlink(x) for x in longitudes], **more)  # type: ignore[arg-type]


def test_one_db_of_error_costs_one_db() -> None:
    sky = LinkBudget(SITE, MOUNT, DISH, [Downlink(10.0, horizontal=False)], meter=EXACT)
    peak = sky.signal_db(0.0)
    # at noon the beam is a declination below the equator of the mount
    for loss in (1.0, 2.0, 3.0):
        off = DISH.off_axis_deg(loss)
        assert peak - sky.signal_db(off) == pytest.approx(loss, rel=0.03)
        assert sky.signal_db(-off) == pytest.approx(sky.signal_db(off), abs=1e-4)


def test_the_link_budget_by_hand() -> None:
    """50 dBW, 205.7 dB of path, 41.7 dBi, 110 K and 27 MHz: 20 dB, common practice sums."""
    sky = LinkBudget(SITE, MOUNT, DISH, [Downlink(10.0, horizontal=False)], meter=EXACT)
    by_hand = 50.0 - 205.6 + 41.7 - (-228.6 + 20.4 + 74.3)
    assert sky.signal_db(aim(10.0)) == pytest.approx(by_hand, abs=0.2)


def test_every_satellite_is_a_peak_also_the_wrong_one() -> None:
    sky = sky_of(19.0, 16.0, 13.0)
    for longitude in (19.0, 16.0, 13.0):
        here = sky.signal_db(aim(longitude))
        assert here > 15.0
        assert here > sky.signal_db(aim(longitude) + 0.7) + 1.5
        assert here > sky.signal_db(aim(longitude) - 0.7) + 1.5


def test_an_empty_sky_reads_the_floor() -> None:
    assert sky_of().signal_db(0.0) == 0.0
    assert sky_of(13.0).signal_db(60.0) == 0.0
    assert sky_of().carrier_to_noise(0.0) == 0.0


def test_neighbours_leak_in() -> None:
    alone = sky_of(13.0, meter=EXACT).signal_db(aim(13.0))
    for away in (3.0, 2.0, 1.5):
        crowded = sky_of(13.0, 13.0 + away, 13.0 - away, meter=EXACT).signal_db(aim(13.0))
        assert crowded < alone
        alone = crowded  # nearer ones do more


def test_neighbours_add_as_powers() -> None:
    """1 / (C over all) = 1 / (C over noise) + the neighbours' share, summed by hand."""
    vertical = [Downlink(x, horizontal=False) for x in (10.0, 12.5, 7.5)]
    clean = LinkBudget(SITE, MOUNT, DISH, vertical[:1], meter=EXACT).carrier_to_noise(0.0)
    crowded = LinkBudget(SITE, MOUNT, DISH, vertical, meter=EXACT).carrier_to_noise(0.0)
    shares = 0.0
    for longitude in (12.5, 7.5):
        sight, beam = np.array(SITE.to_satellite(longitude)), np.array(MOUNT.point(0.0))
        off = math.degrees(math.acos(float(beam @ sight) / float(np.linalg.norm(sight))))
        assert 2.7 < off < 2.9
        shares += 10 ** ((DISH.off_axis_dbi(off) - DISH.gain_dbi) / 10)
    assert 1 / crowded == pytest.approx(1 / clean + shares, rel=1e-2)


def test_what_is_hidden_is_not_heard() -> None:
    assert sky_of(90.0 + 20.0).signal_db(aim(110.0)) == 0.0  # below the horizon
    wall = [Obstacle(90, 270, 80)]
    assert sky_of(13.0, obstacles=wall).signal_db(aim(13.0)) == 0.0


class TestPolarization:
    def test_the_other_polarization_is_silent_through_a_good_feed(self) -> None:
        sky = LinkBudget(SITE, MOUNT, DISH, [Downlink(13.0, horizontal=True)])
        assert sky.signal_db(aim(13.0), feed_deg=90.0) > 15.0
        assert sky.signal_db(aim(13.0), feed_deg=0.0) < 2.0

    def test_a_swapped_polarity_loses_a_tuned_carrier_but_not_the_satellite(self) -> None:
        sky = sky_of(13.0)
        hour = aim(13.0)
        assert sky.signal_db(hour, feed_deg=90.0, horizontal=True) > 15.0
        assert sky.signal_db(hour, feed_deg=0.0, horizontal=True) == 0.0
        assert sky.signal_db(hour, feed_deg=0.0) > 15.0

    @given(st.floats(0, 44), st.floats(1, 5))
    def test_turning_the_feed_away_costs(self, error: float, more: float) -> None:
        sky = LinkBudget(SITE, MOUNT, DISH, [Downlink(10.0)], meter=EXACT)
        reading = [
            sky.signal_db(0.0, feed_deg=turn, horizontal=False) for turn in (error, error + more)
        ]
        assert reading[1] < reading[0]

    def test_a_feed_trimmed_to_what_the_mount_leaves_is_best(self) -> None:
        far = LinkBudget(SITE, MOUNT, DISH, [Downlink(-40.0)], meter=EXACT)
        left = 0.5  # a modified mount leaves about this of the vertical that far west
        hour = aim(-40.0)
        trimmed = far.signal_db(hour, feed_deg=left, horizontal=False)
        assert trimmed > far.signal_db(hour, feed_deg=-left, horizontal=False)


@given(st.floats(20, 300), st.floats(0, 20), st.floats(0.1, 5))
def test_rain_warms_the_sky(noise_k: float, rain: float, more: float) -> None:
    assert noise_dbw(noise_k, 27, rain + more) > noise_dbw(noise_k, 27, rain)


def test_rain_takes_more_than_its_attenuation() -> None:
    sky = LinkBudget(SITE, MOUNT, DISH, [Downlink(13.0, horizontal=False)], meter=EXACT)
    clear = sky.signal_db(aim(13.0))
    rain = sky.signal_db(aim(13.0), rain_db=3.0)
    assert 3.0 + 3.0 < clear - rain < 3.0 + 4.5


@pytest.mark.parametrize(
    ("values", "words"),
    [((355.0,), "write -5"), ((10.0, 90.0), "eirp_dbw 90 is not within 0 to 80 dBW")],
)
def test_refuses_what_is_no_satellite(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(YardError, match=words):
        Downlink(*values)
