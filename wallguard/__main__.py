"""`python -m wallguard`."""

import sys

from wallguard.commands.main import main

sys.exit(main())
