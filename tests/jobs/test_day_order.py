"""In which order the clips of a rig were filmed."""

from pathlib import Path
from types import SimpleNamespace

import pytest

import spatial.jobs.day.day_rigs
from spatial.jobs.day.day_rigs import in_order


@pytest.mark.parametrize(
    ("created", "timecodes", "order"),
    [
        (("2026-06-01T10:00:00", "2026-06-01T09:00:00", "2026-06-01T11:00:00"), (), "bac"),
        # Past midnight, where timecodes begin again.
        (("2026-06-01T23:50:00", "2026-06-02T00:10:00", "2026-06-01T23:30:00"), (85800.0, 600.0, 84600.0), "cab"),
        # The clock lost its battery after the first clip: nothing but names tells the order.
        (("2026-06-01T10:00:00", "1970-01-01T00:00:10", "1970-01-01T00:05:00"), (), "abc"),
        (("1970-01-01T00:05:00", "1970-01-01T00:00:10", "2026-06-01T10:00:00"), (300.0, 200.0, 100.0), "cba"),
        # With their zones, in which the clocks went back by an hour between two clips.
        (("2026-10-25T02:50:00+02:00", "2026-10-25T02:10:00+01:00", "2026-10-25T02:40:00+01:00"), (), "abc"),
        (("2026-06-01T10:00:00",) * 3, (3.0, 2.0, 1.0), "cba"),
        ((None, "no time", "2026-06-01T10:00:00"), (), "abc"),
    ],
)
def test_clips_come_in_the_order_in_which_they_were_filmed(created, timecodes, order, monkeypatch):
    begins = dict(zip("abc", timecodes, strict=False))
    monkeypatch.setattr(spatial.jobs.day.day_rigs, "timecode_start_s", lambda clip: begins.get(clip.path.name))
    clips = [
        SimpleNamespace(sync=SimpleNamespace(clip=SimpleNamespace(path=Path(name), created=made)))
        for name, made in zip("abc", created, strict=True)
    ]
    assert "".join(clip.sync.clip.path.name for clip in in_order(clips)) == order
