"""Decision: grades, error budget, mount decision, cures."""
