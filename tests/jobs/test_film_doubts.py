"""What speaks against a film's layout and its track, on pictures and sounds that are made here.

The limits of early and late are those of ITU-R BT.1359-1.
"""

import json
import shutil
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from demo_audio.write_movie import write_movie
from spatial.field import encode
from spatial.findings import Severity
from spatial.jobs.film_doubts import own_sound, picture_findings, track_findings
from spatial.media.movies.clip import open_clip
from spatial.media.ownership import digest_of
from spatial.media.takes.take import open_take
from spatial.media.track_files import clip_of_track
from spatial.media.wav.track_notes import TrackNotes, bext_of
from tests.scenes.open_air import busy_sound

RATE, SECONDS = 48_000, 10


def eye(width, height, seed=1):
    """Blocks of grey, as unlike as pictures can be."""
    rng = np.random.default_rng(seed)
    blocks = rng.integers(0, 255, (12, 12), dtype=np.uint8)
    rows, columns = np.arange(height) * 12 // height, np.arange(width) * 12 // width
    return np.repeat(blocks[np.ix_(rows, columns)][..., None], 3, axis=2)


def film_of(path, picture, *, sound=None, seconds=1):
    frames = (picture for _ in range(25 * seconds))
    write_movie(path, frames=frames, frame_rate=Fraction(25), **({} if sound is None else {"audio": sound}))
    return open_clip(path)


def beside(width, height):
    return np.concatenate([eye(width // 2, height)] * 2, axis=1)


def above(width, height):
    return np.concatenate([eye(width, height // 2)] * 2, axis=0)


@pytest.mark.parametrize(
    ("picture", "layout", "severity", "looks_like"),
    [
        (beside(192, 96), "equirect180", Severity.FIX, "equirect180-sbs"),
        (beside(192, 96), "equirect180-tb", Severity.FIX, "equirect180-sbs"),
        (above(96, 192), "equirect180", Severity.FIX, "equirect180-tb"),
        (beside(192, 96), "equirect360", Severity.LOOK, "equirect180-sbs"),
        (eye(192, 96), "equirect180", Severity.LOOK, "equirect360 or equirect180-sbs"),
        (eye(96, 96), "equirect360", Severity.LOOK, "equirect360-tb or equirect180"),
    ],
)
def test_a_layout_that_the_frame_contradicts(tmp_path, picture, layout, severity, looks_like):
    (finding,) = picture_findings(film_of(tmp_path / "film.mp4", picture), layout)
    assert (finding.code, finding.severity) == ("picture_layout", severity)
    assert f"looks like {looks_like}: look at it" in finding.message


@pytest.mark.parametrize(
    ("picture", "layout"),
    [
        (beside(192, 96), "equirect180-sbs"),
        (above(96, 192), "equirect180-tb"),
        (eye(96, 96), "equirect180"),
        (eye(192, 96), "equirect360"),
        # Squeezed into the frame of another layout, as some players want both eyes.
        (above(192, 96), "equirect360-tb"),
        (beside(192, 96), "equirect360-sbs"),
        (beside(192, 108), "equirect180-sbs"),
        # Cropped above and below, or at the sides.
        (eye(192, 108), "equirect180"),
        (eye(192, 108), "equirect360"),
        (beside(256, 108), "equirect180-sbs"),
        # Nothing to be seen: black, or fog.
        (np.zeros((96, 192, 3), dtype=np.uint8), "equirect180-sbs"),
        (eye(192, 96), None),
    ],
)
def test_ordinary_pictures_are_not_accused(tmp_path, picture, layout):
    assert picture_findings(film_of(tmp_path / "film.mp4", picture), layout) == []


# --- the track ---


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    """A film with its own sound, its field, and the field of another scene."""
    folder = tmp_path_factory.mktemp("scene")
    fields = [encode(busy_sound(number)[: SECONDS * RATE], 0.4, 0.1) for number in (1, 2)]
    for name, field in zip(("slipway", "lantern"), fields, strict=True):
        soundfile.write(folder / f"{name}.wav", field.T, RATE, "PCM_24")
    late = np.pad(fields[0], ((0, 0), (RATE // 2, 0)))[:, : fields[0].shape[1]]
    soundfile.write(folder / "late.wav", late.T, RATE, "PCM_24")
    heard = np.stack([fields[0][0] + fields[0][1], fields[0][0] - fields[0][1]])
    film_of(folder / "slipway.mov", eye(64, 32), sound=heard, seconds=SECONDS)
    film_of(folder / "mute.mov", eye(64, 32), seconds=SECONDS)
    film_of(folder / "short.mov", eye(64, 32), seconds=SECONDS - 1)
    return folder


def made_for(folder, track, clip, path=None):
    """A sidecar as conform writes it, as far as it is read here."""
    clip_path = path or folder / clip
    inputs = [{"path": clip, "bytes": clip_path.stat().st_size, "sha256": digest_of(clip_path)}]
    facts = {"soundplumb": "x", "seal": "", "inputs": inputs, "clip": {"path": clip}, "output": {"path": track}}
    (folder / track).with_suffix(".json").write_text(json.dumps(facts))


@pytest.fixture
def shoot(scene, tmp_path, monkeypatch):
    """A copy, in which a sidecar need not be sealed to be one."""
    shutil.copytree(scene, tmp_path, dirs_exist_ok=True)
    for module in ("spatial.jobs.film.film_files", "spatial.media.track_files"):
        monkeypatch.setattr(f"{module}.is_marked", lambda path, _kind: path.suffix == ".json" and path.exists())
    return tmp_path


def held(folder, film, track):
    clip, take = open_clip(folder / film), open_take(folder / track)
    own = own_sound(clip, take)
    return own, [*own.findings, *track_findings(clip, take, own)]


@pytest.mark.slow
def test_the_films_own_sound_knows_its_track(shoot):
    own, found = held(shoot, "slipway.mov", "slipway.wav")
    assert abs(own.lip_sync.early_s) < 0.002
    assert found == []
    own, (finding,) = held(shoot, "slipway.mov", "late.wav")
    assert own.lip_sync.early_s == pytest.approx(-0.5, abs=0.002)
    assert (finding.code, finding.severity) == ("lip_sync", Severity.FIX)
    assert "late.wav is 500 ms late against the sound of slipway.mov" in finding.message


@pytest.mark.slow
def test_sound_that_is_not_found_accuses_nobody(shoot):
    """It may be music that was laid under the film."""
    own, found = held(shoot, "slipway.mov", "lantern.wav")
    assert (own.lip_sync, found) == (None, [])
    assert "not found in the track" in own.why
    assert held(shoot, "mute.mov", "lantern.wav")[0].why == "the film has no sound of its own"


@pytest.mark.slow
def test_a_film_whose_own_track_lies_there_is_not_given_another(shoot):
    made_for(shoot, "slipway.wav", "slipway.mov")
    (finding,) = held(shoot, "slipway.mov", "lantern.wav")[1]
    assert (finding.code, finding.severity) == ("no_match", Severity.FIX)
    assert "slipway.wav is the track that was made for it" in finding.message
    made_for(shoot, "lantern.wav", "mute.mov")
    (finding,) = held(shoot, "slipway.mov", "lantern.wav")[1]
    assert finding.severity is Severity.FIX
    assert finding.message.startswith(
        "lantern.wav was made for mute.mov, not for slipway.mov, whose own track is slipway"
    )


def test_a_track_that_names_another_clip(shoot):
    made_for(shoot, "slipway.wav", "slipway.mov")
    (finding,) = held(shoot, "short.mov", "slipway.wav")[1]
    assert (finding.code, finding.severity) == ("no_match", Severity.LOOK)
    # An export under another name: as long to the picture; or called after the clip; or the same bytes.
    assert held(shoot, "mute.mov", "slipway.wav")[1] == []
    shutil.copy(shoot / "short.mov", shoot / "Slipway graded.mov")
    assert held(shoot, "Slipway graded.mov", "slipway.wav")[1] == []
    made_for(shoot, "slipway.wav", "A001.mov", path=shoot / "short.mov")
    assert held(shoot, "short.mov", "slipway.wav")[1] == []


def test_the_clip_of_a_track_by_its_bext(tmp_path, monkeypatch):
    monkeypatch.setattr("spatial.media.track_files.is_marked", lambda _path, _kind: True)
    body = bext_of(TrackNotes(clip="Brücke 2.mov", take="rec.wav", done="turned"), "x")
    data = b"WAVEbext" + len(body).to_bytes(4, "little") + body
    (tmp_path / "t.wav").write_bytes(b"RIFF" + len(data).to_bytes(4, "little") + data)
    clip = clip_of_track(tmp_path / "t.wav")
    assert (clip.name, clip.sha256) == ("Br?cke 2.mov", None)
    assert clip.is_called(tmp_path / "brücke 2_v3.mp4")
    assert not clip.is_called(tmp_path / "lantern.mov")
