"""The headset job: a movie for headset players, and the proof of it.

Goal: the film's picture as it is, the track beside it as a sound field that players know by open standards, and a
measurement of what a player will decode from it.
Functions: make_headset_movie (from files); loudness_note (how loud W is).
Sources:
[1] RFC 8486 (the field in Opus); "Spatial Audio RFC" and "Spherical Video V2 RFC" (the boxes).
[2] ITU-R BT.1359-1 (early and late).
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ, FIRST_ORDER_CHANNELS, FloatArray
from spatial.dsp.binaural import LATENCY_SAMPLES, FilteredField, Limiter
from spatial.dsp.binaural import headphones as ears_of
from spatial.dsp.loudness import LoudnessMeter
from spatial.errors import InputError, MediaFileError
from spatial.field import ChannelFormat, ReadAs
from spatial.findings import Code, Finding, Severity
from spatial.jobs.film_doubts import OwnSound, own_sound, picture_findings, track_findings
from spatial.jobs.inspect.channel_reading import settle
from spatial.jobs.inspect.movie_words import said_rightly
from spatial.jobs.progress import Progress, silent
from spatial.media.buffers import resampled
from spatial.media.movies.clip import Clip, open_clip
from spatial.media.movies.display import DisplayTurn
from spatial.media.movies.remux import (
    MovieForm,
    SoundCoding,
    check_film,
    field_of_movie,
    form_of,
    picture_print,
    write_movie,
    write_sound,
)
from spatial.media.movies.spherical import MovieWords, PictureWords, layout_in_words, read_words
from spatial.media.output import whole_file
from spatial.media.ownership import may_be_written
from spatial.media.takes.take import Take, field_blocks, open_take
from spatial.picture import Projection, parse_picture
from spatial.verification.field_match import FieldComparison, FieldMatch

DIRECTION_GOAL_DEG = 1.5
"""Within this, in 95 tenths of a second of 100, a coder may turn a direction: less than people hear straight ahead
(Blauert 1997, "Spatial Hearing": localisation blur of about 1 to 4 degrees there; value from memory)."""

_SMALL_S, _IN_STEP_S = 0.001, 0.010
"""A delay below the first is no more than good to know; above the second it is one to mend, as `verify` has it."""

_LEAST_LEAKAGE_DB = -30.0
"""A channel that is so far under another within it is worth a word: 1.8 degrees at the worst place."""

_GAIN_DB = 0.5
"""Coders keep levels to a few tenths of a dB."""


@dataclass(frozen=True, slots=True, eq=False)
class HeadsetResult:
    """A movie for headsets, and what was measured of it."""

    output: Path
    film: Clip
    track: Take
    form: MovieForm
    layout: str | None
    """What its boxes say of the picture; None where they say nothing."""
    samples: int
    """Of the field, each channel."""
    kept_track: int | None
    """The film's own track of sound that stays as the second one."""
    packets: int | None
    """Of the picture; None for sound alone."""
    packets_identical: bool | None
    """Whether the packets of the picture are those of the film, byte for byte, and shown at the same times."""
    words: MovieWords
    """What the finished movie says, as it is read from it."""
    match: FieldMatch
    """What is decoded from it, against the track."""
    start_s: float
    """When the decoded field starts, less than a sample away from the grid of the picture's time."""
    findings: tuple[Finding, ...]
    loudness_lufs: float | None = None
    """Of W alone, over all of it; None where it is silent."""
    headphones: bool = False
    """Whether the second track is the field as headphones play it."""
    own_sound: OwnSound | None = None
    """What the film's own sound says of the track."""

    @property
    def offset_s(self) -> float | None:
        """How late the decoded field is; None where it is silent."""
        delay = self.match.delay_samples
        return None if delay is None else delay / DELIVERY_RATE_HZ + self.start_s


def make_headset_movie(
    film_path: Path,
    track_path: Path,
    output: Path,
    *,
    sound: str | None = None,
    kbps: int | None = None,
    keep_sound: bool = False,
    headphones: bool = False,
    picture: str | None = None,
    channel_format: ReadAs = ChannelFormat.AMBIX,
    force: bool = False,
    progress: Progress = silent,
) -> HeadsetResult:
    """Write a movie for headsets, read it back, and measure it.

    Parameters
    ----------
    film_path : Path
        The finished film: MP4, MOV or Matroska.
    track_path : Path
        Its sound field: a recording of four channels, from the film's first picture on.
    output : Path
        The movie; the end of its name says which kind.
    sound : str, optional
        `pcm`, `opus` or `aac`; by default what suits the name.
    kbps : int, optional
        Bits a second of the coded field, in thousands.
    keep_sound : bool
        Whether the film's own sound stays, as a second track.
    headphones : bool
        Whether the second track is the field as headphones play it to a head that faces the lens.
    picture : str, optional
        The layout of the picture; by default what the film says itself.

    Raises
    ------
    MediaFileError, InputError
        A file that cannot be used, or used so.
    OutputError
        The movie is not named as one, cannot be written, or exists and `force` is not set.
    """
    form = form_of(output, coding=sound, kbps=kbps)
    may_be_written(output, form.kind, force=force, inputs=[film_path, track_path])
    film, said = _open_film(film_path)
    if form.sound_alone and (picture is not None or keep_sound or headphones):
        raise InputError(f"{output.name} holds the sound alone; leave --picture, --keep-sound and --headphones out")
    if keep_sound and headphones:
        raise InputError("--keep-sound and --headphones both make the second track: give one of the two")
    layout, findings = (None, []) if form.sound_alone else _layout(film, said.picture, picture)
    track = _open_track(track_path, channel_format)
    own = own_sound(film, track, progress)
    findings += [*picture_findings(film, layout), *own.findings, *track_findings(film, track, own)]
    findings += [
        *said_rightly(track, track.findings),
        *_length_findings(film, track),
        *([] if form.sound_alone else _turned(film)),
    ]
    kept = None
    if keep_sound:
        if film.scratch is None:
            raise InputError(
                f"{film_path.name} has no sound of its own to keep; leave --keep-sound out, or say --headphones to "
                "have a track for headphones made from the field"
            )
        kept = film.scratch.track
    samples = film.samples_at(DELIVERY_RATE_HZ)
    packets, identical = None, None
    meter = LoudnessMeter(DELIVERY_RATE_HZ)
    with whole_file(output, form.kind, force=force, inputs=[film_path, track_path]) as temporary:
        field = _metered(_field(track, samples), meter)
        if form.sound_alone:
            write_sound(_shown(field, samples, progress), temporary, form=form)
        else:
            before = write_movie(
                *(film_path, field, temporary),
                form=form,
                layout=layout,
                kept_track=kept,
                ears=_ears(_field(track, samples), samples) if headphones else None,
                progress=lambda part: progress("writing the movie", part),
            )
            after = picture_print(temporary)
            packets, identical = after.packets, before.same_pictures(after) and before.same_times(after)
        words = read_words(temporary)
        match, start_s = _proof(track, temporary, samples, progress)
    result = HeadsetResult(
        *(output, film, track, form, layout, samples, kept, packets, identical, words, match, start_s),
        (),
        meter.integrated_lufs,
        headphones,
        own,
    )
    return replace(result, findings=tuple(dict.fromkeys([*findings, *_proof_findings(result)])))


# --- before ---


def _open_film(path: Path) -> tuple[Clip, MovieWords]:
    check_film(path)
    said = read_words(path)
    if said.fragmented:
        raise MediaFileError(
            f"{path.name} is written in fragments, as for streaming, and its pictures cannot be copied as they are; "
            "export the film as one plain MP4 or MOV"
        )
    film = open_clip(path)
    if film.frames is None:
        raise MediaFileError(f"{path.name} has no picture; name the film as it left the edit, with its picture")
    return film, said


def _open_track(path: Path, channel_format: ReadAs) -> Take:
    track = open_take(path, channel_format=channel_format)
    if track.channels != FIRST_ORDER_CHANNELS:
        raise MediaFileError(
            f"{path.name} has {track.channels} channels, and a movie for headsets takes the four of a first-order "
            "field; name the track that conform wrote, or a mix in ACN/SN3D of four channels"
        )
    declared = track.declared.channel_format if track.declared is not None else None
    if declared not in (None, channel_format, ChannelFormat.AMBIX) and channel_format is ChannelFormat.AMBIX:
        raise InputError(
            f"{path.name} says that it is {declared.value if declared else ''}, not ACN/SN3D; add --format "
            f"{declared.value if declared else ''} to have it turned into that"
        )
    return settle(track)[0]


def _layout(film: Clip, said: PictureWords, told: str | None) -> tuple[str | None, list[Finding]]:
    """What the movie is to say of its picture, and what is to be said of that."""
    name = film.path.name
    if told is not None:
        assert film.width_px is not None
        assert film.height_px is not None
        parsed = parse_picture(told, film.width_px, film.height_px)
        if parsed.projection is not Projection.EQUIRECTANGULAR:
            raise InputError(
                f"the open boxes of a movie have no word for {told}; bring the picture to equirect180 or equirect360 "
                "in the edit first, or leave --picture out"
            )
        if said.anything and said.layout != told:
            message = f"{name} itself says {_in_words(said)}, and you say {layout_in_words(told)}: the movie "
            message += "says the latter; look at it in a headset"
            return told, [Finding(Code.PICTURE_LAYOUT, Severity.LOOK, message, name)]
        return told, []
    if said.layout is not None:
        return said.layout, []
    if said.anything:
        message = f"{name} says {_in_words(said)}, which has no layout here, so the movie says nothing of it; add "
        message += "--picture LAYOUT"
        return None, [Finding(Code.PICTURE_LAYOUT, Severity.LOOK, message, name)]
    message = f"nothing says how the picture of {name} is laid out, and players will show it as a flat one; add "
    message += "--picture, as in --picture equirect180-sbs"
    return None, [Finding(Code.PICTURE_LAYOUT, Severity.LOOK, message, name)]


def _in_words(said: PictureWords) -> str:
    if said.layout is not None:
        return layout_in_words(said.layout)
    return said.other or "how the eyes share the frame, and nothing of a sphere"


def _turned(film: Clip) -> list[Finding]:
    if film.turn is DisplayTurn.AS_STORED:
        return []
    message = f"the header of {film.path.name} says that its picture is to be shown {film.turn}, which players of "
    message += "headsets may leave out or do twice; export the film with its picture the right way up"
    return [Finding(Code.TURNED_PICTURE, Severity.LOOK, message, film.path.name)]


def _length_findings(film: Clip, track: Take) -> list[Finding]:
    assert film.frame_rate is not None
    over_s = track.duration_s - film.duration_s
    if abs(over_s) * film.frame_rate <= 1.0:
        return []
    does = "its end is left out" if over_s > 0 else "the movie ends in silence"
    message = (
        f"{track.path.name} is {abs(over_s):.3f} s {'longer' if over_s > 0 else 'shorter'} than the picture of "
        f"{film.path.name}, so {does}; make sure that it is the track of this film, from its first picture on"
    )
    return [Finding(Code.WRONG_LENGTH, Severity.LOOK, message, track.path.name)]


# --- the field ---


def _field(track: Take, samples: int) -> Iterator[FloatArray]:
    """The track at 48 kHz, exactly so many samples: cut, or followed by silence."""
    blocks: Iterable[FloatArray] = field_blocks(track)
    if track.rate_hz != DELIVERY_RATE_HZ:
        blocks = resampled(blocks, track.rate_hz, DELIVERY_RATE_HZ)
    done = 0
    for block in blocks:
        kept = block[:, : samples - done]
        if kept.shape[1]:
            yield kept
            done += kept.shape[1]
        if done >= samples:
            return
    while done < samples:
        size = min(DELIVERY_RATE_HZ, samples - done)
        yield np.zeros((FIRST_ORDER_CHANNELS, size), dtype=np.float32)
        done += size


def _metered(blocks: Iterable[FloatArray], meter: LoudnessMeter) -> Iterator[FloatArray]:
    """Blocks as they are; the loudness of W is measured as they pass."""
    for block in blocks:
        meter.add(block[:1])
        yield block


def loudness_note(lufs: float | None, name: str) -> Finding:
    """How loud the W channel of a field is, as a note: no standard says how loud a field should be."""
    if lufs is None:
        message = f"the field in {name} is silent, or too short for a loudness"
    else:
        message = (
            f"the W channel of {name} has an integrated loudness of {lufs:.1f} LUFS (ITU-R BS.1770, EBU R 128): "
            "films of one programme should agree within about 1 LU"
        )
    return Finding(Code.LEVEL, Severity.NOTE, message, name)


def _shown(blocks: Iterable[FloatArray], samples: int, progress: Progress) -> Iterator[FloatArray]:
    """Blocks as they are, with a word on how far they are."""
    done = 0
    for block in blocks:
        yield block
        done += block.shape[1]
        progress("writing the sound", done / max(samples, 1))


def _proof(track: Take, movie: Path, samples: int, progress: Progress) -> tuple[FieldMatch, float]:
    """The movie's field, decoded, against the track."""
    compared = FieldComparison(DELIVERY_RATE_HZ)
    scratch, blocks = field_of_movie(movie, duration_s=samples / DELIVERY_RATE_HZ)
    if scratch.rate_hz != DELIVERY_RATE_HZ:
        raise MediaFileError(f"the field in {movie.name} came out at {scratch.rate_hz} Hz; name another --sound")
    held = np.zeros((FIRST_ORDER_CHANNELS, 0), dtype=np.float32)
    done = 0
    for sent in _field(track, samples):
        while held.shape[1] < sent.shape[1]:
            more = next(blocks, None)
            if more is None:
                # What was not decoded is silence, which the comparison shows.
                more = np.zeros((FIRST_ORDER_CHANNELS, sent.shape[1] - held.shape[1]), dtype=np.float32)
            held = np.concatenate([held, more], axis=1)
        compared.add(sent, held[:, : sent.shape[1]])
        held = held[:, sent.shape[1] :]
        done += sent.shape[1]
        progress("reading the movie back", done / max(samples, 1))
    return compared.result(), scratch.phase_s


def _ears(blocks: Iterable[FloatArray], samples: int) -> Iterator[FloatArray]:
    """What headphones play of a field to a head that faces the lens, shape (2, samples) in all, in step with it."""
    filtered, limiter = FilteredField(DELIVERY_RATE_HZ), Limiter(DELIVERY_RATE_HZ)
    early, done = LATENCY_SAMPLES, 0
    tail = np.zeros((FIRST_ORDER_CHANNELS, LATENCY_SAMPLES), dtype=np.float32)
    pushed = (limiter.push(ears_of(filtered.push(block), np.eye(3))) for block in itertools.chain(blocks, [tail]))
    for both in itertools.chain(pushed, (limiter.finish() for _ in range(1))):
        # The filters answer late: what comes out first belongs before the first sample.
        skipped = min(early, both.shape[1])
        early -= skipped
        kept = both[:, skipped:][:, : samples - done]
        done += kept.shape[1]
        if kept.shape[1]:
            yield np.asarray(kept, dtype=np.float32)


# --- after ---


def _proof_findings(result: HeadsetResult) -> list[Finding]:
    name, found = result.output.name, []
    if result.packets_identical is False:
        message = f"the pictures of {name} are not those of {result.film.path.name}, byte for byte or in time: do not "
        message += "hand it over; export the film again as a plain MP4 or MOV"
        found.append(Finding(Code.PICTURE_CHANGED, Severity.FIX, message, name))
    if result.words.picture.layout != result.layout:
        message = f"what {name} says of its picture was not read back as it was meant; do not hand it over"
        found.append(Finding(Code.PICTURE_LAYOUT, Severity.FIX, message, name))
    if not result.form.sound_alone and not result.words.sounds[0].says_first_order:
        # An MKV has no word for a field in PCM or AAC; anywhere else the words were written, and must be read.
        expected = result.form.suffix == ".mkv" and result.form.coding is not SoundCoding.OPUS
        message = f"nothing in {name} says that its four channels are a sound field, so players take them for "
        message += "loudspeakers; take Opus in an .mkv, or end the name in .mov or .mp4"
        found.append(Finding(Code.SOUND_FIELD, Severity.LOOK if expected else Severity.FIX, message, name))
    found += _came_through(result.match, result.form, name, result.offset_s)
    return found


def _came_through(match: FieldMatch, form: MovieForm, name: str, offset_s: float | None) -> list[Finding]:
    if match.delay_samples is None or offset_s is None:
        message = f"the field in {name} is silent, or the track is, so nothing is proved; listen to the track"
        return [Finding(Code.SOUND_FIELD, Severity.LOOK, message, name)]
    found: list[Finding] = []
    if match.exchanged:
        message = f"a channel of {name} is decoded as another one, inverted, or not at all; do not hand it over"
        found.append(Finding(Code.SWAPPED_CHANNELS, Severity.FIX, message, name))
    if offset_s:
        late = "late" if offset_s > 0 else "early"
        grave = Severity.NOTE if abs(offset_s) < _SMALL_S else Severity.LOOK
        grave = Severity.FIX if abs(offset_s) > _IN_STEP_S else grave
        message = f"the field in {name} is decoded {abs(offset_s) * 1e3:.2f} ms {late}"
        found.append(Finding(Code.LIP_SYNC, grave, message, name))
    if abs(match.worst_piece_samples) > _SMALL_S * DELIVERY_RATE_HZ:
        message = (
            f"the field in {name} slips by {abs(match.worst_piece_samples) / DELIVERY_RATE_HZ * 1e3:.1f} ms at "
            f"{match.worst_piece_s:.1f} s; do not hand it over"
        )
        found.append(Finding(Code.LIP_SYNC, Severity.FIX, message, name, clip_time_s=match.worst_piece_s))
    if abs(match.gain_db) > _GAIN_DB:
        message = (
            f"the field in {name} is decoded {abs(match.gain_db):.1f} dB {'louder' if match.gain_db > 0 else 'quieter'}"
        )
        found.append(Finding(Code.SOUND_FIELD, Severity.LOOK, message + " than the track", name))
    found += _direction_findings(match, form, name)
    return found


def _direction_findings(match: FieldMatch, form: MovieForm, name: str) -> list[Finding]:
    turned_deg = float(np.degrees(match.turned_by(0.95)))
    if form.coding is SoundCoding.AAC:
        often = (
            f"by up to {turned_deg:.1f}° in 95 tenths of a second of 100" if np.isfinite(turned_deg) else "in places"
        )
        grave = Severity.LOOK if not turned_deg <= DIRECTION_GOAL_DEG else Severity.NOTE
        message = (
            f"AAC has no word for a sound field and turned directions {often} here: take Opus (.mp4, .mkv) or PCM "
            "(.mov) where the player takes them, and listen to this one in the player it is for"
        )
        return [Finding(Code.SOUND_FIELD, grave, message, name)]
    if turned_deg > DIRECTION_GOAL_DEG:
        message = (
            f"{form.in_words} turned directions by up to {turned_deg:.1f}° in 95 tenths of a second of 100 (the goal "
            f"is {DIRECTION_GOAL_DEG:g}°); give it more with --bit-rate-kbps, or take PCM (.mov)"
        )
        return [Finding(Code.SOUND_FIELD, Severity.LOOK, message, name)]
    if match.leakage_db > _LEAST_LEAKAGE_DB and not match.exchanged:
        message = (
            f"a channel of {name} holds another one {-match.leakage_db:.0f} dB down; give it more with "
            "--bit-rate-kbps, or take PCM (.mov)"
        )
        return [Finding(Code.SOUND_FIELD, Severity.NOTE, message, name)]
    return []
