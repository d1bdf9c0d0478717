"""Rods, lines and lures: what is rigged, and its physical parameters."""
