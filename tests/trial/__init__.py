"""The trial: the installed program in an invented world, with sensors, sound and faults in real time."""
