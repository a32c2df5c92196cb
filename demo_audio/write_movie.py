"""Write a small camera movie: for the demo shoot and for the tests, which need movies whose truth is known.

Functions: write_movie.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from spatial.conventions import FloatArray

_LAYOUTS = {1: "mono", 2: "stereo", 4: "4.0", 6: "5.1"}
_CHUNK = 1024
_PRIMING = {"aac": 1024, "libopus": 312}
"""Samples these encoders put before the sound."""


def write_movie(
    path: Path | str,
    *,
    frames: Iterable[npt.NDArray[np.uint8]],
    frame_rate: Fraction,
    audio: FloatArray | None = None,
    audio_rate_hz: int = 48_000,
    audio_codec: str = "aac",
    audio_bit_rate: int | None = None,
    audio_start_s: float = 0.0,
    video_codec: str = "libx264",
    video_options: dict[str, str] | None = None,
    timecode: str | None = None,
    created: str | None = None,
    fragmented: bool = False,
    edit_list: bool = True,
) -> None:
    """Write pictures and sound that start together into a movie; the suffix of `path` names the container.

    Parameters
    ----------
    path : Path or str
        Ends in .mp4, .mov, .mkv or .ts; an existing file is replaced.
    frames : iterable of ndarray, shape (height, width, 3), uint8
        Red, green, blue; height and width even. Taken one at a time.
    frame_rate : Fraction
        Exact frames per second.
    audio : ndarray, shape (channels, samples), or None
        Full scale 1. None: a movie without sound.
    audio_rate_hz : int
    audio_codec : str
        "aac", "libopus" (48 kHz only), "flac", "pcm_s16le", "pcm_s24le", "pcm_f32le".
    audio_bit_rate : int or None
        Bits per second; None leaves it to the encoder.
    audio_start_s : float
        Clip time of the first sample of `audio`, 0 or later, rounded to a sample.
    video_codec : str
        "mpeg4" is used where this one is not built in.
    video_options : dict or None
        For the video encoder, as {"bf": "0"} for no B-frames.
    timecode : str or None
        Of the first frame; a semicolon before the frames means drop-frame.
    created : str or None
        When the camera made the file, ISO 8601.
    fragmented : bool
        MP4 and MOV: write fragments, as a recorder that must survive a power cut does.
    edit_list : bool
        MP4 and MOV: declare the encoder's priming. False is what simple recorders do: the priming is written as
        if it were sound, so that all sound comes late by it, and there are no B-frames.
    """
    path = Path(path)
    with av.open(str(path), "w", options=_container_options(path, audio_rate_hz, fragmented, edit_list)) as container:
        if created is not None:
            container.metadata["creation_time"] = created
        if video_codec not in av.codecs_available:
            video_codec = "mpeg4"
        picture = container.add_stream(video_codec, rate=frame_rate)
        picture.pix_fmt = "yuv420p"
        picture.codec_context.time_base = 1 / frame_rate
        picture.options = ({} if edit_list else {"bf": "0"}) | (video_options or {})
        if timecode is not None:
            picture.metadata["timecode"] = timecode
        chunks: Iterator[Any] = iter(())
        if audio is not None:
            sound = container.add_stream(audio_codec, rate=audio_rate_hz)
            sound.layout = _LAYOUTS[len(audio)]
            if audio_bit_rate is not None:
                sound.bit_rate = audio_bit_rate
            priming = 0 if edit_list else _PRIMING.get(audio_codec, 0)
            chunks = _sound_frames(audio, audio_rate_hz, first=round(audio_start_s * audio_rate_hz) + priming)

        chunk = next(chunks, None)
        for number, image in enumerate(frames):
            if number == 0:
                picture.height, picture.width = image.shape[:2]
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts, frame.time_base = number, 1 / frame_rate
            container.mux(picture.encode(frame))
            # Sound follows its picture closely, so that the movie never waits in memory.
            while chunk is not None and chunk.pts * frame_rate <= (number + 1) * audio_rate_hz:
                container.mux(sound.encode(chunk))
                chunk = next(chunks, None)
        container.mux(picture.encode(None))
        if audio is not None:
            # Sound that outlasts the picture, and what the encoder still holds.
            while chunk is not None:
                container.mux(sound.encode(chunk))
                chunk = next(chunks, None)
            container.mux(sound.encode(None))


def _container_options(path: Path, audio_rate_hz: int, fragmented: bool, edit_list: bool) -> dict[str, str]:
    """Options of the writer of MP4 and MOV; other containers have none of these."""
    if path.suffix.lower() not in (".mp4", ".mov", ".m4a"):
        return {}
    flags = []
    if fragmented:
        # An edit list can only stand at the head of the file when the head waits for the first packets.
        flags += ["frag_keyframe", "delay_moov" if edit_list else "empty_moov"]
    else:
        flags.append("faststart")
    options = {
        "movflags": "+".join(flags),
        # A late start is written in this clock. The usual 1/1000 s would move it by up to half a millisecond.
        "movie_timescale": str(audio_rate_hz),
        "write_tmcd": "1",
    }
    if not edit_list:
        options["use_editlist"] = "0"
    return options


def _sound_frames(audio: FloatArray, rate_hz: int, *, first: int) -> Iterator[Any]:
    """Cut sound into frames stamped in samples."""
    for start in range(0, audio.shape[1], _CHUNK):
        samples = np.ascontiguousarray(audio[:, start : start + _CHUNK], dtype=np.float32)
        frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout=_LAYOUTS[len(audio)])
        frame.sample_rate, frame.time_base = rate_hz, Fraction(1, rate_hz)
        frame.pts = first + start
        yield frame
