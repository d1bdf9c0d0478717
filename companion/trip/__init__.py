"""A trip: what is heard and measured goes in, in the order it happened; events and spoken lines come out.

`assembly` builds a trip, for live and replay alike. `engine` is its one loop: what was
said waits in the `agenda` and is heard by the `dialogue`; readings go to the `lookout`.
`handlers` carry out commands: each takes the state and the moment, and returns an
`Outcome`. `core` holds the `state`, all that a trip remembers, one value, and gives
events out. Every line goes out through `speech`: `policy` decides what may be spoken
unasked, `volunteer` what is worth it, `wording` words it. Start reading at
`engine.Engine`.
"""
