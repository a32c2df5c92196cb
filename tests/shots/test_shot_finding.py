"""Shots are found in arrays of small pictures whose truth is known: people who move before walls that stand still."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from spatial.conventions import FloatArray
from spatial.picture import VIEW_CELLS, VIEW_COLUMNS, VIEW_ROWS
from spatial.shots.looks import shifted
from spatial.shots.shot_finding import Certainty, FoundShot, Reel, find_shots, visible_cuts

RATE = 25.0


@dataclass(frozen=True)
class InMemory:
    """Small pictures in memory."""

    data: FloatArray

    @property
    def frames(self) -> int:
        return len(self.data)

    def read(self, first: int, stop: int) -> FloatArray:
        return self.data[max(first, 0) : stop]


def wall(rng: np.random.Generator) -> FloatArray:
    """A room in which nothing moves."""
    texture = gaussian_filter(rng.standard_normal((VIEW_ROWS, VIEW_COLUMNS)), 1.2)
    return 110 + 45 * texture / texture.std()


def people(frames: int, rng: np.random.Generator, size: float = 1.0) -> FloatArray:
    """How two people who sway and wave change the picture, shape (frames, rows, columns)."""
    rows, columns = np.arange(VIEW_ROWS)[:, None], np.arange(VIEW_COLUMNS)[None, :]
    out = np.zeros((frames, VIEW_ROWS, VIEW_COLUMNS))
    for place in (9.0, 22.0):
        paths = gaussian_filter(rng.standard_normal((3, frames + 40)), (0, 3.0))[:, 20:-20] * 2.5
        for n in range(frames):
            row, column = 12 + 0.6 * paths[0, n], place + paths[1, n]
            away = ((rows - row) / 2.2) ** 2 + ((columns - column) / 1.3) ** 2
            out[n] += size * (60 + 25 * paths[2, n]) * np.exp(-away)
    return out


def clip(room: FloatArray, frames: int, rng: np.random.Generator, size: float = 1.0) -> FloatArray:
    noise = 0.2 * rng.standard_normal((frames, VIEW_CELLS))
    return ((room + people(frames, rng, size)).reshape(frames, -1) + noise).astype(np.float32)


def graded(pictures: FloatArray) -> FloatArray:
    """What a colourist does: lift, gain and gamma."""
    return (18 + 215 * (np.clip(pictures, 0, 255) / 255) ** 0.8).astype(np.float32)


@pytest.fixture(scope="module")
def shoot() -> list[FloatArray]:
    """Two takes in one room, one in another, and one in which nothing moves in a third."""
    rng = np.random.default_rng(5)
    rooms = [wall(rng) for _ in range(3)]
    return [
        clip(rooms[0], 320, rng),
        clip(rooms[0], 300, rng),
        clip(rooms[1], 280, rng),
        clip(rooms[2], 200, rng, size=0.0),
    ]


def find(film: FloatArray, clips: list[FloatArray], rate: float = RATE) -> list[FoundShot]:
    return find_shots(Reel(InMemory(film), rate), [Reel(InMemory(data), RATE) for data in clips])


def places(shots: list[FoundShot]) -> list[tuple[int, int, int | None, int | None]]:
    return [(shot.first, shot.stop, shot.clip, shot.place) for shot in shots]


def test_hard_cuts_between_rooms_and_between_takes_that_look_alike(shoot: list[FloatArray]) -> None:
    rng = np.random.default_rng(6)
    film = np.concatenate([shoot[0][40:150], shoot[2][100:190], shoot[1][30:120], shoot[0][200:300]])
    film = graded(film) + 0.3 * rng.standard_normal(film.shape).astype(np.float32)
    found = find(film, shoot)
    assert places(found) == [(0, 110, 0, 40), (110, 200, 2, 100), (200, 290, 1, 30), (290, 390, 0, 200)]
    assert all(shot.certainty is Certainty.EXACT and shot.frame_sd < 0.1 for shot in found)
    assert visible_cuts(InMemory(film)) == [0, 110, 200, 290] or visible_cuts(InMemory(film))[:3] == [0, 110, 200]


def test_frames_left_out_within_a_take_are_a_cut_where_they_are_missing(shoot: list[FloatArray]) -> None:
    film = graded(np.concatenate([shoot[0][20:130], shoot[0][143:260]]))
    found = find(film, shoot)
    assert [(shot.clip, shot.place) for shot in found] == [(0, 20), (0, 143)]
    assert abs(found[1].first - 110) <= 1


def test_a_dissolve_is_measured_and_its_seam_is_its_middle(shoot: list[FloatArray]) -> None:
    part = (np.arange(20) + 1)[:, None] / 21
    mixed = (1 - part) * shoot[0][120:140] + part * shoot[2][60:80]
    film = graded(np.concatenate([shoot[0][20:120], mixed, shoot[2][80:180]]).astype(np.float32))
    found = find(film, shoot)
    assert [(shot.clip, shot.start) for shot in found] == [(0, 20), (2, -40)]
    assert abs(found[1].first - 110) <= 2
    assert 14 <= found[1].dissolve <= 22


def test_titles_over_a_third_and_a_picture_levelled_by_some_degrees(shoot: list[FloatArray]) -> None:
    film = np.concatenate([shoot[1][50:170], shoot[2][20:140]])
    film = graded(shifted(film, (0.6, -0.8)))
    film.reshape(-1, VIEW_ROWS, VIEW_COLUMNS)[:, 15:, :28] = 235
    assert places(find(film, shoot)) == [(0, 120, 1, 50), (120, 240, 2, 20)]


def held_still(shoot: list[FloatArray], seed: int) -> FloatArray:
    """A stretch of the clip in which nothing moves, coded again: its noise is not the clip's."""
    rng = np.random.default_rng(seed)
    still = shoot[3].mean(axis=0)
    return graded(still + 0.2 * rng.standard_normal((70, VIEW_CELLS)).astype(np.float32))


def test_where_nothing_moves_the_clip_is_known_and_its_moment_is_not(shoot: list[FloatArray]) -> None:
    (shot,) = find(held_still(shoot, 12), shoot)
    assert (shot.certainty, shot.clip, shot.place) == (Certainty.CLIP_ONLY, 3, None)


def test_two_clips_that_look_alike_and_do_not_move_are_left_open(shoot: list[FloatArray]) -> None:
    rng = np.random.default_rng(8)
    again = shoot[3].mean(axis=0) + 0.2 * rng.standard_normal(shoot[3].shape).astype(np.float32)
    (shot,) = find(held_still(shoot, 13), [*shoot, again.astype(np.float32)])
    assert shot.certainty is Certainty.OPEN
    assert {shot.clip, *shot.others} == {3, 4}


def test_a_picture_from_elsewhere_and_black_are_no_clips(shoot: list[FloatArray]) -> None:
    rng = np.random.default_rng(9)
    elsewhere = clip(wall(rng), 80, rng)
    black = np.full((30, VIEW_CELLS), 2.0, np.float32)
    found = find(np.concatenate([graded(shoot[0][10:90]), black, elsewhere]), shoot)
    assert [shot.certainty for shot in found] == [Certainty.EXACT, Certainty.BLACK, Certainty.NO_CLIP]
    assert [(shot.first, shot.stop) for shot in found] == [(0, 80), (80, 110), (110, 190)]


def test_the_same_movement_mirrored_or_of_somebody_else_is_not_found(shoot: list[FloatArray]) -> None:
    """The hypothesis must be able to fail: a take that is not among the clips is not one of them."""
    found = find(graded(shoot[1][40:200]), [shoot[0], shoot[2]])
    assert all(shot.certainty is not Certainty.EXACT for shot in found)


def test_a_film_of_half_the_rate_shows_every_second_picture(shoot: list[FloatArray]) -> None:
    film = graded(shoot[0][60:260:2])
    (shot,) = find(film, shoot, rate=RATE / 2)
    assert shot.clip == 0
    assert shot.place is not None
    assert abs(shot.place * 2 - 60) <= 1


def test_a_flash_within_a_shot_is_no_cut(shoot: list[FloatArray]) -> None:
    film = graded(shoot[0][60:200]).copy()
    film[70:72] = np.minimum(film[70:72] + 90, 255)
    assert places(find(film, shoot)) == [(0, 140, 0, 60)]


def test_found_shots_fill_the_film(shoot: list[FloatArray]) -> None:
    rng = np.random.default_rng(11)
    pieces = []
    for _ in range(12):
        data = shoot[int(rng.integers(3))]
        first = int(rng.integers(0, len(data) - 90))
        pieces.append(data[first : first + int(rng.integers(20, 90))])
    film = graded(np.concatenate(pieces))
    found = find(film, shoot)
    assert found[0].first == 0
    assert found[-1].stop == len(film)
    assert all(one.stop == two.first for one, two in pairwise(found))
    assert replace(found[0]) == found[0]
