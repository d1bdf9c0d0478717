"""The logbook, export, report and backup."""
