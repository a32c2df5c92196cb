"""Real first-order microphones: four capsules that are not alike, not in one point, and not alone in the air.

Goal: scenes whose microphone is as real ones are, with the truth known. The ideal microphone of demo_audio.simulate
hears all four channels in one point, with equal gains and no noise; no microphone does.
Conventions: spatial.conventions (axes, field). "Housing" is what one sees and mounts; the axes the sound is encoded in
(the acoustic axes) may be turned against it. Angles in radians, times in seconds, at 48 kHz.
Functions: draw_microphone (one at random, from one generator); field_response (what it makes of the paths from a
source); field_through (what it makes of a field that is there already: noise from all around); hiss; encoding;
scattered_by_sphere; sphere_points.
Left out: the proximity effect; bodies act on the sound and its first reflections, not on the late ones, which come
from everywhere with or without them; what a body scatters is taken for a wave from its middle.
Sources:
[1] M. Gerzon 1975, "The Design of Precisely Coincident Microphone Arrays for Stereo and Surround Sound", AES 50th
    Convention, L-20: capsules on a tetrahedron, sums and differences, and the frequency where that ends.
[2] P. Morse, K. Ingard 1968, "Theoretical Acoustics", chapter 8: a plane wave that meets a rigid sphere (from memory;
    the tests derive the boundary's condition).
[3] R. Duda, W. Martens 1998, "Range dependence of the response of a spherical head model", JASA 104(5): a head is a
    rigid sphere of 87.5 mm (value from memory).
[4] B. Rafaely 2015, "Fundamentals of Spherical Array Processing", chapter 4: encoding by regularised least squares.
The spreads in draw_microphone are common practice, no source.
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy import fft
from scipy.spatial.transform import Rotation
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from demo_audio.boxes import power_while_sounding
from demo_audio.rooms import HALF_KERNEL, Images, path_response
from spatial.conventions import DELIVERY_RATE_HZ, SPEED_OF_SOUND_M_S, ComplexArray, FloatArray, W

POINTING: FloatArray = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3.0)
"""Where the four capsules point and sit, shape (4, 3): front left up, front right down, back left down, back right
up."""

HEAD_RADIUS_M = 0.0875
LEAD = HALF_KERNEL + 128
"""Samples of field_response before time 0: the kernel of exact delays, and the encoding filters' own lead."""
_FILTER_REACH = 64
_TAIL = 1024
"""Samples kept after the last path: bodies and filters ring on."""
_OVER = 8
"""Late paths are put on a grid so much finer than a sample: an eighth is 0.9 mm, small beside any microphone."""
_NEAREST_BODY = 1.3
"""A body that would come nearer to the microphone than this many of its radii is made smaller."""
_SMALLEST_BODY_M = 0.01
_SPHERE_ORDERS = 48
"""Orders of the rigid sphere's series: k a is 38 for a head at 24 kHz."""
_RIDGE = 0.01
"""Regularisation of encoding filters [4], as a part of a capsule's mean power: limits what noise they make."""
_MATRIX_UP_TO_M, _MATRIX_UP_TO_OMNI = 0.017, 0.55
_SHELF_HZ, _SHELF_OCTAVES = 1200.0, 1.5


@dataclass(frozen=True, slots=True)
class Body:
    """A rigid sphere beside the microphone: a camera's body, somebody's head."""

    radius_m: float
    offset_m: tuple[float, float, float]
    """Of its middle, forward, left and up of the lens."""


@dataclass(frozen=True, slots=True, eq=False)
class Microphone:
    """A tetrahedral microphone, its maker's encoding, and what stands beside it. The defaults are without fault."""

    radius_m: float = 0.0147
    """From the middle to a capsule; 0 is a coincident microphone."""
    omni_part: float = 0.5
    """Pattern of the capsules, a + (1 - a) cos, as the encoding takes it to be."""
    omni_parts_off: FloatArray = field(default_factory=lambda: np.zeros(4))
    """What each capsule's pattern is off by, shape (4,)."""
    sensitivities_db: FloatArray = field(default_factory=lambda: np.zeros(4))
    delays_s: FloatArray = field(default_factory=lambda: np.zeros(4))
    """The phase of each capsule, as a delay."""
    aims: FloatArray = field(default_factory=lambda: POINTING.copy())
    """Where each capsule points in the acoustic axes, shape (4, 3); they sit where they should."""
    filtered: bool = False
    """Encoded by filters that undo the capsules' distance ([4]); else by sums and differences alone ([1])."""
    axis_gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Gain of X, Y, Z against W at 1.2 kHz."""
    axis_shelves_db: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How much louder X, Y, Z are far above 1.2 kHz than there, and softer far below."""
    housing_turn_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Rotation vector that turns a direction in the acoustic axes into one in the housing's."""
    hiss_db: float | None = None
    """Own noise of W, which is white, against the loud moments of W; X, Y and Z have its density at 1 kHz."""
    bodies: tuple[Body, ...] = ()


def draw_microphone(rng: np.random.Generator) -> Microphone:
    """An ordinary real microphone on an ordinary rig.

    Capsules 10 to 25 mm from the middle (three of four within 12), patterns of 0.4 to 0.7, matched to within 0.2 to
    1.5 dB, 10 microseconds and 3 degrees; gains of X, Y, Z against W within 0.75 to 1.25; a housing 0.7 to 3 degrees
    askew; a camera behind the lens, and in half of the cases the head of whoever holds the rig. Large microphones and
    wide patterns are encoded by filters, as by sums and differences alone they tell no direction above 2 kHz. The
    ranges are the rare ends: in the free field, 300 to 5000 Hz, the best turn taken out, the median direction is off by
    2.8 degrees for the middle one of these microphones and by 4.4 for one in ten.

    Examples
    --------
    >>> microphone = draw_microphone(np.random.default_rng(3))
    >>> 0.01 <= microphone.radius_m <= 0.025 and len(microphone.bodies) in (1, 2)
    True
    """
    matched_db = 0.2 * 7.5 ** (rng.random() ** 4)
    tilts = rng.standard_normal((4, 3))
    tilts *= (np.radians(rng.uniform(0.0, 3.0, 4)) / np.linalg.norm(tilts, axis=1))[:, np.newaxis]
    aims = Rotation.from_rotvec(tilts).apply(POINTING)
    # What all three have in common turns no direction; what each has of its own does.
    gains = np.clip(rng.uniform(0.9, 1.1) * (1.0 + 0.2 * rng.uniform(-1.0, 1.0, 3) * rng.random(3)), 0.75, 1.25)
    askew = rng.standard_normal(3)
    askew *= np.radians(rng.uniform(0.7, 3.0)) / np.linalg.norm(askew)
    camera_m = rng.uniform(0.04, 0.08)
    bodies = [Body(camera_m, (-camera_m - 0.02, rng.uniform(-0.03, 0.03), rng.uniform(-0.03, 0.03)))]
    away, beside, above = rng.uniform(0.4, 1.0), rng.uniform(-0.3, 0.3), rng.uniform(-0.2, 0.3)
    if rng.random() < 0.5:
        bodies.append(Body(HEAD_RADIUS_M, (-away, beside, above)))
    radius_m, omni_part = 0.010 * 2.5 ** (rng.random() ** 6), rng.triangular(0.4, 0.5, 0.7)
    return Microphone(
        radius_m=radius_m,
        omni_part=omni_part,
        omni_parts_off=rng.uniform(-0.006, 0.006, 4),
        sensitivities_db=rng.uniform(-matched_db / 2, matched_db / 2, 4),
        delays_s=rng.uniform(-5e-6, 5e-6, 4),
        aims=aims,
        filtered=bool(rng.random() < 0.2) or radius_m > _MATRIX_UP_TO_M or omni_part > _MATRIX_UP_TO_OMNI,
        axis_gains=(float(gains[0]), float(gains[1]), float(gains[2])),
        axis_shelves_db=(rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
        housing_turn_rad=(float(askew[0]), float(askew[1]), float(askew[2])),
        hiss_db=rng.uniform(-70.0, -50.0),
        bodies=tuple(bodies),
    )


def field_response(
    microphone: Microphone, images: Images, axes_from_room: FloatArray, mic_m: FloatArray, bodies_m: FloatArray, *,
    shift: float = 0.0,
) -> FloatArray:  # fmt: skip
    """Impulse response of a source and its reflections in W, Y, Z, X as this microphone encodes them.

    Parameters
    ----------
    microphone : Microphone
    images : Images
        In room coordinates.
    axes_from_room : ndarray, shape (3, 3)
        Turns room coordinates into the housing's axes.
    mic_m : ndarray, shape (3,)
        The middle of the microphone in the room.
    bodies_m : ndarray, shape (bodies, 3)
        The middles of its bodies in the room.
    shift : float
        Further delay, samples.

    Returns
    -------
    ndarray, shape (4, taps)
        Time 0 is at tap LEAD.
    """
    acoustic_from_room = _acoustic_from_housing(microphone) @ axes_from_room
    places = (images.positions_m - mic_m) @ acoustic_from_room.T
    sounds = _capsule_responses(microphone, places, images, shift)
    size = fft.next_fast_len(sounds.shape[1], real=True)
    spectra = fft.rfft(sounds, size, axis=1)
    early = ~images.late
    for body, middle_m in zip(microphone.bodies, np.reshape(bodies_m, (-1, 3)), strict=True):
        centre = acoustic_from_room @ (middle_m - mic_m)
        spectra += _scattered(microphone, body, centre, places[early], images.gains[early], shift, size)
    encoded = np.einsum("fca,af->cf", encoding(microphone, size), spectra)
    return np.asarray(fft.irfft(encoded, size, axis=1)[:, : sounds.shape[1]])


def field_through(microphone: Microphone, field: FloatArray) -> FloatArray:
    """An ideal field as this microphone would have recorded it, as far as four channels can say.

    The 4 by 4 filters that come nearest to the microphone over all directions: what a field from all around, noise or
    late reverberation, needs. What aliases from higher orders is left out, and so are bodies.

    Parameters
    ----------
    microphone : Microphone
    field : ndarray, shape (4, samples)
        W, Y, Z, X in the housing's axes.

    Returns
    -------
    ndarray, shape (4, samples)
    """
    toward = sphere_points(96)
    block = 1024
    frequencies_hz = fft.rfftfreq(block, 1.0 / DELIVERY_RATE_HZ)
    heard = encoding(microphone, block) @ _capsule_gains(microphone, toward, frequencies_hz, housing=True)
    filters = heard @ np.linalg.pinv(_first_order(toward))
    taps = np.roll(fft.irfft(filters, block, axis=0), block // 2, axis=0) * np.hanning(block + 1)[:block, None, None]
    size = fft.next_fast_len(field.shape[1] + block, real=True)
    turned = np.einsum("fca,af->cf", fft.rfft(taps, size, axis=0), fft.rfft(np.asarray(field, float), size, axis=1))
    return np.asarray(fft.irfft(turned, size, axis=1)[:, block // 2 :][:, : field.shape[1]])


def hiss(microphone: Microphone, field: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The microphone's own noise beside this field, shape (4, samples).

    W is flat; X, Y and Z, which capsules subtracted from each other make, rise by 6 dB an octave downwards from 1 kHz
    ([1]: the differences shrink as wavelengths grow, where pressure capsules are used; common practice, no source for
    the level).
    """
    samples = field.shape[1]
    if microphone.hiss_db is None:
        return np.zeros((4, samples))
    size = fft.next_fast_len(samples, real=True)
    frequencies_hz = np.maximum(fft.rfftfreq(size, 1.0 / DELIVERY_RATE_HZ), 40.0)
    shape = np.stack([np.ones_like(frequencies_hz), *[np.maximum(1000.0 / frequencies_hz, 0.5)] * 3])
    level = np.sqrt(power_while_sounding(field[W], rate_hz=DELIVERY_RATE_HZ)) * 10 ** (microphone.hiss_db / 20)
    noise = fft.irfft(fft.rfft(rng.standard_normal((4, size)), axis=1) * shape, size, axis=1)[:, :samples]
    return np.asarray(level * noise)


def encoding(microphone: Microphone, size: int) -> ComplexArray:
    """From the four capsules to W, Y, Z, X at the frequencies of a transform of `size`, shape (frequencies, 4, 4).

    What the maker knows (radius, pattern) with what went wrong after it: sensitivities and phases of the capsules, and
    the gains of the axes.
    """
    frequencies_hz = fft.rfftfreq(size, 1.0 / DELIVERY_RATE_HZ)
    omni = np.ones((1, 4)) / (4.0 * microphone.omni_part)
    figures = 3.0 * POINTING.T[[1, 2, 0]] / (4.0 * (1.0 - microphone.omni_part))
    matrix: ComplexArray = np.concatenate([omni, figures])[np.newaxis].astype(complex)
    if microphone.filtered:
        matrix = _encoding_filters(microphone.radius_m, microphone.omni_part, size)
    off = 10 ** (microphone.sensitivities_db / 20) * np.exp(
        -2j * np.pi * frequencies_hz[:, np.newaxis] * microphone.delays_s
    )
    x, y, z = (
        gain * 10 ** (shelf_db / 20 * np.tanh(np.log2(np.maximum(frequencies_hz, 1.0) / _SHELF_HZ) / _SHELF_OCTAVES))
        for gain, shelf_db in zip(microphone.axis_gains, microphone.axis_shelves_db, strict=True)
    )
    after = np.stack([np.ones_like(x), y, z, x], axis=1)
    return np.asarray(after[:, :, np.newaxis] * matrix * off[:, np.newaxis, :])


def scattered_by_sphere(radius_m: float, distance_m: float, cosines: FloatArray, size: int) -> ComplexArray:
    """What a rigid sphere adds to the pressure near it when a plane wave of unit amplitude passes ([2]).

    Parameters
    ----------
    radius_m : float
    distance_m : float
        From the sphere's middle to where one listens; more than the radius.
    cosines : ndarray, shape (n,)
        Of the angle at the sphere's middle between the listener and where the wave comes from.
    size : int
        Length of the real transform whose frequencies are wanted.

    Returns
    -------
    ndarray, shape (n, size // 2 + 1)
        Phases against the wave as it would pass the sphere's middle. 0 at frequency 0.
    """
    legendre = np.stack([eval_legendre(order, cosines) for order in range(_SPHERE_ORDERS)], axis=1)
    return np.asarray(legendre @ _sphere_series(radius_m, distance_m, size))


def sphere_points(count: int) -> FloatArray:
    """Unit vectors spread evenly over the sphere, shape (count, 3): a Fibonacci lattice."""
    steps = np.arange(count) + 0.5
    z = 1.0 - 2.0 * steps / count
    around = steps * np.pi * (1.0 + np.sqrt(5.0))
    level = np.sqrt(1.0 - z**2)
    return np.stack([level * np.cos(around), level * np.sin(around), z], axis=1)


def _acoustic_from_housing(microphone: Microphone) -> FloatArray:
    return np.asarray(Rotation.from_rotvec(microphone.housing_turn_rad).as_matrix().T)


def _first_order(toward: FloatArray) -> FloatArray:
    """W, Y, Z, X of plane waves from these directions, shape (4, n)."""
    x, y, z = toward.T
    return np.stack([np.ones_like(x), y, z, x])


def _patterns(microphone: Microphone, toward: FloatArray) -> FloatArray:
    """Gain of each capsule for acoustic directions, shape (4, n)."""
    omni = (microphone.omni_part + microphone.omni_parts_off)[:, np.newaxis]
    return np.asarray(omni + (1.0 - omni) * (microphone.aims @ toward.T))


def _capsule_gains(
    microphone: Microphone, toward: FloatArray, frequencies_hz: FloatArray, *, housing: bool
) -> ComplexArray:
    """What plane waves from these directions make of each capsule's signal, shape (frequencies, 4, n)."""
    if housing:
        toward = toward @ _acoustic_from_housing(microphone).T
    early_s = microphone.radius_m * (POINTING @ toward.T) / SPEED_OF_SOUND_M_S
    turns = np.exp(2j * np.pi * frequencies_hz[:, np.newaxis, np.newaxis] * early_s)
    return np.asarray(_patterns(microphone, toward) * turns)


@lru_cache(maxsize=8)
def _encoding_filters(radius_m: float, omni_part: float, size: int) -> ComplexArray:
    """The regularised least squares over all directions of the microphone as it was designed ([4])."""
    design = Microphone(radius_m=radius_m, omni_part=omni_part)
    toward = sphere_points(96)
    block = 8 * 2 * _FILTER_REACH
    frequencies_hz = fft.rfftfreq(block, 1.0 / DELIVERY_RATE_HZ)
    heard = _capsule_gains(design, toward, frequencies_hz, housing=False)
    back = np.conj(np.swapaxes(heard, 1, 2))
    power = heard @ back
    # At long wavelengths four capsules hold W, X, Y, Z exactly, and the ridge would only make the axes softer.
    rising = np.minimum(1.0, (frequencies_hz / (SPEED_OF_SOUND_M_S / (2.0 * np.pi * max(radius_m, 1e-6)))) ** 2)
    ridge = _RIDGE * rising[:, np.newaxis, np.newaxis] * np.einsum("fcc->f", power).real[:, None, None] / 4
    filters = _first_order(toward) @ back @ np.linalg.inv(power + ridge * np.eye(4))
    taps = fft.irfft(filters, block, axis=0)
    middle = np.arange(-_FILTER_REACH, _FILTER_REACH + 1)
    tapered = taps[middle] * np.hanning(middle.size + 2)[1:-1, np.newaxis, np.newaxis]
    padded = np.zeros((size, 4, 4))
    padded[middle] = tapered
    return np.asarray(fft.rfft(padded, axis=0))


def _capsule_responses(microphone: Microphone, places: FloatArray, images: Images, shift: float) -> FloatArray:
    """What each capsule hears of paths from `places` (acoustic axes, shape (n, 3)), shape (4, taps), time 0 at LEAD."""
    early, late = ~images.late, images.late
    # Seen from the middle: capsules are so near that only the time of arrival differs.
    far = np.linalg.norm(places, axis=1)
    gains = images.gains * _patterns(microphone, places / far[:, np.newaxis])
    own_m = np.linalg.norm(places[np.newaxis] - microphone.radius_m * POINTING[:, np.newaxis], axis=2)
    samples = DELIVERY_RATE_HZ / SPEED_OF_SOUND_M_S
    taps = fft.next_fast_len(int(far.max() * samples + shift) + LEAD + _TAIL, real=True)
    fine = np.stack([
        np.bincount(
            np.rint((metres[late] * samples + shift + LEAD) * _OVER).astype(int), gain[late] / far[late], taps * _OVER
        )
        for metres, gain in zip(own_m, gains, strict=True)
    ])  # fmt: skip
    keep = np.arange(taps // 2 + 1) / (taps / 2.0)
    taper = np.where(keep > 0.9, np.cos(np.clip((keep - 0.9) / 0.1, 0.0, 1.0) * np.pi / 2) ** 2, 1.0)
    out = fft.irfft(fft.rfft(fine, axis=1)[:, : taps // 2 + 1] * taper, taps, axis=1)
    none_late = np.zeros(int(early.sum()), dtype=bool)
    for channel, (metres, gain) in enumerate(zip(own_m[:, early], gains[:, early], strict=True)):
        level = gain * metres / far[early]
        sound = path_response(metres, level[np.newaxis], none_late, shift=shift + LEAD - HALF_KERNEL)[0]
        out[channel, : sound.size] += sound
    return np.asarray(out)


def _scattered(
    microphone: Microphone, body: Body, centre: FloatArray, places: FloatArray, gains: FloatArray, shift: float,
    size: int,
) -> ComplexArray:  # fmt: skip
    """Spectra of what a body throws at each capsule, shape (4, size // 2 + 1), time 0 at LEAD."""
    apart = float(np.linalg.norm(centre))
    radius = min(body.radius_m, apart / _NEAREST_BODY)
    frequencies = fft.rfftfreq(size)
    if radius < _SMALLEST_BODY_M:
        return np.zeros((4, frequencies.size), dtype=complex)
    samples = DELIVERY_RATE_HZ / SPEED_OF_SOUND_M_S
    from_body = places - centre
    far = np.linalg.norm(from_body, axis=1)
    cosines = from_body @ (-centre / apart) / far
    # The sphere's answer is short, so it is worked out on a short transform and laid at each path's time.
    block = _TAIL
    answers = fft.irfft(
        scattered_by_sphere(radius, apart, cosines, block)
        * np.exp(-2j * np.pi * fft.rfftfreq(block) * 2 * HALF_KERNEL), block, axis=1
    )  # fmt: skip
    spectra = fft.rfft(answers, size, axis=1) * (gains / far)[:, np.newaxis]
    delays = far * samples + shift + LEAD - 2 * HALF_KERNEL
    thrown = np.sum(spectra * np.exp(-2j * np.pi * np.outer(delays, frequencies)), axis=0)
    towards = (centre / apart)[np.newaxis]
    early = microphone.radius_m * (POINTING @ towards[0]) * samples
    return np.asarray(
        _patterns(microphone, towards) * np.exp(2j * np.pi * np.outer(early, frequencies)) * thrown[np.newaxis]
    )


@lru_cache(maxsize=8)
def _sphere_series(radius_m: float, distance_m: float, size: int) -> ComplexArray:
    """Factor of each Legendre polynomial, shape (orders, size // 2 + 1): incident e^(i k r cos), time e^(i w t)."""
    wave = 2.0 * np.pi * fft.rfftfreq(size, 1.0 / DELIVERY_RATE_HZ)[1:] / SPEED_OF_SOUND_M_S
    orders = np.arange(_SPHERE_ORDERS)[:, np.newaxis]
    near, away = wave * radius_m, wave * distance_m
    with np.errstate(all="ignore"):
        slope = spherical_jn(orders, near, derivative=True)
        outgoing_slope = slope - 1j * spherical_yn(orders, near, derivative=True)
        outgoing = spherical_jn(orders, away) - 1j * spherical_yn(orders, away)
        factor = -(1j**orders) * (2 * orders + 1) * slope * (outgoing / outgoing_slope)
    # High orders of long waves overflow on the way to nothing.
    series = np.where(np.isfinite(factor), factor, 0.0)
    return np.concatenate([np.zeros((_SPHERE_ORDERS, 1)), series], axis=1)
