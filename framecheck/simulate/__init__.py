"""Simulate: a night with known faults, for the demo and for trying things."""

from framecheck.simulate.night import render_night
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.scenario_file import demo_scenario, load_scenario

__all__ = ["Scenario", "demo_scenario", "load_scenario", "render_night"]
