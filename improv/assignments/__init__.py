"""Assignments: what a teacher asks a player to hold, and whether a take holds it.

    model      the nouns: Assignment, Section, Pocket ...
    defaults   what `true` means at a tempo, with the source of each number
    keys       the words of an assignment file, and their lines
    limits     how much one assignment may ask
    reading    TOML text -> Assignment, or one refusal with file, line and key
    values     single values of a file, each with its bounds; checking: what must agree inside one
    writing    Assignment -> TOML text
    updating   a hand-edited file brought up to date, its comments kept; pieces: its text cut up
    evidence   an Analysis as arrays per event, ready to be judged
    leaving    each event against the grid that was asked for
    verdict    what a check finds: states, bar by bar, requirement by requirement
    judge      Assignment x Analysis -> Verdict, through the judges of requirements
    judge_case     one section and one take, as every judge looks at them
    judge_grid     was every note on the subdivisions asked for?
    judge_rate     nothing too fast, no run off the grid, enough notes
    judge_swung    were pairs swung where swung notes are asked for?
    judge_drift    rushing and dragging within the phrases
    judge_limits   pocket and swing, each beside its limit; judge_measure: such a measurement
    own_time   notes that keep the asked steps off the grid, by a drift alone
    following  a grid followed from note to note while the player drifts
    gaps       how far a player drifted while the click was out
    tempo_claims  which tempo was played, where file, command line and assignment disagree
    tempo_search  which tempo was played, where the file states none
    jobs       how the takes of one call are read; takes: the reading itself
    count_in   playing that starts in the count-in
    classes    many takes: read, analyzed and judged over several cores
    saying     requirements and verdicts in a musician's words
    report     a Verdict as text; class_report: a class of them; data: either as JSON and CSV
    proposal   an assignment from a player's own analyses
    clicktrack   the practice track as timed strokes; clickfiles: as MIDI and sound

A requirement is a field of `model.Section`; DEVELOPERS.md tells how to add one.
"""
