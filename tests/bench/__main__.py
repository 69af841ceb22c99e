"""``python3 -m tests bench [name …]``: measure, and print ratios side by side.

Figures depend on the machine; so each stands beside something plain measured in
the same run. Nothing here passes or fails.
"""

from __future__ import annotations

import importlib
import sys

BENCHMARKS = {
    "rendering": "cost of each finding and view, beside a plain filter chain",
    "fundus_checks": "the thirty published figures on 300 eyes",
    "outliers": "500 random eyes with random features, the worst 40 on a sheet",
    "first_picture": "from starting the program to the first eye, cold and warm",
    "answers": "an answer's round trip at 1, 20 and 100 learners, beside a bare insert",
    "load": "300 learners for five minutes with rendering on, beside bare inserts at that pace",
    "planning": "composing a round from 10,000 cards, beside sorting them",
    "library": "browsing and searching 10,000 cards, beside plain SQL over them",
    "cohort": "a cohort of 2,000 with 2 million answers, beside plain SQL over them",
    "exports": "saving a cohort of 2 million answers, and a backup: time and memory",
    "bedside": "frame times of the bedside view on a slowed phone, beside a bare canvas; bytes",
    "page_weight": "bytes of a first visit and of each further eye",
}


def main(names: list[str]) -> int:
    """Run the named benchmarks, or all; return 2 for a name that is none of them."""
    unknown = [name for name in names if name not in BENCHMARKS]
    if unknown:
        print(f"no benchmark {unknown[0]!r}; there are:", file=sys.stderr)
        for name, words in BENCHMARKS.items():
            print(f"  {name:15} {words}", file=sys.stderr)
        return 2
    # Each reads options of its own from the command line when it is run alone.
    sys.argv = sys.argv[:1]
    for name in names or BENCHMARKS:
        print(f"\n== {name}: {BENCHMARKS[name]}\n", flush=True)
        importlib.import_module(f"tests.bench.{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
