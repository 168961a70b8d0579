"""Assignment files for tests: one that says all there is to say, and a short one."""

from __future__ import annotations

WHOLE = """\
# week three, blues in F
title = "Eighths and half notes"
note = "Leave space."
tempo = [80, 84.5]        # slow first
bars-per-tempo = 16
meter = "4/4"
count-in = 2
bars = 32

[[section]]
bars = "1-8"
name = "head"
stay-on = "eighths"       # nothing finer
least-notes = 3
pocket = { share = 0.8, within-ms = 20 }
most-drift = 2

[[section]]
bars = 9
allowed = ["eighths", "triplets"]
no-off-grid-runs = true
swing = [1.2, 2.0]

[[section]]
bars = "10-"
alternate = ["eighths", "half notes"]
every = 2
players = 2
nothing-faster-than = "triplets"
pocket = true

[click]
beats = [2, 4]
bars-on = 3
bars-off = [1, 2]
"""
SHORT = 'tempo = 96\n[[section]]\nbars = "1-8"\nstay-on = "eighths"\n'
