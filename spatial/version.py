"""The version of the program: stated here, and read by the packaging, by results and by `--version`."""

__version__ = "0.3.0"
