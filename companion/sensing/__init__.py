"""Bytes to sentences to readings to the state of the boat."""
