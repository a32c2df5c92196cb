"""The microphone file: what was learned of one microphone, in TOML.

Conventions: spatial.calibration (gains and leak).
Functions: read_calibration; calibration_text; LearnedFrom (what it rests on).
Form: `error_before_deg`, `error_after_deg` (directions that took no part, without and with it), `learned_from` (names
of clips), `left_open` (covariance, 9 rows), and for each band from low to high a table `[[band]]` with `hz`, `gains`
(3 rows for x, y, z) and `leak`.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spatial.calibration import Calibration, CalibrationBand
from spatial.errors import InputError, MicrophoneFileError
from spatial.media.intake import read_toml
from spatial.media.ownership import BLANK_SEAL, MICROPHONE_HEAD
from spatial.version import __version__

_MOST_BYTES = 100_000
"""A microphone file has a few thousand bytes; what is larger is another file, named by mistake."""

_DIGITS = 5
"""Digits after the point of gains and leak: finer than a microphone is ever known."""

_ABOUT = (
    f"{MICROPHONE_HEAD}: --microphone takes it out of what this microphone records.\n"
    "# It holds for this one microphone and its encoding, as it was built when these clips were filmed.\n"
)


@dataclass(frozen=True, slots=True)
class LearnedFrom:
    """What a calibration rests on."""

    clips: tuple[str, ...]
    error_before_deg: float
    error_after_deg: float


def read_calibration(path: Path | str) -> tuple[Calibration, LearnedFrom]:
    """Read a microphone file.

    Parameters
    ----------
    path : path
        TOML in UTF-8, as calibration_text writes it.

    Raises
    ------
    MicrophoneFileError
        It cannot be read, or a key is missing or holds something else than it should; the file and the key are named.
    """
    path = Path(path)
    _, told = read_toml(
        *(path, "microphone file", MicrophoneFileError),
        most_bytes=_MOST_BYTES,
        what_to_do="orient --save-microphone writes one",
    )
    bands = told.get("band")
    if not isinstance(bands, list) or not bands or not all(isinstance(band, dict) for band in bands):
        raise MicrophoneFileError(
            f"{path.name} has no [[band]], so it is no microphone file; orient --save-microphone writes one"
        )
    try:
        found = []
        for number, band in enumerate(bands, start=1):
            where = f"{path.name}, band {number}"
            low, high = _numbers(band, "hz", (2,), where)
            gains = _numbers(band, "gains", (3, 3), where)
            leak = _numbers(band, "leak", (3,), where)
            found.append(CalibrationBand((low, high), gains, leak))
        calibration = Calibration(tuple(found), _numbers(told, "left_open", (9, 9), path.name))
    except InputError as error:
        raise MicrophoneFileError(f"{path.name} holds no microphone: {error}; learn it again") from error
    clips = told.get("learned_from", [])
    names = tuple(str(name) for name in clips) if isinstance(clips, list) else ()
    before = _numbers(told, "error_before_deg", (), path.name)
    after = _numbers(told, "error_after_deg", (), path.name)
    return calibration, LearnedFrom(names, before, after)


def calibration_text(calibration: Calibration, learned: LearnedFrom) -> str:
    """A microphone file's text, with room for its seal."""
    lines = [
        f"{_ABOUT}soundplumb = {json.dumps(__version__)}",
        f"seal = {json.dumps(BLANK_SEAL)}",
        f"learned_from = [{', '.join(_string(name) for name in learned.clips)}]",
        "# How far directions that took no part in the learning are off, without and with it (root mean square).",
        f"error_before_deg = {learned.error_before_deg:.2f}",
        f"error_after_deg = {learned.error_after_deg:.2f}",
        "# What is still open: covariance of log gains xx, yy, zz, xy, xz, yz and of the leak into x, y, z.",
        f"left_open = {_rows(calibration.covariance, 9)}",
    ]
    for band in calibration.bands:
        lines += [
            "",
            "[[band]]",
            f"hz = {_row(band.band_hz, 1)}",
            "# From a unit wave along x, y or z, what the microphone makes of x, y and z; and what W leaves in each.",
            f"gains = {_rows(band.gains, _DIGITS)}",
            f"leak = {_row(band.leak, _DIGITS)}",
        ]
    return "\n".join(lines) + "\n"


def _numbers(table: dict[str, Any], key: str, shape: tuple[int, ...], where: str) -> Any:
    """A finite number, or tuples of them in a shape."""
    value = table.get(key)
    if value is None:
        raise MicrophoneFileError(f"{where}: {key} is missing; learn the microphone again")
    if not _fits(value, shape):
        wanted = " rows of ".join(str(size) for size in shape)
        raise MicrophoneFileError(f"{where}: {key} should be {wanted + ' numbers' if shape else 'a number'}")
    return _tuples(value)


def _fits(value: object, shape: tuple[int, ...]) -> bool:
    if not shape:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        try:
            return math.isfinite(value)
        except OverflowError:  # a whole number of TOML has any length
            return False
    return isinstance(value, list) and len(value) == shape[0] and all(_fits(each, shape[1:]) for each in value)


def _tuples(value: Any) -> Any:
    return tuple(_tuples(each) for each in value) if isinstance(value, list) else float(value)


def _row(numbers: Sequence[float], digits: int) -> str:
    return "[" + ", ".join(f"{number:.{digits}f}" for number in numbers) + "]"


def _rows(rows: Sequence[Sequence[float]], digits: int) -> str:
    return "[\n" + "".join(f"  {_row(row, digits)},\n" for row in rows) + "]"


def _string(name: str) -> str:
    # A file's name may hold bytes that are no text.
    return json.dumps(name.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False)
