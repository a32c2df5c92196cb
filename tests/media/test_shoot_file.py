"""The shoot file: what it says of clips and takes, and one sentence with line and key for every mistake in it."""

import pytest

from spatial.capsules import Capsules
from spatial.errors import ShootFileError
from spatial.field import ChannelFormat
from spatial.media.shoot_file import read_shoot
from spatial.rotation import YawPitchRoll

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
        (
            'picture = "equirect180-sbs"',
            'pictures = "x"',
            "line 4: pictures is no key of a rig; it has clips, ",
        ),
        (
            '"equirect180-sbs"',
            '"flat"',
            "line 4: picture is 'flat', which is no picture layout; use one of equirect360",
        ),
        ("[0.1, 0, -0.3]", "[0.1, 0]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[0.1, 0, -30]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[0.1, 0, nan]", "line 5: mic_offset_m is three numbers"),
        ("[0.1, 0, -0.3]", "[true, 0, 0]", "line 5: mic_offset_m is three numbers"),
        ("0.01", "-1", "line 6: mic_offset_sd_m is a number of metres"),
        ('"upside_down"', '"sideways"', "line 7: hanging is upright or upside_down"),
        ('"fuma"', '"bformat"', "line 9: format is one of ambix, n3d, fuma, aformat, auto"),
        ('takes = ["rec-1*"]', "", "line 9: format needs takes beside it"),
        ('format = "fuma"', "", "line 8: takes needs format or microphone beside it"),
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
        ("# Friday", f"turned_deg = 1{'0' * 400}", "line 1: turned_deg is how far the finished picture is turned"),
        ("0.01", f"1{'0' * 400}", "line 6: mic_offset_sd_m is a number of metres"),
        ("0.01", f"1{'0' * 5000}", "line 6: mic_offset_sd_m holds a number with too many digits"),
        ("[0.1, 0, -0.3]", f"[0.1,\n 1{'0' * 5000},\n 0]", "line 6: there is a number with too many digits"),
        ("# Friday", f"x = {'[' * 50_000}", "its lists or tables lie too deep inside each other"),
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


def test_a_file_in_another_coding_is_refused_by_its_line(tmp_path):
    (tmp_path / "shoot.toml").write_bytes(b'# Friday\nnotes = "caf\xe9"\n')
    with pytest.raises(ShootFileError, match=r"^shoot\.toml, line 2: this is no text in UTF-8, as a shoot file is"):
        read_shoot(tmp_path / "shoot.toml", CLIPS, TAKES)


def test_a_clip_paired_twice(read):
    with pytest.raises(ShootFileError, match=r"line 18: clip names b\.mp4, which has been paired before"):
        read(GOOD + '[[pair]]\nclip = "b.mp4"\ntake = "rec-1.wav"\n')


MORE = """\
notes = "rain after lunch"
turned_deg = 30

[[rig]]
name = "tower"
clips = ["a*.mov"]
facing_deg = -90
level_within_deg = 3
takes = ["rec-1*"]
format = "aformat"
capsules = ["FRU", "FLD", "BRD", "BLU"]
capsule_radius_mm = 12

[[rig]]
clips = ["b.mp4"]
takes = ["rec-2*"]
microphone = "mine.toml"

[[pair]]
clip = "a1.mov"
not_take = ["rec-1.wav", "rec-3.wav"]

[[pair]]
clip = "a2.mov"
no_take = true

[[take]]
files = ["rec-1.wav", "rec-3.wav"]
joined = true

[[take]]
files = ["rec-2.wav"]
good = false
alone = true
notes = "handled"

[[clip]]
name = "a2.mov"
turned_deg = [0, -4, 1.5]
"""


@pytest.fixture
def read_more(tmp_path):
    (tmp_path / "mine.toml").write_text("", encoding="utf-8")

    def from_text(text=MORE, starts=None):
        path = tmp_path / "shoot.toml"
        path.write_text(text, encoding="utf-8")
        return read_shoot(path, CLIPS, [*TAKES, "rec-3.wav"], start_of_day_s=(starts or {}).get)

    return from_text


def test_rigs_pairs_takes_and_clips_decided_by_hand(read_more):
    shoot = read_more()
    tower, other = shoot.rigs
    assert (tower.label, other.label) == ("tower", "rig 2")
    assert (tower.facing_deg, tower.level_within_deg) == (-90.0, 3.0)
    assert tower.channel_format == Capsules(("FRU", "FLD", "BRD", "BLU"), radius_m=0.012)
    assert shoot.recorder_of("rec-2.wav").microphone.name == "mine.toml"
    assert shoot.not_takes_of("a1.mov") == ("rec-1.wav", "rec-3.wav")
    assert [shoot.has_no_take(clip) for clip in CLIPS] == [False, True, False]
    assert [shoot.is_good(take) for take in TAKES] == [True, False]
    assert [shoot.stands_alone(take) for take in TAKES] == [False, True]
    assert shoot.takes[0].joined
    assert (shoot.notes, shoot.takes[1].notes) == ("rain after lunch", "handled")
    # Of all clips, and of one for itself: left, up and right side down are positive.
    assert shoot.turn_of("a1.mov") == YawPitchRoll.from_degrees(30.0, 0.0, 0.0)
    assert shoot.turn_of("a2.mov") == YawPitchRoll.from_degrees(0.0, -4.0, 1.5)
    plain = shoot.without_formats()
    assert plain.format_of("rec-1.wav") is None
    assert plain.not_takes_of("a1.mov") == shoot.not_takes_of("a1.mov")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("turned_deg = 30", 'turned_deg = "left"', "line 2: turned_deg is how far the finished picture is turned"),
        ('notes = "rain after lunch"', "notes = 3", "line 1: notes is text in quotes"),
        ("facing_deg = -90", "facing_deg = 999", "line 7: facing_deg is a number of degrees"),
        ("level_within_deg = 3", "level_within_deg = 0", "line 8: level_within_deg is a number of degrees, above 0"),
        ('"FRU", "FLD"', '"FRU", "FRU"', "line 11: capsules cannot be used"),
        ("radius_mm = 12", "radius_mm = 120", "line 11: capsules cannot be used"),
        (
            'format = "aformat"',
            'format = "fuma"',
            "line 11: capsules says what the capsules are like, and needs format",
        ),
        ('"mine.toml"', '"yours.toml"', "line 17: microphone names 'yours.toml', and no such file lies in the folder"),
        ('not_take = ["rec-1.wav", "rec-3.wav"]', "", "line 19: take is the name of one file"),
        ("no_take = true", 'no_take = true\ntake = "rec-1.wav"', "line 25: no_take does not go with take"),
        ("no_take = true", "no_take = false", "line 25: no_take is true, or is left out"),
        ('["rec-1.wav", "rec-3.wav"]\n\n', '"rec-9.wav"\n\n', "line 21: not_take names 'rec-9.wav', and no take of"),
        ('files = ["rec-2.wav"]', 'files = ["rec-2.wav", "rec-2.wav"]', "line 32: files names rec-2.wav twice"),
        ("joined = true", "joined = true\nalone = true", "line 29: joined does not go with alone"),
        ('files = ["rec-2.wav"]', 'files = ["rec-3.wav"]', "line 32: files names rec-3.wav, which another [[take]]"),
        ('files = ["rec-2.wav"]', "", "line 31: files is missing"),
        ('files = ["rec-2.wav"]', 'files = ["REC-2.wav"]', "lies in the folder (there is rec-2.wav)"),
        ('name = "a2.mov"', 'name = "a9.mov"', "line 38: name names 'a9.mov', and no clip of that name"),
        ("no_take = true", 'take = "rec-2.wav"', "line 25: take names rec-2.wav, which the file calls a bad take"),
        ("alone = true", "lonely = true", "line 34: lonely is no key of a take; it has files, good, alone"),
    ],
)
def test_each_mistake_in_what_was_decided_by_hand(read_more, old, new, said):
    assert old in MORE
    with pytest.raises(ShootFileError) as caught:
        read_more(MORE.replace(old, new, 1))
    assert said in str(caught.value)


BY_TIME = '[[rig]]\nfrom = "09:00"\nuntil = 12:30:00\n\n[[rig]]\nfrom = "22:00"\nuntil = "02:00"\n'


def test_clips_by_time_of_day_also_over_midnight(read_more):
    hour = 3600.0
    shoot = read_more(BY_TIME, {"a1.mov": 9 * hour, "a2.mov": 1 * hour, "b.mp4": 12.5 * hour})
    assert [shoot.rig_of(clip) and shoot.rig_of(clip).number for clip in CLIPS] == [0, 1, None]


def test_what_times_of_day_leave_open_is_said(read_more):
    with pytest.raises(ShootFileError, match=r"line 2: from sorts clips by time of day, and a1\.mov does not say when"):
        read_more(BY_TIME, {})
    both = BY_TIME.replace("22:00", "08:00", 1)
    with pytest.raises(ShootFileError, match=r"line 6: from takes in a1\.mov, which rig 1 of the file takes in too"):
        read_more(both, dict.fromkeys(CLIPS, 9.5 * 3600.0))
    with pytest.raises(ShootFileError, match='line 3: until is a time of day, such as "09:30"'):
        read_more(BY_TIME.replace("12:30:00", '"noon"'), {})
