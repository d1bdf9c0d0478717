"""A cast in progress: where the lure is now, advisories, rod choice and planning."""
