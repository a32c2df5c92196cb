"""The orient job: how the microphone sat, from marks, claps, or the camera's stereo sound."""
