"""Soundings to a bottom surface with uncertainty, marks, tree tops and water level."""
