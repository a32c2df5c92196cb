"""Days of one rig with known truth: clips with marks in rooms of their own, one microphone, knocked or not.

Functions: drawn_day (marks with errors drawn from models of what rooms, people and microphones do); room_day (marks
heard in simulated rooms by one real microphone).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from demo_audio.microphones import draw_microphone
from demo_audio.simulate import Performer, Room, simulate_shoot
from demo_audio.simulate import Rig as SimulatedRig
from spatial.conventions import FloatArray
from spatial.direction.doa import MARK_FRAMES_S, SpanDirection, span_direction
from spatial.direction.intensity import field_bins
from spatial.direction.microphone_error import ORDINARY
from spatial.field import azimuth_elevation, unit_vectors
from spatial.jobs.orient.measure_marks import MeasuredMark
from spatial.media.tables import Mark
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from tests.scenes.mount import nudged
from tests.scenes.rooms import sound_of_kind
from tests.scenes.stage import RATE, recorded_words


@dataclass(frozen=True, slots=True, eq=False)
class MarkedClip:
    """One clip's marks, heard, and the mount that is true of it."""

    marks: tuple[MeasuredMark, ...]
    mount: FloatArray
    """picture_from_mic, shape (3, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class RigDay:
    """The marked clips of a day, in order of time."""

    clips: tuple[MarkedClip, ...]
    knocked_from: int | None
    """The first clip after the knock; None where nobody knocked it."""
    spoiled: frozenset[int] = frozenset()
    """Clips in which a mark is of somebody else."""


def drawn_day(
    seed: int,
    *,
    clips: int = 6,
    marks: tuple[int, int] = (2, 5),
    knock_deg: float = 0.0,
    placed_deg: float = 1.0,
    moving_deg: float = 0.0,
    wrong: float = 0.0,
) -> RigDay:
    """A day whose errors are drawn: each room's own, a floor's pull of each room, one microphone's for all.

    `placed_deg` is how well marks are clicked, `moving_deg` how far performers stray from their mark while they sound,
    `wrong` how often a mark is of somebody else. Rooms scatter by Student's law with five degrees of freedom.
    """
    rng = np.random.default_rng((seed, 77))
    mount = matrix_from_ypr(
        YawPitchRoll.from_degrees(
            rng.uniform(-180, 180), rng.uniform(-12, 12), rng.choice([0, 180]) + rng.uniform(-8, 8)
        )
    )
    knocked_from = int(rng.integers(1, clips)) if knock_deg else None
    axis = np.array([rng.normal(0, 0.3), rng.normal(0, 0.3), rng.choice([-1.0, 1.0])])
    knock = Rotation.from_rotvec(np.radians(knock_deg) * axis / np.linalg.norm(axis)).as_matrix()
    truths, true = [], []
    for clip in range(clips):
        truths.append(knock @ mount if knocked_from is not None and clip >= knocked_from else mount)
        count = int(rng.integers(marks[0], marks[1] + 1))
        while True:
            azimuth = np.radians(rng.uniform(-80, 80, count))
            if np.ptp(azimuth) >= np.radians(50.0):
                break
        true.append(unit_vectors(azimuth, np.radians(rng.uniform(-15, 20, count))))
    heard = [rows @ truth for rows, truth in zip(true, truths, strict=True)]
    everyone = np.concatenate(heard)
    covariance = ORDINARY.covariance(everyone, everyone).transpose(0, 2, 1, 3).reshape(3 * len(everyone), -1)
    of_microphone = rng.multivariate_normal(np.zeros(len(covariance)), covariance, method="eigh").reshape(-1, 3)
    done, first, spoiled = [], 0, set()
    for rows, truth in zip(true, truths, strict=True):
        floor = rng.standard_normal()
        sounding = []
        for row in rows:
            sd = np.radians(rng.uniform(0.8, 3.0))
            tail = np.sqrt(-2 * np.log(0.05) / (5 * (0.05 ** (-2 / 5) - 1))) * np.sqrt(5 / rng.chisquare(5))
            seen = nudged(row, np.radians(placed_deg), rng)
            stood = nudged(row, np.radians(moving_deg), rng) if moving_deg else row
            azimuth, elevation = azimuth_elevation(stood)
            up = 0.8 * floor + 0.6 * rng.standard_normal()
            came = unit_vectors(
                azimuth + sd * tail * rng.standard_normal() / np.cos(elevation), elevation + sd * tail * up
            )
            if rng.random() < wrong:
                came = unit_vectors(np.radians(rng.uniform(-80, 80)), np.radians(rng.uniform(-15, 20)))
                spoiled.add(len(done))
            moved = came @ truth + of_microphone[first]
            first += 1
            sounding.append(_mark(seen, moved / np.linalg.norm(moved), sd))
        done.append(MarkedClip(tuple(sounding), truth))
    return RigDay(tuple(done), knocked_from, frozenset(spoiled))


def _mark(seen: FloatArray, heard: FloatArray, sd_rad: float) -> MeasuredMark:
    azimuth, elevation = azimuth_elevation(seen)
    mark = Mark("Odile", 0.0, 3.0, float(azimuth), float(elevation), 2.0)
    return MeasuredMark(mark, seen, 0.0, SpanDirection(True, heard, sd_rad, 0.5))


def room_day(seed: int, *, clips: int = 4, knock_deg: float = 0.0, placed_deg: float = 2.0) -> RigDay:
    """A day in simulated rooms, a room, talkers and places of their own for each clip, one real microphone for all.

    Performers sway by some 10 cm between their turns; each is marked once, where they stood in the middle of it.
    """
    rng = np.random.default_rng((seed, 78))
    microphone = draw_microphone(rng)
    yaw, pitch, roll = rng.uniform(-180, 180), rng.uniform(-8, 8), rng.choice([0, 180]) + rng.uniform(-6, 6)
    knocked_from = int(rng.integers(1, clips)) if knock_deg else None
    offset = (rng.uniform(-0.05, 0.05), rng.uniform(-0.05, 0.05), rng.choice([-1, 1]) * rng.uniform(0.1, 0.3))
    words = recorded_words()
    kinds = ("speech", "music", "reeds")
    done = []
    for clip in range(clips):
        turned = knock_deg if knocked_from is not None and clip >= knocked_from else 0.0
        mount = YawPitchRoll.from_degrees(yaw + turned, pitch, roll)
        size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
        lens = (size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.4, 0.4), rng.uniform(1.3, 1.6))
        rig = SimulatedRig(lens_m=lens, facing_azimuth_deg=rng.uniform(-180, 180), mic_offset_m=offset, mount=mount)
        performers, spans = [], []
        for number, centre in enumerate((50.0, 0.0, -50.0)):
            azimuth, elevation = np.radians(centre + rng.uniform(-20, 20)), np.radians(rng.uniform(-8, 12))
            out = rng.uniform(1.2, 2.2) * unit_vectors(azimuth, elevation)
            place = np.clip(rig.place(out), 0.3, np.asarray(size) - 0.3)
            signal = np.zeros(round(12.0 * RATE))
            start = 0.7 + 3.6 * number
            sound = sound_of_kind(kinds[int(rng.integers(3))], 3.2, words, rng)
            signal[round(start * RATE) : round(start * RATE) + sound.size] += sound
            performers.append(Performer(f"p{number}", tuple(float(x) for x in place), signal))
            spans.append((number, start, start + 3.2))
        room = Room(size, rng.uniform(0.25, 0.6))
        shoot = simulate_shoot(room, rig, performers, duration_s=12.0, rng=rng, microphone=microphone)
        field = shoot.field.astype(np.float32)
        bins = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
        marks = []
        for number, start, end in spans:
            heard = span_direction(bins, start, end)
            if heard.heard:
                view = shoot.truth[number].from_mic
                seen = nudged(unit_vectors(view.azimuth_rad, view.elevation_rad), np.radians(placed_deg), rng)
                marks.append(replace(_mark(seen, heard.vector, heard.sd_rad), heard=heard))
        done.append(MarkedClip(tuple(marks), matrix_from_ypr(mount)))
    return RigDay(tuple(done), knocked_from)
