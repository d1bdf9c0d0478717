"""A lake, a boat and an angler that do not exist: demo days with known truth.

`lake` is the bottom, `boat` moves over it and carries the instruments, `angler` casts
and talks, `nmea` and `speech` turn what happened into the bytes and the sound that a
real boat would have recorded, and `day` puts one whole day on disk. Everything is drawn
from one seed, so a day can be made again.
"""
