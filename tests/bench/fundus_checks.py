"""Thirty checks of rendered eyes against published values, on 300 eyes with fixed seeds.

Run by ``python3 -m tests bench``, or alone with
``python -m tests.bench.fundus_checks [--eyes N]``. The suite runs most of them
on smaller samples; here is the table.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence

from tests.bench.checks.anatomy import anatomy_checks
from tests.bench.checks.check import table
from tests.bench.checks.findings import finding_checks
from tests.bench.checks.pictures import picture_checks
from tests.bench.checks.vessels import vessel_checks


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; returns 1 when a row is not met, so that nobody overlooks it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--eyes", type=int, default=300, help="size of the sample")
    count = parser.parse_args(arguments).eyes
    checks = []
    for group in (anatomy_checks, vessel_checks, picture_checks, finding_checks):
        start = time.monotonic()
        checks += group(count)
        print(f"{group.__name__}: {time.monotonic() - start:.0f} s", file=sys.stderr)
    checks.sort(key=lambda check: check.number)
    print(f"Checks on {count} eyes, fixed seeds")
    print(table(checks))
    met = sum(check.met is True for check in checks)
    unmet = sum(check.met is False for check in checks)
    print(
        f"{met} of {len(checks)} lines met, {unmet} not, {len(checks) - met - unmet} not measured"
    )
    return 1 if unmet else 0


if __name__ == "__main__":
    sys.exit(main())
