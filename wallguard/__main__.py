"""`python -m wallguard`."""

import sys

from wallguard.cli import main

sys.exit(main())
