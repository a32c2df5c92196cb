"""Rows for the page: where a sound is, with nothing told where there is none, and the same whatever the pieces."""

import numpy as np
import pytest

from spatial.direction.intensity import field_bins
from spatial.direction.summary import PLACES, STEP_S, joined_rows, sound_rows
from spatial.field import angle_between, encode, unit_vectors

RATE = 48_000


def bursts(azimuth_deg, elevation_deg, seconds=3.0, seed=1):
    """Bursts of noise, five a second, from one direction, without a room."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    sound = 0.1 * rng.standard_normal(time.size) * (np.modf(time * 5)[0] < 0.5)
    return encode(sound, np.radians(azimuth_deg), np.radians(elevation_deg)).astype(np.float32)


def rows_of(field, rows=range(30), origin_s=0.0):
    return sound_rows(field_bins(field, RATE), origin_s=origin_s, rows=rows)


@pytest.mark.slow
@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(0, 0), (90, 0), (-135, 20), (180, -30)])
def test_a_sound_is_where_it_is(azimuth_deg, elevation_deg):
    rows = rows_of(bursts(azimuth_deg, elevation_deg))
    there = unit_vectors(np.radians(float(azimuth_deg)), np.radians(float(elevation_deg)))
    told = np.isfinite(rows.sd_rad)
    # The first rows have too little before them to know a beginning from what goes on.
    assert told[3:-2].all()
    assert np.degrees(np.max(angle_between(rows.vectors[told], there))) < 1.0
    # The strongest place, of cells 10 degrees wide, is the mean of what lies in it.
    loud = rows.place_powers[:, 0] > 1e-6
    assert loud.any()
    assert np.degrees(np.max(angle_between(rows.place_vectors[loud, 0], there))) < 1.0


def test_times_are_the_middles_of_rows():
    rows = rows_of(bursts(0, 0), rows=range(4, 9), origin_s=0.25)
    assert rows.times_s == pytest.approx(0.25 + STEP_S * (np.arange(4, 9) + 0.5))


def test_silence_tells_nothing():
    rows = rows_of(np.zeros((4, 3 * RATE), dtype=np.float32))
    assert np.isnan(rows.sd_rad).all()
    assert np.isnan(rows.vectors).all()
    assert not rows.place_powers.any()
    assert np.all(rows.level_db < -150)


def test_places_are_the_strongest_first_and_louder_sound_has_more_power():
    field = bursts(40, 0) + 0.3 * bursts(-70, 10, seed=2)
    rows = rows_of(field)
    assert rows.place_powers.shape == (30, PLACES)
    assert np.all(np.diff(rows.place_powers, axis=1) <= 0)
    louder = rows_of(10 * field)
    assert louder.place_powers == pytest.approx(100 * rows.place_powers, rel=1e-3, abs=1e-12)


def test_pieces_join_to_the_whole():
    field = bursts(25, 5)
    whole = rows_of(field)
    parts = [rows_of(field, rows=range(first, first + 10)) for first in (0, 10, 20)]
    joined = joined_rows(parts)
    for name in ("times_s", "vectors", "level_db", "place_powers"):
        np.testing.assert_allclose(getattr(joined, name), getattr(whole, name), rtol=1e-6, atol=0)


def test_no_parts_are_no_rows():
    empty = joined_rows([])
    assert empty.times_s.shape == (0,)
    assert empty.place_vectors.shape == (0, PLACES, 3)
