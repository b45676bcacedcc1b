"""Read: a file becomes a Frame; the only room that knows FITS keywords."""
