"""Proof of a finished film: for every shot which clip it is, and whether its sound is in step and turned right."""
