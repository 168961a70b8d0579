"""The commands of `improv`, one module each.

To add one: write `improv/commands/NAME.py` holding a click command called `command`,
and add one line here. Modules load nothing heavy at their top: what a command needs
it imports when it runs. What they share:

    options              how to read takes and how to judge them; log_options: which log, which
                         takes; requirement_options: what an assignment asks
    output               standard output or a file written whole, progress
    keeping, comparing   what several commands do with the log; with two sets of takes
    assigning            what `improv assign` does between its options and the core
"""

COMMANDS: dict[str, str] = {
    "analyze": "improv.commands.analyze",
    "assign": "improv.commands.assign",
    "check": "improv.commands.check",
    "click": "improv.commands.practice_click",
    "compare": "improv.commands.compare",
    "listen": "improv.commands.listen",
    "log": "improv.commands.log",
    "plot": "improv.commands.plot",
    "report": "improv.commands.report",
    "safety": "improv.commands.safety",
}
