"""Movies of every layout are brought to one small view, once; what was decoded is remembered."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.errors import InputError, MediaFileError
from spatial.field import azimuth_elevation
from spatial.media.cache import FeatureCache
from spatial.media.movies import small_pictures
from spatial.media.movies.clip import open_clip
from spatial.media.movies.small_pictures import guess_layout, read_small_pictures
from spatial.picture import VIEW_COLUMNS, VIEW_ROWS, parse_picture

EYE = 128
LAYOUTS = ("equirect180", "equirect180-sbs", "equirect180-tb", "fisheye190", "fisheye190-sbs", "equirect360")


def scene(azimuth: FloatArray, elevation: FloatArray) -> FloatArray:
    """Luma of a direction: bright to one side, slanting stripes, nothing symmetrical."""
    smooth = 110 + 40 * np.sin(2.3 * azimuth) + 25 * np.cos(3.1 * elevation + 0.7 * azimuth + 0.4)
    return smooth + 30 * np.sin(9.0 * azimuth + 7.0 * elevation + 4.0 * azimuth * elevation)


def drawn(layout: str) -> np.ndarray:
    """One frame of the scene in a layout."""
    single = layout.partition("-")[0]
    wide = 2 * EYE if single == "equirect360" else EYE
    picture = parse_picture(single, wide, EYE)
    values = np.zeros((EYE, wide))
    for row in range(EYE):
        for column in range(wide):
            try:
                azimuth, elevation = azimuth_elevation(picture.direction_from_pixel(column, row))
            except InputError:
                continue  # outside the circle it stays black
            values[row, column] = scene(azimuth, elevation)
    axis = 0 if layout.endswith("-tb") else 1
    frame = np.concatenate([values] * (2 if "-" in layout else 1), axis=axis)
    return np.repeat(np.rint(np.clip(frame, 0, 255)).astype(np.uint8)[..., np.newaxis], 3, axis=2)


@pytest.fixture(scope="module")
def movies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("layouts")
    out = {}
    for layout in LAYOUTS:
        out[layout] = folder / f"{layout}.mp4"
        write_movie(out[layout], frames=[drawn(layout)] * 6, frame_rate=Fraction(25), video_options={"crf": "8"})
    return out


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_leaves_the_same_small_view(movies: dict[str, Path], layout: str) -> None:
    steps = np.radians(4.5)
    azimuth = (VIEW_COLUMNS / 2 - 0.5 - np.arange(VIEW_COLUMNS)) * steps
    elevation = (VIEW_ROWS / 2 - 0.5 - np.arange(VIEW_ROWS))[:, np.newaxis] * steps
    # In full range: the 16 to 235 of video (ITU-R BT.601) are spread over 0 to 255.
    wanted = scene(azimuth, elevation)
    with read_small_pictures(open_clip(movies[layout]), layout=layout) as small:
        assert small.frames == 6
        np.testing.assert_allclose(small.times_s, np.arange(6) / 25, atol=1e-6)
        seen = small.read(2, 3)[0].reshape(VIEW_ROWS, VIEW_COLUMNS)
    inside = np.s_[3:-3, 3:-3]
    np.testing.assert_allclose(seen[inside], wanted[inside], atol=8.0)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_layout_is_guessed_from_the_pictures(movies: dict[str, Path], layout: str) -> None:
    # The field of view of a fisheye cannot be seen, and is taken to be 180 degrees.
    assert guess_layout(open_clip(movies[layout])) == layout.replace("190", "180")


def test_a_square_picture_of_something_symmetrical_is_one_eye(tmp_path: Path) -> None:
    """Its halves are alike, but no eye's picture is half as wide as it is high."""
    columns, rows = np.meshgrid(np.arange(128), np.arange(128))
    half = np.where((columns % 64 - 31.5) ** 2 + (rows - 98) ** 2 < 500, 220, 120 - rows // 2)
    frame = np.repeat(half.astype(np.uint8)[..., np.newaxis], 3, axis=2)
    write_movie(tmp_path / "one.mp4", frames=[frame] * 6, frame_rate=Fraction(25))
    assert guess_layout(open_clip(tmp_path / "one.mp4")) == "equirect180"


def test_a_second_run_decodes_nothing(movies: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clip, cache = open_clip(movies["equirect180-sbs"]), FeatureCache(tmp_path)
    with read_small_pictures(clip, cache=cache) as first:
        decoded, layout = first.read(0, 6), first.layout

    def never(*_: object) -> None:
        raise AssertionError("decoded again")

    monkeypatch.setattr(small_pictures, "_frames", never)
    monkeypatch.setattr(small_pictures, "guess_layout", never)
    with read_small_pictures(clip, cache=cache) as again:
        np.testing.assert_array_equal(again.read(0, 6), decoded)
        assert again.layout == layout
        np.testing.assert_allclose(again.times_s, np.arange(6) / 25, atol=1e-6)


def test_a_movie_without_a_picture_is_refused_in_words(tmp_path: Path) -> None:
    import soundfile

    soundfile.write(tmp_path / "sound.wav", np.zeros((4800, 2)), 48_000)
    with pytest.raises(MediaFileError, match="has no picture"):
        read_small_pictures(open_clip(tmp_path / "sound.wav"))
