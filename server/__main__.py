"""``python3 -m server``: set up on first use, then run the program or one of its commands."""

from __future__ import annotations

import sys

from server import bootstrap


def main() -> int:
    """Enter the environment and hand over to the command line inside it."""
    try:
        bootstrap.enter("server", sys.argv[1:])
    except bootstrap.SetUpError as error:
        print(error, file=sys.stderr)
        return 2
    from server.cli import main as command_line

    return command_line(sys.argv[1:])


# Rendering workers are spawned and import this module under another name: the
# guard keeps them from starting a second server.
if __name__ == "__main__":
    sys.exit(main())
