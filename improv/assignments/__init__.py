"""Assignments: what a teacher asks a player to hold, and whether a take holds it.

model      the nouns: Assignment, Section, Pocket ...
defaults   what `true` means at a tempo, with the source of each number
keys       the words of an assignment file, and their lines
limits     how much one assignment may ask
reading    TOML text -> Assignment; refuses contradictions with file, line and key
writing    Assignment -> TOML text
updating   a hand-edited file brought up to date, its comments kept; pieces: its text cut up
evidence   an Analysis as arrays per event, ready to be judged
judge      Assignment x Analysis -> Verdict, requirement by requirement, bar by bar
judge_swung  were pairs swung where swung notes are asked for?
following  a grid followed from note to note while the player drifts
gaps       how far a player drifted while the click was out
tempo_claims  which tempo was played, where file, command line and assignment disagree
tempo_search  which tempo was played, where the file states none
jobs       how the takes of one call are read; takes: the reading itself
count_in   playing that starts in the count-in
classes    many takes: read, analyzed and judged over several cores
report     a Verdict as text; class_report: a class of them; data: either as JSON and CSV
proposal   an assignment from a player's own analyses
"""
