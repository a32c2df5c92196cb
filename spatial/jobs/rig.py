"""What the crew knows of the rig: the one thing that every job is told of it."""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from spatial.conventions import FloatArray
from spatial.direction.intensity import BAND_HZ
from spatial.direction.microphone_error import ORDINARY, Microphone
from spatial.media.shoot_file import ShootRig
from spatial.media.tables import CameraMoves
from spatial.mount.mic_offset import GIVEN_SD_M


@dataclass(frozen=True, slots=True)
class Rig:
    """What the crew knows of the rig."""

    mic_offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """The microphone's place seen from the lens: forward, left, up."""
    picture: str | None = None
    """Layout of the picture, for marks in pixels."""
    band_hz: tuple[float, float] = BAND_HZ
    moves: CameraMoves | None = None
    """How the camera turned over a recorder that did not turn with it; mount and mic_offset_m are then against the
    camera at 0, 0, 0."""
    levelled: FloatArray | None = None
    """shown_from_filmed: how the picture was turned after it was filmed, shape (3, 3). Marks are as filmed."""
    mic_offset_sd_m: float = GIVEN_SD_M
    """How exactly mic_offset_m is known, one standard deviation along each axis."""
    microphone: Microphone = ORDINARY
    """What is unknown of the microphone itself."""

    def with_words(self, named: ShootRig, *, but: Collection[str] = ()) -> "Rig":
        """The rig with what a shoot file says of it, but for what is known from elsewhere (names of fields)."""
        changed = self
        if named.picture is not None and "picture" not in but:
            changed = replace(changed, picture=named.picture)
        if named.mic_offset_m is not None and "mic_offset_m" not in but:
            changed = replace(changed, mic_offset_m=named.mic_offset_m)
        if named.mic_offset_sd_m is not None and "mic_offset_sd_m" not in but:
            changed = replace(changed, mic_offset_sd_m=named.mic_offset_sd_m)
        return changed

    @property
    def shown_from_filmed(self) -> FloatArray:
        """How the picture was turned after it was filmed, shape (3, 3)."""
        return np.eye(3) if self.levelled is None else self.levelled
