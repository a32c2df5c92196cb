"""Soundplumb: put an ambisonic recording in step and in line with a 180-degree picture.

For notebooks and scripts: read, rotate, directions, align, find_mount, mount_from_directions, write_track. Each is
loaded when it is first asked for, so `import spatial` is quick. Axes, angles, signs and time: spatial.conventions.
"""

from typing import TYPE_CHECKING

from spatial.version import __version__

if TYPE_CHECKING:
    from spatial.notebook.clip_and_take import Alignment, align
    from spatial.notebook.mic_mount import Mount, find_mount, mount_from_directions
    from spatial.notebook.recording import Recording, read, rotate, write_track
    from spatial.notebook.sound_directions import Directions, directions

__all__ = [
    "Alignment",
    "Directions",
    "Mount",
    "Recording",
    "__version__",
    "align",
    "directions",
    "find_mount",
    "mount_from_directions",
    "read",
    "rotate",
    "write_track",
]

_HOMES = {
    "clip_and_take": ("Alignment", "align"),
    "mic_mount": ("Mount", "find_mount", "mount_from_directions"),
    "recording": ("Recording", "read", "rotate", "write_track"),
    "sound_directions": ("Directions", "directions"),
}
"""Which module of spatial.notebook holds what."""


if not TYPE_CHECKING:  # type checkers know the names from above, and must find the others missing

    def __getattr__(name: str) -> object:
        for home, names in _HOMES.items():
            if name in names:
                from importlib import import_module

                # Kept, so that the next time Python finds it by itself.
                value = globals()[name] = getattr(import_module(f"spatial.notebook.{home}"), name)
                return value
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    # What one wants to complete a name with: not the rooms, nor what makes them load late.
    return sorted(__all__)
