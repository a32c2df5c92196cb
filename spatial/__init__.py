"""Soundplumb: put an ambisonic recording in step and in line with a 180-degree picture."""

__version__ = "0.1.0"
