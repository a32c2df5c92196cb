"""Learning a microphone from marks: are directions that took no part better for it?

Run: python -m tests.bench.microphone [SCENES [FIRST_SEED]]   (writes tests/bench/results/microphone.md)
A real microphone (demo_audio.microphones) in a room; twelve people are marked where a lens sees them, the microphone is
learned from these marks, and then twelve others are heard whom it has never met, as recorded and calibrated. The mount
that the marks give without and with calibration takes part in both.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve
from scipy.spatial.transform import Rotation

from demo_audio.microphones import LEAD, Microphone, draw_microphone, field_response, field_through, hiss
from demo_audio.rooms import Room, image_sources
from demo_audio.simulate import Rig
from spatial.calibration import Calibration, calibrated_field
from spatial.conventions import FloatArray, W
from spatial.direction.doa import MARK_FRAMES_S, SpanDirection, span_direction
from spatial.direction.intensity import BAND_HZ, field_bins
from spatial.direction.microphone_fit import BANDS_HZ, KnownDirections, learn_calibration
from spatial.field import angle_between, unit_vectors
from spatial.mount.wahba import fit_rotations
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.bench.noise import fast_diffuse_noise
from tests.scenes.rooms import on_both_cores
from tests.scenes.stage import RATE, plucked, recorded_words, speech

FIRST_SEED = 9100
"""Spreads and thresholds were chosen on seeds below 100."""

MARKS = 12
SECONDS = 3.0
MARKING_SD_RAD = np.radians(1.0)
KINDS = ("real", "ideal")


@dataclass(frozen=True, slots=True)
class Answer:
    """What one scene says."""

    seed: int
    kind: str
    helped: bool
    errors_deg: tuple[float, ...]
    """Of the others, as recorded."""
    calibrated_deg: tuple[float, ...]
    heights: tuple[float, ...]
    """Elevation found minus true, as recorded, degrees."""
    calibrated_heights: tuple[float, ...]
    steep: tuple[float, ...]
    """True elevation, degrees."""
    ratio: float
    """Error of marks that took no part, with the microphone to that without."""


def judge(task: tuple[int, str]) -> Answer:
    """One scene."""
    seed, kind = task
    rng = np.random.default_rng([seed, 41])
    microphone = draw_microphone(rng) if kind == "real" else Microphone(radius_m=0.0)
    room = Room((rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8)), rng.uniform(0.25, 0.6))
    lens = (room.size_m[0] / 2 + rng.uniform(-0.4, 0.4), room.size_m[1] / 2 + rng.uniform(-0.4, 0.4), 1.45)
    mount = YawPitchRoll.from_degrees(
        rng.uniform(-180, 180), rng.uniform(-8, 8), rng.choice([0, 180]) + rng.uniform(-8, 8)
    )
    below = (rng.uniform(-0.05, 0.05), rng.uniform(-0.05, 0.05), rng.choice([-1, 1]) * rng.uniform(0.12, 0.3))
    rig = Rig(lens_m=lens, facing_azimuth_deg=rng.uniform(-180, 180), mount=mount, mic_offset_m=below)
    snr_db = rng.uniform(15.0, 25.0)
    azimuths = np.radians(np.concatenate([spread(rng), spread(rng)]))
    elevations = np.radians(rng.uniform(-35.0, 45.0, 2 * MARKS))
    expected = unit_vectors(azimuths, elevations)
    fields = [heard(rig, room, microphone, way, snr_db, rng) for way in expected]
    truth = matrix_from_ypr(mount)
    seen = marked(expected[:MARKS], rng)
    by_band = [[direction(field, band) for field in fields[:MARKS]] for band in BANDS_HZ]
    known = KnownDirections(
        seen,
        np.array([[found.vector for found in row] for row in by_band]),
        np.hypot([[found.sd_rad for found in row] for row in by_band], MARKING_SD_RAD),
        BANDS_HZ,
    )
    learned = learn_calibration(known, truth)
    plain = turned(fields[:MARKS], seen, None)
    better = turned(fields[:MARKS], seen, learned.calibration)
    errors, heights = off(fields[MARKS:], expected[MARKS:], None, plain)
    calibrated, calibrated_heights = off(fields[MARKS:], expected[MARKS:], learned.calibration, better)
    return Answer(
        *(seed, kind, learned.helped, tuple(errors), tuple(calibrated), tuple(heights), tuple(calibrated_heights)),
        steep=tuple(np.degrees(elevations[MARKS:]).tolist()),
        ratio=float(learned.rms_rad[1] / learned.rms_rad[0]),
    )


def spread(rng: np.random.Generator) -> FloatArray:
    """Azimuths all over the picture, degrees."""
    return np.linspace(-80, 80, MARKS) + rng.uniform(-6, 6, MARKS)


def marked(directions: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Directions as a person clicks them."""
    turns = Rotation.from_rotvec(rng.normal(0.0, MARKING_SD_RAD, directions.shape)).as_matrix()
    return np.asarray(np.einsum("nij,nj->ni", turns, directions))


def heard(
    rig: Rig, room: Room, microphone: Microphone, way: FloatArray, snr_db: float, rng: np.random.Generator
) -> FloatArray:
    """The field of somebody in this direction."""
    mic = rig.place(rig.mic_offset_m)
    distance = rng.uniform(1.0, 2.0)
    while True:
        place = rig.place(np.asarray(rig.mic_offset_m) + distance * way)
        if np.all(place > 0.2) and np.all(place < np.asarray(room.size_m) - 0.2):
            break
        distance *= 0.9
    samples = round(SECONDS * RATE)
    sound = speech(recorded_words(), SECONDS, rng) if rng.random() < 0.7 else plucked(SECONDS, rng)
    images = image_sources(room, tuple(place.tolist()), tuple(mic.tolist()), rng=rng)
    bodies = np.array([rig.place(body.offset_m) for body in microphone.bodies]).reshape(-1, 3)
    axes = matrix_from_ypr(rig.mount).T @ rig.picture_from_room
    response = field_response(microphone, images, axes, mic, bodies)
    out = fftconvolve(response, sound[np.newaxis], axes=1)[:, LEAD : LEAD + samples]
    power = np.mean(out[W] ** 2) * 10 ** (-snr_db / 10)
    noise = fast_diffuse_noise(rig, out.shape[1], rng=rng)[0]
    out = out + np.sqrt(power) * field_through(microphone, noise)
    return np.asarray(out + hiss(microphone, out, rng), dtype=np.float32)


def direction(field: FloatArray, band_hz: tuple[float, float] = BAND_HZ) -> SpanDirection:
    """Where it is heard."""
    bins = [field_bins(field, RATE, start_s=0.0, band_hz=band_hz, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    return span_direction(bins, 0.0, field.shape[1] / RATE)


def through(field: FloatArray, calibration: Calibration | None) -> FloatArray:
    """The field, calibrated."""
    if calibration is None:
        return field
    return calibrated_field(np.pad(field, ((0, 0), (calibration.reach, calibration.reach))), calibration, RATE)


def turned(fields: list[FloatArray], seen: FloatArray, calibration: Calibration | None) -> FloatArray:
    """The mount that marks give, picture_from_mic."""
    found = [direction(through(field, calibration)) for field in fields]
    used = np.array([each.heard for each in found])
    vectors = np.where(used[:, np.newaxis], np.array([each.vector for each in found]), [1.0, 0.0, 0.0])
    sd = np.where(used, np.hypot([each.sd_rad for each in found], MARKING_SD_RAD), 1.0)
    return fit_rotations(seen[np.newaxis], vectors[np.newaxis], sd, used[np.newaxis]).matrices[0]


def off(
    fields: list[FloatArray], expected: FloatArray, calibration: Calibration | None, mount: FloatArray
) -> tuple[list[float], list[float]]:
    """Errors of directions through a mount, and how much too high they are, degrees; only those heard."""
    errors, heights = [], []
    for field, way in zip(fields, expected, strict=True):
        found = direction(through(field, calibration))
        vector = mount @ found.vector
        errors.append(float(np.degrees(angle_between(vector, way))))
        heights.append(float(np.degrees(np.arcsin(np.clip(vector[2], -1, 1)) - np.arcsin(way[2]))))
    return errors, heights


def main(scenes: int, first_seed: int) -> str:
    """The tables."""
    tasks = [(seed, kind) for kind in KINDS for seed in range(first_seed, first_seed + scenes)]
    answers = on_both_cores(judge, tasks)
    lines = [
        "# Learning a microphone from twelve marks",
        "",
        f"`python -m tests.bench.microphone {scenes} {first_seed}`: rooms of RT60 0.25 to 0.6 s, noise at 15 to 25 dB; "
        f"seeds {first_seed} to {first_seed + scenes - 1}, spreads were chosen on seeds below 100. Errors, in degrees, "
        "are those of twelve other people through the mount that the marks gave, as recorded and with the microphone "
        "taken out; the slope is how much too high a degree of elevation is heard.",
        "",
        "| microphone | scenes | said to help | median | calibrated | 95 % | calibrated | slope | calibrated |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        of_kind = [answer for answer in answers if answer.kind == kind]
        lines.append(_row(kind, of_kind))
        lines.append(_row(f"{kind}, said to help", [answer for answer in of_kind if answer.helped]))
        lines.append(_row(f"{kind}, said not to", [answer for answer in of_kind if not answer.helped]))
    worse = [a for a in answers if a.helped and np.nanmedian(a.calibrated_deg) > np.nanmedian(a.errors_deg)]
    lines += ["", f"Said to help, and the median of the others is worse: {len(worse)} of {len(answers)}."]
    return "\n".join(lines) + "\n"


def _row(name: str, answers: list[Answer]) -> str:
    if not answers:
        return f"| {name} | 0 |" + " - |" * 7
    steep = np.concatenate([answer.steep for answer in answers])
    cells = []
    for errors, heights in (
        ([a.errors_deg for a in answers], [a.heights for a in answers]),
        ([a.calibrated_deg for a in answers], [a.calibrated_heights for a in answers]),
    ):
        off, high = np.concatenate(errors), np.concatenate(heights)
        heard = np.isfinite(high)
        slope = np.polyfit(steep[heard], high[heard], 1)[0]
        cells.append((f"{np.nanmedian(off):.2f}", f"{np.nanpercentile(off, 95):.1f}", f"{slope:+.3f}"))
    pairs = [cell for both in zip(*cells, strict=True) for cell in both]
    return f"| {name} | {len(answers)} | {sum(a.helped for a in answers)} | {' | '.join(pairs)} |"


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 30, int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED)
    print(text)
    (Path(__file__).parent / "results" / "microphone.md").write_text(text, encoding="utf-8")
