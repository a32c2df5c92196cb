"""Tracks: identities, gaps, walkers, two at once; nobody in noise, reflections or silence."""

import numpy as np
import pytest

from spatial.direction.intensity import field_bins, frame_directions
from spatial.direction.place_strings import BINS_A_STEP, join_cells, step_cells
from spatial.direction.tracking import find_tracks, rows_by_source
from spatial.field import angle_between, encode, unit_vectors
from tests.scenes.crowds import make_walk

RATE = 48_000
STEP_S = 0.1


def words(rng, seconds, *, on=((0.0, np.inf),)):
    """Bursts of noise of 60 ms with uneven rests, within the given times."""
    out, place = np.zeros(int(seconds * RATE)), 0
    while place < out.size:
        if any(start <= place / RATE < end for start, end in on):
            burst = rng.standard_normal(int(0.06 * RATE))[: out.size - place]
            out[place : place + burst.size] = burst * np.hanning(int(0.06 * RATE))[: burst.size]
        place += int(rng.uniform(0.1, 0.3) * RATE)
    return out


def tracks_of(field):
    bins = field_bins(field.astype(np.float32), RATE)
    steps = int(field.shape[1] / RATE / STEP_S)
    return find_tracks(step_cells(bins, origin_s=0.0, step_s=STEP_S, first=0, stop=steps), STEP_S)


def quiet(rng, field):
    """With a little noise in every channel, as every microphone has."""
    return field + 1e-3 * rng.standard_normal(field.shape)


def off_deg(track, azimuth_deg, elevation_deg=0.0):
    truth = unit_vectors(np.radians(azimuth_deg), np.radians(elevation_deg))
    return np.degrees(np.max(angle_between(track.vectors[track.active], truth[np.newaxis])))


@pytest.mark.parametrize(("first", "second"), [(40.0, -40.0), (-170.0, 150.0), (0.0, 45.0)])
def test_two_at_once_are_two(rng, first, second):
    field = encode(words(rng, 6.0), np.radians(first), 0.0) + encode(words(rng, 6.0), np.radians(second), 0.0)
    tracks = tracks_of(quiet(rng, field))
    assert len(tracks) == 2
    for azimuth in (first, second):
        assert min(off_deg(track, azimuth) for track in tracks) < 4.0


def test_three_at_once_are_three(rng):
    places = (-80.0, 0.0, 80.0)
    field = sum(encode(words(rng, 8.0), np.radians(place), 0.0) for place in places)
    tracks = tracks_of(quiet(rng, field))
    assert sorted(min(places, key=lambda place: off_deg(track, place)) for track in tracks) == list(places)


def test_who_returns_to_their_place_keeps_their_number_and_has_a_gap(rng):
    sound = words(rng, 10.0, on=((0.0, 3.0), (7.0, 10.0)))
    sounds = np.abs(sound).reshape(-1, int(STEP_S * RATE)).max(axis=1) > 0.3  # not just a burst's faint end
    one = encode(sound, 0.8, 0.1)
    other = encode(words(rng, 10.0, on=((3.5, 6.5),)), -0.8, 0.1)
    tracks = tracks_of(quiet(rng, one + other))
    assert [track.source for track in tracks] == [1, 2]
    active = tracks[0].active
    # The first tenths have too little before them to know a beginning from what goes on.
    assert active[2:28][sounds[2:28]].mean() > 0.8
    assert not active[36:66].any()
    assert active[72:98][sounds[72:98]].mean() > 0.8
    assert not active[:98][~sounds[:98] & (np.arange(98) > 2)].mean() > 0.2
    assert not tracks[1].active[:32].any()
    assert not tracks[1].active[70:].any()


def test_turns_of_neighbours_are_not_one_walker(rng):
    """One falls silent as another begins 40 degrees beside: two people, not one who leapt."""
    one = encode(words(rng, 8.0, on=((0.0, 4.0),)), 0.0, 0.0)
    other = encode(words(rng, 8.0, on=((4.0, 8.0),)), np.radians(40.0), 0.0)
    tracks = tracks_of(quiet(rng, one + other))
    assert len(tracks) == 2
    assert off_deg(tracks[0], 0.0) < 2.0
    assert off_deg(tracks[1], 40.0) < 2.0


@pytest.mark.parametrize("beside_deg", [28.0, 30.0])
def test_a_tail_that_leads_from_one_to_the_next_does_not_make_them_one(rng, beside_deg):
    """Faint sound slides from one place to the next in the rest between turns; the first comes back at the end."""
    one = encode(words(rng, 9.0, on=((0.0, 2.5), (6.5, 9.0))), 0.0, 0.0)
    other = encode(words(rng, 9.0, on=((3.6, 5.6),)), np.radians(beside_deg), 0.0)
    field, piece = one + other, int(0.05 * RATE)
    for number in range(22):
        start = int(2.5 * RATE) + number * piece
        faint = 0.01 * rng.standard_normal(piece)
        field[:, start : start + piece] += encode(faint, np.radians(beside_deg * number / 22), 0.0)
    tracks = tracks_of(quiet(rng, field))
    assert [track.source for track in tracks] == [1, 2]
    assert off_deg(tracks[0], 0.0) < 4.0
    assert off_deg(tracks[1], beside_deg) < 4.0
    assert tracks[0].active[65:].any()


@pytest.mark.parametrize("speed", [20.0, -20.0])
def test_a_walker_in_the_open_is_followed_without_lag(rng, speed):
    """A lag of one step would be 2 degrees here."""
    sound, piece = words(rng, 8.0), int(0.01 * RATE)
    where = np.radians(-60.0 + speed * np.arange(sound.size // piece) * 0.01)
    field = np.concatenate(
        [encode(sound[n * piece : (n + 1) * piece], azimuth, 0.0) for n, azimuth in enumerate(where)], axis=1
    )
    (track,) = tracks_of(quiet(rng, field))
    steps = np.flatnonzero(track.active)
    truth = -60.0 + speed * (steps + 0.5) * STEP_S
    azimuth = np.degrees(np.unwrap(np.arctan2(track.vectors[steps, 1], track.vectors[steps, 0])))
    behind = np.sign(speed) * ((truth - azimuth + 180.0) % 360.0 - 180.0)
    assert abs(np.median(behind)) < 1.0
    # Bursts of 60 ms at random moments of a step of 100 ms: the step's middle is not the sound's.
    assert np.max(np.abs(behind)) < 3.0
    assert np.max(np.abs(np.diff(azimuth) - speed * STEP_S * np.diff(steps))) < 1.0
    # Somewhere in a step, evenly likely: its length over the square root of 12.
    assert np.degrees(np.median(track.sd_rad[track.active])) > 0.95 * abs(speed) * STEP_S / np.sqrt(12)


@pytest.mark.slow
def test_a_walker_in_a_room_is_one(rng):  # noqa: ARG001
    walk = make_walk(7024, speed_deg_s=(10.0, 20.0))
    (track,) = tracks_of(walk.field)
    steps = np.flatnonzero(track.active)
    steps = steps[steps < walk.truth.shape[1]]
    error = np.degrees(angle_between(track.vectors[steps], walk.truth[0, steps]))
    assert np.median(error) < 4.0  # two at once, median


def test_a_floor_bounce_is_nobody(rng):
    source = words(rng, 6.0)
    late = np.concatenate([np.zeros(211), source])[: source.size]
    field = encode(source, 0.4, 0.0) + 0.707 * encode(late, 0.4, -np.pi / 4)
    (track,) = tracks_of(quiet(rng, field))
    assert off_deg(track, np.degrees(0.4)) < 3.0


@pytest.mark.parametrize("silent", [False, True])
def test_nobody_in_noise_or_silence(rng, silent):
    field = np.zeros((4, 10 * RATE)) if silent else rng.standard_normal((4, 10 * RATE))
    assert tracks_of(field) == ()


def test_cells_keep_the_weightiest_and_join(rng):
    field = quiet(rng, encode(words(rng, 2.0), 0.5, 0.2))
    bins = field_bins(field.astype(np.float32), RATE)
    whole = step_cells(bins, origin_s=0.0, step_s=STEP_S, first=0, stop=20)
    parts = [step_cells(bins, origin_s=0.0, step_s=STEP_S, first=a, stop=b) for a, b in ((0, 7), (7, 20))]
    joined = join_cells(parts)
    assert whole.weight.shape == (20, BINS_A_STEP)
    np.testing.assert_array_equal(whole.weight, joined.weight)
    np.testing.assert_array_equal(whole.clear, joined.clear)
    assert np.all(whole.clear <= whole.weight)
    np.testing.assert_allclose(whole.density, joined.density, rtol=1e-4, atol=1e-6)
    step = np.floor(bins.times_s[bins.frame] / STEP_S).astype(int)
    for number in range(20):
        own = np.sort((bins.weights() * bins.clear)[step == number])[::-1][:BINS_A_STEP]
        np.testing.assert_allclose(whole.clear[number][: own.size], own, rtol=1e-5)


def test_rows_hold_every_source_and_keep_what_is_nobodys(rng):
    sounds = [words(rng, 4.0, on=((0.0, 4.0),)), words(rng, 4.0, on=((2.0, 4.0),))]
    one, other = encode(sounds[0], 0.8, 0.0), encode(sounds[1], -0.8, 0.0)
    field = quiet(rng, one + other).astype(np.float32)
    loud = [np.abs(sound).reshape(-1, int(STEP_S * RATE)).max(axis=1) > 0.3 for sound in sounds]
    frames = frame_directions(field_bins(field, RATE), step_s=STEP_S)
    steps = np.floor(frames.times_s / STEP_S).astype(int)
    rows = rows_by_source(frames, steps, tracks_of(field))
    assert set(rows.source) >= {1, 2}
    assert np.all(np.diff(rows.times_s) >= 0)
    assert set(np.round(rows.times_s, 3)) == set(np.round(frames.times_s, 3))
    both = np.array([np.sum(np.isclose(rows.times_s, time) & (rows.source > 0)) for time in frames.times_s[26:38]])
    assert np.mean(both[(loud[0] & loud[1])[26:38]] == 2) > 0.7
    np.testing.assert_allclose(np.degrees(rows.azimuth_rad[rows.source == 1]), np.degrees(0.8), atol=2.0)
    alone = rows_by_source(frames, steps, ())
    np.testing.assert_array_equal(alone.azimuth_rad, frames.azimuth_rad)


def test_half_a_second_after_a_long_rest_is_known_less_surely(rng):
    """Somebody talks for 4 s, rests, and comes back for half a second: that much is all there is to go by then."""
    azimuth, sound = np.radians(40.0), words(rng, 4.0)
    sound = np.concatenate([sound, np.zeros(6 * RATE), words(rng, 0.5)])
    # The floor's bounce makes bins stray.
    field = encode(sound, azimuth, 0.0) + 0.5 * np.roll(encode(sound, azimuth, np.radians(-50.0)), 200, axis=1)
    (track,) = tracks_of(quiet(rng, field))
    steps = np.flatnonzero(track.active)
    early, late = track.sd_rad[steps[steps * STEP_S < 4.0]], track.sd_rad[steps[steps * STEP_S > 9.0]]
    assert late.size
    # Beyond what one room may do to one place all the time, which no resting changes (1 degree).
    beyond = [np.sqrt(np.median(sd) ** 2 - np.radians(1.0) ** 2) for sd in (late, early)]
    assert beyond[0] > 1.05 * beyond[1]
