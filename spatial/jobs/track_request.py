"""What the crew asks for: the one thing that the jobs of orient, conform and review are given beside clip and take.

Conventions: spatial.conventions (mount).
"""

from dataclasses import dataclass, field
from pathlib import Path

from spatial.conventions import FloatArray
from spatial.errors import InconclusiveError
from spatial.field import ChannelFormat, ReadAs
from spatial.jobs.orient.from_marks import OrientResult
from spatial.jobs.orient.measure_marks import marks_of_clip
from spatial.jobs.rig import Rig
from spatial.jobs.sync.sync_clip import rig_of
from spatial.jobs.sync.take_choice import Pairing
from spatial.jobs.verify import Tolerance
from spatial.media.movies.clip import Clip
from spatial.media.tables import Mark
from spatial.mount.prior import MountPrior
from spatial.rotation import YawPitchRoll, matrix_from_ypr
from spatial.sync.baseline import Separation


@dataclass(frozen=True, slots=True, eq=False)
class TrackRequest:
    """What is asked of a clip's track, or of how its microphone sat, beside its clip and take."""

    marks_path: Path | None = None
    """Marks of the clip: they tell the mount where it is not given, and prove the track."""
    mount: YawPitchRoll | None = None
    """How the microphone sat, where the crew knows; under a camera that moved, as it looked at 0, 0, 0."""
    rig: Rig = field(default_factory=Rig)
    """Where its camera moved over a recorder that did not, or its picture was levelled, the sound is turned along."""
    prior: MountPrior | None = None
    """What the crew says of how it sat, where marks tell the rest."""
    repair: bool = False
    """Put the channels of a mirrored take right."""
    tolerance: Tolerance = field(default_factory=Tolerance)
    read_as: ReadAs = ChannelFormat.AMBIX
    """How the take's channels were to be read."""
    formats: tuple[tuple[tuple[str, ...], ReadAs], ...] = ()
    """Patterns of names of takes that were to be read otherwise, and how."""
    pair: str | None = None
    """Name of the take that the clip was paired with by hand."""
    oriented: OrientResult | None = None
    """How the microphone sat, where that was found before, such as from all clips of its rig."""

    @property
    def pairing(self) -> Pairing | None:
        """That clip and take were filmed together, where the crew says so."""
        return None if self.pair is None else Pairing()

    @property
    def mount_matrix(self) -> FloatArray | None:
        """The mount that was given, shape (3, 3)."""
        return None if self.mount is None else matrix_from_ypr(self.mount)

    def separation(self, picture_from_take: FloatArray | None) -> Separation | None:
        """What the microphone's place, and how it sat where that is known, tell about the travel of sound."""
        return rig_of(self.rig.mic_offset_m, picture_from_take, sd_m=self.rig.mic_offset_sd_m)

    def marks_of(self, clip: Clip) -> tuple[Mark, ...]:
        """Its marks as the rig has them seen; none where no file was named.

        Raises
        ------
        MarksFileError
        """
        return marks_of_clip(self.marks_path, clip, self.rig) if self.marks_path else ()

    def require_answer(self) -> None:
        """Raise where nothing tells how the microphone sat.

        Raises
        ------
        InconclusiveError
        """
        if self.oriented is not None:
            return
        if self.mount is None and self.marks_path is None and (self.prior is None or self.prior.hanging is None):
            raise InconclusiveError(
                "nothing tells how the microphone sat: give --marks FILE, or --mount YAW,PITCH,ROLL (0,0,0 if it faced "
                "the lens and hung level), or --upright or --upside-down, where the camera's stereo sound tells the "
                "rest"
            )
