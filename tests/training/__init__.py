"""How the small networks of the voice room are made: from generated voices and generated noise alone."""
