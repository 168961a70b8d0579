"""Listening back: parts of a take as played, slowed down, or placed on the grid, with a click.

    placed = place_on_grid(analysis)
    sections = plan(analysis, run_excerpts(analysis, placed), (PLAYED, SLOW, GRID), share=0.6)
    score = program_score(analysis, placed, sections, Hearing())     # to improv.sound
    parts = program_parts(analysis, placed, sections, Hearing())     # to MIDI

    on_grid, click_track    where every note and every click lies
    excerpts, program       parts of a take; their versions one after another, as a score
    as_midi, writing        the same as MIDI; files of either kind
    caution                 what is said of headphones wherever sound is made

All but `writing` is arithmetic on finished values: no files, no audio.
"""
