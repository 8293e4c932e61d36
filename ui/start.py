"""The first thing that runs: imports nothing before Ctrl-C is answered in words."""

from __future__ import annotations

import sys


def main() -> None:
    """Entry point of the `driftbeat` command."""
    try:
        from ui.command_line import main as command

        command()
    except KeyboardInterrupt:  # while modules were being imported
        sys.stderr.write("Interrupted. Nothing was begun.\n")
        raise SystemExit(130) from None


if __name__ == "__main__":
    main()
