"""`python -m improv` is the `improv` command."""

from improv.cli import main

main()
