"""Sound that lies in memory, laid down as a file for as long as a job needs one.

Goal: arrays go through the very jobs that files go through, so that nothing is measured in two ways.
Functions: array_as_file (for a with block).
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from spatial.conventions import FloatArray
from spatial.errors import OutputError

_LONGEST_RIFF_BYTES = 4_000_000_000
"""Bytes of sound up to which a file is RIFF: its sizes have 32 bits, those in RF64 have 64 (EBU Tech 3306)."""


@contextmanager
def array_as_file(sound: FloatArray, rate_hz: int, name: str) -> Iterator[Path]:
    """Lay sound down in a temporary folder of its own, as 32-bit floats.

    Parameters
    ----------
    sound : ndarray, shape (channels, samples)
    rate_hz : int
    name : str
        Of the file, as messages will call it.

    Yields
    ------
    Path
        Gone when the with block ends.

    Raises
    ------
    OutputError
        There is no room for it.
    """
    container = "WAV" if 4 * sound.size < _LONGEST_RIFF_BYTES else "RF64"
    with tempfile.TemporaryDirectory(prefix="soundplumb-", ignore_cleanup_errors=True) as folder:
        path = Path(folder) / name
        try:
            soundfile.write(path, np.asarray(sound.T, dtype=np.float32), rate_hz, subtype="FLOAT", format=container)
        except (OSError, soundfile.LibsndfileError) as error:
            raise OutputError("the folder for temporary files has no room; free some or set TMPDIR") from error
        yield path
