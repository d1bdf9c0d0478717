"""The day afterwards: one self-contained page for a trip, and one for many.

`day` reads a trip from the logbook, `ground` maps its bottom, `casts` and `counts` say
what brought bites and how much that bears, `rods` what the touches taught; `findings`
puts them together. `charts` draws, `page` and `season` write HTML, `printing` makes a
PDF of it, `figures` gives the same numbers as data. Nothing here asks for the time or a
random number: the same logbook gives the same bytes.
"""
