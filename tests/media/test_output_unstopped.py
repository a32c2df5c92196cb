"""A signal that comes while files go to their places waits until they lie there, and is not lost."""

import signal

import pytest

from spatial.media import output_folder
from spatial.media.output import unstopped
from spatial.media.output_folder import whole_folder

pytestmark = pytest.mark.usefixtures("stoppable")


def test_a_signal_waits_for_the_end():
    done = []

    def work():
        with unstopped():
            signal.raise_signal(signal.SIGINT)
            done.append("all of it")
        done.append("more")

    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == ["all of it"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_page_is_not_left_half_replaced(tmp_path, monkeypatch):
    names = ("index.html", "movie.mp4", "sound.m4a")

    def write(text):
        with whole_folder(tmp_path / "look", force=True) as folder:
            for name in names:
                (folder / name).write_text(text)

    write("old")
    replace = output_folder.Path.replace

    def stopped(path, target):
        signal.raise_signal(signal.SIGINT)
        return replace(path, target)

    monkeypatch.setattr(output_folder.Path, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write("new")
    assert {(tmp_path / "look" / name).read_text() for name in names} == {"new"}
