"""Where `soundplumb` and `python -m cli` start: Ctrl-C is answered in one line before anything else is loaded.

Functions: main.
"""

import os
import signal
import sys
from types import FrameType


def main() -> None:
    """Run the command line."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop)
    try:
        from cli.main import cli

        cli(prog_name="soundplumb")
    finally:
        # What there was to say has been said: nothing is left to stop but Python's own tidying up.
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 Python passes them
    """Leave at once: modules are half loaded, no file is open yet, and an exception may be lost on the way up."""
    from cli.stopping import COULD_NOT, STOPPED

    os.write(2, f"soundplumb: {STOPPED}\n".encode())
    if "--json" in sys.argv:
        os.write(1, f'{{"error": "{STOPPED}"}}\n'.encode())
    os._exit(COULD_NOT)


if __name__ == "__main__":
    main()
