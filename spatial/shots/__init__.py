"""Which shot of a film is which clip, and from which picture on: by what is seen and by what moves."""
