"""First-order recordings, in one file or several."""
