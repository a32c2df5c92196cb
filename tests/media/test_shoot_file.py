"""The shoot file: what it says of clips and takes, and one sentence with line and key for every mistake in it."""

import pytest

from spatial.errors import ShootFileError
from spatial.field import ChannelFormat
from spatial.media.shoot_file import read_shoot

CLIPS, TAKES = ["a1.mov", "a2.mov", "b.mp4"], ["rec-1.wav", "rec-2.wav"]
GOOD = """\
# Friday
[[rig]]
clips = ["a*.mov"]
picture = "equirect180-sbs"
mic_offset_m = [0.1, 0, -0.3]
mic_offset_sd_m = 0.01
hanging = "upside_down"
takes = ["rec-1*"]
format = "fuma"

[[rig]]
clips = ["b.mp4"]

[[pair]]
clip = "b.mp4"
take = "rec-2.wav"
"""


@pytest.fixture
def read(tmp_path):
    def from_text(text):
        path = tmp_path / "shoot.toml"
        path.write_text(text, encoding="utf-8")
        return read_shoot(path, CLIPS, TAKES)

    return from_text


def test_what_it_says_of_each_clip_and_take(read):
    shoot = read(GOOD)
    rig = shoot.rig_of("a2.mov")
    assert (rig.picture, rig.mic_offset_m, rig.mic_offset_sd_m) == ("equirect180-sbs", (0.1, 0.0, -0.3), 0.01)
    assert rig.hanging == "upside_down"
    assert shoot.rig_of("b.mp4").picture is None
    assert shoot.rig_of("elsewhere.mov") is None
    assert shoot.format_of("rec-1.wav") is ChannelFormat.FUMA
    assert shoot.format_of("rec-2.wav") is None
    assert shoot.without_formats().format_of("rec-1.wav") is None
    assert shoot.take_of("b.mp4") == "rec-2.wav"
    assert shoot.take_of("a1.mov") is None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('picture = "equirect180-sbs"', 'pictures = "x"', "line 4: pictures is no key of a rig; it has clips, picture"),
        ('"equirect180-sbs"', '"flat"', "line 4: picture is no picture layout"),
        ("[0.1, 0, -0.3]", "[0.1, 0]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[0.1, 0, -30]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[0.1, 0, nan]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[true, 0, 0]", "line 5: mic_offset_m is three numbers"),
        ("0.01", "-1", "line 6: mic_offset_sd_m is a number of metres"),
        ('"upside_down"', '"sideways"', "line 7: hanging is upright or upside_down"),
        ('"fuma"', '"aformat"', "line 9: format is one of ambix, n3d, fuma, auto"),
        ('takes = ["rec-1*"]', "", "line 9: format needs the other of the two"),
        ('format = "fuma"', "", "line 8: takes needs the other of the two"),
        ('["rec-1*"]', '["mic*"]', "line 8: takes names 'mic*', and none of the folder's takes fits it"),
        ('["a*.mov"]', '["c*.mov"]', "line 3: clips names 'c*.mov', and none of the folder's clips fits it"),
        ('["a*.mov"]', "[]", "line 3: clips is a list of file names"),
        ('clips = ["a*.mov"]', "", "line 2: clips is missing"),
        (
            'clips = ["b.mp4"]',
            'clips = ["b.mp4", "a1*"]',
            "line 12: clips names a1.mov, which rig 1 of the file names too",
        ),
        ('clip = "b.mp4"', 'clip = "c.mp4"', "line 15: clip names 'c.mp4', and no clip of that name"),
        ('take = "rec-2.wav"', 'take = "rec-3.wav"', "line 16: take names 'rec-3.wav', and no take of that name"),
        ('take = "rec-2.wav"', "take = 2", "line 16: take is the name of one file"),
        ('take = "rec-2.wav"', 'take = "rec-2.wav"\nwhen = 1', "line 17: when is no key of a pair"),
        ("# Friday", "day = 3", "line 1: day is no key of a shoot file"),
        ("[[pair]]", "[pair]", "line 14: pair is written as a table of its own for each: [[pair]]"),
        ("# Friday", "= 3", "cannot be read as a shoot file"),
    ],
)
def test_each_mistake_is_one_sentence_with_line_and_key(read, old, new, said):
    assert old in GOOD
    with pytest.raises(ShootFileError) as caught:
        read(GOOD.replace(old, new, 1))
    message = str(caught.value)
    assert message.startswith("shoot.toml")
    assert said in message
    assert "\n" not in message


def test_a_clip_paired_twice(read):
    with pytest.raises(ShootFileError, match=r"line 18: clip names b\.mp4, which has been paired before"):
        read(GOOD + '[[pair]]\nclip = "b.mp4"\ntake = "rec-1.wav"\n')
