"""`python -m nodeday`: the command line."""

import sys

from nodeday.cli.main import main

sys.exit(main())
