"""The sound of one shot of a film, held against its clip's finished track.

Goal: how early or late the film's sound is against the picture, what was done to the field, and what of it must be
mended, in words; what the sound does not tell is not called good.
Conventions: spatial.conventions (time); early is positive, as in ITU-R BT.1359-1.
Functions: hold_against_track; find_by_sound (the clip of a shot whose picture leaves it open).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from spatial.conventions import SDS_OF_95, FloatArray
from spatial.dsp.samples import Samples
from spatial.findings import Code, Finding, Severity
from spatial.jobs.verify import IN_STEP_S
from spatial.rotation import ypr_from_matrix
from spatial.timebase import timecode_from_frame
from spatial.verification.lip_sync import judge_lip_sync
from spatial.verification.matrix_reading import MixKind, Reading
from spatial.verification.mix_estimate import Change, ChangeKind, MixEstimate, Presence, estimate_mix
from spatial.verification.sound_lag import find_lags

SURE = 0.95
"""Probability from which a reading of the mixing matrix is judged; below it is said that it may be so."""

TURN_TOLERANCE_RAD = np.radians(5.0)
"""By how much the field may be turned otherwise than it was meant: what viewers hear straight ahead (Blauert 1997,
"Spatial Hearing": localisation blur of 1 to 4 degrees there; value from memory), and a little."""

_SD_MOST_S = 0.020
"""A lag that is less sure than this says nothing of lip-sync."""

_KINDS: dict[MixKind, tuple[Code, Severity, str]] = {
    MixKind.MIRRORED: (Code.MIRRORED, Severity.FIX, "take back what mirrors the field on the way to the film"),
    MixKind.ORDER: (
        Code.SWAPPED_CHANNELS,
        Severity.FIX,
        "set the order of channels to ACN (W, Y, Z, X) in the edit and export again",
    ),
    MixKind.ORDER_AND_NORMALISATION: (
        Code.SWAPPED_CHANNELS,
        Severity.FIX,
        "set the edit to ACN order and SN3D and export again",
    ),
    MixKind.NORMALISATION: (
        Code.CONVENTION_GUESS,
        Severity.FIX,
        "set the normalisation to SN3D in the edit and export again",
    ),
    MixKind.INVERTED_CHANNEL: (Code.POLARITY, Severity.FIX, "take the inversion back and export again"),
    MixKind.DEAD_CHANNEL: (Code.DEAD_CHANNEL, Severity.FIX, "look for where it is lost between track and film"),
    MixKind.CHANNEL_GAIN: (Code.GAIN_MISMATCH, Severity.LOOK, "give all four channels one gain"),
    MixKind.OTHER: (Code.SOUND_FIELD, Severity.LOOK, "look at what is done to the four channels there"),
}
"""What each reading is called as a finding, how grave it is, and what to do."""


@dataclass(frozen=True, slots=True, eq=False)
class ShotSound:
    """What the sound of a shot was found to be."""

    mix: MixEstimate
    lip_sync_s: float
    """How early the film's sound is against its picture; NaN where it cannot be told."""
    lip_sync_sd_s: float
    findings: tuple[Finding, ...]
    turn_off_rad: float = float("nan")
    """How far the field is turned from where it was meant; NaN where that is not known."""

    @property
    def told(self) -> bool:
        """Whether the clip's sound was found in the film, surely enough to be judged."""
        return bool(np.isfinite(self.lip_sync_s))


@dataclass(frozen=True, slots=True)
class CameraSync:
    """What the camera's own sound tells of a shot whose clip has no track."""

    lip_sync_s: float
    """How early the film's sound is against its picture."""
    lip_sync_sd_s: float
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ShotTime:
    """Where a shot lies, in words and numbers."""

    name: str
    """For "where": the film's file and its timecode."""
    timecode: str
    """Of its first picture."""
    film_start_s: float
    frame_rate: Fraction
    frame_sd_s: float
    """How sure the picture's own place in the clip is."""

    def at(self, film_time_s: float) -> str:
        """The timecode of a moment of the shot; its own for its start."""
        if film_time_s <= 0:
            return self.timecode
        return timecode_from_frame(int((self.film_start_s + film_time_s) * self.frame_rate + 1e-6), self.frame_rate)


def hold_against_track(
    film: Samples,
    track: Samples,
    expected_s: float,
    *,
    time: ShotTime,
    mount: FloatArray | None,
    intended: FloatArray,
) -> ShotSound:
    """Hold a shot's sound against its clip's track.

    Parameters
    ----------
    film : Samples
        The shot's sound, 1, 2 or 4 channels.
    track : Samples
        The clip's finished track, whole.
    expected_s : float
        Clip time of the shot's first sample, by the picture.
    mount : ndarray, shape (3, 3), optional
        What the track was turned by.
    intended : ndarray, shape (3, 3)
        How the field was meant to be turned against the track.
    """
    mix = estimate_mix(film, track, expected_s, mount=mount)
    if mix.presence is not Presence.PRESENT:
        return ShotSound(mix, float("nan"), float("nan"), tuple(_absent(mix, time)))
    sd_s = float(np.hypot(mix.early_sd_s, time.frame_sd_s))
    told = bool(np.isfinite(mix.early_s) and sd_s <= _SD_MOST_S)
    found = _step_findings(mix, sd_s, time) if told else []
    off_rad = float("nan")
    if mix.readings:
        of_field, off_rad = _field_findings(mix, time, intended)
        found += of_field
    found += _change_findings(mix.changes, time)
    return ShotSound(mix, mix.early_s if told else float("nan"), sd_s if told else float("nan"), tuple(found), off_rad)


_CAMERA_REACH_S = 1.0
"""Seconds by which a film's sound is looked for early or late in the camera's own: further off it is another moment."""

_CAMERA_SD_S = 0.001
"""What the camera's own sound is early or late against a recorder on its rig: 30 cm are a millisecond."""

_CLEARLY = 2.0
"""By how many times as many powers of ten the likeliest lag must be no chance as the next: music that repeats itself
has several that are as good."""


def hold_against_camera(
    film: Samples, camera: Samples, expected_s: float, *, time: ShotTime, doubt_s: float = 0.0
) -> CameraSync | None:
    """Hold a shot's sound against its camera's own, where there is no track: in step or not, and nothing more.

    Parameters
    ----------
    film : Samples
        The shot's sound, 1, 2 or 4 channels.
    camera : Samples
        The camera's sound about the moment that is shown, of the same rate.
    expected_s : float
        Seconds behind the camera's first sample at which the shot's first lies, by the picture.
    doubt_s : float
        How far the movie leaves open when its sound starts.

    Returns
    -------
    CameraSync or None
        None where the one is not in the other, or in several places.
    """
    rate = film.rate_hz
    lags, _ = find_lags(film, camera, expected_s * rate, _CAMERA_REACH_S * rate)
    if not lags or (len(lags) > 1 and lags[0].log10_chance > _CLEARLY * lags[1].log10_chance):
        return None
    early_s = lags[0].lag / rate - expected_s
    sd_s = float(np.linalg.norm([_CAMERA_SD_S, time.frame_sd_s, doubt_s]))
    if sd_s > _SD_MOST_S:
        return None
    off = _out_of_step(early_s, sd_s)
    found = (_lip_sync(early_s, sd_s, time, f"the shot at {time.at(0)}"),) if off else ()
    return CameraSync(early_s, sd_s, found)


def find_by_sound(film: Samples, tracks: Mapping[int, Samples], *, rate: Fraction) -> tuple[int, float] | None:
    """Which clip's track a shot's sound is from, and from when on, where its picture does not tell.

    Parameters
    ----------
    film : Samples
        The shot's sound.
    tracks : mapping of int to Samples
        Tracks by the numbers of their clips.
    rate : Fraction
        Of the film's pictures.

    Returns
    -------
    (int, float) or None
        The clip, and clip time of the first sample to the nearest picture of the film; None where it is none of them,
        or more than one.
    """
    found = []
    for number, track in tracks.items():
        half_s = track.length / track.rate_hz / 2
        mix = estimate_mix(film, track, half_s, search_s=half_s + 1.0)
        if mix.presence is Presence.PRESENT and np.isfinite(mix.early_s) and not mix.changes:
            found.append((number, half_s + mix.early_s))
    if len(found) != 1:
        return None
    number, start_s = found[0]
    return number, float(round(start_s * rate) / rate)


def _absent(mix: MixEstimate, time: ShotTime) -> list[Finding]:
    if mix.presence is Presence.OTHER_MOMENT:
        message = (
            f"the sound of the shot at {time.at(0)} is not of the moment that is seen, but of another take of it or of "
            "the playback: lay this clip's own track under it, unless that is meant"
        )
        return [Finding(Code.OTHER_SOUND, Severity.FIX, message, time.name)]
    if mix.presence is Presence.ABSENT:
        message = (
            f"nothing of the clip's track is in the film's sound at {time.at(0)}: lay it under the shot, unless other "
            "sound is meant to be there"
        )
        return [Finding(Code.OTHER_SOUND, Severity.LOOK, message, time.name)]
    return []


def _step_findings(mix: MixEstimate, sd_s: float, time: ShotTime) -> list[Finding]:
    """That the sound is early or late; where it jumps, that its first piece is: the jumps are said by themselves."""
    early_s = mix.early_s
    if any(change.kind is ChangeKind.SLIP for change in mix.changes) and mix.pieces:
        early_s = mix.pieces[0].early_s
        sd_s = float(np.hypot(mix.pieces[0].early_sd_s, time.frame_sd_s))
    return [_lip_sync(early_s, sd_s, time, f"the shot at {time.at(0)}")] if _out_of_step(early_s, sd_s) else []


def _out_of_step(early_s: float, sd_s: float) -> bool:
    return bool(np.isfinite(early_s)) and abs(early_s) - SDS_OF_95 * sd_s > IN_STEP_S


def _lip_sync(early_s: float, sd_s: float, time: ShotTime, what: str) -> Finding:
    frames = abs(early_s) * float(time.frame_rate)
    judged = judge_lip_sync(early_s, sd_s)
    message = (
        f"the sound of {what} is {abs(early_s) * 1e3:.0f} ms ({frames:.1f} frames) "
        f"{'early' if early_s > 0 else 'late'} against its picture ({judged.verdict.value}): move it "
        f"{'later' if early_s > 0 else 'earlier'} by as much"
    )
    return Finding(Code.LIP_SYNC, Severity.FIX, message, time.name)


def _field_findings(mix: MixEstimate, time: ShotTime, intended: FloatArray) -> tuple[list[Finding], float]:
    """What was done to the field, and by how much it is turned otherwise than meant."""
    best = mix.readings[0]
    turns = (MixKind.CLEAN, MixKind.TURNED, MixKind.TURNED_TWICE, MixKind.NOT_TURNED)
    off_rad = float("nan")
    if best.turn is not None and best.kind in turns:
        off_rad, sd_rad = _off(best, intended)
        if best.kind is not MixKind.CLEAN or not np.allclose(intended, np.eye(3)):
            sure = sum(reading.probability for reading in mix.readings if reading.kind in turns)
            if off_rad - SDS_OF_95 * min(sd_rad, np.pi) > TURN_TOLERANCE_RAD:
                return [_turned(best, off_rad, time, intended, sure=sure >= SURE)], off_rad
        return [], off_rad
    if best.kind is MixKind.CLEAN:
        return [], off_rad
    code, severity, do = _KINDS[best.kind]
    if best.probability < SURE:
        rivals = " or that ".join(reading.words for reading in mix.readings[:3] if reading.probability > 1 - SURE)
        message = f"the film's sound at {time.at(0)} may be one that {rivals}: listen to it, and to a longer shot"
        return [Finding(code, Severity.LOOK if severity is Severity.FIX else severity, message, time.name)], off_rad
    return [Finding(code, severity, f"the film's sound at {time.at(0)} {best.words}: {do}", time.name)], off_rad


def _off(reading: Reading, intended: FloatArray) -> tuple[float, float]:
    """Angle between the turn that is there and the one that was meant, and how sure it is."""
    assert reading.turn is not None
    rest = reading.turn @ intended.T
    angle = float(np.arccos(np.clip((np.trace(rest) - 1) / 2, -1, 1)))
    return angle, float(reading.turn_sd_rad)


def _turned(reading: Reading, off_rad: float, time: ShotTime, intended: FloatArray, *, sure: bool) -> Finding:
    meant = "" if np.allclose(intended, np.eye(3)) else f", and it was meant to be turned {_in_words(intended)}"
    message = (
        f"the film's sound at {time.at(0)} {reading.words}{meant}, so that it is {np.degrees(off_rad):.0f}° off its "
        "picture: take the turn back in the edit, or, where it is meant, name it by --turned or in shoot.toml"
    )
    return Finding(Code.FACING, Severity.FIX if sure else Severity.LOOK, message, time.name)


def _in_words(turn: FloatArray) -> str:
    turned = ypr_from_matrix(turn)
    ways = (
        (turned.yaw_rad, "to the left", "to the right"),
        (turned.pitch_rad, "up", "down"),
        (turned.roll_rad, "with the right side down", "with the right side up"),
    )
    sizes = [(float(np.degrees(angle)), one, other) for angle, one, other in ways]
    parts = [f"{abs(size):.0f}° {one if size > 0 else other}" for size, one, other in sizes if abs(size) >= 0.5]
    return ", ".join(parts) or "by less than 1°"


def _change_findings(changes: Sequence[Change], time: ShotTime) -> list[Finding]:
    found = []
    for change in changes:
        when = time.at(change.film_time_s)
        if change.kind is ChangeKind.SLIP:
            way = "early" if change.size > 0 else "late"
            message = (
                f"within the shot at {time.at(0)}, at {when}, the sound jumps {abs(change.size) * 1e3:.0f} ms {way} "
                "while the picture goes on: look for a cut in the sound there"
            )
            found.append(Finding(Code.LIP_SYNC, Severity.FIX, message, time.name))
        elif change.kind is ChangeKind.HOLE:
            lasts = change.stop_s - change.film_time_s
            message = f"at {when} the film is silent for {lasts:.2f} s in which the clip's track sounds: fill the hole"
            found.append(Finding(Code.DROPOUT, Severity.FIX, message, time.name))
        elif change.kind is ChangeKind.TURN:
            message = (
                f"within the shot at {time.at(0)}, at {when}, the field turns by {change.size:.0f}° at once while the "
                "picture goes on: look for another turn, or another order of channels, from there on"
            )
            found.append(Finding(Code.FACING, Severity.FIX, message, time.name))
        elif change.kind is ChangeKind.LEVEL:
            message = f"at {when} the level changes by {change.size:+.1f} dB at once"
            found.append(Finding(Code.LEVEL, Severity.NOTE, message, time.name))
    return found
