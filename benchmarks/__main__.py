"""`python -m benchmarks` runs every benchmark; `python -m benchmarks NAME` one of them."""

from __future__ import annotations

import sys
from importlib import import_module

BENCHMARKS = (
    "solos", "calibration", "estimates", "notated", "verdicts", "classes",
    "comparison", "log_kills", "log_size",
)  # fmt: skip


def main(arguments: list[str]) -> int:
    """Run what is asked for; options go to the one benchmark named."""
    if arguments and arguments[0] not in BENCHMARKS:
        print(f"no benchmark '{arguments[0]}'; there are: {', '.join(BENCHMARKS)}", file=sys.stderr)
        return 2
    for name in arguments[:1] or BENCHMARKS:
        import_module(f"benchmarks.{name}").main(arguments[1:])
        print()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
