"""Takes of one song, told apart by what is not the song."""

import numpy as np
import pytest

from spatial.dsp.samples import ArraySamples
from spatial.sync.choice import DECIDED, Alternative, Verdict, judge_rivals, paired_t, weigh_evidence
from spatial.sync.envelope import WORKING_RATE_HZ
from spatial.sync.paired_spectra import BLOCK, MOST_S, band_edges, block_starts, clip_spectra, near_height, take_spectra
from spatial.sync.same_music import Standing, compare_moments, shared_onsets
from spatial.timebase import ClockLaw, ClockStep
from tests.scenes.hearing import envelope

RATE = WORKING_RATE_HZ
SONG_S, AROUND_S = 14.0, 6.0
BOTH = np.ones(2)


def sounding(rng, seconds, *, density=0.5, beat_s=0.0):
    """Sound that comes and goes in bands, each a few hundred hertz wide, a tenth of a second long.

    Like music of a machine where it has a beat; else like words, which have none.
    """
    out = np.zeros(int(seconds * RATE))
    start = 0
    while start < out.size - RATE // 8:
        for _ in range(3):
            if rng.random() < density:
                time = np.arange(RATE // 8)
                centre, width = rng.uniform(400, 5000), rng.uniform(0.002, 0.006)
                burst = rng.standard_normal(time.size) * np.hanning(time.size)
                tone = np.convolve(burst, np.exp(-np.arange(200) / RATE / width)
                                   * np.cos(2 * np.pi * centre * np.arange(200) / RATE), mode="same")  # fmt: skip
                out[start : start + time.size] += tone
        start += int((beat_s or rng.uniform(0.06, 0.4)) * RATE)
    return 0.1 * out / np.std(out)


def shot(rng, song, *, talk=0.1, over=0.0):
    """One time the song is played, 6 s of talk before and after it."""
    around = int(AROUND_S * RATE)
    room = np.zeros(2 * around + song.size)
    room[around : around + song.size] += song
    room[:around] += talk / 0.1 * sounding(rng, AROUND_S)
    room[around + song.size :] += talk / 0.1 * sounding(rng, AROUND_S)
    room += over / 0.1 * np.resize(sounding(rng, SONG_S, density=0.2), room.size)
    return room


def heard_by_camera(rng, room, *, noise=0.004):
    gain = np.exp(0.3 * np.sin(np.arange(room.size) / RATE))
    clip = np.stack([gain * room, 0.8 * gain * np.roll(room, 2)]) + noise * rng.standard_normal((2, room.size))
    return ArraySamples(clip.astype(np.float32), RATE)


def heard_by_recorder(rng, room, *, noise=0.004, early_s=1.0):
    quiet = noise * rng.standard_normal((4, room.size + int(early_s * RATE)))
    quiet[0, int(early_s * RATE) :] += room
    return ArraySamples(quiet.astype(np.float32), RATE)


@pytest.fixture
def song(rng):
    return 2.0 * sounding(rng, SONG_S, density=0.8, beat_s=0.25)


@pytest.fixture
def shots(rng, song):
    """Clips and takes of three shots; every law is the same, the song lies alike in each."""
    rooms = [shot(rng, song) for _ in range(3)]
    return [(heard_by_camera(rng, room), heard_by_recorder(rng, room)) for room in rooms]


LAW = ClockLaw(1.0)


def powers_of(clip, take):
    return envelope(clip.data), envelope(take.data[:1])


def offer(clip, take, law=LAW, log_odds=0.0):
    return Alternative(take, law, BOTH, 20.0, shared_onsets(*powers_of(clip, take), law), log_odds)


def offers(clip, takes, *, log_odds=(0.0, 0.0, 0.0)):
    return [offer(clip, take, log_odds=odds) for take, odds in zip(takes, log_odds, strict=False)]


def moments(clip, take, law=LAW):
    return compare_moments(clip, take, law, BOTH, powers_of(clip, take))


@pytest.mark.slow
@pytest.mark.parametrize("true", [0, 1, 2])
def test_talk_around_the_song_decides(shots, true):
    judged = judge_rivals(shots[true][0], offers(shots[true][0], [take for _, take in shots]))
    assert judged.verdict is Verdict.DECIDED
    assert judged.best == true
    assert judged.shares[true] > 0.97
    assert judged.rivals == ()
    assert judged.moments[true].standing is Standing.CLEAR
    against_s = [one.against_s for n, one in enumerate(judged.moments) if n != true]
    assert min(against_s) > judged.moments[true].against_s


@pytest.mark.slow
def test_swapping_two_takes_swaps_the_answer(shots):
    clip = shots[0][0]
    one = judge_rivals(clip, offers(clip, [shots[0][1], shots[1][1]]))
    other = judge_rivals(clip, offers(clip, [shots[1][1], shots[0][1]]))
    assert (one.best, other.best) == (0, 1)
    assert one.shares == pytest.approx(other.shares[::-1])
    assert one.contests[0].log_odds == pytest.approx(-other.contests[0].log_odds)


def test_without_the_true_take_none_is_it(shots):
    judged = judge_rivals(shots[0][0], offers(shots[0][0], [shots[1][1], shots[2][1]]))
    assert judged.verdict is Verdict.NONE


def test_the_contradiction_says_where(shots):
    found = moments(shots[0][0], shots[1][1])
    assert found.standing is Standing.CONTRADICTED
    # Talk lies outside 6 to 20 s; a window of half a second may reach into the song.
    assert all(stop <= AROUND_S + 0.6 or start >= AROUND_S + SONG_S - 0.6 for start, stop in found.spans_s)
    assert found.against_s > 2.0
    assert found.shared_s > 10.0


def test_nothing_but_the_song_is_ambiguous(rng, song):
    clip = heard_by_camera(rng, song)
    judged = judge_rivals(clip, offers(clip, [heard_by_recorder(rng, song), heard_by_recorder(rng, song)]))
    assert judged.verdict is Verdict.AMBIGUOUS
    assert judged.rivals == (1 - judged.best,)
    assert min(judged.shares) > 0.03


@pytest.mark.slow
def test_a_noisier_true_take_still_wins(rng, song):
    rooms = [shot(rng, song) for _ in range(2)]
    clip = heard_by_camera(rng, rooms[0])
    takes = [heard_by_recorder(rng, rooms[0], noise=0.02), heard_by_recorder(rng, rooms[1], noise=0.001)]
    judged = judge_rivals(clip, offers(clip, takes))
    assert (judged.verdict, judged.best) == (Verdict.DECIDED, 0)


@pytest.mark.slow
def test_whole_bar_aliases_of_one_take(rng):
    bar = 2.0 * sounding(rng, 2.0, density=0.8, beat_s=0.25)
    room = shot(rng, np.tile(bar, 7))
    clip, take = heard_by_camera(rng, room), heard_by_recorder(rng, room)
    places = [offer(clip, take, ClockLaw(1.0 + shift)) for shift in (-2.0, 0.0, 2.0)]
    judged = judge_rivals(clip, places)
    assert (judged.verdict, judged.best) == (Verdict.DECIDED, 1)


def test_what_the_clocks_know_tips_a_tie(rng, song):
    clip = heard_by_camera(rng, song)
    takes = [heard_by_recorder(rng, song), heard_by_recorder(rng, song)]
    plain = judge_rivals(clip, offers(clip, takes)).contests[0].log_odds
    tipped = judge_rivals(clip, offers(clip, takes, log_odds=(0.0, 9.0)))
    assert tipped.contests[0].log_odds == pytest.approx(plain - 9.0)
    assert (tipped.verdict, tipped.best) == (Verdict.DECIDED, 1)


def test_too_little_to_compare_decides_nothing(shots):
    clip, take = shots[0]
    short = ArraySamples(clip.data[:, : RATE // 2], RATE)
    assert moments(short, take).covered_s < 1.0
    silent = ArraySamples(np.zeros_like(take.data), RATE)
    judged = judge_rivals(clip, offers(clip, [silent, silent]))
    assert judged.verdict is not Verdict.DECIDED


def test_a_known_step_is_no_contradiction(shots):
    clip, take = shots[0]
    cut = ArraySamples(np.concatenate([take.data[:, : 12 * RATE], take.data[:, 13 * RATE :]], axis=1), RATE)
    stepped = ClockLaw(1.0, steps=(ClockStep(11.0, -1.0),))
    assert moments(clip, cut, stepped).standing is Standing.CLEAR
    assert moments(clip, cut, stepped).against_s < 0.3


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("kind", range(3))
def test_no_kind_of_evidence_decides_alone_and_any_two_do(kind, sign):
    """However strong: noise that differs between takes fakes one of them, and bars that almost repeat another."""
    strong = 1e3 * sign * np.eye(3)
    alone = weigh_evidence(*strong[kind])
    assert 0.25 * DECIDED < sign * alone < DECIDED
    assert sign * weigh_evidence(*(strong[kind] + strong[(kind + 1) % 3])) > DECIDED


def test_a_few_odd_cells_say_little_however_steady():
    """One more in every window is no scatter at all, and yet no evidence: windows of two true matches differ by 3."""
    assert paired_t(np.full(40, 1.0), spread=3.0) == pytest.approx(np.sqrt(20) / 3)
    assert paired_t(np.full(40, 1.0)) == 0.0


@pytest.mark.slow
@pytest.mark.parametrize(("log_odds", "verdict"), [(4.0, Verdict.AMBIGUOUS), (5.2, Verdict.DECIDED)])
def test_it_takes_99_to_1(shots, log_odds, verdict):
    """Of two copies of the right take only what is known besides tells; both share talk with the clip."""
    clip, take = shots[0]
    judged = judge_rivals(clip, offers(clip, [take, take], log_odds=(log_odds, 0.0)))
    assert (judged.verdict, judged.best, len(judged.rivals)) == (verdict, 0, int(verdict is Verdict.AMBIGUOUS))


@pytest.mark.slow
@pytest.mark.parametrize(("log_odds", "verdict"), [(6.0, Verdict.AMBIGUOUS), (7.5, Verdict.DECIDED)])
def test_where_all_that_is_shared_is_music_it_takes_999_to_1(rng, song, log_odds, verdict):
    clip = heard_by_camera(rng, song)
    takes = [heard_by_recorder(rng, song), heard_by_recorder(rng, song)]
    plain = judge_rivals(clip, offers(clip, takes)).contests[0].log_odds
    judged = judge_rivals(clip, offers(clip, takes, log_odds=(log_odds - plain, 0.0)))
    assert (judged.verdict, judged.rivals) == (verdict, ())


@pytest.mark.slow
def test_what_is_contradicted_itself_is_no_rival_of_what_is_clear(shots):
    clip = shots[0][0]
    plain = judge_rivals(clip, offers(clip, [shots[0][1], shots[1][1]])).contests[0].log_odds
    judged = judge_rivals(clip, offers(clip, [shots[0][1], shots[1][1]], log_odds=(1.0 - plain, 0.0)))
    assert judged.contests[0].log_odds == pytest.approx(1.0)
    assert (judged.verdict, judged.best, judged.rivals) == (Verdict.DECIDED, 0, ())


def test_talk_that_one_of_them_shares_weighs_by_itself(shots):
    """Two takes that cover no moment of the clip together: all that is left is which of them shares talk."""
    clip, take = shots[0]
    talk, song = take.data.copy(), take.data.copy()
    middle = slice(int((AROUND_S + 2.0) * RATE), int((AROUND_S + SONG_S) * RATE))
    talk[:, middle] = 0.0
    song[:, : middle.start + RATE // 10] = 0.0
    song[:, middle.stop - RATE // 10 :] = 0.0
    judged = judge_rivals(clip, [offer(clip, ArraySamples(data, RATE)) for data in (talk, song)])
    assert judged.contests[0].common_s == 0.0
    assert [one.unsteady for one in judged.moments] == [True, False]
    assert judged.contests[0].log_odds == 4.0


# --- cells --------------------------------------------------------------------------------------------------


def test_near_height_finds_a_peak_at_the_law_only(shots):
    clip, take = shots[0]
    starts = block_starts(clip)
    heard = clip_spectra(clip, starts)[0]
    on, covered = take_spectra(take, LAW, starts, RATE)
    off, _ = take_spectra(take, ClockLaw(1.01), starts, RATE)
    assert covered.all()
    heights = [near_height(np.sum(np.conj(heard) * field, axis=0), RATE) for field in (on, off)]
    assert heights[0] > 8.0 > 4.0 > heights[1]


def test_long_clips_are_looked_at_in_stretches_with_both_ends():
    starts = block_starts(ArraySamples(np.zeros((1, 1800 * RATE), dtype=np.float32), RATE))
    assert len(starts) * BLOCK / 2 / RATE == pytest.approx(MOST_S, rel=0.01)
    assert starts[0] == 0
    assert starts[-1] > 1799 * RATE - BLOCK
    assert np.all(np.diff(starts) > 0)
    assert np.all(np.diff(band_edges(RATE)) > 0)
