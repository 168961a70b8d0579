"""Pictures of an analysis: first what is to be drawn, as values; then the drawing.

    look, letters, paper     colours and sizes; widths of words; sheets of paper
    music                    shared readings of an Analysis: events, grids in quarters, names
    chart, chart_lines,      the take laid out like a lead sheet: what is on it, how bars are
    chart_labels, chart_page, cut into lines, words over a line, every mark and word in
    chart_key                millimetres, the key below
    beat                     where in the beat the notes fall
    tempo_curve              how the player's tempo moves against the backing
    spread                   how far the notes scatter, by subdivision and tempo
    alt                      what each picture shows, in words
    draw_*                   the only modules that import matplotlib

Each kind has a data function (Analysis in, frozen values out), a drawing function
(values and a matplotlib axis in) and a function that makes whole figures::

    from improv.pictures.beat import beat_dials
    from improv.pictures.draw_beat import draw_dial
    draw_dial(axes, beat_dials(analysis).dials[0])

or, for finished pages of any kind, `draw_pages.pages(analyses, kind, paper)`.

Conventions: as in `model`. In every picture late is to the right (clockwise on a dial)
and, on the chart, below the line. Colour never speaks alone: shape, place, hatching or
words repeat it.
"""
