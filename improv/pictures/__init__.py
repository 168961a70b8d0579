"""Pictures of an analysis: first what is to be drawn, as values; then the drawing.

    look, letters, paper     colours and sizes; widths of words; sheets of paper
    music                    shared readings of an Analysis: events, grids in quarters, names
    kinds, alt               the kinds there are; what a picture shows, in words
    chart, chart_lines,      the take laid out like a lead sheet: what is on it, how bars are
    chart_labels, chart_page, cut into lines, words over a line, every mark and word in
    chart_scale, chart_key   millimetres, how large a deviation is drawn, the key below
    beat                     where in the beat the notes fall
    tempo_curve, local_lines how the player's tempo moves against the backing, by lines
                             through the notes around a place
    spread                   how far the notes scatter, by subdivision and tempo
    history                  many takes: a trend, before and after, the map of safety

    draw_*, the only modules that import matplotlib:
    draw_pages, draw_save    whole figures of any kind; figures to PNG, SVG and PDF
    draw_chart, draw_beat,   one kind each, on an axis
    draw_tempo, draw_spread,
    draw_history
    draw_axes, draw_words,   what they share: axes with ticks, text, matplotlib's own defaults
    draw_rc

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
