"""The line and the lure in water: path, reach, contact and calibration. Pure computation."""
