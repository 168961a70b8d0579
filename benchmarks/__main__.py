"""`python -m benchmarks` runs every benchmark; `python -m benchmarks NAME` one of them."""

from __future__ import annotations

import sys
from importlib import import_module

BENCHMARKS = (
    "solos", "calibration", "estimates", "notated", "verdicts", "classes", "comparison",
    "mutations", "log_kills", "log_size", "speed",
)  # fmt: skip


def main(arguments: list[str]) -> int:
    """Run what is asked for; options go to the one benchmark named.

    Returns the highest exit status of those run; a benchmark without one counts as 0.
    """
    if arguments and arguments[0] not in BENCHMARKS:
        print(f"no benchmark '{arguments[0]}'; there are: {', '.join(BENCHMARKS)}", file=sys.stderr)
        return 2
    status = 0
    for name in arguments[:1] or BENCHMARKS:
        print(f"== {name}", flush=True)
        status = max(status, import_module(f"benchmarks.{name}").main(arguments[1:]) or 0)
        print(flush=True)
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
