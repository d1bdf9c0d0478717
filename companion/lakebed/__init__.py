"""Soundings to a bottom surface with uncertainty, marks, tree tops and water level.

`soundings` joins depth to place, `gates` what is believed to it, `cover` turns what
flickers above the bottom into hints, `cells` remembers, `kriging` estimates, `mosaic`
blends, `surface` answers; `breaks`, `marks`, `relief` and `exchange` are what can be
had from it. Pure computation: nothing here reads or writes.
"""
