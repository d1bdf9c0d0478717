"""The glance page on the boat's own network."""
