"""Frame rates, timecode and the clock law."""

import itertools
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from spatial.errors import InputError
from spatial.timebase import ClockLaw, ClockStep, frame_from_timecode, samples_for_frames, timecode_from_frame

FILM, FILM_PULLED = Fraction(24), Fraction(24000, 1001)
PAL, PAL_DOUBLE = Fraction(25), Fraction(50)
NTSC, NTSC_DOUBLE = Fraction(30000, 1001), Fraction(60000, 1001)
RATES = [FILM, FILM_PULLED, PAL, NTSC, Fraction(30), PAL_DOUBLE, NTSC_DOUBLE, Fraction(60)]

# SMPTE ST 12-1, drop-frame: labels ;00 and ;01 (at 59.94: ;00 to ;03) are left out each minute but the tenth.
# Single values published (01:04:59;29 -> 01:05:00;02; 17982 frames in 10 minutes), the rest derived from the rule.
DROP_TABLE = [
    (NTSC, 0, "00:00:00;00"),
    (NTSC, 1799, "00:00:59;29"),
    (NTSC, 1800, "00:01:00;02"),
    (NTSC, 3597, "00:01:59;29"),
    (NTSC, 3598, "00:02:00;02"),
    (NTSC, 17981, "00:09:59;29"),
    (NTSC, 17982, "00:10:00;00"),
    (NTSC, 19781, "00:10:59;29"),
    (NTSC, 19782, "00:11:00;02"),
    (NTSC, 107891, "00:59:59;29"),
    (NTSC, 107892, "01:00:00;00"),
    (NTSC, 2589407, "23:59:59;29"),
    (NTSC_DOUBLE, 3600, "00:01:00;04"),
    (NTSC_DOUBLE, 35964, "00:10:00;00"),
    (NTSC_DOUBLE, 215784, "01:00:00;00"),
]
WHOLE_TABLE = [
    (FILM_PULLED, 0, "00:00:00:00"),
    (FILM_PULLED, 86400, "01:00:00:00"),
    (PAL, 1499, "00:00:59:24"),
    (PAL, 1500, "00:01:00:00"),
    (NTSC, 1800, "00:01:00:00"),
    (NTSC, 108000, "01:00:00:00"),
    (NTSC_DOUBLE, 59, "00:00:00:59"),
    (PAL, 2159999, "23:59:59:24"),
]


# --- clock law ----------------------------------------------------------------------------------------------


def test_clock_law_worked_number() -> None:
    # take = clip * (1 + drift_ppm * 1e-6) + offset_s: 100 * 1.00005 + 3.217
    law = ClockLaw(offset_s=3.217, drift_ppm=50.0)
    assert law.take_from_clip(100.0) == pytest.approx(103.222, abs=1e-12)
    assert law.clip_from_take(103.222) == pytest.approx(100.0, abs=1e-12)


@pytest.mark.parametrize(
    ("offset_s", "drift_ppm", "clip_s", "take_s"),
    [
        (3.0, 0.0, 0.0, 3.0),  # the take was already running when the picture started
        (-3.0, 0.0, 0.0, -3.0),  # the take started 3 s into the clip: its first sample is at clip time 3
        (-3.0, 0.0, 3.0, 0.0),
        (0.0, 20.0, 3600.0, 3600.072),  # 20 ppm are 72 ms in an hour; the recorder counts more seconds
        (0.0, -20.0, 3600.0, 3599.928),
        (1.5, -100.0, 600.0, 601.44),
    ],
)
def test_clock_law_with_both_signs(offset_s: float, drift_ppm: float, clip_s: float, take_s: float) -> None:
    law = ClockLaw(offset_s, drift_ppm)
    assert law.take_from_clip(clip_s) == pytest.approx(take_s, abs=1e-9)
    assert law.clip_from_take(take_s) == pytest.approx(clip_s, abs=1e-9)


@pytest.mark.parametrize(
    ("drift_ppm", "rate_hz"),
    # Pulled by 0.1 %: 48 kHz written as 48 kHz but clocked down or up (derived).
    [((1000 / 1001 - 1) * 1e6, 47952.048), (1000.0, 48048.0), (0.0, 48000.0), ((44100 / 48000 - 1) * 1e6, 44100.0)],
)
def test_ratio_of_known_wrong_clocks(drift_ppm: float, rate_hz: float) -> None:
    assert 48_000 * ClockLaw(0.0, drift_ppm).ratio == pytest.approx(rate_hz, abs=5e-4)  # 3 printed digits


@given(offset_s=st.floats(-1e5, 1e5), drift_ppm=st.floats(-1000.0, 1000.0), clip_s=st.floats(-1e5, 1e5))
def test_the_two_ways_of_the_law_are_inverse(offset_s: float, drift_ppm: float, clip_s: float) -> None:
    law = ClockLaw(offset_s, drift_ppm)
    assert law.clip_from_take(law.take_from_clip(clip_s)) == pytest.approx(clip_s, abs=1e-9)  # 1e5 in doubles


# --- clock steps --------------------------------------------------------------------------------------------


@st.composite
def stepped_laws(draw: st.DrawFn) -> ClockLaw:
    """Laws with up to four steps of both signs, at least 6 s apart and at most 2.5 s large."""
    sizes = draw(st.lists(st.floats(-2.5, 2.5), max_size=4))
    gaps = [draw(st.floats(6.0, 100.0)) for _ in sizes]
    times = [sum(gaps[: count + 1]) - 20.0 for count in range(len(gaps))]
    steps = tuple(ClockStep(time, size) for time, size in zip(times, sizes, strict=True))
    return ClockLaw(draw(st.floats(-1e4, 1e4)), draw(st.floats(-1000.0, 1000.0)), steps)


clip_times = st.floats(-100.0, 500.0)
SAME_S = 1e-9  # seconds up to 1e4 in doubles leave 2e-12, a thousand times less


@pytest.mark.parametrize(
    ("clip_s", "take_s"),
    # The recorder lost 0.7 s at 20 s, the camera 0.04 s at 40 s: 3.0, 3.0 - 0.7, 3.0 - 0.7 + 0.04.
    [(0.0, 3.0), (19.999, 22.999), (20.0, 22.3), (39.999, 42.299), (40.0, 42.34), (100.0, 102.34)],
)
def test_steps_worked_numbers(clip_s: float, take_s: float) -> None:
    law = ClockLaw(3.0, steps=(ClockStep(20.0, -0.7), ClockStep(40.0, 0.04)))
    assert law.take_from_clip(clip_s) == pytest.approx(take_s, abs=SAME_S)


@pytest.mark.parametrize("take_s", [23.0, 23.01, 23.0399])
def test_what_the_camera_lost_lies_at_its_step(take_s: float) -> None:
    law = ClockLaw(3.0, steps=(ClockStep(20.0, 0.04),))
    assert law.clip_from_take(take_s) == 20.0
    assert law.clip_from_take(23.04) == pytest.approx(20.0, abs=SAME_S)
    assert law.clip_from_take(22.9) == pytest.approx(19.9, abs=SAME_S)
    assert law.clip_from_take(24.04) == pytest.approx(21.0, abs=SAME_S)


@given(law=stepped_laws(), clip_s=clip_times)
def test_the_two_ways_are_inverse_away_from_steps(law: ClockLaw, clip_s: float) -> None:
    # Just after a step back the take says again what it said before: no clip time of its own.
    assume(all(abs(clip_s - step.clip_time_s) > abs(step.step_s) * 1.01 + 1e-6 for step in law.steps))
    assert law.clip_from_take(law.take_from_clip(clip_s)) == pytest.approx(clip_s, abs=SAME_S)


@given(law=stepped_laws(), clip_s=clip_times)
def test_a_time_that_the_take_holds_comes_back(law: ClockLaw, clip_s: float) -> None:
    """Also close to a step: whichever clip time is told, the take says the same there."""
    assume(all(abs(clip_s - step.clip_time_s) > 1e-6 for step in law.steps))
    take_s = law.take_from_clip(clip_s)
    assert law.take_from_clip(law.clip_from_take(take_s)) == pytest.approx(take_s, abs=1e-8)


@pytest.mark.slow
@given(law=stepped_laws(), number=st.integers(0, 3), part=st.floats(0.0, 0.999))
def test_a_time_that_the_take_skips_lies_at_the_step(law: ClockLaw, number: int, part: float) -> None:
    assume(number < len(law.steps) and law.steps[number].step_s > 1e-3)
    step = law.steps[number]
    skipped_s = law.take_from_clip(step.clip_time_s) - step.step_s * (1.0 - part)
    assert law.clip_from_take(skipped_s) == pytest.approx(step.clip_time_s, abs=SAME_S)


@pytest.mark.parametrize("first_s", [0.5, -0.5])
def test_steps_that_take_each_other_back_at_once(first_s: float) -> None:
    """A step of half a second, undone 0.1 s later; long after it the take holds every time once more."""
    law = ClockLaw(0.0, steps=(ClockStep(20.0, first_s), ClockStep(20.1, -first_s)))
    for clip_s in (19.0, 20.05, 20.3, 20.45, 21.0):
        take_s = law.take_from_clip(clip_s)
        assert law.take_from_clip(law.clip_from_take(take_s)) == pytest.approx(take_s, abs=SAME_S)


@given(law=stepped_laws(), clip_s=clip_times, near_s=st.floats(-2.9, 2.9))
def test_a_piece_holds_where_it_was_asked_for(law: ClockLaw, clip_s: float, near_s: float) -> None:
    piece = law.piece_at(clip_s)
    assert piece.steps == ()
    assert piece.drift_ppm == law.drift_ppm
    between = sorted((clip_s, clip_s + near_s))
    assume(not any(between[0] - 1e-6 <= step.clip_time_s <= between[1] + 1e-6 for step in law.steps))
    assert piece.take_from_clip(clip_s + near_s) == pytest.approx(law.take_from_clip(clip_s + near_s), abs=SAME_S)


@given(law=stepped_laws(), clip_s=clip_times, lag_s=st.floats(-5.0, 5.0), slope=st.floats(-1e-3, 1e-3))
def test_a_moved_law_is_later_everywhere(law: ClockLaw, clip_s: float, lag_s: float, slope: float) -> None:
    moved = law.moved(lag_s, slope)
    assert moved.steps == law.steps
    expected = law.take_from_clip(clip_s) + lag_s + slope * clip_s
    assert moved.take_from_clip(clip_s) == pytest.approx(expected, abs=SAME_S)


@given(law=stepped_laws(), clip_s=clip_times, zero_s=st.floats(-60.0, 60.0))
def test_clip_time_may_count_from_elsewhere(law: ClockLaw, clip_s: float, zero_s: float) -> None:
    assume(all(abs(clip_s - step.clip_time_s) > 1e-6 for step in law.steps))
    counted = law.from_clip_time(zero_s)
    assert counted.take_from_clip(clip_s - zero_s) == pytest.approx(law.take_from_clip(clip_s), abs=SAME_S)
    back = counted.from_clip_time(-zero_s)
    assert back.offset_s == pytest.approx(law.offset_s, abs=SAME_S)
    assert [step.clip_time_s for step in back.steps] == pytest.approx([s.clip_time_s for s in law.steps], abs=SAME_S)


# --- timecode -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("frame_rate", "frame", "label"), DROP_TABLE + WHOLE_TABLE)
def test_timecode_matches_the_standard(frame_rate: Fraction, frame: int, label: str) -> None:
    assert timecode_from_frame(frame, frame_rate, drop=";" in label) == label
    assert frame_from_timecode(label, frame_rate) == frame


@pytest.mark.parametrize(
    ("frame_rate", "frame", "label"),
    [
        (NTSC, 2589408, "00:00:00;00"),
        (NTSC, 2589408 + 1800, "00:01:00;02"),
        (NTSC_DOUBLE, 2 * 2589408, "00:00:00;00"),
        (NTSC, 2592000, "00:00:00:00"),
        (PAL, 2160001, "00:00:00:01"),
    ],
)
def test_timecode_wraps_at_midnight(frame_rate: Fraction, frame: int, label: str) -> None:
    assert timecode_from_frame(frame, frame_rate, drop=";" in label) == label


def test_the_published_step_over_a_minute() -> None:
    assert frame_from_timecode("01:05:00;02", NTSC) == frame_from_timecode("01:04:59;29", NTSC) + 1


@pytest.mark.slow
@pytest.mark.parametrize(("frame_rate", "left_out"), [(NTSC, 2), (NTSC_DOUBLE, 4)])
def test_drop_frame_against_counting_labels_one_by_one(frame_rate: Fraction, left_out: int) -> None:
    nominal = round(frame_rate)
    labels = (
        f"00:{minute:02d}:{second:02d};{frame:02d}"
        for minute, second, frame in itertools.product(range(22), range(60), range(nominal))
        if not (minute % 10 and second == 0 and frame < left_out)
    )
    for frame, label in enumerate(labels):
        assert timecode_from_frame(frame, frame_rate, drop=True) == label
        assert frame_from_timecode(label, frame_rate) == frame


@pytest.mark.parametrize(("frame_rate", "left_out"), [(NTSC, 108), (NTSC_DOUBLE, 216)])
def test_drop_frame_leaves_out_108_labels_an_hour(frame_rate: Fraction, left_out: int) -> None:
    whole = frame_from_timecode("01:00:00:00", frame_rate)
    assert whole - frame_from_timecode("01:00:00;00", frame_rate) == left_out


@given(frame=st.integers(0, 24 * 3600 * 24 - 1), frame_rate=st.sampled_from(RATES))
def test_timecode_comes_back(frame: int, frame_rate: Fraction) -> None:
    assert frame_from_timecode(timecode_from_frame(frame, frame_rate), frame_rate) == frame


@given(frame=st.integers(0, 2589407), frame_rate=st.sampled_from([NTSC, NTSC_DOUBLE]))
def test_drop_frame_timecode_comes_back(frame: int, frame_rate: Fraction) -> None:
    label = timecode_from_frame(frame, frame_rate, drop=True)
    assert frame_from_timecode(label, frame_rate) == frame


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "00:59:00;01", "23:19:00;00"])
def test_labels_that_drop_frame_leaves_out_are_refused(label: str) -> None:
    with pytest.raises(InputError, match="labels that drop-frame counting leaves out"):
        frame_from_timecode(label, NTSC)


@pytest.mark.parametrize("label", ["00:10:00;00", "00:10:00;01", "00:01:00;02", "00:01:01;00", "00:01:00:00"])
def test_neighbours_of_left_out_labels_are_good(label: str) -> None:
    assert timecode_from_frame(frame_from_timecode(label, NTSC), NTSC, drop=";" in label) == label


@pytest.mark.parametrize("label", ["00:01:00;02", "00:01:00;03"])
def test_twice_the_rate_leaves_out_twice_as_many(label: str) -> None:
    assert frame_from_timecode(label, NTSC) > 0
    with pytest.raises(InputError, match="leaves out"):
        frame_from_timecode(label, NTSC_DOUBLE)


@pytest.mark.parametrize(
    ("label", "frame_rate", "words"),
    [
        ("24:00:00:00", PAL, "does not exist at 25.000"),
        ("00:60:00:00", PAL, "does not exist at 25.000"),
        ("00:00:60:00", PAL, "does not exist at 25.000"),
        ("00:00:00:25", PAL, "does not exist at 25.000"),
        ("00:00:00:24", FILM_PULLED, "does not exist at 23.976"),
        ("00:00:00;30", NTSC, "does not exist at 29.970"),
        ("1:00:00:00", PAL, "is not a timecode"),
        ("00:00:00", PAL, "is not a timecode"),
        ("00;00;00;00", PAL, "is not a timecode"),
        ("", PAL, "is not a timecode"),
        ("00:00:00;00", PAL, "25.000 frames per second has no drop-frame timecode"),
        ("00:00:00;00", FILM_PULLED, "23.976 frames per second has no drop-frame timecode"),  # ST 12-1
    ],
)
def test_bad_labels_are_refused_for_their_own_reason(label: str, frame_rate: Fraction, words: str) -> None:
    with pytest.raises(InputError, match=words):
        frame_from_timecode(label, frame_rate)


@pytest.mark.parametrize("frame_rate", [FILM, FILM_PULLED, PAL, Fraction(30), PAL_DOUBLE, Fraction(2997, 100)])
def test_drop_frame_is_only_for_its_two_rates(frame_rate: Fraction) -> None:
    with pytest.raises(InputError, match="has no drop-frame timecode"):
        timecode_from_frame(0, frame_rate, drop=True)


# --- samples ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame_rate", "frames", "samples"),
    [  # at 48 kHz: 2000, 2002, 1920, 1601.6, 960 and 800.8 samples a frame (derived)
        (FILM, 1, 2000),
        (FILM_PULLED, 1, 2002),
        (PAL, 1, 1920),
        (NTSC, 1, 1602),
        (NTSC, 2, 3203),
        (NTSC, 5, 8008),
        (PAL_DOUBLE, 1, 960),
        (NTSC_DOUBLE, 1, 801),
        (NTSC_DOUBLE, 5, 4004),
        (PAL, 0, 0),
        (NTSC, 10**9 * 5, 8008 * 10**9),  # exact where a float would not be
    ],
)
def test_samples_of_frames(frame_rate: Fraction, frames: int, samples: int) -> None:
    assert samples_for_frames(frames, frame_rate, 48_000) == samples


@pytest.mark.parametrize(
    ("label", "frame_rate", "seconds", "samples"),
    [  # derived: a label is not a time
        ("01:00:00;00", NTSC, 3599.9964, 172_799_827),  # 172 799 827.2
        ("01:00:00:00", NTSC, 3603.6, 172_972_800),
        ("01:00:00:00", FILM_PULLED, 3603.6, 172_972_800),
        ("10:00:00:00", FILM_PULLED, 36036.0, 1_729_728_000),
        ("01:00:00:00", PAL, 3600.0, 172_800_000),
    ],
)
def test_real_time_of_a_label(label: str, frame_rate: Fraction, seconds: float, samples: int) -> None:
    frames = frame_from_timecode(label, frame_rate)
    assert float(frames / frame_rate) == pytest.approx(seconds, abs=1e-9)
    assert samples_for_frames(frames, frame_rate, 48_000) == samples
