"""Sky: level, noise and gradient over the image."""
