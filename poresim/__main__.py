"""``python -m poresim`` is the same as ``poresim``."""

import sys

from poresim.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
