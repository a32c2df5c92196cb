"""A folder of results appears whole or not at all, and nobody else's files are touched."""

import hashlib
import itertools
import os

import pytest

from spatial.errors import OutputError
from spatial.media.output_folder import LIST_NAME, FolderKind, whole_folder


def fill(folder, **files):
    for name, text in files.items():
        (folder / name.replace("_", ".")).write_text(text)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_new_folder_appears_whole(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        assert not (tmp_path / "look").exists()
        fill(folder, index_html="page", movie_mp4="film")
    assert names(tmp_path / "look") == ["index.html", LIST_NAME, "movie.mp4"]
    assert names(tmp_path) == ["look"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_nothing_stays_behind_when_it_fails(tmp_path, error):
    def fail():
        with whole_folder(tmp_path / "look") as folder:
            fill(folder, index_html="page")
            raise error

    with pytest.raises(error):
        fail()
    assert names(tmp_path) == []


def test_an_older_result_is_replaced_only_when_told_to(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="old", sound_m4a="old")
    with pytest.raises(OutputError, match="add --force"), whole_folder(tmp_path / "look"):
        pytest.fail("no work may begin")
    with whole_folder(tmp_path / "look", force=True) as folder:
        fill(folder, index_html="new")
    assert (tmp_path / "look" / "index.html").read_text() == "new"
    assert names(tmp_path / "look") == ["index.html", LIST_NAME]


def test_what_others_put_there_stays(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="old")
    fill(tmp_path / "look", marks_csv="precious")
    with whole_folder(tmp_path / "look", force=True) as folder:
        fill(folder, index_html="new")
    assert (tmp_path / "look" / "marks.csv").read_text() == "precious"
    with (
        pytest.raises(OutputError, match=r"marks\.csv is not a file that soundplumb wrote"),
        whole_folder(tmp_path / "look", force=True) as folder,
    ):
        fill(folder, index_html="newer", marks_csv="ours")
    assert (tmp_path / "look" / "marks.csv").read_text() == "precious"
    assert (tmp_path / "look" / "index.html").read_text() == "new"


def test_a_folder_of_strangers_is_refused_even_with_force(tmp_path):
    fill(tmp_path, holiday_jpg="precious")
    with pytest.raises(OutputError, match="did not write"), whole_folder(tmp_path, force=True):
        pytest.fail("no work may begin")
    (tmp_path / "empty").mkdir()
    with whole_folder(tmp_path / "empty", force=True) as folder:
        fill(folder, index_html="new")
    assert names(tmp_path / "empty") == ["index.html", LIST_NAME]


def digest(text):
    return hashlib.sha256(text.encode()).hexdigest()


def test_a_list_that_somebody_changed_proves_nothing(tmp_path):
    look = tmp_path / "look"
    with whole_folder(look) as folder:
        fill(folder, index_html="old")
    fill(tmp_path, victim_txt="precious")
    whole = (look / LIST_NAME).read_bytes()
    head, rest = whole.split(b"\n", 1)
    changed = [
        whole + f"{digest('precious')}  ../victim.txt\n".encode(),
        whole + f"{digest('precious')}  ..\n".encode(),
        whole + b"our notes\n",
        whole + b"\xff\xfe\n",
        head + b" Yes!\n" + rest,
        whole.replace(b"\n", b"\r\n"),
        # As a version wrote it that kept no digests.
        b"soundplumb wrote these files; run again with --force, it replaces them and touches no others.\nindex.html\n",
    ]
    for text in changed:
        (look / LIST_NAME).write_bytes(text)
        with (
            pytest.raises(OutputError, match=r"is not just as soundplumb wrote it .* move the folder elsewhere"),
            whole_folder(look, force=True),
        ):
            pytest.fail("no work may begin")
        assert (look / LIST_NAME).read_bytes() == text
    assert (look / "index.html").read_text() == "old"
    (look / LIST_NAME).write_bytes(whole)
    with whole_folder(look, force=True) as folder:
        fill(folder, index_html="new")
    assert (tmp_path / "victim.txt").read_text() == "precious"


def test_a_file_that_somebody_changed_is_theirs(tmp_path):
    """Also one that the new result has no use for."""
    look = tmp_path / "look"
    with whole_folder(look) as folder:
        fill(folder, index_html="old", sound_m4a="old")
    for changed in ("index.html", "sound.m4a"):
        (look / changed).write_text("mine")
        with (
            pytest.raises(
                OutputError, match=f"{changed} is not a file that soundplumb wrote, or has been changed since"
            ),
            whole_folder(look, force=True),
        ):
            pytest.fail("no work may begin")
        assert (look / changed).read_text() == "mine"
        (look / changed).write_text("old")

    def change_meanwhile():
        with whole_folder(look, force=True) as folder:
            fill(folder, index_html="new")
            (look / "sound.m4a").write_text("mine")

    with pytest.raises(OutputError, match="has been changed since"):
        change_meanwhile()
    assert (look / "index.html").read_text() == "old"
    assert (look / "sound.m4a").read_text() == "mine"


@pytest.mark.parametrize("kinds", list(itertools.permutations(FolderKind, 2)))
def test_a_folder_of_another_kind_stays(tmp_path, kinds):
    first, second = kinds
    with whole_folder(tmp_path / "look", kind=first) as folder:
        fill(folder, index_html="page", movie_mp4="film")
    with (
        pytest.raises(OutputError, match=f"holds a {first} that soundplumb wrote, and no {second}"),
        whole_folder(tmp_path / "look", kind=second, force=True),
    ):
        pytest.fail("no work may begin")
    assert names(tmp_path / "look") == ["index.html", LIST_NAME, "movie.mp4"]


def test_an_old_file_that_is_an_input_stays(tmp_path):
    """The new result has no file of that name."""
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="page", movie_mp4="film")
    inputs = [tmp_path / "look" / "movie.mp4"]
    with (
        pytest.raises(OutputError, match=r"movie\.mp4 is one of the files to be read"),
        whole_folder(tmp_path / "look", force=True, inputs=inputs),
    ):
        pytest.fail("no work may begin")
    assert inputs[0].read_text() == "film"


def test_a_page_of_somebodys_in_a_folder_of_ours_stays(tmp_path):
    with whole_folder(tmp_path / "st", kind=FolderKind.STILLS) as folder:
        fill(folder, old_png="still")
    fill(tmp_path / "st", index_html="mine")
    with whole_folder(tmp_path / "st", kind=FolderKind.STILLS, force=True) as folder:
        fill(folder, new_png="still")
    assert names(tmp_path / "st") == ["index.html", LIST_NAME, "new.png"]
    assert (tmp_path / "st" / "index.html").read_text() == "mine"


def test_an_empty_folder_will_do(tmp_path):
    (tmp_path / "look").mkdir()
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="page")
    assert names(tmp_path / "look") == ["index.html", LIST_NAME]


def test_a_folder_in_the_place_of_a_file_stops_it_before_anything_is_replaced(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="old", movie_mp4="old")
    listed = (tmp_path / "look" / LIST_NAME).read_text()
    (tmp_path / "look" / "movie.mp4").unlink()
    (tmp_path / "look" / "movie.mp4").mkdir()

    def replace():
        with whole_folder(tmp_path / "look", force=True) as folder:
            fill(folder, index_html="new", movie_mp4="new", sound_m4a="new")

    with pytest.raises(OutputError, match=r"movie\.mp4 is not a file that soundplumb wrote"):
        replace()
    assert names(tmp_path / "look") == ["index.html", LIST_NAME, "movie.mp4"]
    assert (tmp_path / "look" / LIST_NAME).read_text() == listed
    assert (tmp_path / "look" / "index.html").read_text() == "old"


def test_what_is_no_folder_is_told_before_the_work(tmp_path):
    (tmp_path / "look").symlink_to(tmp_path / "gone")
    os.mkfifo(tmp_path / "pipe")
    for name, what in (
        ("look", "is a link that leads nowhere; name a folder"),
        ("pipe", "is no folder; name a folder"),
    ):
        with pytest.raises(OutputError, match=what), whole_folder(tmp_path / name):
            pytest.fail("no work may begin")


def test_an_input_is_never_written_over(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, movie_mp4="film")
    inputs = [tmp_path / "look" / "movie.mp4"]
    with pytest.raises(OutputError), whole_folder(tmp_path / "look", force=True, inputs=inputs) as folder:
        fill(folder, movie_mp4="smaller")
    assert inputs[0].read_text() == "film"


def test_places_that_cannot_be_written_are_named(tmp_path):
    fill(tmp_path, file_txt="a file")
    with pytest.raises(OutputError, match="is a file"), whole_folder(tmp_path / "file.txt"):
        pytest.fail("no work may begin")
    for name, why in (
        ("no/such/place", "there is no folder .*such to write place to; make it"),
        ("file.txt/place", r"file\.txt is not a folder, so place cannot be written to it"),
        ("n" * 300, "is too long; shorten it"),
    ):
        with pytest.raises(OutputError, match=why), whole_folder(tmp_path / name):
            pytest.fail("no work may begin")
