"""``python3 -m tests`` runs the suite; ``bench`` after it measures, ``screenshots`` takes pictures.

Sets up the environment on first use, like ``python3 -m server``. Lint, types and
the import contract are tests of the suite (``tests/house``), so one command says
whether a change is fit to land.
"""

from __future__ import annotations

import os
import shutil
import sys

from server import bootstrap


def main(arguments: list[str]) -> int:
    """Enter the tests' environment and run pytest or the benchmarks there."""
    try:
        bootstrap.enter("tests", arguments)
    except bootstrap.SetUpError as error:
        print(error, file=sys.stderr)
        return 2
    os.chdir(bootstrap.ROOT)
    if arguments[:1] == ["bench"]:
        from tests.bench.__main__ import main as bench

        return bench(arguments[1:])
    if arguments[:1] == ["screenshots"]:
        from tests.browser.screenshots import main as screenshots

        return screenshots(arguments[1:])
    if arguments[:1] == ["instrument-pictures"]:
        from tests.browser.instrument_pictures import main as instrument_pictures

        return instrument_pictures(arguments[1:])

    import pytest

    from tests import compiling

    if all(argument.startswith("-") for argument in arguments):
        compiling.prepare()
    if shutil.which("chromium") is None:
        print("chromium is not installed: the browser tests will be", end=" ")
        print("failed, since CI=true." if os.environ.get("CI") == "true" else "skipped.")
    # Two workers suit the smallest machine this is meant for; -n on the command
    # line wins, and -n 0 is the way to debug.
    return int(pytest.main(["-n", "2", "--dist", "loadgroup", *arguments]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
