"""How a job tells how far it is, without printing.

Functions: silent (reports to nobody).
"""

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with what is being done and the part of it that is done, 0 to 1."""


def silent(step: str, part: float) -> None:
    """Tell nobody."""
