"""One moment or another playback of the same music: the truth is in how each sound is made.

Machines keep time to the sample, people only to about a fiftieth of a second; a camera's gain rides, and lifts its own
noise in every rest.
"""

import numpy as np
import pytest
from scipy.signal import find_peaks

from spatial.dsp.samples import ArraySamples
from spatial.sync import same_music
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.sync.paired_spectra import HOP, band_levels, block_starts, clip_spectra, take_spectra
from spatial.sync.same_music import Standing, _distinct_peaks, compare_moments, fit_levels, unlike_cells
from spatial.timebase import ClockLaw
from tests.scenes.cameras import Camera, camera_of
from tests.scenes.hearing import bursts_of_noise, envelope

RATE = WORKING_RATE_HZ
BEAT_S = 0.31
AT_ONCE = ClockLaw(0.0)


def drums(seconds, rng, *, jitter_s=0.0, tempo=0.0):
    """Noise bursts of changing strength, each a beat after the other, give or take; the tempo may swing."""
    out = np.zeros(round(seconds * RATE))
    time_s = 0.1
    while time_s < seconds - 0.3:
        place = max(0, round((time_s + jitter_s * rng.standard_normal()) * RATE))
        burst = rng.standard_normal(RATE // 10) * np.exp(-np.arange(RATE // 10) / 300)
        out[place : place + burst.size] += rng.uniform(0.2, 0.6) * burst
        time_s += BEAT_S * (1 + tempo * np.sin(2 * np.pi * time_s / 11.0))
    return out


def boxes(at_camera, at_mic, rng, *, noise=0.002, camera=None):
    """A clip of two channels and a take, in noise of their own."""
    clip = np.stack([at_camera, 0.8 * np.roll(at_camera, 3)]) + noise * rng.standard_normal((2, at_camera.size))
    clip = clip if camera is None else camera_of(clip.astype(np.float32), camera)
    take = np.zeros((4, at_mic.size)) + noise * rng.standard_normal((4, at_mic.size))
    take[0] += at_mic
    return ArraySamples(clip.astype(np.float32), RATE), ArraySamples(take.astype(np.float32), RATE)


def compared(clip, take):
    return compare_moments(clip, take, AT_ONCE, np.ones(2), (envelope(clip.data), envelope(take.data[:1])))


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_but_a_machine_that_plays(seed):
    rng = np.random.default_rng([3, seed])
    sound = drums(24.0, rng)
    assert compared(*boxes(sound, sound, rng)).standing is Standing.MUSIC


@pytest.mark.slow
@pytest.mark.parametrize(
    "make",
    [
        lambda rng: bursts_of_noise(24.0, rng),
        lambda rng: np.concatenate([drums(24.0, rng), bursts_of_noise(20.0, rng)]),
    ],
    ids=["talk-like bursts", "talk after the music"],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_what_keeps_no_beat_cannot_be_played_back(make, seed):
    rng = np.random.default_rng([4, seed])
    sound = make(rng)
    found = compared(*boxes(sound, sound, rng))
    assert (found.standing, found.unsteady) == (Standing.CLEAR, True)


@pytest.mark.parametrize("how", [{"tempo": 0.06}, {"jitter_s": 0.05}], ids=["a tempo that swings", "never on time"])
def test_a_player_is_no_machine(how):
    rng = np.random.default_rng([10, 1])
    sound = drums(24.0, rng, **how)
    assert compared(*boxes(sound, sound, rng)).standing in (Standing.CLEAR, Standing.UNTOLD)


@pytest.mark.slow
@pytest.mark.parametrize("minutes", [0, 2])
def test_the_same_music_under_other_words(minutes):
    """However long the music lasts: the words on each side are what speaks against one moment."""
    rng = np.random.default_rng(5)
    music = np.concatenate([np.zeros(8 * RATE), drums(30.0 + 60.0 * minutes, rng)])
    clip, take = music.copy(), music.copy()
    clip[: 8 * RATE] += bursts_of_noise(8.0, rng)
    take[: 8 * RATE] += bursts_of_noise(8.0, rng)
    found = compared(*boxes(clip, take, rng))
    assert found.standing is Standing.CONTRADICTED
    assert not found.unsteady
    assert found.spans_s[-1][1] < 8.6


@pytest.mark.parametrize("side", ["camera", "recorder"])
def test_a_hand_on_one_box_accuses_nobody(side):
    rng = np.random.default_rng(6)
    music = drums(30.0, rng)
    bumped = music.copy()
    bumped[10 * RATE : 16 * RATE] += 2.0 * bursts_of_noise(6.0, rng)
    clip, take = (bumped, music) if side == "camera" else (music, bumped)
    assert compared(*boxes(clip, take, rng)).standing is Standing.MUSIC


@pytest.mark.slow
@pytest.mark.parametrize("range_db", [18.0, 28.0])
def test_a_riding_gain_over_rests_holds_nothing_that_the_take_lacks(range_db):
    """In a rest the gain lifts the camera's noise by its whole range; that is no sound, and the take misses nothing."""
    rng = np.random.default_rng(7)
    sound = np.zeros(40 * RATE)
    for start_s in range(1, 40, 6):
        sound[start_s * RATE : (start_s + 2) * RATE] = bursts_of_noise(2.0, rng)
    camera = Camera(0.02, 1.5, range_db, -60.0, limiter=True, noise_reduction_db=0.0, low_cut_hz=0.0, dual_mono=False)
    clip, take = boxes(sound, sound, rng, noise=0.01, camera=camera)
    starts = block_starts(clip)
    heard, (field, _) = clip_spectra(clip, starts), take_spectra(take, AT_ONCE, starts, RATE)
    only_clip, only_take = unlike_cells(heard, field, RATE)
    assert np.mean(only_clip > 0) < 0.03
    assert np.mean(only_take > 0) < 0.03
    assert compared(clip, take).against_s == 0.0


def test_noise_that_the_camera_shuts_off_in_rests_is_no_sound_that_only_the_take_holds(monkeypatch):
    """Levels by numbers: bands 10 to 19 fall by 20 dB in the clip wherever nobody sounds."""
    rng = np.random.default_rng(13)
    resting = np.arange(400) // 40 % 2 == 1
    take = np.where(resting, -60.0, -20.0)[:, np.newaxis] + rng.standard_normal((400, 40))
    clip = take + rng.standard_normal((400, 40))
    clip[np.ix_(resting, np.arange(10, 20))] -= 20.0
    monkeypatch.setattr(same_music, "band_levels", lambda levels, *_, **__: levels)
    only_clip, only_take = unlike_cells(clip, take, RATE)
    assert not only_clip.any()
    assert not only_take.any()
    # A word of the same bands, 20 dB over the take's noise, is one.
    take[50:60, 10:20] += 20.0
    assert unlike_cells(clip, take, RATE)[1].any()


def test_levels_are_fitted_through_a_gain_that_rides():
    """Gain, colour and noise as they were made, to the scatter of noise in a tenth of a second (1 dB or so)."""
    rng = np.random.default_rng(8)
    sound = bursts_of_noise(30.0, rng).copy()
    sound[12 * RATE : 18 * RATE] = 0.0
    gain_db = 10.0 * np.sin(2 * np.pi * np.arange(sound.size) / RATE / 9.0)
    quiet = 0.003 * rng.standard_normal((2, sound.size))
    clip = ArraySamples((10 ** (gain_db / 20) * (sound + quiet[0]))[np.newaxis].astype(np.float32), RATE)
    take = ArraySamples(np.tile((0.5 * sound + 0.0005 * quiet[1] / 0.003), (4, 1)).astype(np.float32), RATE)
    starts = block_starts(clip)
    levels = [
        band_levels(spectra, RATE, blocks=3)
        for spectra in (clip_spectra(clip, starts), take_spectra(take, AT_ONCE, starts, RATE)[0])
    ]
    fitted = fit_levels(*levels)
    error_db = fitted.gain_db - gain_db[starts + 512]
    assert np.std(error_db) < 1.5
    # Half as loud in the take is 6 dB of colour; gain and colour share one constant, which the gain's mean takes.
    assert np.median(fitted.colour_db) + np.mean(error_db) == pytest.approx(20 * np.log10(2), abs=1.0)


def test_nothing_shared_says_nothing():
    rng = np.random.default_rng(9)
    clip, take = boxes(np.zeros(20 * RATE), np.zeros(20 * RATE), rng)
    found = compared(clip, take)
    assert (found.standing, found.steady, found.unsteady) == (Standing.UNTOLD, False, False)


# --- the ladder, by given numbers -----------------------------------------------------------------------------


def standing_of(monkeypatch, *, beats, only_clip=(), only_take=(), agreeing=()):
    """How a match of 200 windows (a quarter of a second apart) stands, whose windows hold cells as listed."""
    counts = [np.isin(np.arange(200), own).astype(float) for own in (only_clip, only_take)]
    heights = np.where(np.isin(np.arange(200), agreeing), 9.0, 1.0)
    monkeypatch.setattr(same_music, "unlike_cells", lambda *_: counts)
    monkeypatch.setattr(same_music, "window_heights", lambda *_: heights)
    # The beat is given, to test what is concluded from it.
    monkeypatch.setattr(same_music, "_beats", lambda *_: beats)
    blocks = (200 + 1) * same_music.WINDOW_HOP
    spectra = np.zeros((1, blocks, 2))
    starts = np.arange(blocks) * HOP
    found = same_music.moments_of(
        spectra, spectra[0], np.ones(blocks, dtype=bool), starts, np.ones(1), np.zeros(1), RATE
    )
    return found.standing


TALK, STEADY, BEAT_ALONE, NEITHER = (True, False, False), (False, True, False), (False, True, True), (False,) * 3


@pytest.mark.parametrize(
    ("beats", "windows", "standing"),
    [
        # A window is 0.256 s: one on each side is a doubt, three beside steady music are a contradiction.
        (TALK, 9, Standing.CLEAR),
        (STEADY, 3, Standing.CONTRADICTED),
        (BEAT_ALONE, 3, Standing.CONTRADICTED),
        (STEADY, 2, Standing.DOUBTFUL),
        (STEADY, 1, Standing.DOUBTFUL),
        (NEITHER, 9, Standing.DOUBTFUL),
        (STEADY, 0, Standing.UNTOLD),
        (NEITHER, 0, Standing.UNTOLD),
        (BEAT_ALONE, 0, Standing.MUSIC),
    ],
)
def test_how_it_stands(monkeypatch, beats, windows, standing):
    own = list(range(10, 10 + 4 * windows, 4))
    assert standing_of(monkeypatch, beats=beats, only_clip=own, only_take=own) is standing


def test_sound_on_one_side_alone_accuses_nobody(monkeypatch):
    for side in ("only_clip", "only_take"):
        assert standing_of(monkeypatch, beats=STEADY, **{side: [10, 14, 18, 22]}) is Standing.UNTOLD


def test_sound_in_moments_in_which_the_waves_agree_speaks_against_nobody(monkeypatch):
    own = [10, 14, 18, 22]
    assert standing_of(monkeypatch, beats=STEADY, only_clip=own, only_take=own, agreeing=own) is Standing.UNTOLD


def test_a_long_clip_is_not_accused_for_its_length():
    """One odd window in every half minute, for half an hour: three lie within a minute and its ends, never sixty."""
    times_s = np.arange(0.0, 1800.0, 0.25)
    odd = np.isclose(times_s % 30.0, 0.0)
    assert odd.sum() == 60
    # Half an hour of sound would be needed to get here from outside.
    assert same_music._fullest(odd, times_s) <= 3
    assert same_music._fullest(np.zeros(times_s.size, dtype=bool), times_s) == 0


def beat_of(seconds, *, off=0, rng=None):
    """Rises of a beat of 0.3 s, at 100 a second, and `off` more of them anywhere between."""
    onsets = np.zeros(round(100 * seconds))
    onsets[15::30] = 1.0
    if off:
        between = rng.choice(np.arange(25, onsets.size - 25, 30), off, replace=False)
        onsets[between + rng.integers(-4, 5, off)] = 1.0
    return onsets


def beats_of(onsets, *, agree=True, looked_at=None):
    middles_s = np.arange(0.0, len(onsets) / 100.0, 0.25)
    if looked_at is not None:
        middles_s = middles_s[(middles_s >= looked_at[0]) & (middles_s < looked_at[1])]
    # What a beat is, by onsets that are given: sounds would leave open where its rises are.
    return same_music._beats(onsets, middles_s, np.full(middles_s.size, agree))


def test_a_beat_alone_and_a_beat_with_something_beside_it():
    rng = np.random.default_rng(11)
    assert beats_of(beat_of(12.0)) == (False, True, True)
    # Eight of 48 rises are off it: the music is as steady, but not all that is shared.
    assert beats_of(beat_of(12.0, off=8, rng=rng)) == (False, True, False)
    irregular = np.zeros(1200)
    irregular[np.cumsum(rng.integers(11, 50, 36))[:36] % 1200] = 1.0
    assert beats_of(irregular)[:2] == (True, False)


def test_few_rises_say_nothing():
    few = np.zeros(1200)
    few[[30, 131, 260, 333, 478, 590, 741, 868, 930, 1011]] = 1.0
    assert beats_of(few) == (False, False, False)


def test_only_what_agrees_and_was_looked_at_has_a_beat():
    assert beats_of(beat_of(24.0), agree=False) == (False, False, False)
    talk_unseen = np.zeros(4800)
    talk_unseen[:1200] = beat_of(12.0)
    rng = np.random.default_rng(12)
    talk_unseen[1300 + np.cumsum(rng.integers(11, 50, 60))] = 1.0
    assert beats_of(talk_unseen, looked_at=(0.0, 12.0)) == (False, True, True)
    assert beats_of(talk_unseen)[0]


def test_distinct_peaks_are_those_of_a_second_implementation() -> None:
    rng = np.random.default_rng(18)
    for number in range(400):
        # Noise; and whole numbers, which have flat tops and peaks of one height.
        size = int(rng.integers(1, 200))
        curve = np.abs(rng.standard_normal(size)) if number % 2 else rng.integers(0, 5, size).astype(float)
        apart, prominence = int(rng.integers(1, 7)), float(rng.uniform(0, 1.5))
        expected, _ = find_peaks(curve, distance=apart, prominence=prominence)
        np.testing.assert_array_equal(_distinct_peaks(curve, apart=apart, prominence=prominence), expected)
