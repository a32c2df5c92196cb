"""A film's sound against its track: every answer against a film that was made wrong on purpose, and ordinary ones."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from spatial.dsp.samples import ArraySamples
from spatial.errors import InputError
from spatial.field import ChannelFormat, encode, internal_from
from spatial.rotation import YawPitchRoll, matrix_from_ypr, rotation_angle, turn_field
from spatial.verification.lag_path import moments_of_change
from spatial.verification.lip_sync import Verdict, judge_lip_sync
from spatial.verification.matrix_reading import MixKind, read_matrix, turn_in_words
from spatial.verification.mix_estimate import ChangeKind, Presence, estimate_mix
from tests.scenes.fields import talking_field
from tests.scenes.stage import RATE

pytestmark = pytest.mark.slow

START_S, LENGTH_S = 1.0, 3.0
"""The shot is these seconds of the track."""


@pytest.fixture(scope="module")
def track():
    return talking_field(np.random.default_rng(5), seconds=5.0, hiss=1e-3)


def shot(track, *, early_s=0.0):
    """What a film plays of the track where its sound is so early."""
    first = round((START_S + early_s) * RATE)
    return track[:, first : first + round(LENGTH_S * RATE)].copy()


def found(film, track, **options):
    return estimate_mix(
        ArraySamples(film.astype(np.float32), RATE), ArraySamples(track.astype(np.float32), RATE), START_S, **options
    )


def bed(count, level, seed=9):
    """Other sound: three voices of noise, each with a beat of its own, from three sides."""
    rng = np.random.default_rng(seed)
    out = np.zeros((4, count))
    time_s = np.arange(count) / RATE
    for azimuth, beat_hz in ((30, 2.0), (-30, 3.1), (150, 0.7)):
        sound = sosfilt(butter(2, (100, 5000), "bandpass", fs=RATE, output="sos"), rng.standard_normal(count))
        out += encode(sound * (1.2 + np.sin(2 * np.pi * beat_hz * time_s)), np.radians(azimuth), 0.1)
    return level * out / np.std(out[0])


def kind_of(estimate):
    assert estimate.presence is Presence.PRESENT, estimate.why
    assert estimate.readings[0].probability > 0.95
    return estimate.readings[0].kind


# --- in step ---


@pytest.mark.parametrize("early_s", [0.0, 0.045, -0.125, 0.0901, 0.95])
def test_early_is_positive_and_exact(track, early_s):
    estimate = found(shot(track, early_s=early_s), track)
    # A sample is 0.02 ms.
    assert estimate.early_s == pytest.approx(early_s, abs=3e-5)
    assert kind_of(estimate) is MixKind.CLEAN
    assert estimate.changes == ()


@pytest.mark.parametrize(
    ("early_s", "verdict"),
    [(0.040, Verdict.UNNOTICED), (0.080, Verdict.ACCEPTABLE), (0.100, Verdict.UNACCEPTABLE),
     (-0.120, Verdict.UNNOTICED), (-0.150, Verdict.ACCEPTABLE), (-0.200, Verdict.UNACCEPTABLE)],
)  # fmt: skip
def test_a_lag_lands_in_its_zone_of_bt_1359(track, early_s, verdict):
    # ITU-R BT.1359-1: detected from 45 ms early and 125 ms late, unacceptable from 90 ms early and 185 ms late.
    estimate = found(shot(track, early_s=early_s), track)
    assert judge_lip_sync(estimate.early_s, estimate.early_sd_s).verdict is verdict


@pytest.mark.parametrize("other_db", [0.0, 10.0])
def test_other_sound_does_not_move_the_lag_and_is_measured(track, other_db):
    own = shot(track, early_s=0.02)
    other = bed(own.shape[1], np.std(own[0]) * 10 ** (other_db / 20))
    estimate = found(own + other, track)
    assert estimate.early_s == pytest.approx(0.02, abs=2e-4)
    assert kind_of(estimate) is MixKind.CLEAN
    assert estimate.other_db == pytest.approx(other_db, abs=3.0)


def test_a_pair_and_a_mono_film_are_held_against_the_field(track):
    own = shot(track, early_s=-0.04)
    # Two cardioids to the sides: value by definition, (W + Y) / 2 and (W - Y) / 2.
    left, right = 0.5 * (own[0] + own[1]), 0.5 * (own[0] - own[1])
    pair = found(np.stack([left, right]), track)
    assert pair.early_s == pytest.approx(-0.04, abs=3e-5)
    assert [reading.kind for reading in pair.readings] == [MixKind.CLEAN]
    exchanged = found(np.stack([right, left]), track)
    assert [(reading.kind, reading.axis) for reading in exchanged.readings] == [(MixKind.MIRRORED, "left-right")]
    mono = found((left + right)[np.newaxis], track)
    assert mono.early_s == pytest.approx(-0.04, abs=3e-5)
    assert mono.readings == ()
    twice = found(np.stack([left + right] * 2), track)
    assert twice.readings == ()
    assert "left and right" in twice.undetermined


# --- what has become of the channels ---


@pytest.mark.parametrize(
    ("yaw", "pitch", "roll", "words"),
    [(90, 0, 0, "turned 90° to the left"), (-90, 0, 0, "turned 90° to the right"), (180, 0, 0, "turned 180°"),
     (0, 25, 0, "tipped 25° up"), (0, 0, 30, "leaning 30° to the right")],
)  # fmt: skip
def test_a_turn_is_measured_with_its_sign(track, yaw, pitch, roll, words):
    turn = matrix_from_ypr(YawPitchRoll.from_degrees(yaw, pitch, roll))
    own = shot(track)
    other = bed(own.shape[1], np.std(own[0]))
    estimate = found(turn_field(own, turn) + other, track)
    assert kind_of(estimate) is MixKind.TURNED
    assert rotation_angle(estimate.readings[0].turn, turn) < np.radians(2.0)
    assert turn_in_words(turn) == words


def test_a_turn_by_the_mount_is_named_and_its_absence_too(track):
    mount = matrix_from_ypr(YawPitchRoll.from_degrees(70, 10, -5))
    own = shot(track)
    assert kind_of(found(turn_field(own, mount), track, mount=mount)) is MixKind.TURNED_TWICE
    assert kind_of(found(turn_field(own, mount.T), track, mount=mount)) is MixKind.NOT_TURNED
    assert kind_of(found(own, track, mount=mount)) is MixKind.CLEAN
    assert kind_of(found(turn_field(own, mount), track)) is MixKind.TURNED


@pytest.mark.parametrize(("channel", "axis"), [(1, "left-right"), (2, "up-down"), (3, "front-back")])
def test_an_inverted_direction_is_a_mirror(track, channel, axis):
    own = shot(track)
    own[channel] *= -1
    estimate = found(own, track)
    assert kind_of(estimate) is MixKind.MIRRORED
    assert (estimate.readings[0].axis, estimate.readings[0].channels) == (axis, (channel,))


def test_an_inverted_omni_is_not_a_mirror(track):
    own = shot(track)
    own[0] *= -1
    estimate = found(own, track)
    assert kind_of(estimate) is MixKind.INVERTED_CHANNEL
    assert estimate.readings[0].channels == (0,)


def test_a_whole_film_inverted_is_heard_alike(track):
    assert kind_of(found(-shot(track), track)) is MixKind.CLEAN


@pytest.mark.parametrize(
    ("export", "kind", "order"),
    [
        # RFC 8486, section 3.1: channels in ACN order (W, Y, Z, X), SN3D. What a film holds in W, X, Y, Z:
        (lambda own: own[[0, 3, 1, 2]], MixKind.ORDER, (0, 3, 1, 2)),
        (lambda own: own[[0, 1, 3, 2]], MixKind.ORDER, (0, 1, 3, 2)),
        (lambda own: own[[3, 1, 2, 0]], MixKind.ORDER, (3, 1, 2, 0)),
        # N3D is SN3D times the root of 2 n + 1; n = 1.
        (lambda own: own * np.sqrt([[1.0], [3], [3], [3]]), MixKind.NORMALISATION, ()),
        (lambda own: own / np.sqrt([[1.0], [3], [3], [3]]), MixKind.NORMALISATION, ()),
        (lambda own: own * np.sqrt([[0.5], [1], [1], [1]]), MixKind.NORMALISATION, ()),
        (lambda own: own[[0, 3, 1, 2]] * np.sqrt([[0.5], [1], [1], [1]]),
         MixKind.ORDER_AND_NORMALISATION, (0, 3, 1, 2)),
        (lambda own: internal_from(own, ChannelFormat.FUMA), MixKind.ORDER_AND_NORMALISATION, (0, 2, 3, 1)),
        (lambda own: own * [[1.0], [1], [0.5], [1]], MixKind.CHANNEL_GAIN, (2,)),
    ],
)  # fmt: skip
def test_an_export_in_another_convention_is_named(track, export, kind, order):
    own = shot(track)
    estimate = found(export(own) + bed(own.shape[1], np.std(own[0])), track)
    assert kind_of(estimate) is kind
    assert estimate.readings[0].channels == order


@pytest.mark.parametrize("channel", range(4))
def test_a_missing_channel_is_named(track, channel):
    own = shot(track)
    own += bed(own.shape[1], np.std(own[0]))
    own[channel] = 0.0
    estimate = found(own, track)
    assert kind_of(estimate) is MixKind.DEAD_CHANNEL
    assert estimate.readings[0].channels == (channel,)
    assert estimate.silent_channels == (channel,)


def test_a_mixture_without_a_name_is_called_other(track):
    mix = np.random.default_rng(3).uniform(-1, 1, (4, 4))
    estimate = found(mix @ shot(track), track)
    assert kind_of(estimate) is MixKind.OTHER
    np.testing.assert_allclose(estimate.matrix, mix, atol=0.02)


def test_one_source_leaves_turns_about_it_open():
    rng = np.random.default_rng(4)
    voice = sosfilt(butter(2, (200, 5000), "bandpass", fs=RATE, output="sos"), rng.standard_normal(5 * RATE))
    track = encode(voice * (1 + np.sin(9 * np.arange(voice.size) / RATE)), np.radians(40), 0.0)
    estimate = found(shot(track), track)
    assert estimate.presence is Presence.PRESENT
    assert estimate.readings[0].kind is MixKind.CLEAN
    assert "a turn about the line through azimuth 40°, elevation 0°" in estimate.undetermined
    assert "up-down" in estimate.undetermined or "mirrored" in estimate.undetermined
    assert estimate.readings[0].turn_sd_rad == np.inf
    # A turn away from there is seen all the same.
    turned = found(turn_field(shot(track), matrix_from_ypr(YawPitchRoll.from_degrees(60, 0, 0))), track)
    assert turned.readings[0].kind is not MixKind.CLEAN
    assert all(reading.probability < 0.01 for reading in turned.readings if reading.kind is MixKind.CLEAN)


def test_nothing_known_leaves_the_priors():
    readings, undetermined = read_matrix(np.eye(4), np.zeros((4, 4, 4)))
    assert readings[0].kind is MixKind.CLEAN
    assert readings[0].probability < 0.95
    assert "a turn" in undetermined


# --- inside a shot ---


@pytest.mark.parametrize("jump_s", [0.02, -0.04, 0.08])
def test_a_slip_is_found_with_its_moment(track, jump_s):
    own, late = shot(track), shot(track, early_s=jump_s)
    place = round(1.6 * RATE)
    own[:, place:] = late[:, place:]
    estimate = found(own + bed(own.shape[1], 0.5 * np.std(own[0])), track)
    [slip] = estimate.changes
    assert slip.kind is ChangeKind.SLIP
    assert slip.size == pytest.approx(jump_s, abs=2e-4)
    # Bursts come four a second: between two of them nothing tells.
    assert slip.film_time_s == pytest.approx(1.6, abs=0.2)
    assert [round(piece.early_s, 3) for piece in estimate.pieces] == [0.0, jump_s]


def test_a_hole_is_found_with_both_ends(track):
    own = shot(track)
    own[:, round(1.30 * RATE) : round(1.50 * RATE)] = 0.0
    [hole] = found(own, track).changes
    assert hole.kind is ChangeKind.HOLE
    assert (hole.film_time_s, hole.stop_s) == (pytest.approx(1.30, abs=0.02), pytest.approx(1.50, abs=0.02))


def test_channels_that_turn_inside_a_shot_are_found(track):
    own = shot(track)
    place = round(1.5 * RATE)
    own[:, place:] = turn_field(own[:, place:], matrix_from_ypr(YawPitchRoll.from_degrees(90, 0, 0)))
    turns = [change for change in found(own, track).changes if change.kind is ChangeKind.TURN]
    assert [change.film_time_s for change in turns] == [pytest.approx(1.5, abs=0.5)]


def test_a_level_that_jumps_is_found():
    track = talking_field(np.random.default_rng(6), seconds=7.0, hiss=1e-3)
    own = track[:, RATE : 6 * RATE].copy()
    own[:, round(2.5 * RATE) :] *= 10 ** (-9 / 20)
    levels = [change for change in found(own, track).changes if change.kind is ChangeKind.LEVEL]
    assert [change.size for change in levels] == [pytest.approx(-9.0, abs=1.0)]
    assert levels[0].film_time_s == pytest.approx(2.5, abs=0.5)


def test_fades_ducking_equalisers_and_limiters_are_ordinary(track):
    own = shot(track)
    count = own.shape[1]
    time_s = np.arange(count) / RATE
    faded = own * np.clip(np.minimum(time_s / 0.5, (LENGTH_S - time_s) / 0.5), 0, 1)
    ducked = own * 10 ** (-(6 + 6 * np.sin(2 * np.pi * 0.7 * time_s)) / 20)
    filtered = sosfilt(butter(1, 2500, fs=RATE, output="sos"), own, axis=1)
    limited = own / (1 + 3 * np.abs(sosfilt(butter(1, 20, fs=RATE, output="sos"), np.abs(own[0]))) / np.std(own[0]))
    for film in (faded, ducked, filtered, limited):
        estimate = found(film, track)
        assert kind_of(estimate) is MixKind.CLEAN
        assert [change for change in estimate.changes if change.kind is not ChangeKind.LEVEL] == []
        assert estimate.early_s == pytest.approx(0.0, abs=2e-4)


# --- not this sound, and cannot tell ---


def test_another_sound_is_absent(track):
    other = talking_field(np.random.default_rng(77), seconds=LENGTH_S, hiss=1e-3)
    estimate = found(other, track)
    assert estimate.presence is Presence.ABSENT
    assert np.isnan(estimate.early_s)
    assert estimate.readings == ()
    assert estimate.floor_db < -10


def test_two_takes_of_one_song_are_told_apart():
    count = 5 * RATE
    song = 2.0 * encode(bed(count, 0.1, seed=1)[0], np.radians(20), 0.0)
    ours, theirs = (4.0 * talking_field(np.random.default_rng(seed), seconds=5.0) for seed in (2, 3))
    track, retake = song + ours, song + theirs
    estimate = found(shot(retake), track)
    assert estimate.presence is Presence.OTHER_MOMENT
    assert "missing" in estimate.why
    # The take itself, with the other people added to it, is itself.
    assert found(shot(track + theirs), track).presence is Presence.PRESENT


def test_silence_and_flashes_are_not_judged(track):
    assert found(np.zeros((4, RATE)), track).why == "the film is silent there"
    assert found(shot(track), np.zeros_like(track)).why == "the track is silent there"
    assert "shorter" in found(shot(track)[:, : RATE // 4], track).why


def test_what_drowns_is_not_called_absent(track):
    # The track is in it, so faintly and for so short that it cannot be found: what is said must not be untrue.
    own = shot(track)[:, : round(0.42 * RATE)]
    for over_db in (0.0, 20.0, 40.0):
        estimate = found(own + bed(own.shape[1], np.std(own[0]) * 10 ** (over_db / 20)), track)
        assert estimate.presence is Presence.PRESENT or over_db > -estimate.floor_db


def test_two_jumps_beside_each_other_do_not_cross(track):
    # Nothing agrees here, so each moment lies anywhere in its reach: each piece holds samples all the same.
    rng = np.random.default_rng(8)
    noise = ArraySamples(rng.standard_normal((4, 2 * RATE)).astype(np.float32), RATE)
    for _ in range(20):
        rough = RATE * (0.3 + np.array([0.0, 0.5, 1.0]) + rng.uniform(0, 0.3))
        lags = rng.uniform(0, RATE, 4)
        moments = moments_of_change(noise, ArraySamples(track.astype(np.float32), RATE), np.eye(4), rough, lags)
        assert np.all(np.diff([0.0, *moments, noise.length]) > 0.01 * RATE)


def test_flashes_scraps_and_places_outside_the_track_raise_nothing(track):
    rng = np.random.default_rng(10)
    for frames in range(1, 21):
        count = frames * RATE // 25
        own = shot(track)[:, :count]
        for film, held in (
            (own, track),
            (own[:1], track),
            (own, track[:, :1]),
            (own, track[:, : RATE + count // 2]),
            (rng.standard_normal((4, count)), track),
        ):
            estimate = found(film, held, search_s=0.3)
            assert estimate.presence is not Presence.PRESENT or abs(estimate.early_s) < 1e-3
    for expected_s in (-1e4, -0.5, 5.2, 1e5):
        estimate = estimate_mix(
            ArraySamples(shot(track).astype(np.float32), RATE), ArraySamples(track.astype(np.float32), RATE), expected_s
        )
        assert estimate.presence in (Presence.UNTOLD, Presence.PRESENT)
    assert found(track[:, :1], track).presence is Presence.UNTOLD
    assert found(shot(track), track, search_s=1e-6).early_s == pytest.approx(0.0, abs=3e-5)


@pytest.mark.parametrize("other_db", [-20.0, 3.0])
def test_a_short_shot_with_much_beside_leaves_the_take_open(track, other_db):
    # Half a second holds few patches in which a second direction could be missing.
    own = shot(track)[:, : round(0.5 * RATE)]
    estimate = found(own + bed(own.shape[1], np.std(own[0]) * 10 ** (other_db / 20)), track)
    assert estimate.presence is Presence.PRESENT
    assert ("another take" in estimate.undetermined) == (other_db > 0)


def test_two_ears_are_not_called_another_take(track):
    # Each direction comes to an ear with a delay and a shade of its own, which no real matrix makes.
    own = shot(track)
    ears = np.zeros((2, own.shape[1]))
    for azimuth in np.radians([0, 60, 120, 180, 240, 300]):
        signal = encode(np.ones(1), azimuth, 0.0)[:, 0] @ own / 6
        for ear, side in enumerate((1.0, -1.0)):
            # Woodworth's far-field delay for a head of 8.75 cm, without its curved part; value from memory.
            ears[ear] += np.roll(signal, round(0.000255 * (1 - side * np.sin(azimuth)) * RATE))
    estimate = found(ears, track)
    assert estimate.presence is Presence.PRESENT
    assert estimate.early_s == pytest.approx(-0.00025, abs=3e-4)


def test_bad_input_is_one_sentence(track):
    with pytest.raises(InputError, match="1, 2 or 4 channels"):
        found(np.zeros((3, RATE)), track)
    with pytest.raises(InputError, match="samples a second"):
        estimate_mix(ArraySamples(track, 44_100), ArraySamples(track, RATE), 0.0)
    with pytest.raises(InputError, match="no times"):
        estimate_mix(ArraySamples(track, RATE), ArraySamples(track, RATE), float("nan"))
    with pytest.raises(InputError, match="no numbers"):
        found(np.full((4, RATE), np.nan), track)
    with pytest.raises(InputError, match="mirrors"):
        found(shot(track), track, mount=np.diag([1.0, -1.0, 1.0]))
