"""Benchmarks of improv: seeded, printed as tables, run by `python -m benchmarks`."""
