"""``python -m recon`` is the command ``halfbit``."""

import sys

from recon.cli import main

if __name__ == "__main__":
    sys.exit(main())
