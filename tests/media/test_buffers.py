"""Sound read span by span is the same whatever the span, and a part of its channels is that part of all of them."""

import numpy as np
import pytest
import soundfile

from spatial.dsp.samples import ArraySamples, Excerpt
from spatial.media.buffers import Spool, TakeSamples
from spatial.media.takes.take import field_blocks, open_take

RATE = 48_000


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "take.wav"
    noise = 0.1 * np.random.default_rng(8).standard_normal((RATE, 4))
    soundfile.write(path, noise, RATE, subtype="FLOAT")
    return open_take(path)


@pytest.mark.parametrize(
    ("start", "stop"), [(0, 16_000), (-50, 700), (5_001, 9_003), (15_900, 16_500), (20_000, 20_010)]
)
@pytest.mark.parametrize("channels", [1, 2, 4])
def test_the_first_channels_alone_are_those_of_the_whole_field(take, start, stop, channels):
    with TakeSamples(take, 16_000) as field, Spool(16_000) as spool:
        whole = field.read(start, stop)
        assert whole.shape == (4, stop - start)
        assert np.array_equal(field.read(start, stop, channels=channels), whole[:channels])
        inside = ArraySamples(field.read(0, field.length), 16_000)
        spool.write(inside.data)
        for sound in (inside, spool, Excerpt(inside, 0, inside.length)):
            part = sound.read(start, stop, channels=channels)
            assert np.array_equal(part, sound.read(start, stop)[:channels])
            assert part.shape == (channels, stop - start)


@pytest.mark.parametrize("channels", [1, 3])
def test_a_stream_of_the_first_channels(take, channels):
    whole = np.concatenate(list(field_blocks(take)), axis=1)
    part = np.concatenate(list(field_blocks(take, channels=channels)), axis=1)
    assert np.array_equal(part, whole[:channels])
