"""``padpost``, and ``python -m bridge``."""

from __future__ import annotations

import sys

from bridge.cli.main import run


def main() -> int:
    """Run the command line; give the exit status."""
    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
