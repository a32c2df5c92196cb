"""How the microphone sat, as one rotation from its axes to the picture's: arrays in, small frozen results out."""
