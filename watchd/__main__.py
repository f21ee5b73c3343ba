"""`python -m watchd` is the command `watchd`."""

import sys

from watchd.commands import main

sys.exit(main())
