"""What the tool has to say beside its numbers: one plain sentence each, with how grave it is.

Codes and severities are enums: a code means one thing wherever it stands, and is a promise to whoever reads the JSON.
Functions: is_bad (whether any finding must be mended before the work is used); written_out (a finding for JSON).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How grave a finding is."""

    NOTE = "note"
    """Good to know."""
    LOOK = "look"
    """Look at it before you go on."""
    FIX = "fix"
    """Mend it: the answer is bad."""


class Code(StrEnum):
    """What a finding is about; each code means one thing."""

    # A recording
    CLIPPING = "clipping"
    """Tops are cut off."""
    DEAD_CHANNEL = "dead_channel"
    """A channel holds nothing."""
    GAIN_MISMATCH = "gain_mismatch"
    """A channel is too loud or too quiet against the others."""
    POLARITY = "polarity"
    """A channel is inverted."""
    SWAPPED_CHANNELS = "swapped_channels"
    """Channels stand in each other's places."""
    DC_OFFSET = "dc_offset"
    """A channel does not swing about zero."""
    DROPOUT = "dropout"
    """Sound was lost on its way to the file: holes, joins, repeats, gaps."""
    HUM = "hum"
    """Mains hum."""
    RUMBLE = "rumble"
    """Wind or handling noise."""
    NOISE_FLOOR = "noise_floor"
    """The recording never gets quiet."""
    LEVEL = "level"
    """Too hot or too low."""
    BANDWIDTH = "bandwidth"
    """Nothing above a frequency: a lower sample rate, or a lossy coder, came before."""
    TRUNCATED = "truncated"
    """The file is not whole; what is left of it is read."""
    CONVENTION_GUESS = "convention_guess"
    """How the channels are read is assumed, or something speaks against it."""
    UNUSABLE_FILE = "unusable_file"
    """A file cannot be read at all, and others can."""
    # A clip
    NO_PICTURE = "no_picture"
    """The clip is sound alone."""
    TURNED_PICTURE = "turned_picture"
    """The header turns or mirrors the picture."""
    SOUND_TRACK = "sound_track"
    """Which of the clip's sound tracks or channels is used."""
    # A clip and its take
    NO_MATCH = "no_match"
    """No take belongs to the clip."""
    AMBIGUOUS_MATCH = "ambiguous_match"
    """Several takes, or several places in one, may belong to it."""
    CLOCKS_DECIDE = "clocks_decide"
    """The sound left a doubt that the boxes' clocks settle."""
    PARTLY_COVERED = "partly_covered"
    """The take covers a part of the clip."""
    MISSING_PART = "missing_part"
    """A part of the recording was not given."""
    UNUSED_TAKE = "unused_take"
    """A take belongs to none of the clips."""
    DRIFT = "drift"
    """The clocks run apart by more than crystals do."""
    CLOCK_STEP = "clock_step"
    """One of the clocks jumps."""
    WRONG_RATE = "wrong_rate"
    """A header holds the wrong sample rate."""
    LIP_SYNC = "lip_sync"
    """Sound is early or late, or may be."""
    WRONG_LENGTH = "wrong_length"
    """A track does not end with its clip, or files of one take differ in length."""
    RECORDER_APART = "recorder_apart"
    """The recorder stood away from the camera."""
    RIDING_GAIN = "riding_gain"
    """The camera's automatic gain moved."""
    # The microphone
    FACING = "facing"
    """Which way the microphone faced, or that something contradicts it."""
    TILT = "tilt"
    """The microphone was not level."""
    UPSIDE_DOWN = "upside_down"
    """The microphone hung upside down."""
    MIRRORED = "mirrored"
    """The field, or the marks, are a mirror image."""
    UNDETERMINED = "undetermined"
    """What is known does not tell the mount."""
    MIC_OFFSET = "mic_offset"
    """Where the microphone hung, seen from the lens."""
    CAMERA_MOVES = "camera_moves"
    """The camera moved over the microphone."""
    MICROPHONE = "microphone"
    """What was learned of the microphone."""
    # Marks
    MARK_UNHEARD = "mark_unheard"
    """Nobody is heard in a mark."""
    MARK_OFF = "mark_off"
    """A mark lies where it is not heard, or does not fit the others."""
    # A movie for headsets
    PICTURE_LAYOUT = "picture_layout"
    """What is said of how the picture is laid out, or that nothing is said."""
    PICTURE_CHANGED = "picture_changed"
    """The packets of the picture are not those of the film."""
    SOUND_FIELD = "sound_field"
    """The field came through otherwise than it was sent: its level, its directions, or not at all."""
    # A finished film
    SHOT_OPEN = "shot_open"
    """Which clip, or which moment of it, a film shows cannot be told."""
    OTHER_SOUND = "other_sound"
    """The film's sound over a shot is not that of its clip."""
    NO_TRACK = "no_track"
    """A clip of the film has no finished track."""
    FRAME_RATE = "frame_rate"
    """Pictures of a film do not come evenly, or not as often as those of its clips."""
    # A day's files
    NEWEST_UNCLEAR = "newest_unclear"
    """Which clip or take is the newest is in doubt."""
    DUPLICATE = "duplicate"
    """A file holds the same as another."""
    CHANGED_WHILE_READ = "changed_while_read"
    """A file was written to while it was read, as one that is being copied."""
    OVERLAPPING_CLIPS = "overlapping_clips"
    """Clips of several cameras show the same moments."""
    OTHER_RECORDING = "other_recording"
    """A recording beside the ambisonic takes: which moment it belongs to, or that it belongs to none."""
    UNCLEAR_NAME = "unclear_name"
    """A file may belong to several clips by its name."""
    ALREADY_THERE = "already_there"
    """An older result has been left as it is."""
    SHOOT_FILE = "shoot_file"
    """What was written into the shoot file, or could not be."""
    ORIGINAL = "original"
    """Whether a clip or take is what a track was made from."""
    NOT_DONE = "not_done"
    """Something could not be done; the rest went on."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found."""

    code: Code
    severity: Severity
    message: str
    """What, how much, and what to do, in one sentence."""
    where: str = ""
    """The file, mark or time it is about."""
    clip_time_s: float | None = None
    """The moment of the clip that it is about; None where it is about all of it, or there is no clip."""
    take_time_s: float | None = None
    """The moment of the take that it is about, the first where there are many; None where it is about all of it."""


def written_out(finding: Finding) -> dict[str, str]:
    """A finding as every JSON of ours holds it."""
    return {
        "code": finding.code,
        "severity": finding.severity,
        "message": finding.message,
        "where": finding.where,
    }


def is_bad(findings: Iterable[Finding]) -> bool:
    """Whether any finding is of severity "fix"."""
    return any(finding.severity is Severity.FIX for finding in findings)
