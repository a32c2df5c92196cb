"""Pages for a day: one folder a clip, an index, nothing overwritten unasked, and a page that fails stops no other."""

from dataclasses import replace
from pathlib import Path

import pytest

from spatial.errors import InputError, OutputError
from spatial.field import ChannelFormat
from spatial.findings import Code, Finding, Severity
from spatial.jobs.day import day_pages, day_tracks
from spatial.jobs.day.day_folder import DayClip, DayResult
from spatial.jobs.day.day_pages import PageWriter, make_pages
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.takes.take import Take
from spatial.report.day_report import day_json, day_lines, write_index
from spatial.sync.alignment import SyncEstimate
from spatial.timebase import ClockLaw


def entry(path, *, matched=True):
    clip = Clip(path, 4.0, None, 100, None, 960, 480, None, None)
    take = Take(Path("rec.wav"), 48_000, 4, 480_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
    law = ClockLaw(1.0)
    estimate = SyncEstimate(matched, "", law, 1e-4, 1.0, None, steady=law)
    return DayClip(path, SyncResult(clip, take, estimate, ()) if matched else None, None, ())


@pytest.fixture
def make(tmp_path, monkeypatch):
    """Make pages of clips by name; the review itself is not done."""
    asked = []

    def review(result, folder, request, **_options):
        asked.append((result.clip.path.name, request))
        if "bad" in result.clip.path.name:
            raise InputError("it cannot be drawn")
        (folder / "movie.mp4").write_bytes(b"m")
        return result

    monkeypatch.setattr(day_pages, "review_match", review)

    def write_clip(result, folder):
        (folder / "index.html").write_text(result.clip.path.name, encoding="utf-8")

    def made(*names, unmatched=(), force=False):
        clips = tuple(entry(tmp_path / name, matched=name not in unmatched) for name in names)
        day = DayResult(tmp_path, clips, (), ())
        writer = PageWriter(write_clip, write_index)
        return make_pages(day, writer, rig_for=lambda _clip: Rig(picture="equirect180"), force=force)

    made.asked = asked
    return made


def test_each_clip_with_its_take_has_a_page_and_one_leads_to_them(make, tmp_path):
    (tmp_path / "b.marks.csv").touch()
    day = make("a #1.mov", "b.mov", "c.mp4", unmatched=["c.mp4"])
    assert [made.page for made in day.clips] == [
        tmp_path / "pages" / "a #1" / "index.html", tmp_path / "pages" / "b" / "index.html", None,
    ]  # fmt: skip
    assert [request.marks_path for _, request in make.asked] == [None, tmp_path / "b.marks.csv"]
    index = day.pages.read_text(encoding="utf-8")
    assert 'href="a%20%231/index.html"' in index
    assert index.count("<a ") == 2
    assert "c.mp4" in index
    assert str(day.pages) in day_lines(day)[-2]
    told = day_json(day)
    assert told["pages"] == str(day.pages)
    assert [clip["page"] for clip in told["clips"]][2] is None


def test_a_page_that_is_made_is_named_where_marks_are_asked_for(tmp_path):
    missing = day_tracks._without_marks(tmp_path / "a.mov", "so how the microphone sat is not known")
    assert "in its review page (--pages)" in missing.message
    other = Finding(Code.DRIFT, Severity.NOTE, "see its review page (--pages)")
    asking = replace(entry(tmp_path / "a.mov"), findings=(missing, other))
    paged = day_tracks.with_page(asking, tmp_path / "pages" / "a" / "index.html")
    assert paged.page == tmp_path / "pages" / "a" / "index.html"
    assert "make marks by clicks in pages/a/index.html, and save them" in paged.findings[0].message
    assert paged.findings[1] is other


def test_clips_that_differ_in_their_suffix_do_not_share_a_folder(make, tmp_path):
    make("a.mov", "a.mp4")
    assert sorted(path.name for path in (tmp_path / "pages").iterdir()) == ["a.mov", "a.mp4", "index.html"]


def test_a_clip_called_like_the_index_does_not_take_its_place(make, tmp_path):
    day = make("index.html.mov")
    assert day.pages.is_file()
    assert day.clips[0].page == tmp_path / "pages" / "index.html.mov" / "index.html"


def test_pages_that_were_there_are_kept_unless_told(make, tmp_path):
    make("a.mov")
    page = tmp_path / "pages" / "a" / "index.html"
    written = page.stat().st_mtime_ns
    again = make("a.mov")
    assert "add --force" in again.findings[0].message
    assert again.pages is None
    assert page.stat().st_mtime_ns == written
    anew = make("a.mov", force=True)
    assert (anew.findings, anew.clips[0].findings) == ((), ())
    assert page.stat().st_mtime_ns > written
    # A page that somebody has changed is theirs.
    page.write_text("notes", encoding="utf-8")
    (clip,) = make("a.mov", force=True).clips
    assert clip.page is None
    assert "index.html is not a file that soundplumb wrote, or has been changed since" in clip.findings[0].message
    assert page.read_text(encoding="utf-8") == "notes"


def test_an_index_of_somebody_elses_stays(make, tmp_path):
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / "index.html").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="not a page that soundplumb wrote"):
        make("a.mov", force=True)
    assert [path.name for path in (tmp_path / "pages").iterdir()] == ["index.html"]


@pytest.mark.parametrize(("call", "why"), [("mkdir", "cannot be made"), ("iterdir", "cannot be used")])
def test_a_folder_that_takes_no_pages_leaves_the_day_as_it_was(make, tmp_path, monkeypatch, call, why):
    """The day's work is done by then: it is printed, with what could not be written."""
    if call == "iterdir":
        (tmp_path / "pages").mkdir()

    def refused(self, *_, **__):
        raise OSError(30, "Read-only file system", str(self))

    monkeypatch.setattr(Path, call, refused)
    day = make("a.mov")
    assert (day.pages, day.clips[0].page, day.clips[0].findings) == (None, None, ())
    (undone,) = day.findings
    assert (undone.severity, undone.where) == (Severity.FIX, "pages")
    assert undone.message.startswith("no pages could be made: ")
    assert why in undone.message
    lines = "\n".join(day_lines(day))
    assert "a.mov" in lines
    assert "No pages could be made" in lines


def test_a_page_that_fails_is_said_and_the_others_are_made(make, tmp_path):
    day = make("bad.mov", "a.mov")
    assert day.clips[0].page is None
    assert [(said.severity, said.message) for said in day.clips[0].findings] == [
        (Severity.FIX, "no page could be made: it cannot be drawn")
    ]
    assert day.clips[1].page is not None
    assert not (tmp_path / "pages" / "bad").exists()


def test_a_day_without_a_page_leaves_no_folder(make, tmp_path):
    assert make("bad.mov", "c.mov", unmatched=["c.mov"]).pages is None
    assert list(tmp_path.iterdir()) == []


def test_hostile_names_in_the_index_are_only_names(tmp_path):
    bad = '<img src=x onerror=alert(1)>"&'
    finding = Finding("no_match", Severity.FIX, f"{bad} fits nothing")
    clip = replace(entry(tmp_path / f"{bad}.mov"), findings=(finding,), page=tmp_path / "pages" / bad / "index.html")
    write_index(DayResult(tmp_path, (clip,), (), ()), tmp_path / "index.html")
    text = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "<img" not in text
    assert text.count("&lt;img") == 2
    assert 'href="%3Cimg%20src%3Dx%20onerror%3Dalert%281%29%3E%22%26/index.html"' in text
