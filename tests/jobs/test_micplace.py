"""What is said of the microphone's place over several clips."""

import pytest

from spatial.jobs.marks import Rig
from spatial.jobs.micplace import one_place_of_all


def test_one_place_that_is_taken_for_all_clips_is_said_once():
    (only,) = one_place_of_all([Rig(mic_offset_m=(0.03, 0.0, -0.3))] * 3)
    assert (only.code, only.severity) == ("facing", "note")
    assert "one --mic-offset, 0.03,0,-0.3, is taken for all 3 clips" in only.message


@pytest.mark.parametrize(
    "places", [[], [(0.0, 0.0, -0.3)], [(0.0, 0.0, 0.0)] * 2, [(0.0, 0.0, -0.3), (0.0, 0.1, -0.3)]]
)
def test_nothing_is_said_of_one_clip_of_places_of_their_own_or_where_none_was_given(places):
    assert one_place_of_all([Rig(mic_offset_m=place) for place in places]) == []
