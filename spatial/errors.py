"""The exceptions Soundplumb raises on purpose, and the signals that stop it.

Each message says what, where and what to do.
"""

STOP_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
"""Names of the signals that stop a run: Ctrl-C, a polite kill, a closed terminal. Windows has no SIGHUP."""


class SoundplumbError(Exception):
    """Anything we could not do, for a reason we can name. The command line turns it into exit code 3."""


class InputError(SoundplumbError, ValueError):
    """A value given to a function cannot be used (shape, rate, range, NaN)."""


class MediaFileError(SoundplumbError):
    """A take or movie is missing, unreadable, or is not what it was given as."""


class MarksFileError(SoundplumbError):
    """A marks file has a row or a value that cannot be used."""


class MovesFileError(SoundplumbError):
    """A file of camera moves has a row or a value that cannot be used."""


class MicrophoneFileError(SoundplumbError):
    """A microphone file cannot be read as one."""


class ShootFileError(SoundplumbError):
    """A shoot file has a key or a value that cannot be used."""


class OutputError(SoundplumbError):
    """A result could not be written: it exists already, the disk is full, or the folder is read-only."""


class InconclusiveError(SoundplumbError):
    """The material does not decide the question (silence, no overlap, no direction)."""


class FaultError(SoundplumbError):
    """A mistake in Soundplumb itself, with a report that can be sent; work on other files goes on."""
