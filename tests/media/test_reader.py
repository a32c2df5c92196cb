"""Plain samples read without a decoder are those that libsndfile reads."""

from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
import soundfile

from spatial.errors import MediaFileError
from spatial.field import ChannelFormat
from spatial.media.takes.reader import Part, PartReader
from spatial.media.takes.take import FieldReader, open_take

RATE = 48_000


def write(path: Path, subtype: str, *, channels: int = 4, samples: int = 1_001) -> np.ndarray:
    sound = np.random.default_rng(channels).uniform(-1.0, 1.0, (samples, channels))
    # Both ends of the scale, in the first and in the last channel.
    sound[0], sound[-1] = 1.0, -1.0
    soundfile.write(path, sound, RATE, subtype=subtype)
    return soundfile.read(path, dtype="float32", always_2d=True)[0]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("channels", [4, 5])
def test_every_span_and_channel_is_what_libsndfile_reads(tmp_path: Path, subtype: str, channels: int) -> None:
    path = tmp_path / "take.wav"
    expected = write(path, subtype, channels=channels)
    with ExitStack() as stack:
        reader = PartReader(Part(path, len(expected)), channels, RATE, stack, used=range(4))
        assert reader.picks == (subtype != "FLOAT")
        for start, stop in ((0, len(expected)), (0, 1), (17, 400), (len(expected) - 1, len(expected)), (5, 5)):
            np.testing.assert_array_equal(reader.read(start, stop), expected[start:stop])
            for channel in range(channels) if reader.picks else ():
                alone = reader.read(start, stop, only=channel)
                np.testing.assert_array_equal(alone, expected[start:stop, channel : channel + 1])


@pytest.mark.parametrize("channel_format", [ChannelFormat.AMBIX, ChannelFormat.N3D, ChannelFormat.FUMA])
def test_w_alone_is_the_w_of_the_field(tmp_path: Path, channel_format: ChannelFormat) -> None:
    path = tmp_path / "take.wav"
    write(path, "PCM_24")
    with FieldReader(open_take(path, channel_format=channel_format)) as reader:
        np.testing.assert_array_equal(reader.read(3, 900, channels=1), reader.read(3, 900)[:1])


def test_a_file_that_was_cut_while_it_was_open_breaks_off(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    samples = len(write(path, "PCM_24"))
    with FieldReader(open_take(path)) as reader:
        with path.open("r+b") as file:
            file.truncate(path.stat().st_size - 12 * 100)
        reader.read(0, samples - 100)
        with pytest.raises(MediaFileError, match="breaks off"):
            reader.read(samples - 150, samples)
        with pytest.raises(MediaFileError, match="breaks off"):
            reader.read(samples - 150, samples, channels=1)
