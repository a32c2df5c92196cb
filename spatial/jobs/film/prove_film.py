"""The film job: for every shot of a finished film which clip it is, and whether its sound is in step and turned right.

Functions: prove_film (from files); turn_of (an intended turn).
Sources: ITU-R BT.1359-1 (early and late), by spatial.verification.lip_sync.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, SDS_OF_95, FloatArray
from spatial.dsp.samples import Excerpt, Samples
from spatial.errors import MediaFileError, SoundplumbError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day.day_files import MARKS, beside, is_there
from spatial.jobs.day.shoot_words import rig_in, shoot_beside
from spatial.jobs.faults import as_fault
from spatial.jobs.film.film_files import ClipTrack, clips_of_shoot, name_list, tracks_of_shoot
from spatial.jobs.film.shot_sound import (
    CameraSync,
    ShotSound,
    ShotTime,
    find_by_sound,
    hold_against_camera,
    hold_against_track,
)
from spatial.jobs.inspect.channel_reading import settle
from spatial.jobs.orient.measure_marks import MeasuredMark, marks_of_clip, measure_marks
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.jobs.verify import Tolerance, check_marks, off_in_words
from spatial.media.buffers import Spool, TakeSamples, resampled
from spatial.media.cache import FeatureCache
from spatial.media.movies.clip import Clip, open_clip, scratch_blocks, stretch_of_clip
from spatial.media.movies.container import declared_length_s
from spatial.media.movies.small_pictures import SmallPictures, read_small_pictures
from spatial.media.movies.spherical import read_words
from spatial.media.shoot_file import Shoot
from spatial.media.tables import Mark
from spatial.media.takes.take import Take, open_take
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.shots.shot_finding import Certainty, FoundShot, Reel, confirmed, find_shots
from spatial.timebase import ClockLaw, timecode_from_frame
from spatial.verification.placement import MarkCheck, Verdict

_EVEN_S = 0.002
"""A picture that is shown so much earlier or later than its number says makes a movie one of varying rate: containers
round times to a millisecond."""

_QUIET_REST_DB = -12.0
"""Other sound in the film, against the track's, up to which a performer's direction is the track's and not that of the
music: 12 dB less moves a direction by some 4 degrees even from the side."""

_MOST_ASKED, _LEAST_ASKED_S = 6, 0.7
"""Clips whose tracks are asked where the picture leaves a shot open, and seconds of sound below which none is."""

_LEAST_HELD_S = 0.5
"""Seconds of a shot below which its sound is not held against the track: half a word."""

_BESIDE_S = 1.5
"""Seconds of the camera's own sound beside a shot in which the film's is looked for."""

_INSIDE = 0.8
"""Part of a mark that a shot must hold before it is judged there."""

_LEAST_MARK_S = 0.5
"""Seconds of a mark below which a word is hardly heard."""


class ShotVerdict(StrEnum):
    """What is made of a shot."""

    FIX = "fix"
    LOOK = "look"
    OPEN = "open"
    """Something that should be known could not be told."""
    NO_CLIP = "no_clip"
    """None of the clips: a title, black, or a picture from elsewhere."""
    GOOD = "good"

    @property
    def rank(self) -> int:
        """How much it needs somebody, 0 the most."""
        return list(ShotVerdict).index(self)


@dataclass(frozen=True, slots=True, eq=False)
class FilmShot:
    """One shot of the film."""

    number: int
    """From 1, in the order of the film."""
    found: FoundShot
    film_start_s: float
    film_end_s: float
    timecode: str
    """Of its first film frame."""
    clip: Clip | None
    clip_start_s: float | None
    """Clip time of its first film frame; None where only the clip is known."""
    clip_frame: int | None
    """The clip's own frame that is shown first."""
    track: Path | None
    sound: ShotSound | None
    """None where there is no track, no sound, or no known place in the clip."""
    marks: tuple[tuple[MeasuredMark, MarkCheck], ...]
    """Of the clip's marks, on clip time, those that the shot shows."""
    findings: tuple[Finding, ...]
    why_open: str
    """What could not be told, as a plain half sentence; empty where nothing was."""
    camera: CameraSync | None = None
    """What the camera's own sound tells, where the clip has no track."""

    @property
    def verdict(self) -> ShotVerdict:
        """What is made of it."""
        if any(finding.severity is Severity.FIX for finding in self.findings):
            return ShotVerdict.FIX
        if any(finding.severity is Severity.LOOK for finding in self.findings):
            return ShotVerdict.LOOK
        if self.found.certainty in (Certainty.NO_CLIP, Certainty.BLACK):
            return ShotVerdict.NO_CLIP
        return ShotVerdict.OPEN if self.why_open else ShotVerdict.GOOD


@dataclass(frozen=True, slots=True, eq=False)
class FilmResult:
    """A film, shot by shot."""

    film: Clip
    sound: Path | None
    """Where its sound is from: the film itself, or the file that was named; None where there is none."""
    channels: int
    """Of its sound: 4 for a field, 1 or 2 where only lip-sync could be checked, 0 for none."""
    clips: tuple[Path, ...]
    shots: tuple[FilmShot, ...]
    findings: tuple[Finding, ...]
    """All of them, those of the film first, then shot by shot."""

    @property
    def decided(self) -> bool:
        """Whether any shot has found its clip: else nothing has been proved."""
        return any(shot.clip is not None for shot in self.shots)

    @property
    def of_film(self) -> tuple[Finding, ...]:
        """Findings that are not of one shot."""
        of_shots = {id(finding) for shot in self.shots for finding in shot.findings}
        return tuple(finding for finding in self.findings if id(finding) not in of_shots)


@dataclass(frozen=True, slots=True, eq=False)
class FilmRequest:
    """What is known beforehand."""

    sound: Path | None = None
    """The film's sound field, where it is not inside the movie."""
    film_picture: str | None = None
    """Layout of the film's picture; by its boxes or by itself where nothing is said."""
    turned: FloatArray | None = None
    """How the field is meant to be turned against the tracks, shape (3, 3); as the shoot file says of each clip where
    nothing is typed."""
    rig: Rig = field(default_factory=Rig)
    """What the crew knows of the rig; `picture` is the layout of the clips."""
    typed: frozenset[str] = frozenset()
    """What of `rig` goes before the shoot file: names of its fields."""
    tolerance: Tolerance = field(default_factory=Tolerance)
    channel_format: ReadAs = ChannelFormat.AMBIX
    """As which the film's field is read: what it is meant to be, so that another one is found out."""


def turn_of(angles_deg: Sequence[float] | None) -> FloatArray | None:
    """The turn that yaw, pitch and roll in degrees make, shape (3, 3); None where nothing is said."""
    return None if angles_deg is None else matrix_from_ypr(YawPitchRoll.from_degrees(*angles_deg))


def prove_film(
    film_path: Path, folder: Path, request: FilmRequest | None = None, *, progress: Progress = silent
) -> FilmResult:
    """Find the clip of every shot, and hold the film's sound against the clips' finished tracks.

    Parameters
    ----------
    film_path : Path
        The finished film.
    folder : Path
        The shoot's folder: clips in it, finished tracks in it or in FOLDER/tracks.
    request : FilmRequest, optional

    Raises
    ------
    MediaFileError, InputError, ShootFileError
        A file that cannot be used; a folder without clips.
    """
    request = request or FilmRequest()
    film = open_clip(film_path)
    if film.frames is None or film.frame_rate is None:
        raise MediaFileError(f"{film_path.name} has no picture; name the film as it left the edit, with its picture")
    paths = clips_of_shoot(folder, film_path)
    shoot = shoot_beside(paths[0]) or Shoot()
    clips, findings = _open_clips(paths, film)
    tracks = tracks_of_shoot(folder, [clip.path for clip in clips])
    with ExitStack() as stack:
        sound = _film_sound(film, request, stack, progress)
        findings += sound.findings
        cache = FeatureCache()
        reel, shown = _reel(film, _film_layout(film, request), cache, stack, lambda part: progress("film", part))
        reels, kept = [], []
        for clip in clips:
            layout = _clip_layout(clip, request, shoot)
            try:
                with as_fault(clip.path.name):
                    one, _ = _reel(clip, layout, cache, stack, lambda part, clip=clip: progress(clip.path.name, part))
            except SoundplumbError as error:
                findings.append(Finding(Code.UNUSABLE_FILE, Severity.LOOK, str(error), clip.path.name))
                continue
            reels.append(one)
            kept.append(clip)
        if not kept:
            raise MediaFileError(f"none of the clips in {folder} can be read: {findings[-1].message}")
        findings += [*_whole_findings(film, shown, sound), *_rate_findings(film, shown, kept)]
        found = find_shots(reel, reels, progress=lambda part: progress("finding the shots", part))
        findings += _folder_findings(found, folder, film)
        work = _Work(film, shown, kept, tracks, sound, request, shoot)
        shots = []
        for number, one_shot in enumerate(found):
            shots.append(work.shot(number + 1, one_shot, reels))
            progress("holding the sound against the tracks", (number + 1) / len(found))
    findings += _without_track(shots, tracks, kept)
    of_shots = [finding for shot in shots for finding in shot.findings]
    return FilmResult(
        *(film, sound.path, sound.channels, tuple(clip.path for clip in clips), tuple(shots)),
        (*dict.fromkeys(findings), *of_shots),
    )


# --- pictures ---

_BREAKS_OFF_S = 0.5
"""A header that promises this much more than picture and sound hold is that of a longer film, seconds: the last picture
and the last packet of a coder last a tenth of it."""


def _open_clips(paths: Sequence[Path], film: Clip) -> tuple[list[Clip], list[Finding]]:
    clips, findings = [], []
    for path in paths:
        try:
            with as_fault(path.name):
                clip = open_clip(path)
                if clip.frames is not None:
                    clips.append(clip)
        except SoundplumbError as error:
            findings.append(Finding(Code.UNUSABLE_FILE, Severity.LOOK, str(error), path.name))
    if not clips:
        why = findings[0].message if findings else "none of them has a picture"
        raise MediaFileError(f"none of the clips beside {film.path.name} can be read: {why}")
    return clips, findings


def _reel(
    clip: Clip, layout: str | None, cache: FeatureCache, stack: ExitStack, progress: object
) -> tuple[Reel, SmallPictures]:
    small = stack.enter_context(
        read_small_pictures(clip, layout=layout, cache=cache, progress=progress)  # type: ignore[arg-type]
    )
    assert clip.frame_rate is not None
    return Reel(small, float(clip.frame_rate)), small


def _film_layout(film: Clip, request: FilmRequest) -> str | None:
    """What somebody says of the film's picture, or the film itself; None where nobody does."""
    if request.film_picture is not None:
        return request.film_picture
    with suppress(SoundplumbError):
        return read_words(film.path).picture.layout
    return None


def _clip_layout(clip: Clip, request: FilmRequest, shoot: Shoot) -> str | None:
    if request.rig.picture is not None:
        return request.rig.picture
    rig = shoot.rig_of(clip.path.name)
    return None if rig is None else rig.picture


def _whole_findings(film: Clip, shown: SmallPictures, sound: "_FilmSound") -> list[Finding]:
    """That the film breaks off: it ends, picture and sound, before its header says."""
    declared_s = declared_length_s(film.path)
    if declared_s is None or not shown.frames or (sound.path != film.path and film.scratch is not None):
        return []
    heard_s = 0.0 if sound.samples is None or sound.path != film.path else sound.samples.length / DELIVERY_RATE_HZ
    ends_s = max(float(shown.times_s[-1]), heard_s)
    if declared_s - ends_s < _BREAKS_OFF_S:
        return []
    message = (
        f"{film.path.name} says that it lasts {declared_s:.1f} s, and breaks off after {ends_s:.1f} s: only what is "
        "there has been proved; copy it or export it again"
    )
    return [Finding(Code.TRUNCATED, Severity.FIX, message, film.path.name)]


def _rate_findings(film: Clip, shown: SmallPictures, clips: Sequence[Clip]) -> list[Finding]:
    """That pictures do not come evenly, or not as often as in the clips."""
    assert film.frame_rate is not None
    found = []
    even = np.arange(shown.frames) / float(film.frame_rate)
    if shown.frames and float(np.max(np.abs(shown.times_s - even))) > max(_EVEN_S, 0.25 / float(film.frame_rate)):
        message = (
            f"the pictures of {film.path.name} do not come evenly, so that moments of it are known to a picture only: "
            "export it with a constant frame rate"
        )
        found.append(Finding(Code.FRAME_RATE, Severity.LOOK, message, film.path.name))
    other = [clip for clip in clips if clip.frame_rate != film.frame_rate]
    if other:
        rates = ", ".join(sorted({f"{float(clip.frame_rate or 0):.3f}" for clip in other}))
        message = (
            f"{film.path.name} shows {float(film.frame_rate):.3f} pictures a second, and {len(other)} of "
            f"{len(clips)} clips {rates} ({name_list([clip.path for clip in other], 3)}): their moments in the film "
            "are known to half a picture; make sure that the edit plays them at their own speed"
        )
        found.append(Finding(Code.FRAME_RATE, Severity.NOTE, message, film.path.name))
    return found


def _folder_findings(found: Sequence[FoundShot], folder: Path, film: Clip) -> list[Finding]:
    """That nothing of the film is from this folder."""
    if any(shot.certainty not in (Certainty.NO_CLIP, Certainty.BLACK) for shot in found):
        return []
    message = (
        f"no shot of {film.path.name} is from any clip in {folder.name}: make sure that it is the film's shoot, and "
        "say by --film-picture and --picture how both pictures are laid out"
    )
    return [Finding(Code.SHOT_OPEN, Severity.LOOK, message, film.path.name)]


# --- sound ---


@dataclass(frozen=True, slots=True, eq=False)
class _FilmSound:
    """The film's sound at 48 kHz from its first picture on."""

    samples: Samples | None
    channels: int
    path: Path | None
    take: Take | None
    """The field as a take, for marks."""
    findings: list[Finding]
    phase_s: float = 0.0
    """When its first sample sounds."""


def _film_sound(film: Clip, request: FilmRequest, stack: ExitStack, progress: Progress) -> _FilmSound:
    """The film's field; its stereo where it has no field; nothing where it has no sound."""
    path = request.sound or film.path
    try:
        take, _ = settle(open_take(path, channel_format=request.channel_format))
    except MediaFileError:
        if request.sound is not None:
            raise
        return _stereo(film, stack, progress)
    samples = stack.enter_context(TakeSamples(take, DELIVERY_RATE_HZ))
    return _FilmSound(samples, FIRST_ORDER_CHANNELS, path, take, list(take.findings))


def _stereo(film: Clip, stack: ExitStack, progress: Progress) -> _FilmSound:
    name = film.path.name
    if film.scratch is None:
        message = f"{name} has no sound, so only its shots are found; name its sound field by --sound"
        return _FilmSound(None, 0, None, None, [Finding(Code.SOUND_FIELD, Severity.LOOK, message, name)])
    spool = stack.enter_context(Spool(DELIVERY_RATE_HZ))
    for block in _at_delivery_rate(film):
        spool.write(block[:2])
        progress("the film's sound", min(1.0, spool.length / DELIVERY_RATE_HZ / max(film.duration_s, 1e-9)))
    message = (
        f"{name} has no sound field, only {'stereo' if film.scratch.channels > 1 else 'mono'}: lip-sync is checked, "
        "and nothing is known of directions; name the field by --sound where there is one"
    )
    note = Finding(Code.SOUND_FIELD, Severity.NOTE, message, name)
    channels = min(film.scratch.channels, 2)
    return _FilmSound(spool, channels, film.path, None, [note], film.scratch.phase_s)


def _at_delivery_rate(film: Clip) -> Iterator[FloatArray]:
    assert film.scratch is not None
    blocks = scratch_blocks(film)
    if film.scratch.rate_hz == DELIVERY_RATE_HZ:
        return blocks
    return resampled(blocks, film.scratch.rate_hz, DELIVERY_RATE_HZ)


# --- shot by shot ---


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """All that a shot is held against."""

    film: Clip
    shown: SmallPictures
    clips: Sequence[Clip]
    tracks: Mapping[Path, ClipTrack]
    sound: _FilmSound
    request: FilmRequest
    shoot: Shoot

    @property
    def rate(self) -> Fraction:
        """The film's frame rate."""
        assert self.film.frame_rate is not None
        return self.film.frame_rate

    def turn_meant(self, clip: Clip) -> FloatArray:
        """How the field is meant to be turned while a clip is shown, shape (3, 3): as typed, or by the shoot file."""
        if self.request.turned is not None:
            return self.request.turned
        angles = self.shoot.turn_of(clip.path.name)
        return np.eye(3) if angles is None else matrix_from_ypr(angles)

    def time_of(self, frame: int) -> float:
        """When a film frame is shown; the end for the one behind the last."""
        times = self.shown.times_s
        return float(times[frame]) if frame < len(times) else self.film.duration_s

    def by_sound(self, found: FoundShot, reels: Sequence[Reel]) -> FoundShot:
        """A shot whose picture leaves its clip or its moment open, as the sound tells it and the picture agrees."""
        whole = self.sound.samples
        if found.certainty not in (Certainty.CLIP_ONLY, Certainty.OPEN) or found.clip is None or whole is None:
            return found
        numbers = [n for n in (found.clip, *found.others)[:_MOST_ASKED] if self.clips[n].path in self.tracks]
        start_s, stop_s = self.time_of(found.first), self.time_of(found.stop)
        first, last = (round((at_s - self.sound.phase_s) * DELIVERY_RATE_HZ) for at_s in (start_s, stop_s))
        if not numbers or stop_s - start_s < _LEAST_ASKED_S:
            return found
        with ExitStack() as stack:
            asked: dict[int, Samples] = {}
            for n in numbers:
                track = open_take(self.tracks[self.clips[n].path].path, channel_format=ChannelFormat.AMBIX)
                asked[n] = stack.enter_context(TakeSamples(track, DELIVERY_RATE_HZ))
            told = find_by_sound(Excerpt(whole, max(first, 0), max(last, 0)), asked, rate=self.rate)
        if told is None:
            return found
        clip, at_s = told
        start = round(at_s * self.rate) - found.first
        there = reels[clip].at_rate(float(self.rate))
        return confirmed(found, self.shown, there, clip, start) or found

    def shot(self, number: int, found: FoundShot, reels: Sequence[Reel]) -> FilmShot:
        """One shot, with its sound and its marks; what cannot be done of it is said, and the others go on."""
        name = timecode_from_frame(found.first, self.rate)
        what = f"the sound of the shot at {name} of {self.film.path.name}"
        try:
            with as_fault(what):
                return self._with_sound(self._seen(number, self.by_sound(found, reels), reels))
        except SoundplumbError as error:
            seen = self._seen(number, found, reels)
            said = Finding(Code.UNUSABLE_FILE, Severity.LOOK, str(error), f"{self.film.path.name} at {name}")
            return replace(seen, findings=(said,), why_open="its sound could not be checked")

    def _seen(self, number: int, found: FoundShot, reels: Sequence[Reel]) -> FilmShot:
        """One shot, as its picture tells."""
        clip = None if found.clip is None else self.clips[found.clip]
        start_s = self.time_of(found.first)
        clip_frame, clip_start_s = None, None
        if clip is not None and found.place is not None and found.clip is not None:
            assert clip.frame_rate is not None
            clip_frame = reels[found.clip].at_rate(float(self.rate), found.phase).frame_of(found.place)
            clip_start_s = float(clip_frame / clip.frame_rate)
        return FilmShot(
            number,
            found,
            start_s,
            self.time_of(found.stop),
            timecode_from_frame(found.first, self.rate),
            clip,
            clip_start_s,
            clip_frame,
            track=None,
            sound=None,
            marks=(),
            findings=(),
            why_open=self._why_open(found, clip),
        )

    def _why_open(self, found: FoundShot, clip: Clip | None) -> str:
        if found.certainty is Certainty.CLIP_ONLY and clip is not None:
            return f"too little moves to tell from which moment of {clip.path.name} it is"
        if found.certainty is Certainty.OPEN and clip is not None:
            others = [self.clips[n].path for n in found.others]
            return f"too little moves to tell whether it is {clip.path.name} or {name_list(others, 3)}"
        if self.sound.samples is None and found.certainty is Certainty.EXACT:
            return "the film has no sound"
        return ""

    def _with_sound(self, shot: FilmShot) -> FilmShot:
        """A shot with what its sound was found to be."""
        clip, whole = shot.clip, self.sound.samples
        if clip is None or shot.clip_start_s is None or whole is None:
            return shot
        # A dissolve mixes two sounds: the shot is held by what is its own.
        half = shot.found.dissolve // 2
        begin_s = self.time_of(min(shot.found.first + half, shot.found.stop - 1))
        first = max(0, round((begin_s - self.sound.phase_s) * DELIVERY_RATE_HZ))
        last = max(first, round((shot.film_end_s - self.sound.phase_s) * DELIVERY_RATE_HZ))
        track = self.tracks.get(clip.path)
        if last - first < _LEAST_HELD_S * DELIVERY_RATE_HZ:
            path = None if track is None else track.path
            return replace(shot, track=path, why_open="too short for its sound to tell")
        at_s = first / DELIVERY_RATE_HZ + self.sound.phase_s
        time = ShotTime(
            f"{self.film.path.name} at {shot.timecode}",
            shot.timecode,
            at_s,
            self.rate,
            shot.found.frame_sd / float(self.rate),
        )
        own, expected_s = Excerpt(whole, first, last), shot.clip_start_s + at_s - shot.film_start_s
        if track is None:
            return self._against_camera(shot, clip, own, expected_s, time)
        with TakeSamples(open_take(track.path, channel_format=ChannelFormat.AMBIX), DELIVERY_RATE_HZ) as there:
            sound = hold_against_track(
                own,
                there,
                expected_s,
                time=time,
                mount=track.mount,
                intended=self.turn_meant(clip),
            )
        checked, of_marks = self._marks(shot, clip, sound)
        why = "" if sound.told or sound.findings else sound.mix.why or "its sound does not tell"
        return replace(
            shot,
            track=track.path,
            sound=sound,
            marks=checked,
            findings=(*sound.findings, *of_marks),
            why_open=why,
        )

    def _against_camera(self, shot: FilmShot, clip: Clip, film: Samples, expected_s: float, time: ShotTime) -> FilmShot:
        """A shot whose clip has no track: whether its sound is in step with the camera's own."""
        why = "its clip has no finished track"
        first_s = max(0.0, expected_s - _BESIDE_S)
        last_s = min(clip.duration_s, expected_s + film.length / film.rate_hz + _BESIDE_S)
        if clip.scratch is None or first_s >= last_s:
            return replace(shot, why_open=f"{why}, and no sound of its own")
        part = stretch_of_clip(clip, first_s, last_s)
        assert part.scratch is not None
        with Spool(DELIVERY_RATE_HZ) as camera:
            for block in _at_delivery_rate(part):
                camera.write(block[:2])
            found = hold_against_camera(
                film, camera, expected_s - part.scratch.phase_s, time=time, doubt_s=part.scratch.start_doubt_s
            )
        if found is None:
            return replace(shot, why_open=f"{why}, and the camera's own sound does not tell")
        early = "early" if found.lip_sync_s > 0 else "late"
        heard = f"its sound is {abs(found.lip_sync_s) * 1e3:.0f} ms {early} against the camera's own"
        return replace(
            shot, camera=found, findings=found.findings, why_open=f"{why}: {heard}, and nothing is known of its field"
        )

    def _marks(
        self, shot: FilmShot, clip: Clip, sound: ShotSound
    ) -> tuple[tuple[tuple[MeasuredMark, MarkCheck], ...], tuple[Finding, ...]]:
        """The clip's marks that the shot shows, heard in the film; nothing where other sound would be heard instead."""
        take, path = self.sound.take, beside(clip.path, MARKS)
        settled = sound.told and not any(finding.severity is Severity.FIX for finding in sound.findings)
        if take is None or not settled or not is_there(path) or not sound.mix.other_db < _QUIET_REST_DB:
            return (), ()
        try:
            rig = rig_in(self.shoot, clip.path.name, self.request.rig, but=self.request.typed)
            marks = _cut_to(marks_of_clip(path, clip, rig), shot)
        except SoundplumbError as error:
            return (), (Finding(Code.UNUSABLE_FILE, Severity.NOTE, str(error), path.name),)
        if not marks:
            return (), ()
        assert shot.clip_start_s is not None
        law = ClockLaw(offset_s=shot.film_start_s - shot.clip_start_s - sound.lip_sync_s)
        heard = list(measure_marks(take, law, marks, rig, finished=True))
        meant = self.turn_meant(clip)
        if not np.allclose(meant, np.eye(3)):
            heard = [replace(mark, expected=meant @ mark.expected) for mark in heard]
        checks, _ = check_marks(heard, self.request.tolerance)
        return checks, tuple(_off_findings(checks, shot, self.film))


def _off_findings(checks: Sequence[tuple[MeasuredMark, MarkCheck]], shot: FilmShot, film: Clip) -> list[Finding]:
    """That performers are heard elsewhere than they are seen; of several marks of one the farthest off."""
    worst: dict[str, tuple[MeasuredMark, MarkCheck]] = {}
    for mark, check in checks:
        if check.verdict not in (Verdict.OFF, Verdict.BORDERLINE):
            continue
        there = worst.get(mark.mark.who)
        if there is None or (check.verdict is Verdict.OFF, check.error_rad) > (
            there[1].verdict is Verdict.OFF,
            there[1].error_rad,
        ):
            worst[mark.mark.who] = mark, check
    return [
        Finding(
            Code.MARK_OFF,
            Severity.FIX if check.verdict is Verdict.OFF else Severity.LOOK,
            f"in the film's shot at {shot.timecode} {who} is heard {off_in_words(check)} of where they are seen "
            f"(±{np.degrees(SDS_OF_95 * check.sd_rad):.1f}°): see whether the clip's track has it so too (`soundplumb "
            "verify`), and whether the mark is right",
            f"{film.path.name} at {shot.timecode}",
        )
        for who, (_, check) in worst.items()
    ]


def _cut_to(marks: Sequence[Mark], shot: FilmShot) -> tuple[Mark, ...]:
    """Marks that a shot shows most of, cut to it."""
    assert shot.clip_start_s is not None
    first_s, last_s = shot.clip_start_s, shot.clip_start_s + shot.film_end_s - shot.film_start_s
    out = []
    for mark in marks:
        start_s, end_s = max(mark.start_s, first_s), min(mark.end_s, last_s)
        if end_s - start_s >= max(_LEAST_MARK_S, _INSIDE * (mark.end_s - mark.start_s)):
            out.append(replace(mark, start_s=start_s, end_s=end_s))
    return tuple(out)


def _without_track(shots: Sequence[FilmShot], tracks: Mapping[Path, ClipTrack], clips: Sequence[Clip]) -> list[Finding]:
    """One finding for all clips that the film shows and that have no track."""
    used = {shot.clip.path for shot in shots if shot.clip is not None and shot.clip_start_s is not None}
    bare = [clip.path for clip in clips if clip.path in used and clip.path not in tracks]
    if not bare:
        return []
    message = (
        f"{len(bare)} clip{'s' if len(bare) > 1 else ''} of the film without a finished track ({name_list(bare)}): "
        "their shots are held against the camera's own sound, which tells lip-sync and nothing of the field; make the "
        "tracks by `soundplumb day` first"
    )
    return [Finding(Code.NO_TRACK, Severity.LOOK, message, bare[0].name)]
