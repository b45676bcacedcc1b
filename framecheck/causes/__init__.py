"""Causes: one small function of (Night, Rig) each; rivals are weighed afterwards."""
