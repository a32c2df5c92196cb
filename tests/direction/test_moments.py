"""Moments worth marking: in which one sounds alone, spread over people and places, never the same one many times."""

import numpy as np
import pytest

from spatial.direction.intensity import FrameDirections
from spatial.direction.moments import Moment, moments_of_people, moments_of_places

STEP_S = 0.1


def rows(*spans):
    """Rows of (source, azimuth in degrees, start, end); steps without one hold a row of no source."""
    sounding = [
        (round(start / STEP_S) + n, source, azimuth)
        for source, azimuth, start, end in spans
        for n in range(round((end - start) / STEP_S))
    ]
    last = max(step for step, _, _ in sounding)
    sounding += [(step, 0, 0.0) for step in set(range(last + 5)) - {step for step, _, _ in sounding}]
    step, source, azimuth = (np.array(column) for column in zip(*sorted(sounding), strict=True))
    zeros = np.zeros(step.size)
    return FrameDirections(
        *((step + 0.5) * STEP_S, np.radians(azimuth), zeros, zeros, zeros, zeros), source=source.astype(int)
    )


def test_two_by_turns_get_a_moment_each():
    found = moments_of_places(rows((1, 60, 2, 5), (2, -40, 6, 8)), STEP_S)
    assert [(moment.who, round(moment.start_s, 1), round(moment.end_s, 1)) for moment in found] == [
        (0, 2, 5),
        (1, 6, 8),
    ]


def test_where_two_sound_at_once_nobody_is_alone():
    assert moments_of_places(rows((1, 60, 2, 5), (2, -40, 2, 5)), STEP_S) == []
    # Alone for 1 s before the other joins: too short.
    assert moments_of_places(rows((1, 60, 2, 6), (2, -40, 3, 6)), STEP_S) == []


def test_a_rest_within_a_sentence_is_bridged_unless_another_speaks_in_it():
    (found,) = moments_of_places(rows((1, 60, 2, 3), (1, 60, 3.3, 4.3)), STEP_S)
    assert (round(found.start_s, 1), round(found.end_s, 1)) == (2.0, 4.3)
    assert moments_of_places(rows((1, 60, 2, 3), (2, -40, 3, 3.3), (1, 60, 3.3, 4.3)), STEP_S) == []


def test_one_place_is_never_suggested_many_times():
    """Six turns from one place, under six numbers, and one from another."""
    spans = [(n + 1, 60 + n, 10 * n, 10 * n + 3) for n in range(6)]
    found = moments_of_places(rows(*spans, (9, -50, 70, 72)), STEP_S)
    assert sorted(moment.who for moment in found) == [0, 0, 1]
    first, second = (moment for moment in found if moment.who == 0)
    assert second.start_s - first.start_s > 20.0


def test_whoever_walks_is_no_mark():
    walk = [(1, 10 * n, 0.2 * n, 0.2 * n + 0.2) for n in range(15)]
    assert moments_of_places(rows(*walk), STEP_S) == []


def test_no_rows_no_moments():
    empty = np.zeros(0)
    assert moments_of_places(FrameDirections(*(empty,) * 6, source=empty.astype(int)), STEP_S) == []


def levels(*turns, seconds=60, others_db=-20.0):
    """Levels of two lavaliers at 10 Hz: whoever speaks is at -20 dB in their own, so much lower in the other."""
    out = np.full((2, seconds * 10), -70.0)
    for who, start, end in turns:
        out[who, start * 10 : end * 10] = np.maximum(out[who, start * 10 : end * 10], -20.0)
        out[1 - who, start * 10 : end * 10] = np.maximum(out[1 - who, start * 10 : end * 10], -20.0 + others_db)
    return out


def test_lavaliers_say_who_sounds_alone():
    found = moments_of_people(levels((0, 5, 8), (1, 10, 14), (0, 40, 43)), 10.0)
    assert found == [Moment(0, 5.0, 8.0), Moment(1, 10.0, 14.0), Moment(0, 40.0, 43.0)]


def test_two_wearers_at_once_are_not_alone():
    assert moments_of_people(levels((0, 5, 9), (1, 5, 9)), 10.0) == []


def test_microphones_that_hear_everybody_alike_tell_nobody():
    """Two booms, or two lavaliers on one body."""
    assert moments_of_people(levels((0, 5, 9), (1, 12, 16), others_db=-3.0), 10.0) == []


@pytest.mark.parametrize("nothing", [-np.inf, np.nan])
def test_a_recording_that_starts_late(nothing):
    heard = levels((0, 5, 8), (1, 30, 34))
    heard[1, :200] = nothing
    assert moments_of_people(heard, 10.0) == [Moment(0, 5.0, 8.0), Moment(1, 30.0, 34.0)]


def test_a_long_speech_is_cut():
    (found,) = moments_of_people(levels((0, 5, 50)), 10.0)
    assert found.end_s - found.start_s == pytest.approx(5.0)
