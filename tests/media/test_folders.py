"""A folder of results appears whole or not at all, and nobody else's files are touched."""

from pathlib import Path

import pytest

from spatial.errors import OutputError
from spatial.media.folders import LIST_NAME, whole_folder


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


def test_a_changed_list_does_not_lead_out_of_the_folder(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="old")
    fill(tmp_path, victim_txt="precious")
    (tmp_path / "look" / LIST_NAME).write_text("head\n../victim.txt\nindex.html\n")
    with whole_folder(tmp_path / "look", force=True) as folder:
        fill(folder, index_html="new")
    assert (tmp_path / "victim.txt").read_text() == "precious"


def test_a_list_that_is_no_text_names_nothing(tmp_path):
    with whole_folder(tmp_path / "look") as folder:
        fill(folder, index_html="old")
    (tmp_path / "look" / LIST_NAME).write_bytes(b"ours:\nindex.html\n\xff\xfe\n")
    with whole_folder(tmp_path / "look", force=True) as folder:
        fill(folder, index_html="new")
    assert (tmp_path / "look" / "index.html").read_text() == "new"
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


def test_a_link_that_leads_nowhere_is_told_before_the_work(tmp_path):
    (tmp_path / "look").symlink_to(tmp_path / "gone")
    with pytest.raises(OutputError, match="is a file"), whole_folder(tmp_path / "look"):
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
    with pytest.raises(OutputError, match="cannot be written"), whole_folder(Path(tmp_path / "no" / "such" / "place")):
        pytest.fail("no work may begin")
