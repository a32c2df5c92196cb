"""A whole clip whose header turns its picture: marks in pixels, mount and stills are as of the same clip unturned.

The demo's clip, its pictures stored upside down under a header that says so, is shown as the clip itself. Its sound is
the same, so the mount must be; a mirror is refused in words wherever pixels are used, and only there.
"""

import json
import struct
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from cli.main import cli
from spatial.jobs.demo import lay_out
from spatial.media.movies.clip import open_clip
from spatial.media.movies.display import DisplayTurn

pytestmark = pytest.mark.slow

CLIP, TAKE, MARKS = "slipway.mov", "rec-0042.flac", "slipway.marks.csv"
RIG = ("--picture", "equirect180-sbs", "--mic-offset", "0.03,0,-0.3")
HALF = [-65536, 0, 0, 0, -65536, 0, 0, 0, 1 << 30]
MIRROR = [-65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30]
COULD_NOT = 3


def stored_upside_down(source: Path, target: Path) -> None:
    """Write a clip's pictures anew, upside down, under a header that says so; its sound as it is."""
    with av.open(str(source)) as movie, av.open(str(target), "w") as copy:
        seen = movie.streams.video[0]
        pictures = copy.add_stream("libx264", rate=seen.average_rate, options={"qp": "12", "preset": "ultrafast"})
        pictures.width, pictures.height, pictures.pix_fmt = seen.width, seen.height, "yuv420p"
        pictures.codec_context.time_base = seen.time_base
        pictures.set_display_matrix(HALF)
        sound = copy.add_stream_from_template(movie.streams.audio[0])
        for packet in movie.demux(seen, movie.streams.audio[0]):
            if packet.stream.type == "audio":
                if packet.dts is not None:
                    packet.stream = sound
                    copy.mux(packet)
                continue
            for frame in packet.decode():
                turned = np.ascontiguousarray(frame.to_ndarray(format="rgb24")[::-1, ::-1])
                new = av.VideoFrame.from_ndarray(turned, "rgb24")
                new.pts, new.time_base = frame.pts, frame.time_base
                copy.mux(pictures.encode(new))
        copy.mux(pictures.encode(None))


def with_header(source: Path, target: Path, matrix: list[int]) -> None:
    """Copy a clip, with another display matrix in the header of its pictures (ISO/IEC 14496-12, 8.3.2)."""
    held, place = bytearray(source.read_bytes()), -1
    while (place := held.find(b"tkhd", place + 1)) >= 0:
        # Sound has no width.
        if int.from_bytes(held[place + 80 : place + 84], "big"):
            held[place + 44 : place + 80] = struct.pack(">9i", *matrix)
    target.write_bytes(held)


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """The clip; one stored upside down and shown upright; one stored upright and shown upside down; a mirrored one."""
    folder = tmp_path_factory.mktemp("clips")
    lay_out(folder)
    stored_upside_down(folder / CLIP, folder / "half.mov")
    with_header(folder / CLIP, folder / "over.mov", HALF)
    with_header(folder / CLIP, folder / "mirror.mov", MIRROR)
    return folder


def run(*words):
    result = CliRunner().invoke(cli, [str(word) for word in words], prog_name="soundplumb")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
    return result


def orient(folder, clip, marks=MARKS):
    return json.loads(run("orient", folder / clip, folder / TAKE, "--marks", folder / marks, *RIG, "--json").stdout)


def stills(folder, clip, to):
    result = run(
        "verify", folder / clip, folder / "track.wav", "--marks", folder / MARKS, *RIG, "--stills", to, "--force"
    )
    return result, {path.name: read(path) for path in sorted(to.glob("*.png"))} if to.is_dir() else {}


def read(path: Path) -> NDArray[np.float64]:
    with av.open(str(path)) as picture:
        return next(picture.decode(video=0)).to_ndarray(format="rgb24").astype(float)


@pytest.fixture(scope="module")
def found(clips):
    return orient(clips, CLIP)


def angles(folder):
    """The same marks as angles: no header can touch them."""
    picture_px, rows = open_clip(folder / CLIP), (folder / MARKS).read_text().splitlines()
    eye_px = picture_px.width_px / 2
    lines = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"]
    for row in rows[1:]:
        who, start, end, x, y, distance = row.split(",")
        azimuth = 90 - 180 * (float(x) + 0.5) / eye_px
        elevation = 90 - 180 * (float(y) + 0.5) / picture_px.height_px
        lines.append(f"{who},{start},{end},{azimuth:.4f},{elevation:.4f},{distance}")
    (folder / "angles.csv").write_text("\n".join(lines) + "\n")
    return "angles.csv"


def test_stored_upside_down_and_shown_upright_is_the_same_clip(clips, found, tmp_path):
    turned = orient(clips, "half.mov")
    assert open_clip(clips / "half.mov").turn is DisplayTurn.HALF
    assert turned["mount"] == found["mount"]
    said = [finding["message"] for finding in turned["findings"]]
    assert any("take it as it is shown" in message for message in said)
    made = run(
        "conform", clips / CLIP, clips / TAKE, "-o", clips / "track.wav", "--marks", clips / MARKS, *RIG, "--force"
    )
    assert made.exit_code == 0, made.output
    plain, ours = stills(clips, CLIP, tmp_path / "plain")
    result, theirs = stills(clips, "half.mov", tmp_path / "half")
    assert (plain.exit_code, result.exit_code, len(ours)) == (0, 0, 4)
    assert ours.keys() == theirs.keys()
    for name, still in ours.items():
        # Coded once more, at a quantiser that costs a grey step or two; a picture that is turned is off by tens.
        assert np.mean(np.abs(still - theirs[name])) < 4.0, name
        assert np.mean(np.abs(still - theirs[name][::-1, ::-1])) > 8.0, name
    # A mirror has no still, in words.
    result, none = stills(clips, "mirror.mov", tmp_path / "mirror")
    assert (result.exit_code, none) == (COULD_NOT, {})
    assert "mirror" in result.stderr
    assert "export the clip upright" in result.stderr


def test_marks_that_move_with_the_shown_picture_turn_the_mount_along(clips, found):
    """Stored upright, shown upside down: what was at the top left is at the bottom right of the other eye's place.

    Each mark goes to the same angles from the lens, turned by half a turn about the view. So does the mount.
    """
    clip = open_clip(clips / CLIP)
    eye_px, rows = clip.width_px // 2, (clips / MARKS).read_text().splitlines()
    moved = [rows[0]]
    for row in rows[1:]:
        who, start, end, x, y, distance = row.split(",")
        # Of one eye: the mark is made in the first, where the second eye's picture is shown.
        moved.append(f"{who},{start},{end},{eye_px - 1 - int(x)},{clip.height_px - 1 - int(y)},{distance}")
    (clips / "moved.csv").write_text("\n".join(moved) + "\n")
    rig = ("--picture", "equirect180-sbs", "--mic-offset", "0.03,0,0.3")
    words = ("orient", clips / "over.mov", clips / TAKE, "--marks", clips / "moved.csv", *rig, "--json")
    over = json.loads(run(*words).stdout)
    half_about_x = np.diag([1.0, -1.0, -1.0])
    assert np.allclose(over["mount"]["matrix"], half_about_x @ np.array(found["mount"]["matrix"]), atol=5e-3)
    assert not np.allclose(over["mount"]["matrix"], found["mount"]["matrix"], atol=0.1)


def test_a_mirror_is_refused_for_pixels_and_angles_give_the_same_mount(clips, found):
    result = run("orient", clips / "mirror.mov", clips / TAKE, "--marks", clips / MARKS, *RIG)
    assert (result.exit_code, result.stdout) == (COULD_NOT, "")
    assert f"{MARKS} gives places in pixels, but the header of mirror.mov says" in result.stderr
    told = orient(clips, "mirror.mov", angles(clips))
    assert np.allclose(told["mount"]["matrix"], found["mount"]["matrix"], atol=5e-3)
    assert any("mirror.mov" in finding["message"] for finding in told["findings"])
