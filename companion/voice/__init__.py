"""Audio to utterance to command; announcement to speech."""
