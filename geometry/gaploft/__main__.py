"""``python -m gaploft``: the command line without its script."""

import sys

from gaploft.cli import main

sys.exit(main())
