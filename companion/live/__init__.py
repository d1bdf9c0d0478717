"""The companion in the boat: wires and microphone in, the one engine, logbook, recording and speaker out."""
