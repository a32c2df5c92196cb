"""Decoded sound laid aside on disk, so that hours of it can be read in spans without filling memory.

Functions: Spool (write blocks, then read any span).
"""

import tempfile
from contextlib import suppress
from types import TracebackType
from typing import Self

import numpy as np

from spatial.conventions import FloatArray
from spatial.errors import OutputError

_SAMPLE_BYTES = 4
_IN_MEMORY_BYTES = 16 << 20


class Spool:
    """Float32 sound in a temporary file (in memory while it is small), gone when closed."""

    def __init__(self, rate_hz: int) -> None:
        self._file = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES, prefix="soundplumb-")  # noqa: SIM115 closed by __exit__
        self._channels = 1
        self.rate_hz = rate_hz
        self.length = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # What a full disk did not take is not wanted any more.
        with suppress(OSError):
            self._file.close()

    def write(self, block: FloatArray) -> None:
        """Append a block, shape (channels, samples); every block has the same channels.

        Raises
        ------
        OutputError
            No room left for temporary files.
        """
        self._channels = block.shape[0]
        try:
            self._file.seek(0, 2)
            self._file.write(np.ascontiguousarray(block.T, dtype=np.float32).tobytes())
            # Here, not in a later read, is where a full disk must show.
            self._file.flush()
        except OSError as error:
            raise OutputError(
                f"the folder for temporary files has no room ({error.strerror}); free some or set TMPDIR"
            ) from error
        self.length += block.shape[1]

    def read(self, start: int, stop: int, *, channels: int | None = None) -> FloatArray:
        """Samples start <= n < stop, shape (channels, stop - start), zeros where there is no sound.

        `channels`: only the first so many.
        """
        span = np.zeros((self._channels, stop - start), dtype=np.float32)
        first, last = max(start, 0), min(stop, self.length)
        if first < last:
            frame = self._channels * _SAMPLE_BYTES
            self._file.seek(first * frame)
            raw = self._file.read((last - first) * frame)
            span[:, first - start : last - start] = np.frombuffer(raw, np.float32).reshape(-1, self._channels).T
        return span[:channels]
