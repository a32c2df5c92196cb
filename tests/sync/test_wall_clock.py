"""One constant clock difference across a shoot tells which take was rolling."""

import itertools

import numpy as np
import pytest

from spatial.sync.wall_clock import MOST_ALONE, Offer, weigh_clocks

LENGTHS = [50.0, 62.0, 41.0]
STARTS = [36_000.0, 36_170.0, 36_420.0]
"""True time of each clip's start; each take starts 3, 5 and 2 s earlier."""
EARLY = [3.0, 5.0, 2.0]


def offers(*, clips=(0, 1, 2), song_at=(8.0, 11.0, 6.0)):
    """Every clip in every take: the song of clip i on the song of take j."""
    return [
        Offer(i, j, EARLY[i] if i == j else EARLY[j] + song_at[j] - song_at[i])
        for i, j in itertools.product(clips, range(3))
    ]


def stamps(difference_s, *, at_end=False, zone_s=0.0):
    clips = [np.floor(start + (length if at_end else 0.0)) for start, length in zip(STARTS, LENGTHS, strict=True)]
    takes = [np.floor(start - early + difference_s + zone_s) for start, early in zip(STARTS, EARLY, strict=True)]
    return clips, takes


@pytest.mark.parametrize("difference_s", [0.0, 17.3, -423.8])
@pytest.mark.parametrize("zone_s", [0.0, -7200.0, 20_700.0])
@pytest.mark.parametrize("at_end", [False, True])
def test_the_true_takes_agree_on_one_difference(difference_s, zone_s, at_end):
    clips, takes = stamps(difference_s, at_end=at_end, zone_s=zone_s)
    every = offers()
    evidence = weigh_clocks(clips, LENGTHS, takes, every)
    # Whole seconds on both sides.
    assert evidence.difference_s == pytest.approx(difference_s + zone_s, abs=2.0)
    assert evidence.agreeing_clips == 3
    true = np.array([offer.clip == offer.take for offer in every])
    assert np.min(evidence.log_odds[true]) > 1.0
    assert np.max(evidence.log_odds[~true]) < -2.0


def test_a_single_clip_says_little():
    clips, takes = stamps(5.0)
    evidence = weigh_clocks(clips[:1], LENGTHS[:1], takes, offers(clips=(0,)))
    assert np.max(np.abs(evidence.log_odds)) <= MOST_ALONE
    assert evidence.difference_s is None


def test_a_clip_whose_take_is_missing_is_told():
    clips, takes = stamps(40.0)
    kept = [offer for offer in offers() if offer.take != 1 and (offer.clip == 1 or offer.clip == offer.take)]
    evidence = weigh_clocks(clips, LENGTHS, takes, kept)
    lost = np.array([offer.clip == 1 for offer in kept])
    assert lost.sum() == 2
    assert np.max(evidence.log_odds[lost]) < -2.0
    assert evidence.agreeing_clips == 2


def test_missing_stamps_say_nothing():
    clips, takes = stamps(5.0)
    every = offers()
    evidence = weigh_clocks([None, *clips[1:]], LENGTHS, takes, every)
    assert all(evidence.log_odds[number] == 0.0 for number, offer in enumerate(every) if offer.clip == 0)
    assert weigh_clocks([None] * 3, LENGTHS, takes, every).difference_s is None
    assert np.all(weigh_clocks([None] * 3, LENGTHS, [None] * 3, every).log_odds == 0.0)


def test_clocks_that_agree_on_nothing_say_so():
    rng = np.random.default_rng(5)
    evidence = weigh_clocks(list(rng.uniform(0, 80_000, 3)), LENGTHS, list(rng.uniform(0, 80_000, 3)), offers())
    assert evidence.difference_s is None
    assert np.max(evidence.log_odds) < 1.0


def test_midnight_is_no_jump():
    clips, takes = stamps(-30.0)
    late = 86_400.0 - 36_100.0
    shifted = [(c + late) % 86_400 for c in clips], [(t + late) % 86_400 for t in takes]
    assert weigh_clocks(shifted[0], LENGTHS, shifted[1], offers()).difference_s == pytest.approx(-30.0, abs=2.0)
