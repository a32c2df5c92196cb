"""Results as text and back again, whole: what was found once is shown the next day just as it was.

Our own frozen results are written field by field under the names of their classes, numbers exactly, arrays as their
bytes. What is read back builds results and enums of this package and nothing else. Files that lie in the folder of
the shoot are written by their place in it, so a shoot that was moved is read back where it lies now.

Functions: kept_text; from_kept (back again).
"""

import base64
import json
import math
import sys
import zlib
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from spatial.errors import InputError
from spatial.rotation import Motion

_OURS = "spatial."
_LEAST_PACKED = 64
"""Bytes from which on an array is worth packing."""
_MOST_BYTES = 100_000_000
"""An array that says it is larger was not written by us."""


def kept_text(value: object, folder: Path) -> str:
    """A result in one line of JSON.

    Parameters
    ----------
    value : object
        Of dataclasses and enums of this package, tuples, lists, dicts with str keys, arrays of numbers, paths,
        fractions and plain values.
    folder : Path
        The folder of the shoot.

    Raises
    ------
    TypeError
        It holds something else.
    """
    return json.dumps(_Writer(folder).written(value), allow_nan=False, ensure_ascii=True, separators=(",", ":"))


def from_kept(text: str, folder: Path) -> Any:
    """What kept_text wrote, for a shoot that lies in `folder` now.

    Raises
    ------
    InputError
        It is damaged, or was written by a version with other results.
    """
    try:
        return _Reader(folder).read(json.loads(text))
    except (ValueError, TypeError, LookupError, AttributeError, ImportError, RecursionError, zlib.error) as error:
        raise InputError(f"what was kept of an older run cannot be read ({type(error).__name__})") from error


class _Writer:
    """Each result and array once; where it comes again, its number."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._numbers: dict[int, int] = {}
        # They must outlive the writing, or two would share an id.
        self._held: list[object] = []

    def written(self, value: object) -> object:
        """As JSON has it."""
        if isinstance(value, Enum):
            return {"enum": _name_of(type(value)), "is": value.name}
        if value is None or type(value) in (bool, int, str):
            return value
        if isinstance(value, float):  # of numpy too: a double either way
            return float(value) if math.isfinite(value) else {"float": str(float(value))}
        if isinstance(value, np.generic):
            return {"scalar": value.dtype.str, "is": self.written(value.item())}
        if isinstance(value, Path):
            return self._path(value)
        if isinstance(value, Fraction):
            return {"fraction": str(value)}
        if isinstance(value, tuple):
            return [self.written(item) for item in value]
        if isinstance(value, list):
            return {"list": [self.written(item) for item in value]}
        if isinstance(value, dict) and all(type(key) is str for key in value):
            return {"dict": [[key, self.written(item)] for key, item in value.items()]}
        if isinstance(value, Motion):
            return {"motion": self.written(value.times_s), "is": self.written(value.matrices)}
        return self._numbered(value)

    def _numbered(self, value: object) -> object:
        if id(value) in self._numbers:
            return {"again": self._numbers[id(value)]}
        if isinstance(value, np.ndarray) and value.dtype.kind in "biufc":
            said: dict[str, object] = {"array": value.dtype.str, "shape": list(value.shape), "is": _packed(value)}
        elif is_dataclass(value) and not isinstance(value, type):
            inside = {field.name: self.written(getattr(value, field.name)) for field in fields(value) if field.init}
            said = {"result": _name_of(type(value)), "is": inside}
        else:
            raise TypeError(f"{type(value).__name__} cannot be kept")
        self._numbers[id(value)] = len(self._held)
        self._held.append(value)
        return said

    def _path(self, path: Path) -> object:
        try:
            return {"here": path.relative_to(self._folder).as_posix()}
        except ValueError:
            return {"path": str(path)}


class _Reader:
    """The other way round."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._held: list[object] = []

    def read(self, said: Any) -> Any:
        """As Python has it."""
        if isinstance(said, list):
            return tuple(self.read(item) for item in said)
        if not isinstance(said, dict):
            return said
        if not said:
            raise ValueError("an object of nothing")
        kind, value = next(iter(said.items()))
        if kind == "again":
            return self._held[value]
        if kind == "result":
            return self._hold(self._result(value, said["is"]))
        if kind == "array":
            return self._hold(_unpacked(value, said["shape"], said["is"]))
        if kind == "enum":
            return _class_of(value, Enum)[said["is"]]
        return self._simple(kind, value, said)

    def _simple(self, kind: str, value: Any, said: dict[str, Any]) -> Any:
        match kind:
            case "here":
                return self._folder / value
            case "path":
                return Path(value)
            case "fraction":
                return Fraction(value)
            case "float":
                return float(value)
            case "scalar":
                return np.dtype(value).type(self.read(said["is"]))
            case "motion":
                return Motion(self.read(value), self.read(said["is"]))
            case "list":
                return [self.read(item) for item in value]
            case "dict":
                return {key: self.read(item) for key, item in value}
        raise ValueError(f"nothing is kept as {kind}")

    def _result(self, name: str, inside: dict[str, Any]) -> object:
        kind: Any = _class_of(name, object)
        if not is_dataclass(kind):
            raise TypeError(f"{name} is no result")
        if inside.keys() != {field.name for field in fields(kind) if field.init}:
            raise TypeError(f"{name} has other fields now")
        made: Any = kind
        return made(**{key: self.read(item) for key, item in inside.items()})

    def _hold(self, value: object) -> object:
        self._held.append(value)
        return value


def _name_of(kind: type) -> str:
    if not kind.__module__.startswith(_OURS):
        raise TypeError(f"{kind.__name__} cannot be kept")
    return f"{kind.__module__}:{kind.__qualname__}"


def _class_of(name: str, base: type) -> Any:
    module, _, qualname = name.partition(":")
    if not module.startswith(_OURS):
        raise TypeError(f"{name} is not ours")
    kind = getattr(sys.modules.get(module) or import_module(module), qualname)
    if not (isinstance(kind, type) and issubclass(kind, base) and kind.__module__ == module):
        raise TypeError(f"{name} is no result")
    return kind


def _packed(array: np.ndarray[Any, Any]) -> object:
    if array.nbytes < _LEAST_PACKED and array.dtype.kind != "c" and bool(np.all(np.isfinite(array))):
        return array.ravel().tolist()
    return base64.b64encode(zlib.compress(np.ascontiguousarray(array).tobytes(), 6)).decode("ascii")


def _unpacked(dtype: str, shape: list[int], packed: Any) -> np.ndarray[Any, Any]:
    if np.dtype(dtype).kind not in "biufc":
        raise TypeError("an array of no numbers")
    if isinstance(packed, list):
        return np.array(packed, dtype=dtype).reshape(shape)
    opened = zlib.decompressobj()
    held = opened.decompress(base64.b64decode(packed), _MOST_BYTES)
    return np.frombuffer(held, dtype=dtype).reshape(shape).copy()
