"""The demo shoot: two clips and two takes of our own invention, their truth, and the scripts that make them."""

from importlib.resources import files
from importlib.resources.abc import Traversable

SHOOT_SUFFIXES = (".mp4", ".mov", ".flac", ".csv", ".json")


def shoot_files() -> list[Traversable]:
    """Files of the demo shoot as they travel with the package: clips, takes, marks, truth and README.md.

    Returns
    -------
    list of Traversable
        Sorted by name.
    """
    found = [item for item in files(__name__).iterdir() if item.name.endswith((*SHOOT_SUFFIXES, "README.md"))]
    return sorted(found, key=lambda item: item.name)
