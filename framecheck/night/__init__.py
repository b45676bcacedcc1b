"""Night: frames set beside each other: groups, registration, transparency, motion."""
