"""What is added to a shoot file leaves what the crew wrote as it is, and can be read back."""

import pytest

from spatial.errors import OutputError
from spatial.media.output import add_to_text
from spatial.media.shoot_file import ShootPair, ShootRig, read_shoot
from spatial.media.shoot_writing import Added, with_added

CREW = '# ours, do not touch\nnotes = "x"  # why not\n[[pair]] # by ear\nclip = "b.mov"\ntake = "2.wav"\n'
PAIR = ShootPair("a.mov", "1.wav")
RIG = ShootRig(("a.mov", "b.mov"), picture="equirect180", mic_offset_m=(0.0, 0.1, -0.3), hanging="upside_down")


@pytest.mark.parametrize("before", ["", CREW, CREW.rstrip("\n"), "\ufeff# a mark of Windows\n".lstrip("\ufeff")])
def test_what_is_added_is_read_back_and_the_rest_stays(tmp_path, before):
    text = with_added(before, Added([RIG], [PAIR], ["measured in a.mov: yaw 3"]))
    assert text.startswith(before)
    path = tmp_path / "shoot.toml"
    path.write_text(text, encoding="utf-8")
    shoot = read_shoot(path, ["a.mov", "b.mov"], ["1.wav", "2.wav"])
    (rig,) = shoot.rigs
    assert (rig.clips, rig.picture, rig.mic_offset_m, rig.hanging) == (
        RIG.clips, "equirect180", (0.0, 0.1, -0.3), "upside_down",
    )  # fmt: skip
    assert shoot.take_of("a.mov") == "1.wav"
    assert shoot.take_of("b.mov") == ("2.wav" if "b.mov" in before else None)
    assert "# measured in a.mov: yaw 3" in text


def test_a_file_that_changed_meanwhile_is_left_as_it_is(tmp_path):
    path = tmp_path / "shoot.toml"
    path.write_text(CREW, encoding="utf-8")
    with pytest.raises(OutputError, match="was changed while the work was done"):
        add_to_text(path, "new", b"another")
    assert path.read_text(encoding="utf-8") == CREW
    add_to_text(path, "new", CREW.encode())
    assert path.read_text(encoding="utf-8") == "new"
    path.chmod(0o444)
    with pytest.raises(OutputError, match="write-protected"):
        add_to_text(path, "newer", b"new")
    assert [file.name for file in tmp_path.iterdir()] == ["shoot.toml"]
