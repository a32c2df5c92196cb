"""The simulator of real microphones against what physics says of each of its faults, one at a time."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import fft

from demo_audio.microphones import (
    LEAD,
    POINTING,
    Body,
    Microphone,
    draw_microphone,
    encoding,
    field_response,
    field_through,
    hiss,
    scattered_by_sphere,
    sphere_points,
)
from demo_audio.rooms import Images
from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from spatial.conventions import SPEED_OF_SOUND_M_S
from spatial.field import angle_between

RATE_HZ = 48_000
HALL = Room((8.0, 6.0, 3.5), 0.4)
FAULTLESS = Microphone(radius_m=1e-7)
FAR_M = 30.0


def heard_from(microphone: Microphone, toward: np.ndarray, *, size: int = 8192) -> np.ndarray:
    """Spectra of W, Y, Z, X of one far source in a direction of the housing, per unit of pressure, shape (4, bins)."""
    image = Images(FAR_M * np.asarray(toward, float)[np.newaxis], np.ones(1), np.zeros(1, dtype=bool))
    bodies = np.array([body.offset_m for body in microphone.bodies])
    response = field_response(microphone, image, np.eye(3), np.zeros(3), bodies)
    late = FAR_M / SPEED_OF_SOUND_M_S * RATE_HZ + LEAD
    turn = np.exp(2j * np.pi * fft.rfftfreq(size) * late)
    return FAR_M * fft.rfft(response, size, axis=1) * turn


def bins_of(low_hz: float, high_hz: float, size: int = 8192) -> slice:
    return slice(round(low_hz * size / RATE_HZ), round(high_hz * size / RATE_HZ))


def directions_at(microphone: Microphone, toward: np.ndarray, hz: float) -> np.ndarray:
    """The direction a first-order analysis reads at one frequency."""
    w, y, z, x = heard_from(microphone, toward)[:, round(hz * 8192 / RATE_HZ)]
    pointing = np.real(np.array([x, y, z]) / w)
    return pointing / np.linalg.norm(pointing)


def test_a_faultless_microphone_in_one_point_is_the_ideal_one():
    performers = [Performer("Ada", (5.5, 4.0, 1.9), np.random.default_rng(1).standard_normal(RATE_HZ // 4), 0.0123)]
    rig = Rig((3.0, 3.0, 1.6), 20.0, (0.05, 0.0, -0.2))
    ideal, near = (
        simulate_shoot(HALL, rig, performers, duration_s=0.6, rng=np.random.default_rng(2), microphone=microphone)
        for microphone in (None, FAULTLESS)
    )
    assert_allclose(near.scratch, ideal.scratch)
    # The direct sound and the first reflections are equal; late paths lie on other grids of time.
    early = slice(0, round(0.0123 * RATE_HZ + 3.0 / SPEED_OF_SOUND_M_S * RATE_HZ + 300))
    assert_allclose(near.field[:, early], ideal.field[:, early], atol=2e-3 * np.max(np.abs(ideal.field[:, early])))
    powers = np.mean(near.field**2, axis=1) / np.mean(ideal.field**2, axis=1)
    assert_allclose(powers, 1.0, rtol=0.1)


def test_the_ideal_microphone_leaves_the_generator_as_it_was():
    rngs = [np.random.default_rng(7), np.random.default_rng(7)]
    performers = [Performer("Ada", (5.5, 4.0, 1.9), np.ones(64))]
    kept = [simulate_shoot(HALL, Rig((3, 3, 1.6), 0.0), performers, duration_s=0.2, rng=rng) for rng in rngs]
    assert_allclose(kept[0].field, kept[1].field, atol=0)
    assert rngs[0].random() == rngs[1].random()


@pytest.mark.parametrize("filtered", [False, True])
def test_axis_gains_come_out_as_set(filtered):
    microphone = replace(FAULTLESS, axis_gains=(0.8, 1.2, 0.75), filtered=filtered)
    for toward, channel, gain in (((1, 0, 0), 3, 0.8), ((0, 1, 0), 1, 1.2), ((0, 0, 1), 2, 0.75)):
        heard = heard_from(microphone, np.array(toward))[:, bins_of(300, 5000)]
        assert_allclose(np.abs(heard[channel] / heard[0]), gain, rtol=0.02)
    # Gains of 0.8 and 1.2 turn what is 45 degrees to the left to atan(1.2 / 0.8) = 56.3 degrees.
    x, y, _ = directions_at(microphone, np.array([1.0, 1.0, 0.0]) / np.sqrt(2), 1200.0)
    assert np.degrees(np.arctan2(y, x)) == pytest.approx(56.3, abs=0.5)


def test_a_shelf_changes_an_axis_over_frequency_only():
    microphone = replace(FAULTLESS, axis_shelves_db=(2.0, 0.0, 0.0))
    heard = heard_from(microphone, np.array([1.0, 0.0, 0.0]))
    ratio_db = 20 * np.log10(np.abs(heard[3] / heard[0]))
    at = {hz: ratio_db[round(hz * 8192 / RATE_HZ)] for hz in (150, 1200, 9600)}
    assert at[1200] == pytest.approx(0.0, abs=0.05)
    assert at[150] == pytest.approx(-2.0 * np.tanh(2.0), abs=0.1)  # three octaves of 1.5 below
    assert at[9600] == pytest.approx(2.0 * np.tanh(2.0), abs=0.1)


def test_a_turned_housing_turns_every_direction_the_other_way():
    # The housing reads from the acoustic axes by 3 degrees to the left: so what is ahead of the housing is 3 degrees
    # to the right of the acoustic front.
    microphone = replace(FAULTLESS, housing_turn_rad=(0.0, 0.0, float(np.radians(3.0))))
    for azimuth in np.radians([-120.0, 0.0, 70.0]):
        x, y, _ = directions_at(microphone, np.array([np.cos(azimuth), np.sin(azimuth), 0.0]), 1000.0)
        assert np.degrees(np.angle(np.exp(1j * (np.arctan2(y, x) - azimuth)))) == pytest.approx(-3.0, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("radius_m", [0.010, 0.0147, 0.025])
def test_directions_hold_for_long_waves_and_alias_for_short_ones(radius_m):
    """Gerzon 1975 (from memory): coincident up to about c / (pi r), where the capsules are a radian or two apart."""
    microphone = Microphone(radius_m=radius_m)
    limit_hz = SPEED_OF_SOUND_M_S / (np.pi * radius_m)
    toward = sphere_points(24)

    def off_deg(hz: float) -> float:
        read = np.array([directions_at(microphone, one, hz) for one in toward])
        return float(np.degrees(np.median(angle_between(read, toward))))

    assert off_deg(limit_hz / 20) < 0.5
    assert off_deg(limit_hz / 4) < 3.0
    assert off_deg(1.3 * limit_hz) > 10.0


def test_filters_keep_the_gain_of_the_axes_where_the_matrix_loses_it():
    toward, limit_hz = sphere_points(48), SPEED_OF_SOUND_M_S / (np.pi * 0.02)

    def gain_of_w(filtered: bool) -> float:
        microphone = Microphone(radius_m=0.02, filtered=filtered)
        place = round(0.8 * limit_hz * 8192 / RATE_HZ)
        return float(np.sqrt(np.mean([np.abs(heard_from(microphone, one)[0, place]) ** 2 for one in toward])))

    assert abs(gain_of_w(True) - 1.0) < 0.6 * abs(gain_of_w(False) - 1.0)


def test_unequal_capsules_leak_the_omni_part_into_the_axes():
    # By hand: capsule front left up 1 dB hot (0.122). X gains 3 / (4 * 0.5) * 0.122 * (0.5 / sqrt 3) = 0.0528 from W,
    # and as much from every axis that points there; W gains 0.122 / 4 * (1 + 1 / sqrt 3 ...) alike.
    hot = np.array([1.0, 0.0, 0.0, 0.0])
    microphone = replace(FAULTLESS, sensitivities_db=hot)
    extra = 10 ** (1 / 20) - 1.0
    toward = np.array([1.0, 0.0, 0.0])
    capsule = 0.5 + 0.5 / np.sqrt(3)
    w, x = 1.0 + extra * capsule / 2.0, 1.0 + extra * capsule * 1.5 / np.sqrt(3)
    y = extra * capsule * 1.5 / np.sqrt(3)
    heard = heard_from(microphone, toward)[:, bins_of(500, 2000)]
    assert_allclose(np.abs(heard[0]), w, rtol=2e-3)
    assert_allclose(np.abs(heard[3]), x, rtol=2e-3)
    assert_allclose(np.real(heard[1] / heard[0]), y / w, rtol=0.03)


def test_the_sphere_is_rigid():
    """On its surface no air moves through: the slope of incident and scattered pressure along the radius is zero."""
    size, step = 512, 1e-5
    wave = 2 * np.pi * fft.rfftfreq(size, 1 / RATE_HZ) / SPEED_OF_SOUND_M_S
    cosines = np.array([1.0, 0.4, -0.3, -1.0])

    def pressure(distance_m: float) -> np.ndarray:
        incident = np.exp(1j * np.outer(cosines, wave) * distance_m)
        return incident + scattered_by_sphere(0.0875, distance_m, cosines, size)

    slope = (pressure(0.0875 + step) - pressure(0.0875)) / step
    alone = np.abs(np.outer(cosines, wave))
    low = slice(4, 150)  # up to 14 kHz; the step is a thousandth of the shortest wave
    assert np.max(np.abs(slope[:, low]) / np.maximum(wave[low], 1.0)) < 0.02
    assert np.max(alone[:, low] / np.maximum(wave[low], 1.0)) > 0.9  # without the sphere it would not be


def test_far_from_a_sphere_little_comes_back():
    """High frequencies, geometry: half the radius over the distance comes back, the travel there and back late."""
    radius, distance = 0.05, 0.5
    heard = fft.irfft(scattered_by_sphere(radius, distance, np.ones(1), 2048)[0], 2048)
    # Against the wave at the middle: it meets the surface 0.05 m sooner and then goes 0.45 m outwards.
    due = (distance - 2 * radius) / SPEED_OF_SOUND_M_S * RATE_HZ
    assert abs(np.argmax(np.abs(heard)) - due) <= 1.5
    high = np.abs(scattered_by_sphere(radius, distance, np.ones(1), 2048)[0, round(8000 * 2048 / RATE_HZ)])
    # The wave that goes back spreads as if from the middle of the radius: a / 2 over the distance from there.
    assert high == pytest.approx(radius / 2 / (distance - radius / 2), rel=0.15)


@pytest.mark.slow
def test_a_camera_beside_the_microphone_pulls_directions_by_degrees():
    microphone = replace(FAULTLESS, bodies=(Body(0.06, (0.0, 0.0, 0.2)),))
    toward = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.7, -0.7, 0.14]])
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    read = np.array([[directions_at(microphone, one, hz) for hz in np.arange(500, 5000, 250)] for one in toward])
    off = np.degrees(angle_between(read, toward[:, np.newaxis]))
    assert 0.5 < np.median(off) < 10.0
    clean = np.degrees(angle_between(directions_at(FAULTLESS, toward[0], 1000.0), toward[0]))
    assert clean < 0.05


def test_a_body_that_would_hold_the_microphone_is_made_smaller():
    microphone = replace(FAULTLESS, bodies=(Body(0.3, (0.1, 0.0, 0.0)),))
    assert np.all(np.isfinite(heard_from(microphone, np.array([1.0, 0.0, 0.0]))))


def test_noise_from_all_around_has_a_third_of_the_power_in_each_axis_times_its_gain(rng):
    field = rng.standard_normal((4, RATE_HZ)) * np.array([[1.0], [3**-0.5], [3**-0.5], [3**-0.5]])
    heard = field_through(replace(FAULTLESS, axis_gains=(0.8, 1.2, 0.75)), field)
    powers = np.mean(heard**2, axis=1) / np.mean(field**2, axis=1)
    assert_allclose(powers, np.array([1.0, 1.2, 0.75, 0.8]) ** 2, rtol=0.02)
    assert_allclose(field_through(FAULTLESS, field), field, atol=0.02 * np.max(field))


def test_hiss_rises_towards_low_frequencies_in_the_axes_and_not_in_w(rng):
    tone = np.zeros((4, 4 * RATE_HZ))
    tone[0] = np.sin(2 * np.pi * 440 * np.arange(4 * RATE_HZ) / RATE_HZ)
    noise = hiss(Microphone(hiss_db=-60.0), tone, rng)
    power = np.abs(fft.rfft(noise, axis=1)) ** 2
    low, high = (np.mean(power[:, 4 * a : 4 * b], axis=1) for a, b in ((230, 270), (930, 1070)))
    assert_allclose(10 * np.log10(low / high), [0.0, 12.0, 12.0, 12.0], atol=1.5)  # two octaves; some 160 bins each
    # White noise at -60 dB of a tone whose power is a half.
    assert 10 * np.log10(np.mean(noise[0] ** 2)) == pytest.approx(-63.0, abs=0.2)
    assert np.all(hiss(Microphone(), tone, rng) == 0.0)


def test_draws_stay_within_their_bounds_and_follow_the_seed():
    drawn = [draw_microphone(np.random.default_rng(seed)) for seed in range(200)]
    gains = np.array([one.axis_gains for one in drawn])
    assert gains.min() >= 0.75
    assert gains.max() <= 1.25
    assert 0.1 < np.mean(gains.max(axis=1) - gains.min(axis=1)) < 0.22
    turns = np.degrees(np.linalg.norm([one.housing_turn_rad for one in drawn], axis=1))
    assert turns.min() >= 0.7
    assert turns.max() <= 3.0
    tilts = np.degrees(np.concatenate([angle_between(one.aims, POINTING) for one in drawn]))
    assert tilts.max() <= 3.0
    assert all(np.ptp(one.sensitivities_db) <= 1.5 for one in drawn)
    assert 0.3 < np.mean([one.filtered for one in drawn]) < 0.8
    assert all(one.filtered for one in drawn if one.radius_m > 0.017)
    assert draw_microphone(np.random.default_rng(5)).axis_gains == drawn[5].axis_gains
    assert drawn[5].axis_gains != drawn[6].axis_gains


def test_encoding_of_a_design_gives_its_own_axes_back():
    for filtered in (False, True):
        microphone = Microphone(radius_m=0.015, omni_part=0.6, filtered=filtered)
        heard = heard_from(microphone, np.array([0.0, 0.6, 0.8]))[:, bins_of(200, 600)]
        assert_allclose(
            np.real(heard[[3, 1, 2]] / heard[0]).mean(axis=1), [0.0, 0.6, 0.8], atol=0.015
        )  # the filters' taper
    assert encoding(FAULTLESS, 64).shape == (33, 4, 4)
