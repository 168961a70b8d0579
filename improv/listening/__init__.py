"""Listening back: parts of a take as played, slowed down, or placed on the grid, with a click.

    program = plan(analysis, run_excerpts(analysis), (PLAYED, SLOW, GRID), share=0.6)
    score = program_score(analysis, program, Hearing())      # to improv.sound
    parts, tempo_map, bars = program_parts(analysis, program, Hearing())   # to MIDI

Everything here is arithmetic on finished values: no files, no audio.
"""
