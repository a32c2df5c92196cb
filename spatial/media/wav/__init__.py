"""WAV, RF64 and BW64 files: their chunks, their metadata, and what is left of broken ones."""
