"""Where `soundplumb` and `python -m cli` start: Ctrl-C is answered in one line before anything else is loaded.

Functions: main.
"""

import os
import signal
import sys
from contextlib import suppress
from types import FrameType


def main() -> None:
    """Run the command line."""
    # The products of matrices here are small: threads would only wait for each other, and take the cores from decoding.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop)
    try:
        from cli.streams import stand_in

        stand_in()
        _watch()
        _run()
    finally:
        # What there was to say has been said: nothing is left to stop but Python's own tidying up.
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _watch() -> None:
    """Leave with what a process of its own came to, where memory is limited and it was started."""
    from cli.watching import watched

    code, sentence = watched()
    if sentence:
        import json

        with suppress(OSError):
            os.write(2, f"soundplumb: {sentence}\n".encode())
            if "--json" in sys.argv:
                os.write(1, (json.dumps({"error": sentence}) + "\n").encode())
    if code >= 0:
        raise SystemExit(code)


def _run() -> None:
    import click

    from cli.main import cli
    from cli.stopping import COULD_NOT, WRONG_USE
    from cli.streams import silence

    code = 0
    try:
        cli.main(prog_name="soundplumb", standalone_mode=False)
    except click.UsageError as error:
        code = WRONG_USE
        try:
            error.show()
        except OSError:
            silence(sys.stderr)
    except click.Abort:
        code = COULD_NOT
    except OSError:
        # The help finds nobody to read it.
        silence(sys.stdout)
        code = COULD_NOT
    raise SystemExit(code)


def _stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 Python passes them
    """Leave at once: modules are half loaded, no file is open yet, and an exception may be lost on the way up."""
    from cli.stopping import COULD_NOT, STOPPED

    with suppress(OSError):
        os.write(2, f"soundplumb: {STOPPED}\n".encode())
        if "--json" in sys.argv:
            os.write(1, f'{{"error": "{STOPPED}"}}\n'.encode())
    os._exit(COULD_NOT)


if __name__ == "__main__":
    main()
