"""A voice-and-sensor companion for an angler who fishes deep-diving lures over offshore structure."""

__version__ = "0.1.0"
