"""A shoot with known truth: performers in a room, a camera rig and its ambisonic microphone.

Goal: give the demo, the tests and the benchmarks recordings whose every answer is known beforehand.
Conventions: spatial.conventions (axes, angles, mount, field, time). Room coordinates: metres from one lower
corner of a shoebox, z up, azimuth anticlockwise from x seen from above. "True time" is the time of the room;
its 0 is the first sample of what `simulate_shoot` returns.
Functions: simulate_shoot (the sound at the microphone and at the camera, with the truth), diffuse_noise; and,
from demo_audio.boxes, record, true_law and camera_sound. The microphone is ideal unless a real one
(demo_audio.microphones) is given.
Left out: the proximity effect, performers that sound more to one side; with the ideal microphone, and at the camera,
the shadow of head, body and rig.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.signal import oaconvolve

from demo_audio.boxes import add_at, camera_sound, power_while_sounding, record, true_law
from demo_audio.camerapairs import BUILT_IN, CameraPair
from demo_audio.microphones import LEAD, Microphone, field_response, field_through, hiss, sphere_points
from demo_audio.rooms import HALF_KERNEL, BoolArray, Point, Room, image_sources, path_response
from spatial.conventions import DELIVERY_RATE_HZ, SPEED_OF_SOUND_M_S, FloatArray, W
from spatial.field import azimuth_elevation
from spatial.rotation import YawPitchRoll, matrix_from_ypr

__all__ = [
    "CameraPair",
    "Performer",
    "Rig",
    "Room",
    "Shoot",
    "View",
    "Whereabouts",
    "camera_sound",
    "diffuse_noise",
    "record",
    "simulate_shoot",
    "true_law",
]

NOISE_WAVES = 48  # plane waves that make a diffuse field
LEVEL = YawPitchRoll(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Performer:
    """Someone who stands still and sounds. The signal is what one would hear at 1 m, at 48 kHz."""

    who: str
    position_m: Point
    signal: FloatArray
    start_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Rig:
    """A level camera in the room, and the ambisonic microphone on it.

    `mic_offset_m` is forward, left, up of the lens; `mount` is picture_from_mic.
    """

    lens_m: Point
    facing_azimuth_deg: float
    mic_offset_m: Point = (0.0, 0.0, 0.0)
    mount: YawPitchRoll = LEVEL
    camera_mic_spacing_m: float = 0.12
    camera_pair: CameraPair = BUILT_IN

    @property
    def picture_from_room(self) -> FloatArray:
        """Turns room axes into the picture's, shape (3, 3)."""
        return matrix_from_ypr(YawPitchRoll.from_degrees(-self.facing_azimuth_deg, 0.0, 0.0))

    def place(self, offset_m: Sequence[float] | FloatArray) -> FloatArray:
        """Room coordinates of a point given as forward, left, up of the lens."""
        return np.asarray(np.asarray(self.lens_m) + self.picture_from_room.T @ np.asarray(offset_m))


@dataclass(frozen=True, slots=True)
class View:
    """Where something is, in the picture's axes."""

    azimuth_rad: float
    elevation_rad: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where one performer is, seen from the lens and from the microphone, both in the picture's axes."""

    who: str
    from_lens: View
    from_mic: View


@dataclass(frozen=True, slots=True)
class Shoot:
    """What sounded at the rig: float64 at 48 kHz in true time."""

    field: FloatArray
    """Shape (4, samples), in the MICROPHONE's axes."""
    scratch: FloatArray
    """Shape (2, samples): the camera's left and right capsule."""
    truth: tuple[Whereabouts, ...]


def simulate_shoot(
    room: Room,
    rig: Rig,
    performers: Sequence[Performer],
    *,
    duration_s: float,
    rng: np.random.Generator,
    diffuse_snr_db: float | None = None,
    microphone: Microphone | None = None,
) -> Shoot:
    """Sound of the performers at the microphone and at the camera.

    Parameters
    ----------
    room, rig, performers
        Who is where. Everything must be inside the room.
    duration_s : float
        Length of the result.
    rng : numpy.random.Generator
        Displaces the late images and makes the noise.
    diffuse_snr_db : float, optional
        Adds isotropic noise, this much below the power of the performers in W while they sound.
    microphone : Microphone, optional
        A real one; without it the ideal one, whose four channels hear in one point and without noise. The truth that
        is returned, and `rig.mount`, are those of its housing.

    Returns
    -------
    Shoot

    Raises
    ------
    InputError
        Something is outside the room, or the room cannot have this RT60.
    """
    mic = rig.place(rig.mic_offset_m)
    capsules = [rig.place((0.0, side * rig.camera_mic_spacing_m / 2, 0.0)) for side in (1.0, -1.0)]
    mic_from_room = matrix_from_ypr(rig.mount).T @ rig.picture_from_room
    samples = round(duration_s * DELIVERY_RATE_HZ)
    sound, scratch = np.zeros((4, samples)), np.zeros((2, samples))
    for performer in performers:
        images = image_sources(room, performer.position_m, tuple(mic.tolist()), rng=rng)
        if microphone is None:
            distances, (x, y, z) = _seen(images.positions_m, mic, mic_from_room)
            gains = images.gains * np.stack([np.ones_like(x), y, z, x])
            _sound(sound, performer, distances, gains, images.late)
        else:
            bodies = np.array([rig.place(body.offset_m) for body in microphone.bodies])
            first, shift = divmod(performer.start_s * DELIVERY_RATE_HZ, 1.0)
            response = field_response(microphone, images, mic_from_room, mic, bodies, shift=shift)
            add_at(sound, oaconvolve(response, performer.signal[np.newaxis], axes=1), int(first) - LEAD)
        for channel, (capsule, side) in enumerate(zip(capsules, (1.0, -1.0), strict=True)):
            distances, towards = _seen(images.positions_m, capsule, rig.picture_from_room)
            gains = images.gains * rig.camera_pair.gain(towards.T, side)
            _sound(scratch[channel : channel + 1], performer, distances, gains[np.newaxis], images.late)
    if diffuse_snr_db is not None:
        power = power_while_sounding(sound[W], rate_hz=DELIVERY_RATE_HZ) * 10 ** (-diffuse_snr_db / 10)
        at_mic, at_camera = diffuse_noise(rig, samples, rng=rng)
        sound += (at_mic if microphone is None else field_through(microphone, at_mic)) * np.sqrt(power)
        scratch += at_camera * np.sqrt(power)
    if microphone is not None:
        sound += hiss(microphone, sound, rng)
    truth = tuple(Whereabouts(p.who, _view(rig, np.asarray(rig.lens_m), p), _view(rig, mic, p)) for p in performers)
    return Shoot(sound, scratch, truth)


def diffuse_noise(rig: Rig, samples: int, *, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Room-like noise from all around (falling 3 dB per octave), W at unit power.

    The same plane waves pass the microphone and the camera, each with its own delay, so the two agree where
    wavelengths are long, as in a real room.

    Returns
    -------
    field, scratch : ndarray, shape (4, samples), (2, samples)
    """
    directions = sphere_points(NOISE_WAVES)  # picture axes
    size = fft.next_fast_len(samples, real=True)
    frequencies_hz = fft.rfftfreq(size, 1.0 / DELIVERY_RATE_HZ)
    shape = np.where(frequencies_hz > 40.0, 1.0 / np.sqrt(np.maximum(frequencies_hz, 40.0)), 0.0)
    shape *= np.sqrt(size**2 / (2.0 * NOISE_WAVES * np.sum(shape**2)))
    spectra = np.zeros((6, frequencies_hz.size), dtype=complex)
    in_mic = directions @ matrix_from_ypr(rig.mount)
    for direction, (mx, my, mz) in zip(directions, in_mic, strict=True):
        wave = np.exp(2j * np.pi * rng.random(frequencies_hz.size)) * shape
        early_s = float(direction @ np.asarray(rig.mic_offset_m)) / SPEED_OF_SOUND_M_S
        spectra[:4] += np.outer([1.0, my, mz, mx], wave * np.exp(2j * np.pi * frequencies_hz * early_s))
        for channel, aim in ((4, 1.0), (5, -1.0)):
            early_s = aim * direction[1] * rig.camera_mic_spacing_m / 2 / SPEED_OF_SOUND_M_S
            pickup = float(rig.camera_pair.gain(direction, aim))
            spectra[channel] += pickup * wave * np.exp(2j * np.pi * frequencies_hz * early_s)
    noise = fft.irfft(spectra, size, axis=1)[:, :samples]
    return noise[:4], noise[4:]


def _view(rig: Rig, from_m: FloatArray, performer: Performer) -> View:
    seen = rig.picture_from_room @ (np.asarray(performer.position_m) - from_m)
    azimuth, elevation = azimuth_elevation(seen)
    return View(float(azimuth), float(elevation), float(np.linalg.norm(seen)))


def _seen(points_m: FloatArray, from_m: FloatArray, axes_from_room: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distances, shape (points,), and unit vectors, shape (3, points)."""
    seen = axes_from_room @ (points_m - from_m).T
    distances = np.linalg.norm(seen, axis=0)
    return distances, seen / distances


def _sound(out: FloatArray, performer: Performer, distances_m: FloatArray, gains: FloatArray, late: BoolArray) -> None:
    """Add the performer, heard over these paths, to the channels of `out`."""
    first, shift = divmod(performer.start_s * DELIVERY_RATE_HZ, 1.0)
    response = path_response(distances_m, gains, late, shift=shift)
    add_at(out, oaconvolve(response, performer.signal[np.newaxis], axes=1), int(first) - HALF_KERNEL)
