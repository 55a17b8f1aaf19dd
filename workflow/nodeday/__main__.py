import sys

from nodeday.cli import main

sys.exit(main())
