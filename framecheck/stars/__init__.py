"""Stars: found, measured and flagged; the last room that sees pixels."""
