"""A trip: what is heard and measured goes in, in the order it happened; events and spoken lines come out.

`assembly` builds a trip, for live and replay alike. `engine` is its one loop. `handlers` carry out
commands: each takes the state and the moment, and returns an `Outcome`. `state` is all that a trip
remembers, one value.
`policy` decides what may be spoken unasked, `volunteer` what is worth it, `wording` words every spoken line.
Start reading at `engine.Engine`.
"""
